"""Flattening beside igl's LSCM and 20 iterations of SLIM: quality, and paired times.

    python tests/bench/bench_flatten.py [CAST.ply SEAMS.json]...

Beside each panel's peak stands the least that any flat of it could have: the panel alone, without
partner edges, lengths, fair outlines or the mean to keep. Then the casts are laid flat in a woven
cloth, its grain upright and free. Without arguments only the analytic shapes are run. Casts are
binary PLY in mm; seams are JSON as `{"seams": [{"name", "points", "closed"}]}`. Times are processor
seconds and wall seconds, medians over pairs in one run; the first run of each compiles and does not
count.
"""

import dataclasses
import json
import sys
import time
from pathlib import Path
from unittest import mock

import igl
import numpy as np
import trimesh
from threadpoolctl import threadpool_limits

from flatten.distortion.measure import measure_flats, principal_stretches, strain_of
from flatten.geometry.primitives import spherical_cap
from flatten.geometry.topology import border_half_edges, border_loops
from flatten.geometry.triangles import face_areas, vertex_normals
from flatten.lines.network import join_lines
from flatten.panels.cut import cut_panels
from flatten.parameterize import peak
from flatten.parameterize.flat import flatten_panels
from flatten.parameterize.lscm import conformal_energy, far_pins, lscm
from flatten.records.cast import Cast, Rim
from flatten.records.lines import Line
from flatten.records.material import Limit, Material, same
from flatten.records.panels import BorderRun, Panel, PanelSet

FOAM = Material(
    name="foam", family="foam", thickness_mm=0.0, stretch_pct=same(10.0), squeeze_pct=same(6.0)
)
WOVEN = Limit(warp=2.0, weft=2.0, bias=5.0)
PAIRS = 3


def igl_lscm(V, F, pins, at):
    found = igl.lscm(V, F.astype(np.int64), np.array(pins), at)
    return next(x for x in found if isinstance(x, np.ndarray))


def lscm_slim(V, F, iterations=20):
    pins = far_pins(V, np.unique(border_half_edges(F)))
    U = igl_lscm(V, F, pins, np.array([[0, 0], [np.linalg.norm(V[pins[0]] - V[pins[1]]), 0.0]]))
    _, _, area = principal_stretches(V, F, U)
    surface = face_areas(V, F).sum()
    U = U * np.sqrt(surface / np.abs(area).sum())
    data = igl.slim_precompute(
        np.asfortranarray(V), np.asfortranarray(F, dtype=np.int32), np.asfortranarray(U),
        igl.MappingEnergyType.SYMMETRIC_DIRICHLET, np.zeros(0, np.int32),
        np.zeros((0, 2), order="F"), 0.0,
    )  # fmt: skip
    return np.array(igl.slim_solve(data, iterations)[:, :2])


def timed(job):
    wall, cpu = time.perf_counter(), time.process_time()
    result = job()
    return result, time.perf_counter() - wall, time.process_time() - cpu


def pairs(ours, theirs, count=PAIRS):
    """Median ratio ours / theirs by wall and by processor time, and both median wall times."""
    ours()
    rows = []
    for _ in range(count):
        _, wall, cpu = timed(ours)
        _, other_wall, other_cpu = timed(theirs)
        rows.append((wall / other_wall, cpu / other_cpu, wall, other_wall))
    return np.median(rows, axis=0)


def panel_set(path: Path, seams: Path) -> PanelSet:
    mesh = trimesh.load(path, process=False)
    V, F = np.array(mesh.vertices, dtype=float), np.array(mesh.faces, dtype=np.int64)
    rims = tuple(
        Rim(
            name=f"rim {i}", vertices=loop, length_mm=0.0, smooth_length_mm=0.0, flatness_mm=0.0,
            centre=V[loop].mean(axis=0),
        )
        for i, loop in enumerate(border_loops(F))
    )  # fmt: skip
    cast = Cast(name=path.stem, V=V, F=F, N=vertex_normals(V, F), rims=rims, to_cast=np.eye(4))
    lines = tuple(
        Line(name=s["name"], kind="seam", points=np.array(s["points"]), closed=s["closed"])
        for s in json.loads(seams.read_text(encoding="utf-8"))["seams"]
    )
    return cut_panels(join_lines(cast, lines))


def worst_load(strain) -> float:
    return max(strain.stretch_max_pct / 10.0, strain.squeeze_max_pct / 6.0)


def steps(job) -> int:
    """How many steps of the interior point method a job takes."""
    step = peak.LeastPeak.step
    with mock.patch.object(peak.LeastPeak, "step", autospec=True, side_effect=step) as taken:
        job()
    return taken.call_count


def least(parts: PanelSet) -> list[float]:
    """The least load of the worst face that any flat of each panel can have, within 1 %."""
    alone = [
        dataclasses.replace(
            panel, border=tuple(dataclasses.replace(run, seam=-1) for run in panel.border)
        )
        for panel in parts.panels
    ]
    alone = dataclasses.replace(parts, panels=tuple(alone), seams=())
    with mock.patch.multiple(peak, MEAN=0.01, FAIRNESS=0.01, EVEN=0.0, PRICE=1e-6, GAP=0.01):
        return [worst_load(s) for s in measure_flats(flatten_panels(alone, FOAM, ply="base"))]


def bench_cloth(parts: PanelSet) -> None:
    found = []
    for grain in ("along", "free"):
        cloth = dataclasses.replace(
            FOAM, family="cloth", stretch_pct=WOVEN, squeeze_pct=WOVEN, grain=grain
        )
        flats, _, cpu = timed(lambda cloth=cloth: flatten_panels(parts, cloth, ply="base"))
        found.append(np.array([s.load_peak for s in measure_flats(flats)]))
    turned = [flat.grain_deg - 90.0 for flat in flats.flats]
    print(f"  woven, grain upright: load {found[0].round(2)}; free: turned {np.round(turned)}°,"
          f" beside upright {(found[1] / found[0]).round(3)}, {cpu:.1f} s of processor")  # fmt: skip


def bench_cast(name: str, parts: PanelSet) -> list[tuple[float, float]]:
    def ours():
        return flatten_panels(parts, FOAM, ply="base")

    def theirs():
        return [lscm_slim(panel.V, panel.F) for panel in parts.panels]

    wall, cpu, here, there = pairs(ours, theirs)
    faces = sum(len(panel.F) for panel in parts.panels)
    print(f"{name}: {faces} faces, {steps(ours)} steps, {here:.2f} s beside {there:.2f} s;"
          f" ratio {wall:.2f} wall, {cpu:.2f} processor")  # fmt: skip
    flats, slim = ours(), theirs()
    ratios = []
    rows = zip(parts.panels, measure_flats(flats), slim, least(parts), strict=True)
    for panel, strain, U, floor in rows:
        other = strain_of(panel.V, panel.F, U, material=FOAM)
        ratios.append((worst_load(strain) / worst_load(other), strain.load_peak / other.load_peak))
        print(f"  {panel.name}: face {ratios[-1][0]:.3f}, disc {ratios[-1][1]:.3f},"
              f" least face {floor / worst_load(other):.3f},"
              f" load {strain.load_peak:.2f}, flips {strain.flipped_faces}")  # fmt: skip
    whole, along = 0.0, 0.0
    for seam in parts.seams:
        a, b = (
            np.linalg.norm(np.diff(flats.flats[s.panel].U[s.vertices], axis=0), axis=1)
            for s in seam.sides
        )
        whole = max(whole, abs(float((a - b).sum())))
        along = max(along, float(np.abs(np.cumsum(a - b)).max()))
    print(f"  seams: whole {whole:.1e} mm, worst along {along:.1e} mm")
    bench_cloth(parts)
    return ratios


def bench_cap() -> None:
    V, F = spherical_cap(100.0, np.pi / 3, rings=58)
    loop = border_loops(F)[0]
    N = vertex_normals(V, F)
    run = BorderRun(vertices=np.append(loop, loop[0]), seam=-1, side=0, name="rim")
    panel = Panel(name="cap", V=V, F=F, N=N, cast_vertex=np.arange(len(V)), border=(run,))
    cast = Cast(name="cap", V=V, F=F, N=N, rims=(), to_cast=np.eye(4))
    parts = PanelSet(cast=cast, cut_V=V, cut_N=N, panels=(panel,), seams=())
    flats, wall, _ = timed(lambda: flatten_panels(parts, FOAM, ply="base"))
    s1, s2, _ = principal_stretches(V, F, flats.flats[0].U)
    print(f"cap of 60°, {len(F)} faces: max s1 / min s2 {s1.max() / s2.min():.4f}"
          f" (Milnor's bound 1.2092), {wall:.2f} s")  # fmt: skip


def bench_conformal() -> None:
    for rings in (92, 183):
        V, F = spherical_cap(100.0, 1.5, rings=rings)
        pins = far_pins(V, np.unique(border_half_edges(F)))
        U = lscm(V, F, pins)
        assert U is not None
        at = U[list(pins)]
        wall, cpu, here, there = pairs(
            lambda V=V, F=F, pins=pins: lscm(V, F, pins),
            lambda V=V, F=F, pins=pins, at=at: igl_lscm(V, F, pins, at),
            count=9,
        )
        energy = conformal_energy(V, F, U) / conformal_energy(V, F, igl_lscm(V, F, pins, at))
        print(f"conformal, {len(F)} faces: {1 / wall:.1f} times igl's speed by wall,"
              f" {1 / cpu:.1f} by processor ({here:.2f} s, {there:.2f} s);"
              f" energy ratio {energy:.6f}")  # fmt: skip


def main(arguments: list[str]) -> None:
    bench_cap()
    # As `flatten_panels` runs it: a second BLAS thread only burns time when the machine is busy.
    with threadpool_limits(limits=1, user_api="blas"):
        bench_conformal()
    ratios = []
    for cast, seams in zip(arguments[::2], arguments[1::2], strict=True):
        ratios += bench_cast(Path(seams).stem, panel_set(Path(cast), Path(seams)))
    if ratios:
        face, disc = np.array(ratios).T
        print(f"peaks beside LSCM + SLIM 20: face median {np.median(face):.3f}, worst"
              f" {face.max():.3f}; disc median {np.median(disc):.3f}, worst {disc.max():.3f}")  # fmt: skip


if __name__ == "__main__":
    main(sys.argv[1:])
