"""How alike the panels are that two sets of lines cut the same cast into."""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import linear_sum_assignment
from scipy.spatial import cKDTree

from flatten.completion import complete_lines
from flatten.geometry.triangles import face_areas
from flatten.lines.network import join_lines
from flatten.panels.cut import cut_panels
from flatten.records.bundled import DEFAULT_PLY
from flatten.records.lines import Line

ASIDE = ("writing", "tick")  # drawn, but no lines


@dataclass(frozen=True)
class Alike:
    """counts : panels from either set; share : of the cast's area that lies in the same panel,
    panels matched one to one by the area that they share; added : lines that were missing for
    disks, on either side
    """

    counts: tuple[int, int]
    share: float
    added: tuple[int, int]

    def __str__(self):
        return f"panels {self.counts} alike {100 * self.share:.2f} % added {self.added}"


def drawn_lines(strokes):
    """The strokes that are lines, as a job would give them."""
    return tuple(
        Line(name=s.name, kind=s.kind, points=s.points, closed=s.closed)
        for s in strokes
        if s.kind not in ASIDE
    )


def _labels(cast, lines):
    """The panel that each face of the cast lies in (-1 where it was trimmed away)."""
    network = join_lines(cast, lines)
    done = complete_lines(cast, lines, network, (DEFAULT_PLY,))
    panels = cut_panels(done.network).panels
    middles = [p.V[p.F].mean(axis=1) for p in panels]
    owner = np.repeat(np.arange(len(panels)), [len(m) for m in middles])
    apart, near = cKDTree(np.concatenate(middles)).query(cast.V[cast.F].mean(axis=1))
    return np.where(apart < 2 * cast.edge_mm, owner[near], -1), len(panels), len(done.notes)


def panels_alike(cast, found, truth):
    """Compares the panels cut along lines that were read with those along the lines as drawn."""
    a, m, more_a = _labels(cast, found)
    b, n, more_b = _labels(cast, truth)
    area = face_areas(cast.V, cast.F)
    shared = np.zeros((m + 1, n + 1))
    np.add.at(shared, (a, b), area)
    row, col = linear_sum_assignment(-shared[:m, :n])
    same = shared[row, col].sum() + shared[m, n]
    return Alike(counts=(m, n), share=float(same / area.sum()), added=(more_a, more_b))
