"""Loose tape ends and fins come off a rim; rims, straps and bridges stay as they are."""

import numpy as np

from flatten.geometry.halfedges import border_cycles, opposites
from flatten.geometry.topology import compact
from flatten.geometry.triangles import face_areas
from flatten.scan.tongues import trim_tongues


def tube(columns=126, rows=35):
    """100 mm high, 60 mm radius, points 3 mm apart, outward; its axis, the upper rim in order."""
    angle = 2 * np.pi * np.arange(columns) / columns
    y = np.linspace(0, 100, rows)[:, None] + 0 * angle
    x, z = (np.broadcast_to(60 * f(angle), (rows, columns)) for f in (np.sin, np.cos))
    V = np.stack([x, y, z], axis=-1).reshape(-1, 3)
    i, j = np.arange(rows - 1)[:, None] * columns, np.arange(columns)[None]
    a, b = i + j, i + (j + 1) % columns
    F = np.stack([a, b, b + columns, a, b + columns, a + columns], -1).reshape(-1, 3)
    loops = border_cycles(F, opposites(F, len(V)))
    return V, F.astype(np.int32), 1, max(loops, key=lambda k: V[k, 1].mean())


def with_tape_end(V, F, axis, loop, wide, rows):
    """A strip of so many edges, 3 mm a row, that goes on from the rim; every row as wide."""
    points, faces, below = [V], [F], loop[:wide]
    for row in range(1, rows + 1):
        now = len(V) + (row - 1) * wide + np.arange(wide)
        step = V[loop[:wide]].copy()
        step[:, axis] += 3.0 * row
        points.append(step)
        a, b, c, d = below[:-1], below[1:], now[:-1], now[1:]
        faces += [np.column_stack([b, a, c]), np.column_stack([b, c, d])]
        below = now
    return np.concatenate(points), np.concatenate(faces).astype(np.int32)


def test_a_clean_rim_and_a_strap_wider_than_twice_the_reach_stay():
    V, F, axis, loop = tube()
    assert trim_tongues(V, F, 5.0).faces == 0
    W, G = with_tape_end(V, F, axis, loop, 8, 9)  # 21 mm wide
    assert trim_tongues(W, G, 5.0).faces == 0


def test_a_narrow_tape_end_and_a_fin_come_off_near_the_rim():
    V, F, axis, loop = tube()
    W, G = with_tape_end(V, F, axis, loop, 3, 14)  # 6 mm wide, 42 long
    tip = W[loop[40]] * 1.5
    tip[axis] += 30.0
    fin = [loop[41], loop[40], len(W)]
    W, G = np.concatenate([W, tip[None]]), np.concatenate([G, [fin]]).astype(np.int32)
    done = trim_tongues(W, G, 5.0)
    kept = {tuple(f) for f in done.F.tolist()}
    assert all(tuple(f) in kept for f in F.tolist()), "a face of the tube itself went"
    assert tuple(fin) not in kept
    assert W[done.F][..., axis].max() < V[:, axis].max() + 13.0
    gone = face_areas(W, G).sum() - face_areas(W, done.F).sum()
    assert np.isclose(done.mm2, gone)
    opposites(done.F, len(W))  # raises where the rest is no manifold


def test_a_narrow_bridge_between_hole_and_rim_stays():
    V, F, axis, loop = tube()
    at = V[loop[10]].copy()
    at[axis] -= 16.0
    gone = np.linalg.norm((V[F].mean(axis=1) - at), axis=1) < 13.0
    G, used = compact(F[~gone])
    assert len(border_cycles(G, opposites(G, len(used)))) == 3
    assert trim_tongues(V[used], G.astype(np.int32), 5.0).faces == 0


def test_a_mesh_coarser_than_the_reach_keeps_its_whole_rim():
    V, F, axis, loop = tube(columns=46, rows=13)  # points about 8 mm apart
    # As a level cut leaves it: here and there a small face under a long stretch of the rim.
    ears = []
    for a, b, c in (loop[k : k + 3] for k in (4, 14, 24)):
        V[b] = V[a] + 0.2 * (V[b] - V[a])
        V[b, axis] -= 1.0
        ears.append([b, a, c])
    F = np.concatenate([F, ears]).astype(np.int32)
    opposites(F, len(V))  # raises where this is no manifold
    for reach in (1.5, 3.0, 5.0):
        assert trim_tongues(V, F, reach).faces == 0, reach
