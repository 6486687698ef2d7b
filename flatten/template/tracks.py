"""Places along a seam that both of its sides share, so that marks and holes lie on each other."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from flatten.records.panels import Seam
from flatten.template.piece import Edge, Piece

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False, kw_only=True)
class Track:
    """The two edges of a seam, addressed by one number from 0 to 1 in the seam's direction."""

    seam: int
    pieces: tuple[Piece, Piece]
    edges: tuple[int, int]
    common: Array | None = None  # the number at each border vertex where the seam is eased

    def edge(self, side: int) -> Edge:
        return self.pieces[side].edges[self.edges[side]]

    @property
    def length(self) -> float:
        """Mean length of the two sides, mm."""
        return 0.5 * (self.edge(0).length + self.edge(1).length)

    def on_edge(self, side: int, u: Array | float) -> Array:
        """(n,) lengths along the edge, in the edge's own direction.

        The same share of the length on both sides; on an eased seam the same place on the body.
        """
        edge = self.edge(side)
        share = np.atleast_1d(np.asarray(u, dtype=np.float64))
        if self.common is not None:
            own = edge.vertex_at if edge.with_seam else 1.0 - edge.vertex_at[::-1]
            share = np.interp(share, self.common, own)
        return (share if edge.with_seam else 1.0 - share) * edge.length


def tracks(pieces: list[Piece], seams: tuple[Seam, ...]) -> list[Track]:
    """A track for every seam whose two sides are both among the pieces."""
    where = {
        (edge.seam, edge.side): (piece, i)
        for piece in pieces
        for i, edge in enumerate(piece.edges)
        if edge.seam >= 0
    }
    found = []
    for index, seam in enumerate(seams):
        if (index, 0) not in where or (index, 1) not in where:
            continue
        (p0, e0), (p1, e1) = where[index, 0], where[index, 1]
        common = None
        if seam.ease is not None:
            both = [
                e.vertex_at if e.with_seam else 1.0 - e.vertex_at[::-1]
                for e in (p0.edges[e0], p1.edges[e1])
            ]
            common = 0.5 * (both[0] + both[1])
        found.append(Track(seam=index, pieces=(p0, p1), edges=(e0, e1), common=common))
    return found
