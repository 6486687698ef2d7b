"""From any triangles to sound shells: weld, pair, turn, drop, crop, or refuse by name."""

import igl
import numpy as np
import pytest
import trimesh

from flatten.errors import BadInput
from flatten.geometry.halfedges import border_cycles, opposites
from flatten.geometry.primitives import spherical_cap
from flatten.geometry.topology import compact, face_components
from flatten.geometry.triangles import face_areas
from flatten.records.job import KeepBox
from flatten.records.scan import Scan
from flatten.scan.crop import crop
from flatten.scan.manifold import enclosed_volume, face_parts_outward, make_manifold, place
from flatten.scan.mend import mend
from flatten.scan.shells import refuse_second_shell
from flatten.scan.weld import weld


def ring(low=60.0, high=50.0, height=200.0, columns=48, rows=21):
    """An open frustum, outward, axis +y."""
    angle = 2 * np.pi * np.arange(columns) / columns
    y = np.linspace(0, height, rows)
    r = (low + (high - low) * y / height)[:, None]
    V = np.stack(
        [r * np.sin(angle), np.broadcast_to(y[:, None], (rows, columns)), r * np.cos(angle)], -1
    ).reshape(-1, 3)
    i, j = np.arange(rows - 1)[:, None] * columns, np.arange(columns)[None]
    a, b = i + j, i + (j + 1) % columns
    F = np.stack([a, b, b + columns, a, b + columns, a + columns], -1).reshape(-1, 3)
    return V, F.astype(np.int32)


def mended(V, F, keep=None):
    return mend(Scan(name="scan", V=V, F=F), keep)


def assert_manifold(V, F):
    twin = opposites(F, len(V))
    flat = F.ravel()
    starts = flat[twin < 0]
    assert len(np.unique(starts)) == len(starts), "a border point joins two loops"
    assert len(np.unique(F)) == len(V), "a point is not used"
    assert igl.is_edge_manifold(np.asarray(F, dtype=np.int64))
    assert np.all(igl.is_vertex_manifold(np.asarray(F, dtype=np.int64)))


def test_faces_let_go_at_a_crowded_edge_never_leave_an_edge_doubled():
    # What a careless thinning does: points two steps apart on the mesh become one.
    doubled = 0
    for seed in range(12):
        rng = np.random.default_rng(seed)
        V, F = ring(columns=24, rows=13)
        merge = np.arange(len(V))
        for v in rng.choice(np.arange(24, len(V) - 48), 14, replace=False):
            merge[v + 24 * rng.integers(1, 3)] = v
        F = merge[F]
        F = F[(np.roll(F, 1, axis=1) != F).all(axis=1)]
        F = F[np.unique(np.sort(F, axis=1), axis=0, return_index=True)[1]]
        solid = make_manifold(V, F.astype(np.int32))
        used = np.unique(solid.F)
        assert_manifold(solid.V[used], np.searchsorted(used, solid.F))
        assert np.isclose(face_areas(solid.V, solid.F).sum(), face_areas(V, F).sum())
        doubled += len(solid.F) > len(F)
    assert doubled > 0, "no case had an edge to part"


def test_a_soup_is_welded_to_the_mesh_it_came_from():
    V, F = ring()
    soup = V[F].reshape(-1, 3)
    W, G, counts = weld(soup, np.arange(len(soup), dtype=np.int32).reshape(-1, 3))
    assert len(W) == len(V)
    assert counts == {"points_welded": len(soup) - len(V)}
    assert np.array_equal(W[G], V[F])


def test_a_soup_with_rounded_corners_is_welded_too():
    V, F = ring()
    rng = np.random.default_rng(1)
    soup = V[F].reshape(-1, 3) + rng.uniform(-0.01, 0.01, (F.size, 3))
    done = mended(soup, np.arange(F.size, dtype=np.int32).reshape(-1, 3))
    assert len(done.V) == len(V)
    assert_manifold(done.V, done.F)


def test_points_at_minus_zero_and_zero_are_one():
    V = np.array([[0.0, 0, 0], [1, 0, 0], [0, 1, 0], [-0.0, 0, 0], [1, 0, 0], [0, -1, 0]])
    W, _, _ = weld(V, np.array([[0, 1, 2], [4, 3, 5]], dtype=np.int32))
    assert len(W) == 4


def test_what_is_no_face_is_dropped_and_counted():
    V, F = ring()
    middle = 0.5 * (V[F[7, 0]] + V[F[7, 1]])
    V2 = np.concatenate([V, [middle], [[9.0, 9, 9]]])
    n = len(V)
    more = [F[3], F[3, ::-1], [F[5, 0], F[5, 0], F[5, 1]], [F[7, 0], n, F[7, 1]]]
    done = mended(V2, np.concatenate([F, more]).astype(np.int32))
    assert done.repairs["faces_duplicate"] == 2
    assert done.repairs["faces_repeated_corner"] == 1
    assert done.repairs["faces_zero_area"] == 1
    assert done.repairs["points_unused"] == 1
    assert len(done.F) == len(F)
    assert_manifold(done.V, done.F)


def test_five_faces_on_one_edge_are_refused_by_the_edges_place():
    angle = 2 * np.pi * np.arange(5) / 5
    wings = np.column_stack([100 * np.cos(angle), 100 * np.sin(angle), np.full(5, 50.0)])
    V = np.concatenate([[[0.0, 0, 0], [0, 0, 100]], wings])
    F = np.column_stack([np.zeros(5), np.ones(5), np.arange(2, 7)]).astype(np.int32)
    with pytest.raises(BadInput, match=r"\(0, 0, 0\) to \(0, 0, 100\).*5 faces share one edge"):
        mended(V, F)


def test_fins_on_a_large_scan_are_taken_off():
    V, F = ring()
    rng = np.random.default_rng(0)
    inner = np.flatnonzero((F >= 48).all(axis=1) & (F < 19 * 48).all(axis=1))
    picked = rng.choice(inner, 12, replace=False)
    tips = V[F[picked]].mean(axis=1) * [1.15, 1, 1.15]
    fins = np.column_stack([F[picked, :2], len(V) + np.arange(12)])
    done = mended(np.concatenate([V, tips]), np.concatenate([F, fins]).astype(np.int32))
    assert len(done.F) == len(F)
    assert done.repairs["islands"] == 12
    assert_manifold(done.V, done.F)


def test_a_point_that_only_touches_is_parted():
    V, F = ring()
    other = V * [0.5, 0.2, 0.5] + [0, 201.0, 0]
    a, b = 20 * 48, len(V)  # one point of the upper rim and one of the other's lower
    G = np.where(F + len(V) == b, a, F + len(V))
    G = np.concatenate([F, G]).astype(np.int32)
    solid = make_manifold(np.concatenate([V, other]), G)
    assert solid.counts["points_split"] == 1
    assert solid.part.max() == 1


def test_faces_that_disagree_are_turned_the_fewer_to_the_more():
    V, F = ring()
    rng = np.random.default_rng(2)
    G = F.copy()
    wrong = rng.random(len(F)) < 0.3
    G[wrong] = G[wrong][:, ::-1]
    done = mended(V, G)
    assert done.repairs["faces_turned"] == wrong.sum()
    assert np.array_equal(np.sort(done.F, axis=1), np.sort(F, axis=1))
    assert enclosed_volume(done.V, done.F) > 0


def test_a_moebius_strip_is_refused():
    t = 2 * np.pi * np.arange(60) / 60
    w = np.linspace(-20, 20, 4)[:, None]
    r = 100 + w * np.cos(t / 2)
    V = np.stack([r * np.cos(t), r * np.sin(t), w * np.sin(t / 2)], -1).reshape(-1, 3)
    i, j = np.arange(3)[:, None], np.arange(60)[None]
    k = np.where(j == 59, 1, 0)
    here, there = i * 60 + j, np.where(k, (3 - i) * 60, i * 60 + (j + 1) % 60)
    above, beyond = here + 60, np.where(k, (2 - i) * 60, (i + 1) * 60 + (j + 1) % 60)
    F = np.stack([here, there, beyond, here, beyond, above], -1).reshape(-1, 3)
    with pytest.raises(BadInput, match="only one side"):
        mended(V, F.astype(np.int32))


@pytest.mark.parametrize("turn", [False, True])
def test_the_volume_that_decides_the_outside_is_the_frustums(turn):
    """pi h (r² + r R + R²) / 3, the textbook volume of a frustum; a polygon's share of it."""
    V, F = ring(columns=48)
    share = 48 / (2 * np.pi) * np.sin(2 * np.pi / 48)
    exact = np.pi * 200 * (60**2 + 60 * 50 + 50**2) / 3 * share
    part = np.zeros(len(F), dtype=np.int32)
    G = F[:, ::-1] if turn else F
    assert enclosed_volume(V, G) == pytest.approx(-exact if turn else exact, rel=1e-9)
    out, count, sure = face_parts_outward(V, G, part)
    assert sure
    assert count == (len(F) if turn else 0)
    assert enclosed_volume(V, out) > 0


def test_the_outside_of_a_shallow_shell_is_its_bulging_side():
    V, F = spherical_cap(100.0, 0.6, rings=8)
    part = np.zeros(len(F), dtype=np.int32)
    out, count, _ = face_parts_outward(V, F[:, ::-1].astype(np.int32), part)
    assert count == len(F)
    centre, normal = V[out].mean(axis=1), np.cross(*(V[out][:, k] - V[out][:, 0] for k in (1, 2)))
    assert (np.einsum("ij,ij->i", centre, normal) > 0).all()


def test_small_islands_go_and_are_said():
    V, F = ring()
    chip, G = spherical_cap(9.0, 1.0, rings=4)
    done = mended(
        np.concatenate([V, chip + [200.0, 0, 0]]), np.concatenate([F, G + len(V)]).astype(np.int32)
    )
    assert len(done.F) == len(F)
    assert done.repairs["islands"] == 1
    assert "1 loose part left out" in done.notes[0]


def test_two_large_shells_are_a_question_with_boxes_that_answer_it():
    V, F = ring()
    both = np.concatenate([V, V * 0.8 + [250.0, 0, 0]])
    G = np.concatenate([F, F + len(V)]).astype(np.int32)
    done = mended(both, G)
    with pytest.raises(BadInput, match="2 large separate shells") as caught:
        refuse_second_shell(done.V, done.F, done.part)
    boxes = [
        [np.array(eval_list(t)) for t in part.split("low = ")[1].split(" }")[0].split("high = ")]
        for part in caught.value.what.split("kept by")[1:]
    ]
    areas = []
    for low, high in boxes:
        one = mended(both, G, KeepBox(low=tuple(low), high=tuple(high)))
        refuse_second_shell(one.V, one.F, one.part)
        areas.append(face_areas(one.V, one.F).sum())
    total = face_areas(V, F).sum()
    assert areas == pytest.approx([total, 0.64 * total])


def eval_list(text):
    return [float(x) for x in text[text.index("[") + 1 : text.index("]")].split(",")]


def test_a_crop_cuts_exactly_along_the_box():
    """The lateral area of a frustum's slice, pi (r + R) slant; against trimesh's slicing too."""
    V, F = ring()
    W, G = crop(V, F, np.array([-99.0, 33.3, -99]), np.array([99.0, 141.7, 99]))
    assert W[G][..., 1].min() == pytest.approx(33.3)
    assert W[G][..., 1].max() == pytest.approx(141.7)
    share = 48 / np.pi * np.sin(np.pi / 48)
    r, R = 60 - 33.3 / 20, 60 - 141.7 / 20
    slant = np.hypot(108.4, 10 * 108.4 / 200 * np.cos(np.pi / 48))
    assert face_areas(W, G).sum() == pytest.approx(np.pi * (r + R) * slant * share, rel=1e-6)
    mesh = trimesh.Trimesh(V, F, process=False)
    for origin, normal in (([0, 33.3, 0], [0, 1, 0]), ([0, 141.7, 0], [0, -1, 0])):
        mesh = mesh.slice_plane(origin, normal)
    assert face_areas(W, G).sum() == pytest.approx(mesh.area, rel=1e-9)
    G2, used = compact(G)
    assert_manifold(W[used], G2)
    assert face_components(G2).max() == 0
    assert len(border_cycles(G2, opposites(G2, len(used)))) == 2


def test_a_box_beside_the_scan_is_said():
    V, F = ring()
    with pytest.raises(BadInput, match=r"scan\.keep"):
        mended(V, F, KeepBox(low=(500, 0, 0), high=(600, 9, 9)))


def test_places_are_written_shortly():
    assert place(np.array([0.0, -0.00012345, 123456.7])) == "(0, -0.0001234, 123500)"
