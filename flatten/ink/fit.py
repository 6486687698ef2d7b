"""Moves followed strokes onto the middle of the ink, and measures their colour, width and ends.

Every sample is given to the stroke it lies nearest to; across a stroke its ink is a soft-edged
band, and the band's middle along the stroke is the smooth curve that fits all samples best
(Gauss-Newton, fourth-order smoothing; P. Eilers, B. Marx, Stat. Sci. 11(2), 1996, for such penalised
fits). Heights above the surface are smoothed along the stroke too, which takes out scan noise.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix, csc_matrix, csr_matrix, diags, sparray, spmatrix
from scipy.sparse.linalg import spsolve
from scipy.spatial import KDTree

from flatten.geometry.curves import arc_length
from flatten.ink.contrast import MOST, Contrast, fair
from flatten.ink.samples import Samples
from flatten.ink.track import Track

STEP_MM = 1.5
REACH_MM = 6.5
ACROSS_WAVE_MM = 14.0  # waves along the stroke shorter than this are the hand's, not the line's
HEIGHT_WAVE_MM = 40.0
ROUNDS = 5
LEAST_SIGNAL = 0.3  # of what differs, where noise seems to be all of it
BESIDE_MM = (1.5, 5.0)


@dataclass(frozen=True, eq=False, kw_only=True)
class Stroke:
    """A stroke on the middle of its ink.

    points (k, 3) mm, normals (k, 3); closed ones do not repeat their first point
    contrast : (3,) mean difference from the tape, as ratios; strength : its length
    cover : (k,) ink found at each point, 1 is the stroke's usual; width : mm
    standing : (k,) how far that stands out from what lies on either side, over some 10 mm
    colour : (3,) as seen, 0 to 255
    even : share of the stroke where its ink is within a third of its usual strength, noise aside
    explained : share of what differs from bare tape beside and on it, the camera's noise aside,
        that its band accounts for
    bare : share of what lies beside it, on its cleaner side, that is bare tape
    error : deviation of `contrast` a channel, from the camera's noise
    dashed : a row of dashes, from the first to the last
    """

    points: NDArray[np.float64]
    normals: NDArray[np.float64]
    closed: bool
    contrast: NDArray[np.float64]
    cover: NDArray[np.float64]
    standing: NDArray[np.float64]
    width: float
    colour: NDArray[np.float64]
    even: float
    explained: float
    bare: float
    error: float
    dashed: bool = False

    @property
    def strength(self) -> float:
        return float(np.linalg.norm(self.contrast))

    @property
    def length(self) -> float:
        return path_length(self.points, self.closed)


def path_length(points: NDArray[np.float64], closed: bool = False) -> float:
    """Length of a polyline (k, 3), mm."""
    q = np.vstack([points, points[:1]]) if closed else points
    return float(np.linalg.norm(np.diff(q, axis=0), axis=1).sum())


def resample(points: NDArray[np.float64], closed: bool, step: float = STEP_MM):
    """The polyline (k, 3) again with points spaced evenly, about `step` mm apart."""
    q = np.vstack([points, points[:1]]) if closed else points
    s = arc_length(q)
    count = max(round(s[-1] / step), 3 if closed else 1)
    t = np.linspace(0.0, s[-1], count + 1)
    if closed:
        t = t[:-1]
    return np.column_stack([np.interp(t, s, q[:, i]) for i in range(3)])


@dataclass(frozen=True, eq=False)
class _Chain:
    """All strokes' nodes in one list, with who comes before and after (itself at an end)."""

    before: NDArray[np.int64]
    after: NDArray[np.int64]
    stroke: NDArray[np.int64]
    start: NDArray[np.int64]


def _chain(counts: list[int], closed: list[bool]) -> _Chain:
    start = np.concatenate([[0], np.cumsum(counts)])
    n = int(start[-1])
    before, after = np.arange(n) - 1, np.arange(n) + 1
    for k, loop in enumerate(closed):
        a, b = int(start[k]), int(start[k + 1])
        before[a] = b - 1 if loop else a
        after[b - 1] = a if loop else b - 1
    return _Chain(before, after, np.repeat(np.arange(len(counts)), counts), start)


def _bending(chain: _Chain) -> csr_matrix:
    """Squared second differences along every stroke, as a matrix."""
    n = len(chain.before)
    inner = np.flatnonzero((chain.before != np.arange(n)) & (chain.after != np.arange(n)))
    rows = np.repeat(np.arange(len(inner)), 3)
    cols = np.stack([chain.before[inner], inner, chain.after[inner]], axis=1).ravel()
    values = np.tile([1.0, -2.0, 1.0], len(inner))
    second = coo_matrix((values, (rows, cols)), shape=(len(inner), n)).tocsr()
    return (second.T @ second).tocsr()


def _tangents(P, chain: _Chain):
    d = P[chain.after] - P[chain.before]
    return d / np.maximum(np.linalg.norm(d, axis=1, keepdims=True), 1e-12)


def _stiffness(wave_mm: float) -> float:
    return (wave_mm / (2.0 * np.pi * STEP_MM)) ** 4


def solved(M: spmatrix | sparray, b: NDArray[np.number]) -> NDArray[np.float64]:
    """x (n,) with M x = b, for a sparse M."""
    return np.asarray(spsolve(csc_matrix(M), b))


def nearest_node(
    nodes: NDArray[np.float64], points: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Distance (k,) of every point to the nearest node, infinite beyond reach, and which it is."""
    reach = REACH_MM + 1.5
    d, node = KDTree(nodes).query(points, distance_upper_bound=reach, workers=2)
    return np.asarray(d), np.asarray(node)


def _band(t, half, soft):
    return 1.0 / (1.0 + np.exp(np.clip((np.abs(t) - half) / soft, -40, 40)))


def fit_strokes(S: Samples, seen: Contrast, tracks: list[Track]) -> list[Stroke]:
    """Strokes on the middle of their ink, from the followed ones, in the same order."""
    if not tracks:
        return []
    paths = [resample(t.points, t.closed) for t in tracks]
    closed = [t.closed for t in tracks]
    chain = _chain([len(p) for p in paths], closed)
    P = np.concatenate(paths)
    bend = _bending(chain)
    nearest = S.tree.query(P, k=min(12, len(S.P)))[1]
    N = S.N[nearest].mean(axis=1)
    N /= np.linalg.norm(N, axis=1, keepdims=True)

    d, node = nearest_node(P, S.P)
    use = np.flatnonzero(np.isfinite(d))
    use = use[np.einsum("ij,ij->i", S.N[use], N[node[use]]) > 0.3]
    WU, PU = S.W[use], S.P[use]

    count = len(tracks)
    half = np.full(count, 2.0)
    sharp = max(0.35, 0.3 * S.spacing)
    contrast = np.zeros((count, 3))
    amplitude = np.ones(len(P))
    for turn in range(ROUNDS):
        # Wide edges first: they pull a stroke that was followed along one side of its ink.
        soft = (1.2, 0.8, sharp, sharp, sharp)[turn]
        T = _tangents(P, chain)
        A = np.cross(N, T)
        d, node = nearest_node(P, PU)
        ok = np.isfinite(d)
        i = np.where(ok, node, 0)
        rel = PU - P[i]
        along = np.einsum("ij,ij->i", rel, T[i])
        across = np.einsum("ij,ij->i", rel, A[i])
        height = np.einsum("ij,ij->i", rel, N[i])
        ok &= (np.abs(along) < 1.2 * STEP_MM) & (np.abs(height) < 4.0)
        k = chain.stroke[i]
        XU = fair(seen_from(S, seen, P, use, i))
        if turn == 0:
            core = ok & (np.abs(across) < 1.3)
            for c in range(3):
                total = np.bincount(k[core], WU[core] * XU[core, c], minlength=count)
                contrast[:, c] = total / np.maximum(
                    np.bincount(k[core], WU[core], minlength=count), 1e-9
                )
            contrast[np.linalg.norm(contrast, axis=1) < 1e-6] = 1e-6
        size = np.linalg.norm(contrast, axis=1)
        e = contrast / size[:, None]
        q = np.einsum("ij,ij->i", XU, e[k]) / size[k]
        q = np.clip(q, -0.5, 1.4)
        if turn in (1, 2, 3):
            half = _best_width(across, q, WU, ok, k, count, soft)
        g = _band(across, half[k], soft)
        # How strong the ink is at each node, over about 9 mm.
        near = ok & (np.abs(across) < half[k] + 1.0)
        top = np.bincount(i[near], WU[near] * g[near] * q[near], minlength=len(P))
        bottom = np.bincount(i[near], WU[near] * g[near] ** 2, minlength=len(P))
        spread = diags(np.full(len(P), 1.0)) + _stiffness(9.0) * bend
        amplitude = np.clip(
            solved(spread, top) / np.maximum(solved(spread, bottom), 1e-6),
            0.2,
            1.5,
        )
        # Gauss-Newton on the sideways move of every node.
        edge = np.where(np.abs(across) > 1e-9, np.sign(across), 0.0)
        slope = amplitude[i] * edge * g * (1.0 - g) / soft
        residual = q - amplitude[i] * g
        trust = 1.0 / (1.0 + (residual / 0.5) ** 2)
        w = np.where(ok, WU * trust, 0.0)
        data = np.bincount(i, w * slope**2, minlength=len(P))
        push = np.bincount(i, w * slope * residual, minlength=len(P))
        usual = np.median(data[data > 0]) if (data > 0).any() else 1.0
        M = diags(data + 1e-3 * usual) + usual * _stiffness(ACROSS_WAVE_MM) * bend
        # Smoothness is asked of the curve itself, so its own bending pulls too.
        pull = np.einsum("ij,ij->i", bend @ P, A) * usual * _stiffness(ACROSS_WAVE_MM)
        move = np.clip(solved(M, push - pull), -1.0, 1.0)
        # Onto the surface, smoothed along the stroke.
        close = ok & (np.abs(across) < 3.5)
        hw = np.bincount(i[close], WU[close], minlength=len(P))
        hs = np.bincount(i[close], WU[close] * height[close], minlength=len(P))
        usual_h = np.median(hw[hw > 0]) if (hw > 0).any() else 1.0
        stiff = usual_h * _stiffness(HEIGHT_WAVE_MM)
        lift = solved(
            diags(hw + 1e-3 * usual_h) + stiff * bend,
            hs - stiff * np.einsum("ij,ij->i", bend @ P, N),
        )
        P = P + move[:, None] * A + np.clip(lift, -1.5, 1.5)[:, None] * N
    return _measured(S, seen, P, N, chain, closed, half, sharp, use)


def seen_from(S: Samples, seen: Contrast, P, which, node) -> NDArray[np.float64]:
    """(k, 3) contrast of samples to the tape at the nodes of P that they belong to."""
    here = S.tree.query(P)[1]
    B, scale = seen.B[here][node], seen.scale[here][node]
    return np.clip((S.C[which] - B) / scale, -1.0, MOST)


def _best_width(across, q, W, ok, k, count, soft):
    """(count,) half width whose band explains each stroke's samples best, 0.6 to 6 mm."""
    tries = np.array([0.6, 0.9, 1.2, 1.5, 1.8, 2.1, 2.5, 3.0, 3.6, 4.3, 5.0, 6.0])
    error = np.empty((len(tries), count))
    for m, half in enumerate(tries):
        g = _band(across, half, soft)
        gq = np.bincount(k[ok], (W * g * q)[ok], minlength=count)
        gg = np.bincount(k[ok], (W * g * g)[ok], minlength=count)
        error[m] = -(gq**2) / np.maximum(gg, 1e-9)
    return tries[error.argmin(axis=0)]


def _measured(S, seen: Contrast, P, N, chain: _Chain, closed, half, soft, use) -> list[Stroke]:
    """Colour, contrast, cover and quality of every stroke at its final place."""
    A = np.cross(N, _tangents(P, chain))
    d, node = nearest_node(P, S.P[use])
    ok = np.isfinite(d)
    i, near = node[ok], use[ok]
    across = np.einsum("ij,ij->i", S.P[near] - P[i], A[i])
    k = chain.stroke[i]
    core = np.abs(across) < np.clip(0.6 * half[k], 0.8, 1.6)
    count, n = len(closed), len(P)
    W, Y = S.W[near], seen_from(S, seen, P, near, i)
    total = np.maximum(np.bincount(k[core], W[core], minlength=count), 1e-9)
    contrast = np.stack(
        [np.bincount(k[core], W[core] * Y[core, c], minlength=count) for c in range(3)], 1
    )
    contrast /= total[:, None]
    size = np.maximum(np.linalg.norm(contrast, axis=1), 1e-6)
    chance = np.bincount(k[core], (W * seen.noise[near])[core] ** 2, minlength=count)
    deviation = np.sqrt(chance) / total
    q = np.clip(np.einsum("ij,ij->i", Y, contrast[k]) / size[k] ** 2, -2.0, 3.0)

    # Over each node and its neighbours, and over some 10 mm.
    shaky = (W * seen.noise[near] / size[k]) ** 2
    sums = [np.bincount(i[core], v[core], minlength=n) for v in (W * q, W, shaky)]
    fine = [v + v[chain.before] + v[chain.after] for v in sums]
    cover = np.divide(fine[0], fine[1], out=np.zeros(n), where=fine[1] > 0)
    wide = fine
    for _ in range(2):
        wide = [v + v[chain.before] + v[chain.after] for v in wide]
    steady = np.divide(wide[0], wide[1], out=np.zeros(n), where=wide[1] > 0)
    # One deviation of that mean from noise: every sample is in the sums nine times over.
    error = np.divide(3.0 * np.sqrt(wide[2]), wide[1], out=np.zeros(n), where=wide[1] > 0)

    standing = _standing(across, i, W, q, half[k], chain)

    # How much of what differs from bare tape the band explains, tape beside it included.
    g = _band(across, half[k], soft)
    close = np.abs(across) < 5.5
    left = np.bincount(k[close], (W * (q - g) ** 2)[close], minlength=count)
    mean = np.bincount(k[close], (W * q)[close], minlength=count) / np.maximum(
        np.bincount(k[close], W[close], minlength=count), 1e-9
    )
    whole = np.bincount(k[close], (W * (q - mean[k]) ** 2)[close], minlength=count)
    chance = np.bincount(k[close], (W * (seen.noise[near] / size[k]) ** 2)[close], minlength=count)
    explained = (whole - left) / np.maximum(np.maximum(whole - chance, LEAST_SIGNAL * whole), 1e-9)
    bare = _bareness(across, k, W, Y, seen.noise[near], half, size)
    strokes = []
    for m in range(count):
        a, b = chain.start[m], chain.start[m + 1]
        mine = near[core & (k == m)]
        even = np.mean(np.abs(steady[a:b] - 1.0) < 0.35 + error[a:b])
        strokes.append(
            Stroke(
                points=P[a:b],
                normals=N[a:b],
                closed=closed[m],
                contrast=contrast[m],
                cover=cover[a:b],
                standing=standing[a:b],
                width=2.0 * float(half[m]),
                colour=np.median(S.C[mine], axis=0) if len(mine) else np.zeros(3),
                even=float(even),
                explained=float(np.clip(explained[m], 0.0, 1.0)),
                bare=float(bare[m]),
                error=float(deviation[m]),
            )
        )
    return strokes


def _standing(across, i, W, q, half, chain: _Chain):
    """(n,) ink on every node over its neighbourhood, less that on its more inked side."""
    n = len(chain.before)
    core = np.abs(across) < np.clip(0.6 * half, 0.8, 1.6)
    bands = [core]
    for side in (-1.0, 1.0):
        out = side * across - half
        bands.append((out > 0.5) & (out < BESIDE_MM[1]))
    means = []
    for band in bands:
        sums = [np.bincount(i[band], v[band], minlength=n) for v in (W * q, W)]
        for _ in range(3):
            sums = [v + v[chain.before] + v[chain.after] for v in sums]
        means.append(np.divide(sums[0], sums[1], out=np.zeros(n), where=sums[1] > 0))
    return means[0] - np.maximum(means[1], means[2])


def _bareness(across, k, W, Y, noise, half, size):
    """(count,) share of the area beside each stroke, on its cleaner side, that is bare tape; 1 where
    nothing beside it was seen."""
    best, seen = np.zeros(len(half)), np.zeros(len(half))
    for side in (-1.0, 1.0):
        out = side * across - half[k]
        beside = (out > BESIDE_MM[0]) & (out < BESIDE_MM[1])
        clean = np.linalg.norm(Y, axis=1) < np.maximum(0.5 * size[k], 3.0 * noise)
        area = np.bincount(k[beside], W[beside], minlength=len(half))
        tape = np.bincount(k[beside], (W * clean)[beside], minlength=len(half))
        best = np.maximum(best, np.divide(tape, area, out=np.zeros(len(half)), where=area > 0))
        seen += area
    # A wide pen's ragged edges have strokes of their own, to which all that lies beside belongs.
    return np.where(seen > 0, best, 1.0)
