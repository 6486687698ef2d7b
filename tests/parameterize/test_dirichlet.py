"""The symmetric Dirichlet minimum: its known optima, its derivatives, and igl's SLIM beside it."""

import igl
import numpy as np
import pytest

from flatten.geometry.primitives import spherical_cap
from flatten.parameterize.dirichlet import derivatives, descend, energies
from flatten.parameterize.sheet import Sheet
from flatten.parameterize.start import start


def sheet_of(V, F) -> Sheet:
    sheet = Sheet([(V, F)])
    sheet.couple()
    return sheet


def minimum(V, F) -> float:
    sheet = sheet_of(V, F)
    U = descend(sheet, start(V, F)[0])
    return float(energies(sheet, sheet.parts(U))[0])


@pytest.mark.parametrize(("degrees", "known"), [(30, 4.0016), (60, 4.0261), (90, 4.1405)])
def test_cap_optima(degrees, known):
    """Solved as an ordinary differential equation for the radial profile, ±0.002."""
    V, F = spherical_cap(100.0, np.radians(degrees), rings=25)
    assert minimum(V, F) == pytest.approx(known, abs=0.002)


def test_no_worse_than_slim(make):
    """Rabinovich, Poranne, Panozzo & Sorkine-Hornung, Scalable Locally Injective Mappings, 2017."""
    V, F = make.bumpy()
    sheet = sheet_of(V, F)
    U = start(V, F)[0]
    data = igl.slim_precompute(
        np.asfortranarray(V), np.asfortranarray(F, dtype=np.int32), np.asfortranarray(U),
        igl.MappingEnergyType.SYMMETRIC_DIRICHLET, np.zeros(0, np.int32),
        np.zeros((0, 2), order="F"), 0.0,
    )  # fmt: skip
    slim = np.ascontiguousarray(igl.slim_solve(data, 50)[:, :2])
    theirs = energies(sheet, sheet.parts(slim))[0]
    assert minimum(V, F) <= theirs + 1e-9


def test_gradient_and_hessian_agree_with_differences():
    V, F = spherical_cap(50.0, 0.9, rings=3)
    sheet = sheet_of(V, F)
    rng = np.random.default_rng(0)
    U = start(V, F)[0] * 1.1 + rng.normal(size=(len(V), 2)) * 0.1
    weight = sheet.area / sheet.area.sum()

    def gradient(U):
        P = sheet.parts(U)
        return sheet.pull_back(P, derivatives(P, weight)[0]).ravel()

    h = 1e-5
    steps = np.eye(2 * len(V)) * h
    value = [
        [energies(sheet, sheet.parts(U + s * d.reshape(-1, 2)))[0] for s in (1, -1)] for d in steps
    ]
    np.testing.assert_allclose(
        gradient(U), (np.array(value)[:, 0] - np.array(value)[:, 1]) / (2 * h), atol=1e-8
    )
    # Stretched everywhere (the start is 1.1 times too large), nothing is clamped.
    P = sheet.parts(U)
    sheet.factor.clear()
    sheet.add_hessian(P, derivatives(P, weight)[1])
    sheet.add_floor(1e-12)
    assert sheet.factor.factor()
    b = rng.normal(size=(len(V), 2))
    b = (b - b.mean(axis=0)).ravel()  # nothing resists a shift
    x = sheet.factor.solve(b)
    change = (gradient(U + 1e-7 * x.reshape(-1, 2)) - gradient(U - 1e-7 * x.reshape(-1, 2))) / 2e-7
    np.testing.assert_allclose(change, b, atol=2e-2 * np.abs(b).max())
