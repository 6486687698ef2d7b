"""Line networks on grid meshes, drawn in grid coordinates: one unit is one column or row."""

from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
import pytest

from flatten.geometry.topology import border_loops
from flatten.geometry.triangles import vertex_normals
from flatten.records.cast import Cast, Rim
from flatten.records.lines import Line, LineNetwork, Node, SurfacePath


@dataclass
class GridShape:
    """A grid of `columns` x `rows` cells mapped to space; `wrap` joins its left and right edges.

    `place(u, v)` gives (..., 3) points; u runs counterclockwise seen from outside, v upwards.
    """

    columns: int
    rows: int
    place: Callable
    wrap: bool = True
    rim_names: tuple[str, ...] = ("lower", "upper")
    drawn: list = field(default_factory=list)

    def vertex(self, i, j):
        stride = self.columns if self.wrap else self.columns + 1
        return j * stride + (np.asarray(i) % self.columns if self.wrap else np.asarray(i))

    def mesh(self):
        stride = self.columns if self.wrap else self.columns + 1
        j, i = np.meshgrid(np.arange(self.rows + 1), np.arange(stride), indexing="ij")
        V = self.place(i.ravel().astype(float), j.ravel().astype(float))
        j, i = (x.ravel() for x in np.meshgrid(
            np.arange(self.rows), np.arange(self.columns), indexing="ij"
        ))  # fmt: skip
        a, b = self.vertex(i, j), self.vertex(i + 1, j)
        c, d = self.vertex(i + 1, j + 1), self.vertex(i, j + 1)
        F = np.stack([np.column_stack([a, b, c]), np.column_stack([a, c, d])], axis=1)
        return V, F.reshape(-1, 3).astype(np.int32)

    def draw(self, name, points, kind="seam", **more):
        """Adds a line through grid points; one that ends where it began, once round, is closed."""
        self.drawn.append((name, kind, np.asarray(points, dtype=float), more))
        return self

    def cast(self):
        V, F = self.mesh()
        rims = []
        for loop in border_loops(F):
            low = V[loop, 1].mean() < V[:, 1].mean()
            named = self.rim_names[0 if low else 1] if self.wrap else "edge"
            rims.append(Rim(
                name=named, vertices=loop, length_mm=0.0, smooth_length_mm=0.0, flatness_mm=0.0,
                centre=V[loop].mean(axis=0),
            ))  # fmt: skip
        return Cast(
            name="grid", V=V, F=F, N=vertex_normals(V, F), rims=tuple(rims), to_cast=np.eye(4)
        )

    def network(self):
        cast = self.cast()
        cuts = self._crossings()
        nodes, paths, place_of = [], [], {}

        def node(uv, name):
            u = uv[0] % self.columns if self.wrap else uv[0]
            for key, index in place_of.items():
                du = abs(key[0] - u)
                du = min(du, self.columns - du) if self.wrap else du
                if du + abs(key[1] - uv[1]) < 1e-7:
                    old = nodes[index]
                    names = tuple(dict.fromkeys((*old.lines, name)))
                    kind = "rim" if old.kind == "rim" else "junction"
                    nodes[index] = Node(
                        kind=kind, point=old.point, face=old.face, bary=old.bary, lines=names
                    )
                    return index
            on_rim = min(uv[1], self.rows - uv[1]) < 1e-9 or (
                not self.wrap and min(uv[0], self.columns - uv[0]) < 1e-9
            )
            face, bary = self._locate(uv, uv)
            point = bary @ cast.V[cast.F[face]]
            nodes.append(Node(
                kind="rim" if on_rim else "inside", point=point, face=face, bary=bary, lines=(name,)
            ))  # fmt: skip
            place_of[(u, uv[1])] = len(nodes) - 1
            return len(nodes) - 1

        lines = []
        for index, (name, kind, uv, more) in enumerate(self.drawn):
            closed = self._is_closed(uv)
            lines.append(Line(name=name, kind=kind, points=np.zeros((2, 3)), closed=closed, **more))
            pieces = self._split(uv, sorted(cuts[index]), closed)
            for stretch, piece in enumerate(pieces):
                free = closed and not cuts[index]
                face, bary, seg = self._trace(piece, free)
                points = np.einsum("ki,kij->kj", bary, cast.V[cast.F[face]])
                paths.append(SurfacePath(
                    line=name, kind=kind, stretch=stretch, face=face, bary=bary, points=points,
                    segment_face=seg, closed=free,
                    start=-1 if free else node(piece[0], name),
                    end=-1 if free else node(piece[-1], name),
                ))  # fmt: skip
        return LineNetwork(cast=cast, lines=tuple(lines), paths=tuple(paths), nodes=tuple(nodes))

    def _is_closed(self, uv):
        gap = uv[-1] - uv[0]
        if abs(gap[1]) > 1e-9:
            return False
        return abs(gap[0]) < 1e-9 or (self.wrap and abs(abs(gap[0]) - self.columns) < 1e-9)

    def _crossings(self):
        """For each line, where others meet it, as segment number + share of the segment."""
        cuts = [set() for _ in self.drawn]
        shifts = (-self.columns, 0, self.columns) if self.wrap else (0,)
        for i, (_, _, p, _) in enumerate(self.drawn):
            for k, (_, _, q, _) in enumerate(self.drawn):
                if k <= i:
                    continue
                for shift in shifts:
                    for x, (a, b) in enumerate(pairwise(p)):
                        for y, (c, d) in enumerate(pairwise(q + [shift, 0.0])):
                            m = np.column_stack([b - a, c - d])
                            if abs(np.linalg.det(m)) < 1e-12:
                                continue
                            s, t = np.linalg.solve(m, c - a)
                            if -1e-9 <= s <= 1 + 1e-9 and -1e-9 <= t <= 1 + 1e-9:
                                cuts[i].add(round(x + s, 9))
                                cuts[k].add(round(y + t, 9))
        return cuts

    @staticmethod
    def _at(uv, s):
        k = min(int(s), len(uv) - 2)
        return uv[k] + (s - k) * (uv[k + 1] - uv[k])

    def _split(self, uv, cuts, closed):
        last = len(uv) - 1
        if closed and cuts:
            # A crossing at a bend is met twice, rounded to either side.
            cuts = sorted({c % last for c in cuts})
            cuts = [
                c for n, c in enumerate(cuts) if (c - cuts[n - 1]) % last > 1e-8 or len(cuts) < 2
            ]
            span = uv[-1] - uv[0]
            uv = np.concatenate([uv, uv[1:] + span])
            bounds = [*cuts, cuts[0] + last]
        else:
            bounds = sorted({0.0, float(last), *cuts})
            bounds = [b for n, b in enumerate(bounds) if n == 0 or b - bounds[n - 1] > 1e-8]
        pieces = []
        for a, b in pairwise(bounds):
            inner = [k for k in range(len(uv)) if a + 1e-8 < k < b - 1e-8]
            pieces.append(np.array([self._at(uv, a), *[uv[k] for k in inner], self._at(uv, b)]))
        return pieces

    def _locate(self, p, q):
        """Face that holds the middle of p and q, and the barycentric place of p in it."""
        middle = 0.5 * (np.asarray(p) + q)
        i = int(np.floor(middle[0]))
        j = int(np.clip(np.floor(middle[1]), 0, self.rows - 1))
        if not self.wrap:
            i = int(np.clip(i, 0, self.columns - 1))
        lower = middle[0] - i >= middle[1] - j
        face = 2 * (j * self.columns + (i % self.columns)) + (0 if lower else 1)
        x, y = p[0] - i, p[1] - j
        bary = np.array([1 - x, x - y, y] if lower else [1 - y, x, y - x])
        bary[np.abs(bary) < 1e-10] = 0.0
        return face, bary / bary.sum()

    def _trace(self, uv, closed):
        stops = [np.asarray(uv[0], dtype=float)]
        for a, b in pairwise(uv):
            t = [1.0]
            for start, step in ((a[0], b[0] - a[0]), (a[1], b[1] - a[1]),
                                (a[0] - a[1], b[0] - a[0] - b[1] + a[1])):  # fmt: skip
                if abs(step) > 1e-12:
                    low, high = sorted((start, start + step))
                    t += [(k - start) / step for k in range(int(np.ceil(low)), int(high) + 1)]
            for s in sorted(t):
                p = a + s * (b - a)
                if 0 < s <= 1 and np.abs(p - stops[-1]).max() > 1e-9:
                    stops.append(p)
        seg, face, bary = [], [], []
        for p, q in pairwise(stops):
            f, w = self._locate(p, q)
            seg.append(f)
            face.append(f)
            bary.append(w)
        if not closed:
            f, w = self._locate(stops[-1], stops[-2])
            face.append(f)
            bary.append(w)
        return np.array(face, np.int32), np.array(bary), np.array(seg, np.int32)


def cylinder_place(radius, columns, pitch):
    def place(u, v):
        angle = 2 * np.pi * np.asarray(u) / columns
        return np.stack([radius * np.sin(angle), pitch * np.asarray(v), radius * np.cos(angle)], -1)

    return place


@pytest.fixture(scope="session")
def tube():
    """A builder of upright cylinders of cells about 5 mm wide: tube(columns, rows)."""

    def build(columns=48, rows=30, pitch=5.0):
        radius = columns * 5.0 / (2 * np.pi)
        return GridShape(columns, rows, cylinder_place(radius, columns, pitch))

    return build


@pytest.fixture(scope="session")
def sheet():
    """A builder of gently bent sheets, seen from the front: sheet(columns, rows)."""

    def build(columns=30, rows=30, bend=200.0):
        def place(u, v):
            x, y = 5.0 * (np.asarray(u) - columns / 2), 5.0 * (np.asarray(v) - rows / 2)
            return np.stack([x, y, bend - (x * x + y * y) / (2 * bend)], -1)

        return GridShape(columns, rows, place, wrap=False)

    return build


@pytest.fixture(scope="session")
def grid_shape():
    """The class itself, for shapes of another kind."""
    return GridShape
