"""Flats that would lie over themselves: laid apart within the limits, else a cut that parts them."""

import re

import numpy as np
import pytest
import shapely

from flatten.distortion.advise import advise
from flatten.distortion.measure import measure_strain
from flatten.distortion.places import places_of
from flatten.geometry.primitives import grid_faces
from flatten.geometry.topology import border_loops
from flatten.parameterize.contact import ROOM_MM, Contacts
from flatten.parameterize.flat import flatten_panels
from flatten.records.panels import Seam, SeamSide


def ramp(degrees, inner, outer, rise=80.0, rows=7):
    """A ramp wound about the upright axis: flat, it is a ring sector of about that angle."""
    count = round(np.radians(degrees) * 0.5 * (inner + outer) / 6.0) + 1
    angle, r = np.meshgrid(
        np.linspace(0, np.radians(degrees), count), np.linspace(inner, outer, rows), indexing="ij"
    )
    V = np.stack([r * np.sin(angle), rise * angle / (2 * np.pi), r * np.cos(angle)], axis=-1)
    return V.reshape(-1, 3), grid_faces(count, rows)


def peel(turns=3.0, radius=80.0, first=0.2, rows=9):
    """The peel of an orange, cut off in one winding strip."""
    count = round(2 * np.pi * radius * turns / 6.0)
    t, s = np.meshgrid(np.linspace(0, 1, count), np.linspace(-0.5, 0.5, rows), indexing="ij")
    height = np.pi - 2 * first
    down = first + height * t + 0.98 * height / turns * s
    round_ = 2 * np.pi * turns * t
    V = np.stack(
        [np.sin(down) * np.sin(round_), np.cos(down), np.sin(down) * np.cos(round_)], axis=-1
    )
    return radius * V.reshape(-1, 3), grid_faces(count, rows)


def outline(panel, flat):
    return shapely.Polygon(flat.U[border_loops(panel.F)[0]])


def measured(flat_set):
    return [
        measure_strain(p, f, flat_set.material)
        for p, f in zip(flat_set.panel_set.panels, flat_set.flats, strict=True)
    ]


@pytest.mark.parametrize(
    "mesh", [ramp(390, 135, 165), ramp(410, 25, 120), ramp(760, 140, 160, rows=4)],
    ids=["ring", "wide", "twice round"],
)  # fmt: skip
def test_strain_parts_what_the_material_can_take(make, mesh):
    flat_set = flatten_panels(make.single(*mesh), make.foam(), ply="base")
    panel, flat = flat_set.panel_set.panels[0], flat_set.flats[0]
    assert "laid apart" in flat.notes[0]
    # A ring that neither crosses nor touches itself is what shapely calls valid.
    assert outline(panel, flat).is_valid
    strain = measured(flat_set)[0]
    assert strain.fits
    assert strain.overlap_mm2 == 0.0
    assert strain.flipped_faces == 0


def test_a_bent_strip_is_strained_as_a_beam_is(make):
    """Opened from 390 to 360 degrees, a strip bends in its plane by k = 1/r - 1/R, and the strain
    at its edges is k times half its width (Euler and Bernoulli; any strength-of-materials book)."""
    V, F = ramp(390, 135, 165, rise=20.0)
    flat_set = flatten_panels(make.single(V, F), make.foam(), ply="base")
    strain = measured(flat_set)[0]
    k = (1 - 360 / 390) / 150
    assert 0.7 * 15 * k < (strain.stretch_peak_pct + strain.squeeze_peak_pct) / 200 < 1.2 * 15 * k
    gap = Contacts([flat_set.panel_set.panels[0]], [0])
    touching = gap.touching(flat_set.flats[0].U)
    assert len(touching.distance)
    assert 0.02 < touching.distance.min() < ROOM_MM


def test_partner_edges_still_meet(make):
    """Two rings side by side, each more than once round, joined along their common edge."""
    count, rows = 200, 11
    angle, r = np.meshgrid(
        np.linspace(0, np.radians(400), count), np.linspace(130, 190, rows), indexing="ij"
    )
    y = 12 * angle + 0.3 * r + 4 * np.sin(3 * angle) * np.sin((r - 130) / 60 * np.pi)
    V = np.stack([r * np.sin(angle), y, r * np.cos(angle)], axis=-1).reshape(-1, 3)
    F, middle = grid_faces(count, rows), rows // 2
    column = np.arange(len(V)) % rows
    panels, sides = [], []
    for k, mine in enumerate((column <= middle, column >= middle)):
        used, inverse = np.unique(F[mine[F].all(axis=1)], return_inverse=True)
        panels.append(make.panel(V[used], inverse.reshape(-1, 3), name="ab"[k]))
        sides.append(
            SeamSide(panel=k, vertices=np.searchsorted(used, np.flatnonzero(column == middle)))
        )
    seam = Seam(
        line="m", name="m", kind="seam", joint="butt", fixing="glue", sides=(sides[0], sides[1])
    )
    flat_set = flatten_panels(make.panels(*panels, seams=(seam,)), make.foam(), ply="base")
    ends = [flat_set.flats[k].U[side.vertices] for k, side in enumerate(sides)]
    along = [np.cumsum(np.linalg.norm(np.diff(U, axis=0), axis=1)) for U in ends]
    assert np.abs(along[0] - along[1]).max() < 0.05
    for panel, flat, strain in zip(panels, flat_set.flats, measured(flat_set), strict=True):
        assert outline(panel, flat).is_valid
        assert strain.fits
        assert "laid apart" in flat.notes[0]


def test_where_strain_cannot_part_it_a_cut_is_told_that_does(make):
    V, F = ramp(450, 130, 170)
    stiff = make.foam(0.5, 0.5)
    flat_set = flatten_panels(make.single(V, F), stiff, ply="base")
    strains = measured(flat_set)
    assert strains[0].overlap_mm2 > 5000
    assert not strains[0].fits
    advice = advise(flat_set, strains, places_of(flat_set, strains)[1])
    (said,) = [s for s in advice[0] if "lies over itself" in s]
    # Straight across the strip, 40 mm.
    assert float(re.search(r"a cut of about (\d+) mm", said).group(1)) == pytest.approx(40, abs=1)
    ends = np.array(
        [[float(x) for x in p.split(",")] for p in re.findall(r"\(([-\d., e]+)\)", said)]
    )
    # Both pieces that the told cut leaves lie flat without covering themselves.
    middle = np.arctan2(*ends.mean(axis=0)[[0, 2]])
    turn = ends.mean(axis=0)[1] / 80.0
    assert np.cos(middle - 2 * np.pi * turn) > 0.999
    at = V[F].mean(axis=1)[:, 1] / 80.0
    U = flat_set.flats[0].U
    for piece in (F[at < turn], F[at >= turn]):
        assert outline_of(U, piece).is_valid


def outline_of(U, F):
    return shapely.Polygon(U[border_loops(F)[0]])


@pytest.mark.parametrize("mesh", [ramp(300, 130, 170), peel()], ids=["ring", "orange"])
def test_a_flat_that_is_not_over_itself_is_left_alone(make, mesh):
    flat_set = flatten_panels(make.single(*mesh), make.foam(), ply="base")
    assert outline(flat_set.panel_set.panels[0], flat_set.flats[0]).is_valid
    assert flat_set.flats[0].notes == ()
