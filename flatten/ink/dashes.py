"""Finds dashes in a row among the strokes and makes one stroke of each row."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import KDTree

from flatten.geometry.curves import arc_length, at_lengths
from flatten.ink.along import Along, Looker, smooth_curve
from flatten.ink.contrast import fair
from flatten.ink.fit import STEP_MM, Stroke, resample
from flatten.ink.paths import outward, path_of
from flatten.ink.rhythm import Rhythm, is_even, rhythm_of

Points = NDArray[np.float64]

LONGEST_MM = 48.0  # a stretch of ink longer than this is no dash, nor two that ran together
REACH_MM = 30.0  # from one dash to the next that was seen, one in between missing
TURN_DEG = 30.0
ALIKE = 0.85  # cosine between the contrasts of dashes of one pen
LEAST_MM = 24.0
LEAST_SEEN = 3  # dashes that were followed as strokes
PALE = 0.36  # of the usual ink's contrast
EXPLAINED = 0.4
HINT = 0.2  # explained by a row that may be led on
INKED, BARE = 0.5, 0.45
FLANK_BARE = 0.4
ON_ROW_MM = 3.5
ON_ROW = 0.55
FAN = np.tan(np.radians(np.arange(-20.0, 21.0, 4.0)))
CORE_MM = 1.6
WIDE_MM = 4.0


@dataclass(frozen=True, eq=False)
class _Piece:
    """A stretch of ink on a stroke, and its contrast (fair)."""

    points: Points
    contrast: Points

    def turned(self) -> "_Piece":
        return _Piece(self.points[::-1], self.contrast)


@dataclass(frozen=True, eq=False)
class _Row:
    """A curve from the first dash to the last, what lies along it, ink and gaps on it."""

    along: Along
    rhythm: Rhythm
    full: float
    width: float


def find_dashes(look: Looker, strokes: list[Stroke]) -> tuple[list[Stroke], list[Stroke]]:
    """One stroke for every row of dashes, and the strokes that are part of none.

    A row is at least four dashes one behind the other, all about as long and as far apart, with
    bare tape between and beside them. Its stroke runs from the first to the last; `cover` tells
    ink from gaps.
    """
    rows: list[Stroke] = []
    least = PALE * _usual(strokes)
    for chain in _chains([p for s in strokes if _clear(s) > least for p in _pieces(s)]):
        if _on(np.concatenate([p.points for p in chain]), rows):
            continue
        row = _row(look, chain)
        if row is not None and not _on(row.points, rows):
            rows.append(row)
    return rows, [s for s in strokes if not _on(s.points, rows)]


def _on(points: Points, rows: list[Stroke]) -> bool:
    """Whether most of the points lie on one of the rows."""
    return any(float(np.mean(KDTree(r.points).query(points)[0] < ON_ROW_MM)) > ON_ROW for r in rows)


def _clear(s: Stroke) -> float:
    return float(np.linalg.norm(fair(s.contrast)))


def _usual(strokes: list[Stroke]) -> float:
    """How clear the ink is that most of what is drawn was drawn with."""
    clear = np.array([_clear(s) for s in strokes])
    weight = np.array([s.length * s.explained * c for s, c in zip(strokes, clear, strict=True)])
    order = np.argsort(clear)
    total = np.cumsum(weight[order])
    return float(clear[order[np.searchsorted(total, 0.5 * total[-1])]]) if len(order) else 0.0


def _pieces(s: Stroke) -> list[_Piece]:
    """The stretches of a stroke that bear ink, where they are as short as dashes."""
    top = float(np.percentile(s.cover, 80))
    if s.closed or s.strength < max(0.12, 3.0 * s.error) or top <= 0.0:
        return []
    on = np.concatenate([[False], s.cover > 0.5 * top, [False]])
    first, last = np.flatnonzero(on[1:] & ~on[:-1]), np.flatnonzero(on[:-1] & ~on[1:])
    return [
        _Piece(s.points[a:b], fair(s.contrast) * float(s.cover[a:b].mean()))
        for a, b in zip(first, last, strict=True)
        if b - a >= 3 and (b - a) * STEP_MM <= LONGEST_MM
    ]


def _chains(pieces: list[_Piece]) -> list[list[_Piece]]:
    """Pieces one behind the other, longest chains first."""
    if len(pieces) < 2:
        return []
    at = np.concatenate([p.points[[0, -1]] for p in pieces])
    way = np.array([outward(p.points, e) for p in pieces for e in (0, 1)])
    tint = np.array([p.contrast for p in pieces])
    size = np.linalg.norm(tint, axis=1)
    pairs = KDTree(at).query_pairs(REACH_MM, output_type="ndarray")
    a, b = pairs[:, 0], pairs[:, 1]
    p, q = a // 2, b // 2
    between = at[b] - at[a]
    gap = np.linalg.norm(between, axis=1)
    ahead = np.einsum("ij,ij->i", between, way[a]), -np.einsum("ij,ij->i", between, way[b])
    aside = np.sqrt(np.maximum(gap**2 - np.minimum(*ahead) ** 2, 0.0))
    turn = np.degrees(np.arctan2(aside, np.minimum(*ahead)))
    miss = np.degrees(np.arctan2(2.0, np.maximum(gap, 0.5)))
    ok = (p != q) & (gap > 1.0) & (turn < TURN_DEG + miss)
    ok &= np.einsum("ij,ij->i", tint[p], tint[q]) > ALIKE * size[p] * size[q]
    ok &= np.minimum(size[p], size[q]) > 0.4 * np.maximum(size[p], size[q])
    cost = np.where(ok, gap + 2.0 * aside, np.inf)
    link: dict[int, int] = {}
    for k in np.argsort(cost, kind="stable")[: int(ok.sum())]:
        if a[k] not in link and b[k] not in link:
            link[int(a[k])], link[int(b[k])] = int(b[k]), int(a[k])
    done: set[int] = set()
    out = []
    for start in [e for e in range(len(at)) if e not in link]:
        if start // 2 in done:
            continue
        chain, e = [], start
        while True:
            done.add(e // 2)
            chain.append(pieces[e // 2] if e % 2 == 0 else pieces[e // 2].turned())
            if e ^ 1 not in link:
                break
            e = link[e ^ 1]
        if len(chain) >= LEAST_SEEN:
            out.append(chain)
    return sorted(out, key=lambda chain: -sum(len(p.points) for p in chain))


def _row(look: Looker, chain: list[_Piece]) -> Stroke | None:
    """The row of dashes that a chain of pieces is part of, None where it is none."""
    weight = np.array([len(p.points) for p in chain], dtype=np.float64)
    colour = (weight[:, None] * [p.contrast for p in chain]).sum(axis=0) / weight.sum()
    row = _trimmed(look, np.concatenate([p.points for p in chain]), colour)
    while row is not None and row.rhythm.explained > HINT:
        more = [_next_dash(look, row, colour, e) for e in (0, 1)]
        if more[0] is None and more[1] is None:
            break
        before, after = (np.empty((0, 3)) if m is None else m for m in more)
        longer = _trimmed(look, np.concatenate([before[::-1], row.along.P, after]), colour)
        if longer is None or len(longer.rhythm.runs) <= len(row.rhythm.runs):
            break
        row = longer
    return None if row is None else _stroke(look, row)


def _trimmed(look: Looker, P: Points, colour: Points) -> _Row | None:
    """The row along the points, without what at either end is none of it."""
    row = _settled(look, P, colour)
    if row is None:
        return None
    r = row.rhythm
    # It breaks off at a pale dash, and where ink goes on over two gaps: one by itself may only be
    # too narrow for the scan.
    whole = ~(r.ink < INKED)
    full = np.concatenate([[False], r.bare > BARE, [False]])
    open_ = ~(full[1:-1] & (full[:-2] | full[2:]))
    best, first = (0, 0), 0
    for k in range(len(whole) + 1):
        if k == len(whole) or not whole[k] or (k > first and not open_[k - 1]):
            best = max(best, (k - first, -first))
            first = k if k < len(whole) and whole[k] else k + 1
    count, first = best[0], -best[1]
    if count == len(whole) or count < LEAST_SEEN:
        return row if count == len(whole) else None
    low, high = r.runs[first, 0], r.runs[first + count - 1, 1]
    s = arc_length(row.along.P)
    return _settled(look, row.along.P[(s >= low) & (s <= high)], colour)


def _settled(look: Looker, P: Points, colour: Points) -> _Row | None:
    """A smooth curve on the middle of the ink along the points, and the rhythm along it."""
    if arc_length(P)[-1] < LEAST_MM:
        return None
    P = smooth_curve(look, resample(P, False), colour)
    along = look.along(P, colour)
    core, near = np.abs(along.across) < 0.8, np.abs(along.across) < WIDE_MM
    q, w, g = along.q[near], along.w[near], np.zeros(int(near.sum()))
    # The width that all the ink would have if it were as dark everywhere as in the middle.
    middle = float((along.w * along.q)[core].sum()) / 1.6
    width = float(np.clip((w * q).sum() / max(middle, 1e-9), 1.6, 5.0))
    soft = max(0.35, 0.3 * look.S.spacing)
    g = 1.0 / (1.0 + np.exp((np.abs(along.across[near]) - 0.5 * width) / soft))
    # What counts as all of the ink is what the inked ones among the samples show.
    full = q[(q > 0.5) & (np.abs(along.across[near]) < 0.35 * width)]
    full = float(np.median(full)) if len(full) > 4 else 1.0
    rhythm = rhythm_of(along.t[near], q / full, g, w, float(arc_length(P)[-1]))
    return None if rhythm is None else _Row(along, rhythm, full, width)


def _next_dash(look: Looker, row: _Row, colour: Points, end: int) -> Points | None:
    """Where the dash beyond one end of a row lies, if there is one."""
    P = row.along.P if end else row.along.P[::-1]
    runs = row.rhythm.runs
    dash = float(np.median(runs[:, 1] - runs[:, 0]))
    gap = float(np.median(runs[1:, 0] - runs[:-1, 1]))
    u, v, q, w, frame = look.ahead(P, colour, 1.6 * gap + dash + 6.0)
    q = q / row.full
    best: tuple[float, float, float, float] | None = None
    for slope in FAN:
        for bend in frame.bends:
            off = np.abs(v - slope * u - 0.5 * bend * u * u)
            core, flank = (off < CORE_MM) & (u > -0.5), (off > 3.5) & (off < 6.5)
            if w[core].sum() < 2.0:
                continue
            for g in np.arange(max(0.5 * gap - 1.0, 1.5), 1.6 * gap + 3.0, 1.0):
                on = core & (u > g + 0.5) & (u < g + max(0.8 * dash, 3.0))
                bare = core & (u > 1.0) & (u < g - 0.5)
                beside = flank & (u > g) & (u < g + dash)
                if w[on].sum() < 0.7:
                    continue
                ink = float((w * q)[on].sum() / w[on].sum())
                free = float((w * q)[bare].sum() / max(float(w[bare].sum()), 1e-9))
                side = float((w * q)[beside].sum() / max(float(w[beside].sum()), 1e-9))
                value = ink - max(free, side) - 0.1 * abs(g - gap) / gap - 0.2 * abs(slope)
                if (
                    ink > 0.55
                    and free < BARE
                    and side < FLANK_BARE
                    and (best is None or value > best[0])
                ):
                    best = (value, float(slope), float(bend), float(g))
    if best is None or best[0] < 0.35:
        return None
    _, slope, bend, g = best
    # Up to where the ink ends.
    core = np.abs(v - slope * u - 0.5 * bend * u * u) < CORE_MM
    inked = core & (q > 0.5) & (u > g) & (u < g + 1.4 * dash + 1.0)
    last = float(u[inked].max()) if inked.any() else g + dash
    t = np.arange(STEP_MM, last + 0.5 * STEP_MM, STEP_MM)
    return frame.place(t, slope * t + 0.5 * bend * t * t)


def _stroke(look: Looker, row: _Row) -> Stroke | None:
    """The row as one stroke, None where it is too short, too uneven or not clear enough."""
    runs, along = row.rhythm.runs, row.along
    pale, full = row.rhythm.ink < INKED, row.rhythm.bare > BARE
    if row.rhythm.explained < EXPLAINED or max(pale.sum(), full.sum()) > max(1, len(pale) // 4):
        return None
    t, across, q, w = along.t, along.across, along.q / row.full, along.w
    on = ((t[:, None] > runs[:, 0]) & (t[:, None] < runs[:, 1])).any(axis=1)
    side = 0.5 * row.width
    beside = [on & (s * across > side + 1.8) & (s * across < side + 4.5) for s in (-1.0, 1.0)]
    if max(float((w * q)[b].sum() / max(w[b].sum(), 1e-9)) for b in beside) > FLANK_BARE:
        return None
    core = on & (np.abs(across) < np.clip(0.6 * side, 0.8, CORE_MM)) & (q > 0.3)
    if core.sum() < 4:
        return None
    which = along.which[core]
    s = arc_length(along.P)
    t = np.concatenate([[runs[0, 0]], s[(s > runs[0, 0]) & (s < runs[-1, 1])], [runs[-1, 1]]])
    P = resample(at_lengths(along.P, t), False)
    N = look.on_surface(P)[1]
    t = runs[0, 0] + arc_length(P)
    cover = ((t[:, None] >= runs[:, 0]) & (t[:, None] <= runs[:, 1])).any(axis=1).astype(np.float64)
    cover[[0, -1]] = 1.0
    share = w[core] / w[core].sum()
    found = Stroke(
        points=P,
        normals=N,
        closed=False,
        contrast=share @ along.X[core],
        cover=cover,
        standing=cover,
        width=row.width,
        colour=np.median(look.S.C[which], axis=0),
        even=1.0,
        explained=1.0,
        bare=1.0,
        dashed=True,
        error=float(np.sqrt((share**2 * look.seen.noise[which] ** 2).sum())),
    )
    path = path_of(found, 0, False, (-1, -1))
    return found if path is not None and is_even(path.pieces) else None
