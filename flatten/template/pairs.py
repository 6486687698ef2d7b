"""Panels that are each other's mirror image."""

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import svd

from flatten.geometry.curves import arc_length, at_lengths
from flatten.template.piece import Piece, ring

Array = NDArray[np.float64]

PLACES = 128


def mirror_pairs(pieces: list[Piece], sides: list[str], tolerance: float) -> list[tuple[int, int]]:
    """Pairs (left, right) of pieces whose net lines are mirror images within `tolerance` mm.

    sides : "left", "right" or "" of every piece on the wearer; only a left and a right one pair
    """
    found: list[tuple[int, int]] = []
    taken: set[int] = set()
    rings = [ring(piece.edges) for piece in pieces]
    for i, side in enumerate(sides):
        if side != "left":
            continue
        best: tuple[float, int] | None = None
        for j, other in enumerate(sides):
            if other != "right" or j in taken or pieces[j].role != pieces[i].role:
                continue
            if abs(pieces[i].net.area - pieces[j].net.area) > tolerance * pieces[i].net.length:
                continue
            away = mirror_distance(rings[i], pieces[j], tolerance)
            if away <= tolerance and (best is None or away < best[0]):
                best = (away, j)
        if best is not None:
            taken.add(best[1])
            found.append((i, best[1]))
    return found


def mirror_distance(outline: Array, other: Piece, tolerance: float) -> float:
    """Largest distance, mm, between an outline mirrored and laid on another piece's net line.

    The starts tried on the other outline are its corners; the lengths round must agree.
    """
    # Walked backwards, the mirrored outline still begins at the image of its first corner.
    mirrored = np.roll((outline * [-1.0, 1.0])[::-1], 1, axis=0)
    target = ring(other.edges)
    if abs(_round(mirrored)[1] - _round(target)[1]) > 4.0 * tolerance:
        return np.inf
    P = _places(mirrored, 0.0)
    starts = arc_length(target)[_corner_indices(other)]
    best = np.inf
    for start in starts:
        Q = _places(target, float(start))
        p, q = P - P.mean(axis=0), Q - Q.mean(axis=0)
        u, _, vt = svd(p.T @ q)
        turn = u @ np.diag([1.0, np.sign(np.linalg.det(u @ vt))]) @ vt
        best = min(best, float(np.linalg.norm(p @ turn - q, axis=1).max()))
    return best


def _corner_indices(piece: Piece) -> NDArray[np.int64]:
    counts = [len(edge.points) - 1 for edge in piece.edges]
    return np.cumsum([0, *counts[:-1]])


def _round(outline: Array) -> tuple[Array, float]:
    closed = np.vstack([outline, outline[:1]])
    return closed, float(arc_length(closed)[-1])


def _places(outline: Array, start: float) -> Array:
    """Evenly spaced places round a closed outline from a length along it."""
    closed, total = _round(outline)
    return at_lengths(closed, (start + total * np.arange(PLACES) / PLACES) % total)
