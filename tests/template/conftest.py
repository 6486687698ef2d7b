"""Flat sets of developable forms, made by hand."""

from collections.abc import Callable
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.spatial import Delaunay
from shapely import contains_xy
from shapely.geometry import Polygon

from flatten.records.cast import Cast
from flatten.records.flat import Flat, FlatSet
from flatten.records.material import Allowance, Material, Ply, same
from flatten.records.panels import BorderRun, Panel, PanelMark, PanelSet, Seam, SeamSide


def material(family: str = "cloth", *, t: float = 1.0, **allowance: float) -> Material:
    return Material(
        name=f"test {family}",
        family=family,  # type: ignore[arg-type]
        thickness_mm=t,
        stretch_pct=same(5.0),
        squeeze_pct=same(5.0),
        bevel=family == "foam",
        allowance_mm=Allowance(**({"butt": 0.0, "seam": 10.0, "rim": 0.0} | allowance)),
    )


def ply(**changes: object) -> Ply:
    return Ply(**({"name": "base", "material": "test", "stock": "sheet"} | changes))  # type: ignore[arg-type]


def divided(corners: np.ndarray, step: float) -> tuple[np.ndarray, list[int]]:
    """A closed polygon with every edge divided to about `step`, and where its corners are."""
    points, at = [], []
    for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        at.append(len(points))
        n = max(1, round(float(np.linalg.norm(b - a)) / step))
        points += [a + (b - a) * i / n for i in range(n)]
    return np.array(points), at


def flat_panel(
    ring: np.ndarray,
    at: list[int],
    *,
    name: str = "front",
    names: list[str] | None = None,
    lift: Callable[[np.ndarray], np.ndarray] | None = None,
    marks: tuple[PanelMark, ...] = (),
) -> tuple[Panel, Flat]:
    """A panel whose border is `ring`, with a corner at each index in `at`, all edges rims."""
    low, high = ring.min(axis=0), ring.max(axis=0)
    step = max(float((high - low).max()) / 12.0, 1e-3)
    grid = np.stack(
        np.meshgrid(
            *[np.arange(lo + step / 2, hi, step) for lo, hi in zip(low, high, strict=True)]
        ),
        axis=-1,
    ).reshape(-1, 2)
    region = Polygon(ring).buffer(-step / 3)
    grid = grid[contains_xy(region, grid[:, 0], grid[:, 1])] if not region.is_empty else grid[:0]
    U = np.vstack([ring, grid])
    tri = Delaunay(U).simplices
    middle = U[tri].mean(axis=1)
    tri = tri[contains_xy(Polygon(ring), middle[:, 0], middle[:, 1])]
    d = U[tri[:, 1:]] - U[tri[:, :1]]
    area = d[:, 0, 0] * d[:, 1, 1] - d[:, 0, 1] * d[:, 1, 0]
    tri = np.where(area[:, None] < 0, tri[:, ::-1], tri)
    tri = tri[np.abs(area) > 1e-9]
    V = lift(U) if lift else np.column_stack([U, np.zeros(len(U))])
    N = np.zeros_like(V)
    N[:, 2] = 1.0
    n = len(ring)
    border = tuple(
        BorderRun(
            vertices=np.arange(a, b + 1) % n,
            seam=-1,
            side=0,
            name=names[i] if names else f"edge {i + 1}",
        )
        for i, (a, b) in enumerate(zip(at, [*at[1:], at[0] + n], strict=True))
    )
    panel = Panel(
        name=name,
        V=V,
        F=tri,
        N=N,
        cast_vertex=np.arange(len(V)),
        border=border,
        marks=marks,
    )
    return panel, Flat(U=U)


def join(
    panels: list[tuple[Panel, Flat]],
    seams: list[dict[str, object]],
    mat: Material | None = None,
) -> FlatSet:
    """Panels and seams as a flat set.

    Each seam: a=(panel, run), b=(panel, run), and what a Seam takes. The seam runs with a's
    border; b's border runs against it.
    """
    borders = [list(p.border) for p, _ in panels]
    made = []
    for index, given in enumerate(seams):
        given = dict(given)
        (pa, ra), (pb, rb) = given.pop("a"), given.pop("b")  # type: ignore[misc]
        a, b = borders[pa][ra], borders[pb][rb]
        name = str(given.get("name", f"seam {index + 1}"))
        options = {"line": name, "kind": "seam", "joint": "seam", "fixing": "stitch"} | given
        options["name"] = name
        sides = (
            SeamSide(panel=pa, vertices=a.vertices),
            SeamSide(panel=pb, vertices=b.vertices[::-1]),
        )
        made.append(Seam(sides=sides, **options))  # type: ignore[arg-type]
        for side, (p, r) in enumerate(((pa, ra), (pb, rb))):
            borders[p][r] = BorderRun(
                vertices=borders[p][r].vertices, seam=index, side=side, name=name
            )
    done = tuple(
        Panel(
            name=p.name, V=p.V, F=p.F, N=p.N, cast_vertex=p.cast_vertex, border=tuple(b),
            marks=p.marks,
        )
        for (p, _), b in zip(panels, borders, strict=True)
    )  # fmt: skip
    V = np.vstack([p.V for p in done])
    N = np.vstack([p.N for p in done])
    F = np.vstack([p.F for p in done])
    cast = Cast(name="test", V=V, F=F, N=N, rims=(), to_cast=np.eye(4))
    panel_set = PanelSet(cast=cast, cut_V=V, cut_N=N, panels=done, seams=tuple(made))
    return FlatSet(
        ply="base",
        material=mat or material(),
        panel_set=panel_set,
        flats=tuple(f for _, f in panels),
    )


def weld(flat_set: FlatSet) -> FlatSet:
    """The same flat set with panel vertices that are joined at seams as copies of one cast vertex."""
    panel_set = flat_set.panel_set
    counts = np.cumsum([0, *(len(p.V) for p in panel_set.panels)])
    parent = np.arange(counts[-1])

    def root(i: int) -> int:
        while parent[i] != i:
            i = int(parent[i])
        return i

    for seam in panel_set.seams:
        a, b = (s.vertices + counts[s.panel] for s in seam.sides)
        for i, j in zip(a.tolist(), b.tolist(), strict=True):
            low, high = sorted((root(i), root(j)))
            parent[high] = low
    copies = np.array([root(i) for i in range(counts[-1])])
    panels = tuple(
        replace(p, cast_vertex=copies[low : low + len(p.V)])
        for p, low in zip(panel_set.panels, counts[:-1], strict=True)
    )
    return replace(flat_set, panel_set=replace(panel_set, panels=panels))


def with_flats(flat_set: FlatSet, flats: list[np.ndarray]) -> FlatSet:
    """The same panels laid flat in another way."""
    return replace(flat_set, flats=tuple(Flat(U=U) for U in flats))


def moved(flat_set: FlatSet, index: int, by: list[float]) -> FlatSet:
    """One panel moved in space, and the cast with it."""
    panels = list(flat_set.panel_set.panels)
    panels[index] = replace(panels[index], V=panels[index].V + by)
    V = np.vstack([p.V for p in panels])
    cast = replace(flat_set.panel_set.cast, V=V)
    return replace(
        flat_set, panel_set=replace(flat_set.panel_set, cast=cast, cut_V=V, panels=tuple(panels))
    )


def rectangle(
    width: float, height: float, *, step: float = 5.0, **more: object
) -> tuple[Panel, Flat]:
    """Edges in order: bottom, right, top, left."""
    corners = np.array([[0, 0], [width, 0], [width, height], [0, height]], dtype=float)
    ring, at = divided(corners, step)
    return flat_panel(ring, at, **more)  # type: ignore[arg-type]


@pytest.fixture(scope="session")
def forms() -> SimpleNamespace:
    return SimpleNamespace(
        material=material,
        ply=ply,
        divided=divided,
        flat_panel=flat_panel,
        join=join,
        weld=weld,
        with_flats=with_flats,
        moved=moved,
        rectangle=rectangle,
    )
