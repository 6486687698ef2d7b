"""Seams walked after an alteration: corners moved so little that partner edges are equal again."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from flatten.template.piece import Edge, Piece

Array = NDArray[np.float64]

NOTED_MM = 0.5  # a difference between two partners smaller than this is not worth a word
TRUED_MM = 3.0  # a seam beside an altered edge is trued if its sides come to differ by less
STIFF = 4.0  # how much dearer it is to move a corner where seams meet than one at a rim
ROUNDS = 20
DONE_MM = 1e-7
MOST_SHARE = 0.2  # a corner moves at most this share of the shorter edge that ends there


@dataclass(frozen=True, eq=False, kw_only=True)
class _Stretch:
    """Two partner edges, as (piece, edge), and the difference in length wanted between them."""

    sides: tuple[tuple[int, int], tuple[int, int]]
    wanted: float


def true_up(pieces: list[Piece], altered: set[str], before: dict[tuple[int, int], float]) -> None:
    """Gives the two sides of every altered seam the difference in length that they had before.

    Common practice (walking the seam): the longer side is cut back and the shorter one runs on at
    its ends. The moves of all corners are the smallest, in the least-squares sense, that make every
    such seam right while the others keep what they have (Gauss-Newton steps of least norm, Björck,
    Numerical Methods for Least Squares Problems, 1996, section 9.2); an edge between two corners
    follows in proportion to the length along it, so that a straight one stays straight. Corners at
    rims give way sooner than those where seams meet. So are the seams beside an altered one that
    came to differ by a little. What cannot be mended becomes a note.

    altered : the names of lines and stretches; before : lengths by (seam, side)
    """
    stretches = _stretches(pieces, altered, before)
    starts = np.concatenate([[0], np.cumsum([len(piece.edges) for piece in pieces])])
    give = np.concatenate([_give(piece) for piece in pieces])
    moved = np.zeros((len(give), 2))
    for _ in range(ROUNDS):
        rows, lacking = _rows(pieces, stretches, starts)
        if not len(lacking) or np.abs(lacking).max() < DONE_MM:
            break
        step = np.linalg.lstsq(rows * np.repeat(give, 2), lacking, rcond=1e-9)[0]
        moves = step.reshape(-1, 2) * give[:, None]
        moves = _held(pieces, moved + moves, starts) - moved
        moved += moves
        for piece, start in zip(pieces, starts, strict=False):
            _follow(piece, moves[start : start + len(piece.edges)])
    for stretch in stretches:
        (p, i), (q, j) = stretch.sides
        a, b = pieces[p].edges[i], pieces[q].edges[j]
        _say_mismatch(
            pieces[p], a, (a.length - b.length) - (before[a.seam, 0] - before[a.seam, 1]), pieces[q]
        )


def _stretches(
    pieces: list[Piece], altered: set[str], before: dict[tuple[int, int], float]
) -> list[_Stretch]:
    where = {
        (edge.seam, edge.side): (p, i)
        for p, piece in enumerate(pieces)
        for i, edge in enumerate(piece.edges)
        if edge.seam >= 0
    }
    made = []
    for (seam, side), (p, i) in where.items():
        if side != 0 or (seam, 1) not in where:
            continue
        q, j = where[seam, 1]
        a, b = pieces[p].edges[i], pieces[q].edges[j]
        now, then = a.length - b.length, before[seam, 0] - before[seam, 1]
        mend = bool(altered & {a.name, a.line}) or abs(now - then) < TRUED_MM
        made.append(_Stretch(sides=((p, i), (q, j)), wanted=then if mend else now))
    return made


def _give(piece: Piece) -> Array:
    """(n,) how readily the corner at the start of each edge moves."""
    rims = [edge.seam < 0 for edge in piece.edges]
    return np.array([1.0 if rims[i] or rims[i - 1] else 1.0 / STIFF for i in range(len(rims))])


def _rows(
    pieces: list[Piece], stretches: list[_Stretch], starts: NDArray[np.int64]
) -> tuple[Array, Array]:
    """How the difference of every stretch changes with the corners, and by how much it is lacking.

    An edge that follows in proportion to its length changes by its mean direction, chord over
    length, times the difference of its ends' moves.
    """
    rows = np.zeros((len(stretches), 2 * int(starts[-1])))
    lacking = np.zeros(len(stretches))
    for k, stretch in enumerate(stretches):
        lacking[k] = stretch.wanted
        for (p, i), sign in zip(stretch.sides, (1.0, -1.0), strict=True):
            edge, n = pieces[p].edges[i], len(pieces[p].edges)
            mean = (edge.points[-1] - edge.points[0]) / max(edge.length, 1e-300)
            for corner, way in ((i, -sign), ((i + 1) % n, sign)):
                at = 2 * (int(starts[p]) + corner)
                rows[k, at : at + 2] += way * mean
            lacking[k] -= sign * edge.length
    return rows, lacking


def _held(pieces: list[Piece], moves: Array, starts: NDArray[np.int64]) -> Array:
    """The moves of all corners, none longer than a share of the edges that end there."""
    held = moves.copy()
    for piece, start in zip(pieces, starts, strict=False):
        lengths = np.array([edge.length for edge in piece.edges])
        most = MOST_SHARE * np.minimum(lengths, np.roll(lengths, 1))
        own = held[start : start + len(lengths)]
        size = np.linalg.norm(own, axis=1)
        own *= np.minimum(1.0, most / np.maximum(size, 1e-300))[:, None]
    return held


def _follow(piece: Piece, moves: Array) -> None:
    """Moves the corners (n, 2) and lets the edges between them follow."""
    if not moves.any():
        return
    n = len(piece.edges)
    for i, edge in enumerate(piece.edges):
        first, last = moves[i], moves[(i + 1) % n]
        if not (first.any() or last.any()):
            continue
        share = np.linalg.norm(np.diff(edge.points, axis=0), axis=1).cumsum()
        share = np.concatenate([[0.0], share / max(share[-1], 1e-300)])[:, None]
        edge.points = edge.points + (1.0 - share) * first + share * last
    for i in range(n):  # neighbours share their end points exactly
        piece.edges[i].points[-1] = piece.edges[(i + 1) % n].points[0]


def _say_mismatch(piece: Piece, edge: Edge, excess: float, other: Piece) -> None:
    if abs(excess) < NOTED_MM:
        return
    long, short = (piece, other) if excess > 0.0 else (other, piece)
    long.notes.append(
        f"after the alterations '{edge.name}' is {abs(excess):.1f} mm longer here than on"
        f" {short.name}: ease it in, or alter what it meets there too"
    )
