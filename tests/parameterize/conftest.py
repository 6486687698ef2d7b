"""Panels from geometry alone, for the flattening tests."""

from types import SimpleNamespace

import numpy as np
import pytest

from flatten.geometry.primitives import grid_faces
from flatten.geometry.topology import border_loops
from flatten.geometry.triangles import vertex_normals
from flatten.records.cast import Cast
from flatten.records.material import Limit, Material, same
from flatten.records.panels import BorderRun, Panel, PanelSet, Seam, SeamSide


def foam(stretch: float = 10.0, squeeze: float = 6.0) -> Material:
    return Material(
        name="foam", family="foam", thickness_mm=5.0, stretch_pct=same(stretch),
        squeeze_pct=same(squeeze),
    )  # fmt: skip


def cloth(grain: str) -> Material:
    limit = Limit(warp=2.0, weft=2.0, bias=5.0)
    return Material(
        name="cloth", family="cloth", thickness_mm=0.5, stretch_pct=limit, squeeze_pct=limit,
        grain=grain,
    )  # fmt: skip


def panel_of(V, F, name="panel", cast_vertex=None, border=None) -> Panel:
    loop = border_loops(F)[0]
    whole = BorderRun(vertices=np.append(loop, loop[0]), seam=-1, side=0, name="rim")
    return Panel(
        name=name, V=V, F=F, N=vertex_normals(V, F),
        cast_vertex=np.arange(len(V)) if cast_vertex is None else cast_vertex,
        border=border or (whole,),
    )  # fmt: skip


def panels_of(*panels: Panel, seams: tuple[Seam, ...] = ()) -> PanelSet:
    V = np.concatenate([p.V for p in panels])
    N = np.concatenate([p.N for p in panels])
    first = panels[0]
    cast = Cast(name="made", V=first.V, F=first.F, N=first.N, rims=(), to_cast=np.eye(4))
    return PanelSet(cast=cast, cut_V=V, cut_N=N, panels=panels, seams=seams)


def single(V, F) -> PanelSet:
    return panels_of(panel_of(V, F))


def bumpy(half_width: float = 60.0, edge: float = 5.0, seed: int = 1):
    """A rounded, uneven panel: a bulge with a few smooth waves on it, like a hip or a shoulder."""
    rng = np.random.default_rng(seed)
    k = round(2 * half_width / edge) + 1
    s = np.linspace(-half_width, half_width, k)
    y, x = np.meshgrid(s, s, indexing="ij")
    z = -(x**2 + 0.5 * y**2) / 260.0
    for _ in range(4):
        a, b, phase = rng.normal(size=3) * [0.04, 0.04, 3.0]
        z = z + 3.0 * np.sin(a * x + b * y + phase)
    return np.column_stack([x.ravel(), y.ravel(), z.ravel()]), grid_faces(k, k)


def halves(V, F, across: int = 0) -> PanelSet:
    """A grid mesh parted along its middle row of vertices into two panels that share a seam."""
    centre = V[F].mean(axis=1)[:, across]
    parts, maps = [], []
    for sign in (-1, 1):
        mine = F[np.sign(centre) == sign]
        used, inverse = np.unique(mine, return_inverse=True)
        parts.append((V[used], inverse.reshape(-1, 3)))
        maps.append({int(v): i for i, v in enumerate(used)})
    shared = sorted(set(maps[0]) & set(maps[1]), key=lambda v: V[v, 1 - across])
    sides = tuple(
        SeamSide(panel=i, vertices=np.array([maps[i][v] for v in shared])) for i in (0, 1)
    )
    # Up the seam the lower half (negative x) lies on the left.
    seam = Seam(line="middle", name="middle", kind="seam", joint="butt", fixing="glue", sides=sides)
    panels = [panel_of(*mesh, name=name) for mesh, name in zip(parts, ("a", "b"), strict=True)]
    return panels_of(*panels, seams=(seam,))


@pytest.fixture(scope="session")
def make() -> SimpleNamespace:
    """The makers above, for test modules, which cannot import this file."""
    return SimpleNamespace(
        foam=foam, cloth=cloth, panel=panel_of, panels=panels_of, single=single, bumpy=bumpy,
        halves=halves,
    )  # fmt: skip
