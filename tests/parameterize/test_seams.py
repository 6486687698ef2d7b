"""Partner edges: equal at every vertex, eased where wanted, darts that close, outlines that are fair."""

import dataclasses

import numpy as np
import pytest

from flatten.distortion.measure import measure_flats
from flatten.geometry.primitives import spherical_cap
from flatten.geometry.topology import border_loops
from flatten.geometry.triangles import corner_angles
from flatten.parameterize.flat import flatten_panels
from flatten.records.panels import BorderRun, Seam, SeamSide


def lengths(flat_set, seam):
    return [
        np.linalg.norm(np.diff(flat_set.flats[s.panel].U[s.vertices], axis=0), axis=1)
        for s in seam.sides
    ]


def test_partner_edges_meet_at_every_vertex(make):
    parts = make.halves(*make.bumpy(seed=5))
    flat_set = flatten_panels(parts, make.foam(), ply="base")
    a, b = lengths(flat_set, parts.seams[0])
    assert np.abs(np.cumsum(a - b)).max() < 1e-3
    assert all(s.flipped_faces == 0 for s in measure_flats(flat_set))


def test_without_a_seam_they_do_not(make):
    parts = make.halves(*make.bumpy(seed=5))
    loose = dataclasses.replace(parts, seams=())
    a, b = lengths(flatten_panels(loose, make.foam(), ply="base"), parts.seams[0])
    assert np.abs(np.cumsum(a - b)).max() > 0.05


@pytest.mark.parametrize("side", [0, 1])
def test_ease_goes_to_its_side_and_place(make, side):
    parts = make.halves(*make.bumpy(seed=6))
    seam = parts.seams[0]
    k = len(seam.sides[0].vertices)
    ease = np.clip(np.linspace(-2.0, 6.0, k), 0.0, 4.0)  # 4 mm over the middle half
    parts = dataclasses.replace(
        parts, seams=(dataclasses.replace(seam, ease=ease, ease_side=side),)
    )
    a, b = lengths(flatten_panels(parts, make.foam(), ply="base"), seam)
    longer = (a - b) if side == 0 else (b - a)
    np.testing.assert_allclose(np.cumsum(longer), ease[1:], atol=2e-3)


def cap_with_dart(make, closed: bool):
    """A cap cut from its rim to near its pole; both sides of the cut are partner edges."""
    rings = 14
    V, F = spherical_cap(80.0, 1.0, rings=rings)
    # The ray of vertices at angle 0: one vertex in every ring.
    ray = np.array([1 + 3 * r * (r - 1) for r in range(4, rings + 1)])
    x = V[F].mean(axis=1)[:, 0]
    copies = {int(v): len(V) + i for i, v in enumerate(ray[1:])}
    F = F.copy()
    for f in np.flatnonzero(x > 0):
        if np.isin(F[f], ray).any() and V[F[f]].mean(axis=0)[2] > 0:
            F[f] = [copies.get(int(v), v) for v in F[f]]
    V = np.concatenate([V, V[ray[1:]]])
    other = np.array([ray[0], *copies.values()])
    loop = border_loops(F)[0]
    panel = make.panel(
        V, F, border=(BorderRun(vertices=np.append(loop, loop[0]), seam=-1, side=0, name="rim"),)
    )
    sides = (SeamSide(panel=0, vertices=ray), SeamSide(panel=0, vertices=other))
    seam = Seam(
        line="dart", name="dart", kind="dart", joint="butt", fixing="glue", sides=sides, dart=True
    )
    return make.panels(panel, seams=(seam,) if closed else ())


def test_a_dart_closes_and_lowers_the_strain(make):
    parts = cap_with_dart(make, closed=True)
    flat_set = flatten_panels(parts, make.foam(1.0, 0.6), ply="base")
    a, b = lengths(flat_set, parts.seams[0])
    assert np.abs(np.cumsum(a - b)).max() < 1e-3
    whole = make.single(*spherical_cap(80.0, 1.0, rings=14))
    plain = measure_flats(flatten_panels(whole, make.foam(1.0, 0.6), ply="base"))[0]
    assert measure_flats(flat_set)[0].load_peak < 0.8 * plain.load_peak


def test_outlines_do_not_wave(make):
    """The flat's border turns as the panel's within 15° over 20 mm, corners apart (95 %)."""
    parts = make.halves(*make.bumpy(seed=7, half_width=80.0))
    flat_set = flatten_panels(parts, make.foam(), ply="base")
    off = []
    for panel, flat in zip(parts.panels, flat_set.flats, strict=True):
        turn = [
            np.bincount(panel.F.ravel(), corner_angles(X, panel.F).ravel(), len(panel.V))
            for X in (panel.V, flat.U)
        ]
        loop = border_loops(panel.F)[0]
        change = np.degrees(turn[0] - turn[1])[loop]
        change = change[turn[0][loop] > 2.5]  # corners apart
        off.append(np.convolve(change, np.ones(4), mode="valid"))  # 4 edges of 5 mm
    assert np.percentile(np.abs(np.concatenate(off)), 95) < 15.0


def test_mirrored_panels_come_out_mirrored(make):
    """Two halves that mirror each other flatten to mirror images within 0.5 mm."""
    V, F = make.bumpy(seed=8)
    V[:, 2] = 0.5 * (V[:, 2] + V[:, 2].reshape(25, 25)[:, ::-1].ravel())
    parts = make.halves(V, F)
    flats = flatten_panels(parts, make.foam(), ply="base").flats
    left, right = (f.U - f.U.mean(axis=0) for f in flats)
    where = [p.V for p in parts.panels]
    twin = [int(np.argmin(np.linalg.norm(where[1] - v * [-1, 1, 1], axis=1))) for v in where[0]]
    np.testing.assert_allclose(left * [-1, 1], right[twin], atol=0.5)


def test_mirrored_panels_of_cloth_have_mirrored_grain(make):
    """Whatever way the grain runs best on one, it runs the mirrored way on the other."""
    V, F = make.bumpy(seed=5)
    V[:, 2] = 0.5 * (V[:, 2] + V[:, 2].reshape(25, 25)[:, ::-1].ravel())
    flats = flatten_panels(make.halves(V, F), make.cloth("free"), ply="base").flats
    assert flats[0].grain_deg + flats[1].grain_deg == 180.0
    assert flats[0].grain_deg != 90.0
