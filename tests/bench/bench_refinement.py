"""Flattening at several edge lengths, all judged on the finest mesh: has the working one converged?

    python tests/bench/bench_refinement.py CAST SEAMS.json [CAST SEAMS.json]...

Casts are in mm, seams JSON as `{"seams": [{"name", "points", "closed"}]}`. The cast is prepared, cut
and flattened at each edge length; every flat is then carried over to the finest mesh of the same
panel (nearest point of the coarser panel, the flat going on smoothly in its face). Shown for each
panel: the load of the worst disc there (and on the mesh it was solved on), and how far the outline
lies from the finest one once laid on it without scaling, mean and largest, mm; beside it how far
the panels' borders lie apart on the cast, before any flattening.
"""

import json
import sys
from pathlib import Path

import numpy as np
import shapely

from flatten.distortion.measure import strain_of
from flatten.geometry.boxtree import box_tree, nearest_points
from flatten.geometry.topology import border_loops
from flatten.io.formats import read_scan
from flatten.lines.network import join_lines
from flatten.panels.cut import cut_panels
from flatten.parameterize.flat import flatten_panels
from flatten.records.flat import FlatSet
from flatten.records.job import ScanSpec
from flatten.records.lines import Line
from flatten.records.material import Material, same
from flatten.scan.prepare import prepare

EDGES = (3.0, 5.0, 7.0, 10.0)
STEP_MM = 0.5  # between places where outlines are compared
FOAM = Material(
    name="foam", family="foam", thickness_mm=0.0, stretch_pct=same(10.0), squeeze_pct=same(6.0)
)


def solve(path: Path, lines: tuple[Line, ...], edge_mm: float) -> FlatSet:
    spec = ScanSpec(
        file=path, unit="mm", up=(0.0, 1.0, 0.0), front=(0.0, 0.0, 1.0), edge_mm=edge_mm
    )
    cast = prepare(read_scan(path, "mm"), spec)
    return flatten_panels(cut_panels(join_lines(cast, lines)), FOAM, ply="base")


def vertex_slopes(V, F, U):
    """(n, 2, 3) derivative of the flat position along the panel at its vertices: means over faces."""
    e1, e2 = V[F[:, 1]] - V[F[:, 0]], V[F[:, 2]] - V[F[:, 0]]
    normal = np.cross(e1, e2)
    twice = np.linalg.norm(normal, axis=1)[:, None]
    unit = normal / twice
    # The dual basis of e1 and e2 in the face's plane.
    d1, d2 = np.cross(e2, unit) / twice, np.cross(unit, e1) / twice
    u1, u2 = U[F[:, 1]] - U[F[:, 0]], U[F[:, 2]] - U[F[:, 0]]
    J = u1[:, :, None] * d1[:, None] + u2[:, :, None] * d2[:, None]
    total, area = np.zeros((len(V), 2, 3)), np.zeros(len(V))
    for corner in F.T:
        np.add.at(total, corner, J * twice[:, :, None])
        np.add.at(area, corner, twice[:, 0])
    return total / area[:, None, None]


def carried(V, F, U, P):
    """(k, 2) flat positions of points P (k, 3) near the panel V, F with the flat U.

    The flat goes on smoothly between the vertices: for a map of second order the mean of
    U_i + J_i (p - V_i) / 2 over a face's corners, with their barycentric weights, is exact (Taylor's
    theorem). A point beyond the border goes on with the face it is nearest to.
    """
    _, face = nearest_points(box_tree(V, F), P)
    a, b, c = (V[F[face, i]] for i in range(3))
    u, v, w = b - a, c - a, P - a
    uu, uv, vv = (np.einsum("ij,ij->i", *x) for x in ((u, u), (u, v), (v, v)))
    wu, wv = np.einsum("ij,ij->i", w, u), np.einsum("ij,ij->i", w, v)
    whole = np.maximum(uu * vv - uv * uv, 1e-300)
    s, t = (vv * wu - uv * wv) / whole, (uu * wv - uv * wu) / whole
    J = vertex_slopes(V, F, U)
    return sum(
        weight[:, None]
        * (U[F[face, i]] + 0.5 * np.einsum("ijk,ik->ij", J[F[face, i]], P - V[F[face, i]]))
        for i, weight in enumerate((1.0 - s - t, s, t))
    )


def laid_on(P, Q):
    """The turn (2, 2) and shift (2,) that bring points P (k, 2) nearest to points Q (k, 2)."""
    p, q = P.mean(axis=0), Q.mean(axis=0)
    left, _, right = np.linalg.svd((P - p).T @ (Q - q))
    turn = left @ np.diag([1.0, np.linalg.det(left @ right)]) @ right
    return turn, q - p @ turn


def outline(F, U):
    return shapely.LinearRing(U[border_loops(F)[0]])


def places(ring):
    return shapely.get_coordinates(shapely.segmentize(ring, STEP_MM))


def apart(ring, other):
    """(k,) distances, mm, between two outlines, seen from places along each of them."""
    here, there = shapely.points(places(ring)), shapely.points(places(other))
    return np.concatenate([shapely.distance(here, other), shapely.distance(there, ring)])


def outline_difference(F, U, fine_F, fine_U, fine_carried):
    """(k,) distances, mm, of the outline of U from the finest one, once laid on it."""
    loop = border_loops(fine_F)[0]
    target = outline(fine_F, fine_U)
    turn, shift = laid_on(fine_carried[loop], fine_U[loop])
    U = U @ turn + shift
    for _ in range(30):
        P = places(outline(F, U))
        near = shapely.line_interpolate_point(
            target, shapely.line_locate_point(target, shapely.points(P))
        )
        turn, shift = laid_on(P, shapely.get_coordinates(near))
        U = U @ turn + shift
    return apart(outline(F, U), target)


def border_difference(panel, fine):
    """(k,) distances, mm, of the finest panel's border vertices from the other panel's border."""
    A = panel.V[border_loops(panel.F)[0]]
    B, P = np.roll(A, -1, axis=0) - A, fine.V[border_loops(fine.F)[0]]
    off = P[:, None] - A
    t = np.clip((off * B).sum(axis=2) / np.maximum((B * B).sum(axis=1), 1e-12), 0.0, 1.0)
    return np.linalg.norm(off - t[:, :, None] * B, axis=2).min(axis=1)


def study(path: Path, lines: tuple[Line, ...]) -> None:
    sets = {edge: solve(path, lines, edge) for edge in EDGES}
    finest = sets[EDGES[0]]
    fine = {p.name: (p, f.U) for p, f in zip(finest.panel_set.panels, finest.flats, strict=True)}
    best = {name: strain_of(p.V, p.F, U, material=FOAM).load_peak for name, (p, U) in fine.items()}
    for edge, flats in sets.items():
        rows = []
        for panel, flat in zip(flats.panel_set.panels, flats.flats, strict=True):
            mesh, U = fine[panel.name]
            V = carried(panel.V, panel.F, flat.U, mesh.V)
            strain = strain_of(mesh.V, mesh.F, V, material=FOAM)
            own = strain_of(panel.V, panel.F, flat.U, material=FOAM).load_peak
            off = outline_difference(panel.F, flat.U, mesh.F, U, V)
            border = border_difference(panel, mesh)
            rows.append(
                [strain.load_peak / best[panel.name], off.mean(), off.max(), border.mean(),
                 border.max()]
            )  # fmt: skip
            print(f"  {edge:g} mm {panel.name:32s} load {strain.load_peak:.3f} (on its own mesh"
                  f" {own:.3f}, finest"
                  f" {best[panel.name]:.3f}), outline {off.mean():.2f} / {off.max():.2f} mm,"
                  f" border on the cast {border.mean():.2f} / {border.max():.2f} mm")  # fmt: skip
        load, mean, most, border, border_most = np.array(rows).T
        print(f"{path.stem} at {edge:g} mm: load beside the finest median {np.median(load):.3f},"
              f" worst {load.max():.3f}; outline mean {mean.mean():.2f}, worst {most.max():.2f} mm;"
              f" border on the cast {border.mean():.2f}, {border_most.max():.2f} mm",
              flush=True)  # fmt: skip


def main(arguments: list[str]) -> None:
    for cast, seams in zip(arguments[::2], arguments[1::2], strict=True):
        drawn = json.loads(Path(seams).read_text(encoding="utf-8"))["seams"]
        lines = tuple(
            Line(name=s["name"], kind="seam", points=np.array(s["points"]), closed=s["closed"])
            for s in drawn
        )
        study(Path(cast), lines)


if __name__ == "__main__":
    main(sys.argv[1:])
