"""The whole way from a scan to the cast, on bodies made from formulas."""

from dataclasses import replace
from pathlib import Path

import igl
import numpy as np
import pytest
import wraps

from flatten.errors import BadInput
from flatten.geometry.boxtree import box_tree, nearest_points
from flatten.geometry.halfedges import border_cycles, opposites
from flatten.geometry.topology import face_components
from flatten.geometry.triangles import corner_angles, face_areas, vertex_normals
from flatten.io.inspection import inspection_data, inspection_text
from flatten.records.job import GirthSpec, KeepBox, ScanSpec
from flatten.records.scan import Scan
from flatten.scan.prepare import inspect, prepare

UP, FRONT = (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)


def thigh(rows=90, columns=96):
    """A limb of oval section, wider above, 320 mm high: V, F outward, up +y, front +z."""
    s = np.linspace(0, 1, rows)[:, None]
    angle = 2 * np.pi * np.arange(columns)[None] / columns
    wide = 42 + 30 * s + 6 * np.sin(np.pi * s)
    x = wide * np.sin(angle)
    z = 0.85 * wide * np.cos(angle) - 18 * np.sin(np.pi * s)
    V = np.stack(np.broadcast_arrays(x, 320 * s, z), -1).reshape(-1, 3)
    i, j = np.arange(rows - 1)[:, None] * columns, np.arange(columns)[None]
    a, b = i + j, i + (j + 1) % columns
    F = np.stack([a, b, b + columns, a, b + columns, a + columns], -1).reshape(-1, 3)
    return V, F.astype(np.int32)


def spec(**more):
    return ScanSpec(file=Path("scan.ply"), **({"up": UP, "front": FRONT} | more))


def dirty(V, F, rng):
    """Noise, two holes, a loose chip, duplicates, turned faces, a fin and stray points."""
    V = V + (rng.normal(0, 0.25, len(V)))[:, None] * vertex_normals(V, F)
    centre = V[F].mean(axis=1)
    for at, radius in (((0, 160, 40), 11), ((-60, 90, -20), 7)):
        k = np.argmin(np.linalg.norm(centre - at, axis=1))
        gone = np.linalg.norm(centre - centre[k], axis=1) < radius
        F, centre = F[~gone], centre[~gone]
    F[::7] = F[::7, ::-1]
    n = len(V)
    chip = np.array([[0, 0, 0], [5, 0, 0], [0, 5, 0], [5, 5, 1]]) + [150.0, 0, 0]
    fin = V[F[100]].mean(axis=0) * [1.2, 1, 1.2]
    V = np.concatenate([V, chip, [fin], rng.normal(0, 300, (5, 3))])
    more = [[n, n + 1, n + 2], [n + 2, n + 1, n + 3], [*F[100, :2], n + 4], F[9], F[11, ::-1]]
    return V, np.concatenate([F, more]).astype(np.int32)


def assert_clean(cast):
    V, F = cast.V, cast.F
    twin = opposites(F, len(V))
    assert face_components(F).max() == 0
    assert len(np.unique(F)) == len(V)
    assert igl.is_edge_manifold(F.astype(np.int64))
    assert np.all(igl.is_vertex_manifold(F.astype(np.int64)))
    loops = border_cycles(F, twin)
    assert sorted(map(len, loops)) == sorted(len(rim.vertices) for rim in cast.rims)
    for rim in cast.rims:  # the surface lies on the left of a rim's direction
        steps = set(zip(rim.vertices.tolist(), np.roll(rim.vertices, -1).tolist(), strict=True))
        border = np.flatnonzero(twin < 0)
        ends = np.column_stack([F.ravel(), np.roll(F, -1, axis=1).ravel()])[border]
        assert steps <= set(map(tuple, ends.tolist()))
    assert np.linalg.norm(cast.N, axis=1) == pytest.approx(1)
    assert np.einsum("ij,ij->i", vertex_normals(V, F), cast.N).min() > 0
    least = np.degrees(corner_angles(V, F).min(axis=1))
    assert (least > 15).mean() >= 0.999


@pytest.fixture(scope="module")
def clean():
    V, F = thigh()
    return V, F, prepare(Scan(name="limb", V=V, F=F), spec())


@pytest.fixture(scope="module")
def mended():
    V, F = dirty(*thigh(), np.random.default_rng(0))
    return prepare(Scan(name="limb", V=V, F=F), spec())


def off_form(cast, V, F):
    """Distances of the cast's points, rims apart, from the true form."""
    inner = np.ones(len(cast.V), dtype=bool)
    for rim in cast.rims:
        inner[rim.vertices] = False
    P, _ = nearest_points(box_tree(V, F), cast.V[inner])
    return np.linalg.norm(cast.V[inner] - P, axis=1)


def test_a_clean_scan_keeps_its_form_and_rims(clean):
    V, F, cast = clean
    assert_clean(cast)
    assert off_form(cast, V, F).max() < 1e-6
    assert [rim.name for rim in cast.rims] == ["upper", "lower"]
    assert cast.V[cast.rims[0].vertices, 1] == pytest.approx(320)
    assert cast.V[cast.rims[1].vertices, 1] == pytest.approx(0)
    assert cast.to_cast == pytest.approx(np.eye(4))
    assert cast.repairs == {}


def test_a_dirty_scan_comes_back_to_the_true_form(mended):
    V, F = thigh()
    assert_clean(mended)
    off = off_form(mended, V, F)
    assert np.sqrt((off**2).mean()) < 0.2
    assert np.quantile(off, 0.99) < 0.6
    assert {rim.name for rim in mended.rims} == {"upper", "lower"}
    assert mended.repairs["holes_filled"] == 2
    assert mended.repairs["islands"] >= 1
    assert mended.repairs["faces_duplicate"] == 2
    assert any("2 holes filled" in note for note in mended.notes)


@pytest.mark.parametrize("seed", [0, 1])
def test_a_scan_so_rough_that_faces_turn_over_has_no_inside_wall(seed):
    V, F = wraps.leg(150, 80)
    rough = V + np.random.default_rng(seed).normal(0, 1.5, V.shape)
    cast = prepare(Scan(name="limb", V=rough, F=F.astype(np.int32), unit="mm"), spec())
    assert_clean(cast)
    assert "inside_wall_faces" not in cast.repairs
    assert {rim.name for rim in cast.rims} == {"upper", "lower"}
    at = np.linalg.inv(cast.to_cast)
    off = off_form(replace(cast, V=cast.V @ at[:3, :3].T + at[:3, 3]), V, F)
    assert np.sqrt((off**2).mean()) < 0.6


def test_a_tear_too_large_to_fill_is_told_from_the_openings():
    V, F = thigh()
    centre = V[F].mean(axis=1)
    torn = F[np.linalg.norm(centre - [0, 170, 46], axis=1) > 50]
    cast = prepare(Scan(name="limb", V=V, F=torn, unit="mm"), spec())
    told = [note for note in cast.notes if "as a tear does" in note]
    assert len(told) == 1
    assert "'front' (" in told[0]
    assert "'upper'" not in told[0]
    looked = inspect(Scan(name="limb", V=V, F=torn, unit="mm"), spec())
    assert any("'front' (" in note and "as a tear does" in note for note in looked.notes)


def test_the_same_scan_always_gives_the_same_cast(mended):
    V, F = dirty(*thigh(), np.random.default_rng(0))
    again = prepare(Scan(name="limb", V=V, F=F), spec())
    assert np.array_equal(again.V, mended.V)
    assert np.array_equal(again.F, mended.F)


@pytest.mark.parametrize("unit", ["mm", "cm", "m", "in"])
def test_units_change_the_numbers_and_not_the_cast(clean, unit):
    V, F, cast = clean
    per = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4}[unit]
    other = prepare(Scan(name="limb", V=V / per, F=F), spec(unit=unit))
    assert other.scale == pytest.approx(per)
    assert face_areas(other.V, other.F).sum() == pytest.approx(
        face_areas(cast.V, cast.F).sum(), rel=1e-3
    )
    assert off_form(other, V, F).max() < 1e-5


def test_a_turned_scan_is_turned_back():
    V, F = thigh()
    rng = np.random.default_rng(5)
    Q, _ = np.linalg.qr(rng.normal(size=(3, 3)))
    Q *= np.sign(np.linalg.det(Q))
    W = V @ Q.T + [300, -20, 50]
    cast = prepare(
        Scan(name="limb", V=W, F=F), spec(up=tuple(Q @ UP), front=tuple(Q @ FRONT), unit="mm")
    )
    moved = W @ cast.to_cast[:3, :3].T + cast.to_cast[:3, 3]
    assert off_form(cast, moved, F).max() < 1e-6
    assert cast.to_cast[:3, :3] == pytest.approx(Q.T)


def test_an_inward_scan_is_turned_outward(clean):
    V, F, cast = clean
    other = prepare(Scan(name="limb", V=V, F=F[:, ::-1]), spec())
    assert other.repairs["faces_turned_outward"] == len(F)
    radial = other.V - other.V.mean(axis=0)
    assert (np.einsum("ij,ij->i", radial[:, [0, 2]], other.N[:, [0, 2]]) > 0).mean() > 0.98
    assert len(other.rims) == len(cast.rims)


def test_the_tape_comes_off_and_ease_goes_on():
    V, F = thigh()
    bare = prepare(Scan(name="limb", V=V, F=F), spec(tape_mm=1.5, ease_mm=4.0))
    assert bare.offset_mm == 2.5
    assert off_form(bare, V, F) == pytest.approx(2.5, abs=0.1)


@pytest.mark.parametrize("per", [1.0, 27.0])
def test_a_girth_sets_the_scale(per):
    """The upper ellipse's perimeter by Ramanujan's second formula (1914), 10 % up."""
    V, F = thigh()
    s = 0.75
    a = 42 + 30 * s + 6 * np.sin(np.pi * s)
    b = 0.85 * a
    h = ((a - b) / (a + b)) ** 2
    girth = np.pi * (a + b) * (1 + 3 * h / (10 + np.sqrt(4 - 3 * h)))
    at = np.array([0, 320 * s, 0.85 * a - 18 * np.sin(np.pi * s)]) / per
    tape = GirthSpec(at=tuple(at), mm=1.1 * girth)
    cast = prepare(Scan(name="limb", V=V / per, F=F), spec(girths=(tape,)))
    assert cast.scale == pytest.approx(1.1 * per, rel=2e-3)
    assert cast.girths[0].measured_mm == pytest.approx(1.1 * girth, abs=0.5)
    assert np.ptp(cast.V[:, 1]) == pytest.approx(352, rel=2e-3)


def test_the_box_to_keep_makes_level_rims():
    V, F = thigh()
    box = KeepBox(low=(-200, 80, -200), high=(200, 250, 200))
    cast = prepare(Scan(name="limb", V=V, F=F), spec(keep=box))
    assert_clean(cast)
    assert cast.V[:, 1].min() == pytest.approx(80)
    assert cast.V[:, 1].max() == pytest.approx(250)
    assert {rim.name for rim in cast.rims} == {"upper", "lower"}


@pytest.mark.parametrize("given", [{}, {"up": None, "front": None}])
def test_one_triangle_goes_through_flat(given):
    V = np.array([[0.0, 0, 0], [100, 0, 0], [0, 80, 5]])
    cast = prepare(Scan(name="t", V=V, F=np.array([[0, 1, 2]])), spec(unit="mm", **given))
    assert_clean(cast)
    assert face_areas(cast.V, cast.F).sum() == pytest.approx(np.hypot(80, 5) * 100 / 2, rel=1e-9)
    assert np.abs(cast.N - cast.N[0]).max() < 1e-9
    assert len(cast.rims) == 1


def test_a_thing_of_twenty_millimetres_gets_fine_triangles():
    V, F = thigh(rows=60, columns=48)
    cast = prepare(Scan(name="t", V=V / 16, F=F), spec(unit="mm"))
    assert_clean(cast)
    assert cast.edge_mm < 0.5
    assert off_form(cast, V / 16, F).max() < 1e-6


def test_a_mesh_finer_than_memory_is_refused():
    V, F = thigh()
    with pytest.raises(BadInput, match="edge_mm"):
        prepare(Scan(name="t", V=V, F=F), spec(edge_mm=0.01))


def test_stages_are_named_as_they_begin(clean):
    V, F, _ = clean
    said = []
    prepare(Scan(name="limb", V=V, F=F), spec(), said.append)
    assert said[0] == "mend"
    assert "remesh" in said


def test_an_inspection_says_what_the_cast_will_be(mended):
    V, F = dirty(*thigh(), np.random.default_rng(0))
    found = inspect(Scan(name="limb", V=V, F=F), spec())
    assert (found.faces, found.points) == (len(F), len(V))
    assert found.unit == "mm"
    assert found.size_mm[1] == pytest.approx(320, abs=2)
    assert [rim.name for rim in found.openings] == [rim.name for rim in mended.rims]
    assert len(found.holes_mm) == 2
    assert found.noise_mm > 0.1
    assert found.colours == "none"
    assert found.edge_mm == mended.edge_mm
    for girth in found.girths:
        assert 230 < girth.measured_mm < 480
    assert len(found.girths) == 3


def test_an_inspection_lists_the_units_that_a_run_would_ask_about(clean):
    V, F, _ = clean
    small = V * (90 / np.ptp(V, axis=0).max())
    found = inspect(Scan(name="limb", V=small, F=F), spec())
    assert found.unit == "mm"
    assert found.unit_candidates_mm == pytest.approx({"mm": 90.0, "cm": 900.0})
    text = inspection_text(found)
    assert "mm: 90 mm, cm: 900 mm" in text
    assert "a run will ask" in text
    assert inspection_data(found)["unit_candidates_mm"] == {"mm": 90.0, "cm": 900.0}
    with pytest.raises(BadInput, match="unit is not clear"):
        prepare(Scan(name="limb", V=small, F=F), spec())
    assert not inspect(Scan(name="limb", V=small, F=F), spec(unit="mm")).unit_candidates_mm
