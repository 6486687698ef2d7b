"""Holes, handles, noise, even triangles, folds, offset: measured against forms that are known."""

import igl
import numpy as np
import pytest
import trimesh

from flatten.geometry.boxtree import box_tree, nearest_points
from flatten.geometry.halfedges import border_cycles, opposites
from flatten.geometry.primitives import cylinder, saddle, spherical_cap
from flatten.geometry.smoothing import border_mask, ring_mean
from flatten.geometry.topology import compact, euler_characteristic
from flatten.geometry.triangles import corner_angles, face_areas, face_cross, vertex_normals
from flatten.scan.denoise import denoise, drop_spikes, noise_level
from flatten.scan.handles import cut_handles, genus
from flatten.scan.holes import fill_loops, fill_small, find_borders
from flatten.scan.loops import loop_length, smooth_curve
from flatten.scan.offset import offset, smooth_normals
from flatten.scan.remesh import coarsen, remesh
from flatten.scan.rims import name_rims, rim_guides
from flatten.scan.sizing import by_bends, wanted_lengths
from flatten.scan.unfold import find_folds, unfold


def limb(edge=4.0):
    """A closed-up cylinder of radius 60, 300 high, with even triangles."""
    V, F = cylinder(60.0, 300.0, edge_mm=12.0)
    mesh = trimesh.Trimesh(V, F, process=True)
    done = remesh(np.array(mesh.vertices), np.array(mesh.faces), edge)
    R = np.hypot(done.V[:, 0], done.V[:, 2])
    return done.V * np.column_stack([60 / R, np.ones(len(R)), 60 / R]), done.F


def scan_noise(V, F, rng, smooth=0.38, white=0.13, reach=2.3):
    """Noise of a phone scan along the normals: part of it smooth over `reach` mm, part white."""
    W = ring_mean(F, len(V))
    spacing2 = face_areas(V, F).mean() / 0.433
    field = rng.standard_normal(len(V))
    for _ in range(max(1, round(4 * reach**2 / spacing2))):
        field = 0.5 * (field + W @ field)
    noise = smooth * field / field.std() + white * rng.standard_normal(len(V))
    return V + noise[:, None] * vertex_normals(V, F)


def punched(V, F, at, radius):
    keep = np.linalg.norm(V[F].mean(axis=1) - at, axis=1) > radius
    G, used = compact(F[keep])
    return V[used], G.astype(np.int32)


# --- borders and holes ---


def test_a_circles_zigzag_is_smoothed_to_the_circle():
    """A circle of radius 70 with teeth of 2 mm: twice as long, but 2 pi 70 once smoothed."""
    t = 2 * np.pi * np.arange(700) / 700
    r = 70 + np.where(np.arange(700) % 4 < 2, 1.0, -1.0)
    P = np.column_stack([r * np.cos(t), np.zeros(700), r * np.sin(t)])
    assert loop_length(P) > 1.7 * 2 * np.pi * 70
    assert loop_length(smooth_curve(P, 10.0)) == pytest.approx(2 * np.pi * 70, rel=0.01)


def test_holes_are_told_from_openings():
    V, F = limb()
    V, F = punched(V, F, [0, 150, 60], 20)
    V, F = punched(V, F, [0, 60, -60], 9)
    borders = find_borders(V, F, 10.0)
    assert [b.hole for b in borders] == [False, False, True, True]
    assert borders[0].smooth_length == pytest.approx(2 * np.pi * 60, rel=0.02)
    assert borders[2].smooth_length == pytest.approx(2 * np.pi * 20, rel=0.1)
    names = [rim.name for rim in name_rims(V, [b for b in borders if not b.hole])]
    assert sorted(names) == ["lower", "upper"]


def test_the_outline_of_a_sheet_is_no_hole():
    V, F = saddle(80.0, 500.0)
    (only,) = find_borders(V, F.astype(np.int32), 10.0)
    assert only.flush > 0.9
    assert not only.hole


def test_a_filled_hole_makes_the_surface_whole():
    V, F = limb()
    open_area = face_areas(V, F).sum()
    W, G = punched(V, F, [0, 150, 60], 9)
    loops = [b.vertices for b in find_borders(W, G, 10.0) if b.hole]
    W, G, patch = fill_loops(W, G, loops)
    assert euler_characteristic(G) == 0  # a tube
    opposites(G, len(W))
    assert face_areas(W, G).sum() == pytest.approx(open_area, rel=1e-3)
    assert np.linalg.norm(W[G[patch]].mean(axis=1) - [0, 150, 60], axis=1).max() < 14


def test_a_filling_never_doubles_an_edge():
    """Four border points of which two opposite ones are joined outside the hole already."""
    V = np.array([[0.0, 0, 0], [10, 0, 0], [10, 10, 0], [0, 10, 0], [5, 5, 8], [-9, 5, 0]])
    F = np.array([[1, 0, 4], [2, 1, 4], [0, 2, 4], [0, 5, 2], [3, 2, 5], [0, 3, 5]])
    twin = opposites(F, 6)
    loops = border_cycles(F, twin)
    V, G, _ = fill_loops(V, F.astype(np.int32), loops)
    opposites(G, len(V))
    assert euler_characteristic(G) == 2


def test_scattered_missing_faces_are_filled_at_once():
    V, F = limb()
    G, used = compact(F[np.random.default_rng(0).random(len(F)) > 0.01])
    from flatten.scan.manifold import make_manifold

    solid = make_manifold(V[used], G.astype(np.int32))
    W, G, centres, lengths = fill_small(solid.V, solid.F)
    assert len(lengths) > 50
    assert len(centres) >= len(lengths)
    assert len(border_cycles(G, opposites(G, len(W)))) == 2


# --- handles ---


def test_a_torus_has_one_handle_and_it_is_left_where_it_is_large():
    mesh = trimesh.creation.torus(60.0, 25.0, major_sections=60, minor_sections=24)
    V, F = np.array(mesh.vertices), np.array(mesh.faces, dtype=np.int32)
    assert genus(F, len(V)) == 1
    done = cut_handles(V, F)
    assert done.cut == 0
    assert "handle" in done.notes[0]
    assert len(done.F) == len(F)


def test_a_small_handle_is_cut_and_the_sphere_comes_back():
    """A thin bridge between two places of a limb: genus 1 before, 0 after; the rims stay."""
    V, F = limb()
    centre = V[F].mean(axis=1)
    i = np.argmin(np.linalg.norm(centre - [0, 140, 60], axis=1))
    j = np.argmin(np.linalg.norm(centre - [0, 165, 60], axis=1))
    a, b = F[i], F[j][::-1]
    turned = [np.roll(b, k) for k in range(3)]
    b = min(turned, key=lambda c: np.linalg.norm(V[a] - V[c], axis=1).sum())
    k = np.arange(3)
    n = (k + 1) % 3
    walls = np.concatenate(
        [np.column_stack([a[k], a[n], b[k]]), np.column_stack([a[n], b[n], b[k]])]
    )
    G = np.concatenate([np.delete(F, [i, j], axis=0), walls]).astype(np.int32)
    assert genus(G, len(V)) == 1
    done = cut_handles(V, G)
    assert done.cut == 1
    assert genus(done.F, len(done.V)) == 0
    assert len(border_cycles(done.F, opposites(done.F, len(done.V)))) == 2


# --- even triangles ---


def test_rims_and_surface_stay_in_place():
    V, F = cylinder(60.0, 200.0, edge_mm=7.0)
    mesh = trimesh.Trimesh(V, F, process=True)
    V, F = np.array(mesh.vertices), np.array(mesh.faces)
    done = remesh(V, F, 4.0)
    on = igl.point_mesh_squared_distance(done.V, V, np.asarray(F, dtype=np.int64))[0]
    assert np.sqrt(on).max() < 1e-6
    rim = border_mask(done.F, len(done.V))
    assert set(np.round(done.V[rim, 1], 9)) == {0.0, 200.0}
    degrees = np.degrees(corner_angles(done.V, done.F).min(axis=1))
    assert (degrees > 15).all()


def test_a_boxs_edges_stay_sharp():
    box = trimesh.creation.box((120, 160, 90))
    done = remesh(np.array(box.vertices), np.array(box.faces), 5.0)
    assert done.creases > 0
    assert face_areas(done.V, done.F).sum() == pytest.approx(box.area, rel=1e-6)
    volume = trimesh.Trimesh(done.V, done.F, process=False).volume
    assert volume == pytest.approx(box.volume, rel=1e-6)
    assert np.degrees(corner_angles(done.V, done.F).min()) > 20


def test_a_ragged_rim_is_brought_onto_its_smooth_course():
    V, F = limb(3.0)
    rng = np.random.default_rng(4)
    high = V[F].mean(axis=1)[:, 1]
    keep = (high < 292) | (rng.random(len(F)) < 0.55) & (high < 297)
    G, used = compact(F[keep])
    from flatten.scan.manifold import make_manifold
    from flatten.scan.mend import keep_used
    from flatten.scan.shells import drop_islands

    solid = make_manifold(V[used], G.astype(np.int32))
    kept = drop_islands(solid.V, solid.F, solid.part)
    W, G = keep_used(solid.V, solid.F[kept.keep])
    W, G, _, _ = fill_small(W, G)
    rims = [b for b in find_borders(W, G, 10.0) if not b.hole]
    ragged = max(rims, key=lambda b: b.length / b.smooth_length)
    assert ragged.length > 1.3 * ragged.smooth_length
    done = remesh(W, G, 5.0, guides=rim_guides(W, rims, 10.0, noisy=False))
    after = [b for b in find_borders(done.V, done.F, 10.0) if b.centre[1] > 150]
    assert len(after) == 1
    assert after[0].length < 1.03 * after[0].smooth_length
    assert np.abs(done.V[after[0].vertices, 1] - 293).max() < 4
    assert np.degrees(corner_angles(done.V, done.F).min()) > 15


def test_thinning_keeps_the_form():
    V, F = limb(1.8)
    W, G = coarsen(V, F, 4.0)
    assert len(G) < 0.4 * len(F)
    assert np.abs(np.hypot(W[:, 0], W[:, 2]) - 60).max() < 0.15
    assert len(border_cycles(G, opposites(G, len(W)))) == 2


def test_a_fold_is_laid():
    V, F = limb(5.0)
    W = V.copy()
    near = np.linalg.norm(V - [0, 150, 60], axis=1) < 7
    W[near] += [9.0, 0, -3.0]
    assert find_folds(W, F).any()
    X, G, count = unfold(W, F, 5.0)
    assert count > 0
    assert not find_folds(X, G).any()
    assert np.abs(np.hypot(X[:, 0], X[:, 2]) - 60).max() < 3
    assert unfold(V, F, 5.0)[2] == 0


# --- noise ---


def test_a_clean_surface_is_called_clean_and_left_alone():
    V, F = limb(5.0)
    assert noise_level(V, F) == 0
    none = np.zeros(len(V), dtype=bool)
    assert denoise(V, F, noise_mm=0.0, patch=none, edge_mm=5.0) is V


def test_noise_is_measured_and_taken_off():
    """Against the true cylinder: what is left is well below half of a millimetre and of the noise."""
    V, F = limb(2.7)
    noisy = scan_noise(V, F, np.random.default_rng(0))
    level = noise_level(noisy, F)
    assert 0.15 < level < 0.35
    done = remesh(noisy, F, 5.0)
    X = denoise(done.V, done.F, noise_mm=level, patch=np.zeros(len(done.V), bool), edge_mm=5.0)
    inner = ~border_mask(done.F, len(X))
    off = np.hypot(X[inner, 0], X[inner, 2]) - 60
    assert np.sqrt((off**2).mean()) < 0.22
    assert abs(off.mean()) < 0.05
    moved = np.linalg.norm(X - done.V, axis=1)[inner]
    assert np.sqrt((moved**2).mean()) < 0.5


def test_an_edge_of_ten_millimetres_keeps_within_one():
    """Two planes joined by a quarter of a cylinder of radius 10, with a phone's noise."""
    turn = np.pi / 2 * 10
    s = np.arange(-60, 60 + turn, 2.0)
    t = np.arange(0, 120, 2.0)
    bend = np.clip(s, 0, turn) / 10
    x = np.minimum(s, 0) + 10 * np.sin(bend)
    y = -10 * (1 - np.cos(bend)) - np.maximum(s - turn, 0)
    V = np.stack(np.broadcast_arrays(x[:, None], y[:, None], t[None, :]), -1).reshape(-1, 3)
    i, j = np.arange(len(s) - 1)[:, None] * len(t), np.arange(len(t) - 1)[None]
    a = i + j
    b, c, d = a + 1, a + len(t) + 1, a + len(t)
    F = np.stack([a, b, c, a, c, d], -1).reshape(-1, 3).astype(np.int32)
    noisy = scan_noise(V, F, np.random.default_rng(1))
    done = remesh(noisy, F, 5.0)
    level = noise_level(noisy, F)
    assert level > 0
    X = denoise(done.V, done.F, noise_mm=level, patch=np.zeros(len(done.V), bool), edge_mm=5.0)
    inner = ~border_mask(done.F, len(X))
    P, _ = nearest_points(box_tree(V, F), X)
    assert np.linalg.norm(X - P, axis=1)[inner].max() < 1.0


def test_a_cap_of_radius_forty_keeps_its_height():
    V, F = spherical_cap(40.0, 1.2, rings=22)
    noisy = scan_noise(V, F.astype(np.int32), np.random.default_rng(2))
    level = noise_level(noisy, F)
    done = remesh(noisy, F, 4.0)
    X = denoise(done.V, done.F, noise_mm=level, patch=np.zeros(len(done.V), bool), edge_mm=4.0)
    top = np.linalg.norm(X[:, [0, 2]], axis=1) < 8
    assert np.abs(np.linalg.norm(X[top], axis=1) - 40).max() < 0.3


def test_needles_are_taken_off_and_tips_of_the_form_stay():
    V, F = limb(4.0)
    rng = np.random.default_rng(0)
    inner = np.flatnonzero(~border_mask(F, len(V)))
    hit = rng.choice(inner, 8, replace=False)
    W = V.copy()
    W[hit] += 30 * vertex_normals(V, F)[hit]
    X, count = drop_spikes(W, F)
    assert count >= 8
    assert np.abs(np.hypot(X[:, 0], X[:, 2]) - 60).max() < 1
    cone = trimesh.creation.cone(8.0, 60.0, sections=64)
    P = remesh(np.array(cone.vertices), np.array(cone.faces), 1.2)
    assert drop_spikes(P.V, P.F)[1] == 0


@pytest.mark.parametrize(("height", "edge"), [(2.5, 3.0), (4.0, 3.0), (4.0, 4.0), (-4.0, 4.0)])
def test_a_lone_point_out_of_scale_goes_and_a_cone_of_some_rings_stays(height, edge):
    """One vertex moved off a cylinder of radius 60 by `height`; then a cone 12 high and wide."""
    V, F = limb(edge)
    tip = np.linalg.norm(V - [60, 0.5 * (V[:, 1].min() + V[:, 1].max()), 0], axis=1).argmin()
    out = V[tip] * [1, 0, 1] / 60
    W = V.copy()
    W[tip] += height * out
    X, count = drop_spikes(W, F)
    assert count == 1
    assert np.abs(np.hypot(X[:, 0], X[:, 2]) - 60).max() < 0.3
    cone = V + np.clip(12 - np.linalg.norm(V - V[tip], axis=1), 0, None)[:, None] * out
    assert drop_spikes(cone, F)[1] == 0


# --- offset ---


@pytest.mark.parametrize("distance", [-1.5, 4.0, 17.0])
def test_a_limb_grows_by_the_distance(distance):
    """Girth grows by 2 pi t."""
    V, F = limb(5.0)
    W, G, N, bridged = offset(V, F, smooth_normals(V, F), distance, 5.0)
    assert bridged == 0
    assert np.hypot(W[:, 0], W[:, 2]) == pytest.approx(60 + distance, abs=0.15)
    assert np.degrees(corner_angles(W, G).min()) > 15
    assert np.linalg.norm(N, axis=1) == pytest.approx(1)


def test_a_narrow_groove_does_not_fold():
    """A groove of radius 6 under 10 mm of ease: no face turns over, and the flat part rises by it."""
    V, F = saddle(60.0, 1e9, edge_mm=3.0)
    depth = np.where(np.abs(V[:, 0]) < 6, np.sqrt(np.maximum(36 - V[:, 0] ** 2, 0)), 0)
    V = V - np.outer(depth, [0, 0, 1])
    done = remesh(V, F, 3.0)
    W, G, N, _ = offset(done.V, done.F, smooth_normals(done.V, done.F), 10.0, 3.0)
    assert (face_cross(W, G)[:, 2] > 0).all()
    flat = (np.abs(W[:, 0]) > 30) & (np.abs(W[:, 0]) < 50) & (np.abs(W[:, 1]) < 50)
    assert W[flat, 2] == pytest.approx(10, abs=0.3)
    for ply in (3.0, 10.0):  # a cover over it turns no face over either
        kept = np.einsum("ij,ij->i", face_cross(W, G), face_cross(W + ply * N, G))
        assert (kept > 0).all()


def test_edges_span_a_tenth_of_a_tight_bend():
    """Edges of 5 mm on a tube of radius 100, of 3 mm on one of 30; of 2 at least where it is 10."""
    for radius, edge in ((100.0, 5.0), (30.0, 3.0), (10.0, 2.0)):
        done = remesh(*cylinder(radius, 60.0, edge_mm=1.0), 5.0, finer=by_bends(5.0))
        side = np.linalg.norm(done.V[done.F] - done.V[np.roll(done.F, 1, axis=1)], axis=2)
        assert np.median(side) == pytest.approx(edge, rel=0.12)
        assert np.degrees(corner_angles(done.V, done.F).min()) > 20


def test_wanted_lengths_grow_evenly_away_from_a_fold():
    """Two boards at a right angle: short edges along the fold, a quarter of the way longer off it."""
    V, F = saddle(60.0, 1e9, edge_mm=5.0)
    V[:, 2] = np.maximum(V[:, 0], 0.0)
    length = wanted_lengths(V, F.astype(np.int32), 5.0)
    away = np.abs(V[:, 0])
    assert length[away < 1] == pytest.approx(2.0)
    assert length[away > 40] == pytest.approx(5.0)
    gap = np.linalg.norm(V[F] - V[np.roll(F, 1, axis=1)], axis=2)
    rise = np.abs(length[F] - length[np.roll(F, 1, axis=1)])
    assert (rise <= 0.25 * gap + 1e-9).all()
