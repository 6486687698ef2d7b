"""Floors, lids and stands are cut off; nothing of a body is."""

import numpy as np
import pytest
import wraps

from flatten.geometry.triangles import face_areas
from flatten.scan.stand import cut_stand

BODIES = {"torso": wraps.torso(100, 120), "leg": wraps.leg(140, 72)}


def cut(name, W, G):
    """cm² of the body that were lost and of the rest that were left, and the result."""
    W = wraps.noise(W, G, np.random.default_rng(0), 0.2, 0.05)
    turn = wraps.random_turn(np.random.default_rng(5))
    done = cut_stand(W @ turn.T, G)
    body = np.arange(len(G)) < len(BODIES[name][1])
    row = {tuple(f): i for i, f in enumerate(G.tolist())}
    kept = np.zeros(len(G), bool)
    kept[[row[tuple(f)] for f in done.F.tolist()]] = True
    area = face_areas(W, G) / 100
    return area[body & ~kept].sum(), area[~body & kept].sum(), done


@pytest.mark.parametrize("name", ["torso", "leg"])
@pytest.mark.parametrize(
    ("what", "key"), [(wraps.floor, "floor_faces_cut"), (wraps.stand, "stand_faces_cut")]
)
def test_a_floor_or_a_stand_scanned_with_the_cast_is_cut_off(name, what, key):
    lost, left, done = cut(name, *what(*BODIES[name]))
    assert lost < 25  # a strip a few millimetres wide along the rim
    assert left < 5
    assert done.repairs[key] > 0
    assert any("cut off" in note for note in done.notes)


@pytest.mark.parametrize("name", ["torso", "leg"])
def test_a_flat_lid_is_cut_off(name):
    V, F = BODIES[name]
    lost, left, done = cut(name, *wraps.cap(V, F, wraps.lowest_loop(V, F)))
    assert lost < 15
    assert left < 1
    assert "flat lid" in done.notes[0]


@pytest.mark.parametrize("name", ["torso", "leg"])
def test_a_body_is_left_whole(name):
    V, F = BODIES[name]
    for W in (V, wraps.noise(V, F, np.random.default_rng(3))):
        done = cut_stand(W, F)
        np.testing.assert_array_equal(done.F, F)
        assert done.notes == ()


def box(low, high, step=8.0):
    """A closed box of small faces."""
    V, F, n = [], [], 0
    for axis in range(3):
        for end in (0, 1):
            u, w = [k for k in range(3) if k != axis]
            a = np.arange(low[u], high[u] + 1e-9, step)
            b = np.arange(low[w], high[w] + 1e-9, step)
            P = np.zeros((len(a), len(b), 3))
            P[..., axis] = (low, high)[end][axis]
            P[..., u], P[..., w] = a[:, None], b[None, :]
            i = n + np.arange(len(a) - 1)[:, None] * len(b) + np.arange(len(b) - 1)[None, :]
            one = np.stack([i, i + len(b), i + 1], -1).reshape(-1, 3)
            two = np.stack([i + 1, i + len(b), i + len(b) + 1], -1).reshape(-1, 3)
            both = np.concatenate([one, two])
            F.append(both if (end == 1) != (axis == 1) else both[:, ::-1])
            V.append(P.reshape(-1, 3))
            n += P.size // 3
    return wraps.largest(*_joined(np.concatenate(V), np.concatenate(F)))


def _joined(V, F):
    _, first, back = np.unique(V.round(6), axis=0, return_index=True, return_inverse=True)
    return V[first], back.ravel()[F]


def test_a_box_that_stands_apart_is_left_out():
    V, F = BODIES["leg"]
    B, G = box((-250.0, -48.0, -160.0), (70.0, -8.0, 160.0))
    lost, left, done = cut("leg", np.vstack([V, B]), np.vstack([F, G + len(V)]))
    assert (lost, left) == (0, 0)
    assert "stands apart" in done.notes[0]


def test_a_second_body_is_not_taken_for_a_stand():
    V, F = BODIES["leg"]
    W, G = np.vstack([V, V * [-1, 1, 1]]), np.vstack([F, F[:, ::-1] + len(V)])
    done = cut_stand(W, G)
    assert len(done.F) == len(G)


def test_what_is_doubted_is_named_with_the_box_in_the_file_numbers():
    V, F = BODIES["leg"]
    W, G = wraps.cap(V, F, wraps.loops(V, F)[0], rise=-30.0)
    done = cut_stand(W, G, mm_per_number=1000.0)
    assert len(done.F) == len(G)
    for note in done.notes:
        assert "keep = { low = [" in note
        low = [float(x) for x in note.split("low = [")[1].split("]")[0].split(",")]
        assert np.abs(low).max() < 1  # metres


def test_a_closed_scan_is_said_to_be_closed():
    V, F = BODIES["leg"]
    for loop in wraps.loops(V, F):
        V, F = wraps.cap(V, F, loop, rise=40.0 * np.sign(V[loop, 1].mean() - 200))
    assert any("closed all round" in note for note in cut_stand(V, F).notes)
