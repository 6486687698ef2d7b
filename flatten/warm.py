"""Compiles the later stages in a second process while the first one cleans the scan.

Only a first run compiles: the results are kept beside the modules or where NUMBA_CACHE_DIR says.
Run as a module it puts a small tube through cutting, offset, flattening, templates and lay plan.
"""

import subprocess
import sys
from pathlib import Path

import numpy as np

from flatten.geometry.topology import border_loops
from flatten.geometry.triangles import vertex_normals
from flatten.records.cast import Cast, Rim
from flatten.records.lines import Line, LineNetwork, Node, SurfacePath

COLUMNS, ROWS, PITCH_MM = 24, 10, 6.0


def compiled_before() -> bool:
    """True if the cutting loops have been compiled and kept by an earlier run."""
    from flatten.geometry import quality

    kept = quality._collapse_short.stats.cache_path
    return any(Path(kept).glob("quality._collapse_short-*.nbi")) if kept else True


def warm_aside() -> subprocess.Popen[bytes] | None:
    """Starts the second process if this is a first run; it ends by itself and says nothing."""
    if compiled_before():
        return None
    return subprocess.Popen(
        [sys.executable, "-m", "flatten.warm"],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )


def tube() -> LineNetwork:
    """A short tube with two seams along columns of its grid."""
    j, i = np.divmod(np.arange(COLUMNS * (ROWS + 1)), COLUMNS)
    angle = 2 * np.pi * i / COLUMNS
    radius = COLUMNS * PITCH_MM / (2 * np.pi) * (1.0 + 0.1 * np.sin(np.pi * j / ROWS))
    V = np.column_stack([radius * np.sin(angle), PITCH_MM * j, radius * np.cos(angle)])
    j, i = np.divmod(np.arange(COLUMNS * ROWS), COLUMNS)
    a, b = j * COLUMNS + i, j * COLUMNS + (i + 1) % COLUMNS
    F = np.concatenate(
        [np.column_stack([a, b, b + COLUMNS]), np.column_stack([a, b + COLUMNS, a + COLUMNS])]
    ).astype(np.int32)
    rims = tuple(
        Rim(
            name="upper" if V[loop, 1].mean() > PITCH_MM else "lower",
            vertices=loop.astype(np.int32),
            length_mm=COLUMNS * PITCH_MM,
            smooth_length_mm=COLUMNS * PITCH_MM,
            flatness_mm=0.0,
            centre=V[loop].mean(axis=0),
        )
        for loop in border_loops(F)
    )
    cast = Cast(
        name="tube",
        V=V,
        F=F,
        N=vertex_normals(V, F),
        rims=rims,
        to_cast=np.eye(4),
        edge_mm=PITCH_MM,
    )
    lines, paths, nodes = [], [], []
    for name, column in (("left", 6), ("right", 18)):
        vertices = np.arange(ROWS + 1) * COLUMNS + column
        # Face a of the cell at each row holds its lower vertex first and its upper one in face b.
        cells = np.minimum(np.arange(ROWS + 1), ROWS - 1) * COLUMNS + column
        face = cells + COLUMNS * ROWS
        bary = np.tile([1.0, 0.0, 0.0], (ROWS + 1, 1))
        bary[-1] = [0.0, 0.0, 1.0]
        points = V[vertices]
        lines.append(Line(name=name, kind="seam", points=points))
        ends = []
        for k, rim in ((0, "lower"), (-1, "upper")):
            index = next(r for r, x in enumerate(rims) if x.name == rim)
            ends.append(len(nodes))
            nodes.append(
                Node(
                    kind="rim",
                    point=points[k],
                    face=int(face[k]),
                    bary=bary[k],
                    rim=index,
                    lines=(name,),
                )
            )
        paths.append(
            SurfacePath(
                line=name,
                kind="seam",
                stretch=0,
                face=face,
                bary=bary,
                points=points,
                segment_face=face[:-1],
                start=ends[0],
                end=ends[1],
            )
        )
    return LineNetwork(cast=cast, lines=tuple(lines), paths=tuple(paths), nodes=tuple(nodes))


def later_stages() -> None:
    """Puts the tube through every stage after the lines, so that each is compiled."""
    from flatten.distortion.measure import measure_strain
    from flatten.nest.place import lay_out
    from flatten.panels.cut import cut_panels
    from flatten.panels.offset import offset_panels
    from flatten.parameterize.flat import flatten_panels
    from flatten.records.bundled import MATERIALS, STOCKS
    from flatten.records.effort import Effort
    from flatten.records.material import Ply
    from flatten.template.build import build_templates
    from flatten.template.spec import TemplateSpec

    material = next(m for m in MATERIALS if m.name == "eva-foam-5-formed")
    stock = next(s for s in STOCKS if s.name == "foam-sheet")
    panel_set = offset_panels(cut_panels(tube()), 2.5)
    flat_set = flatten_panels(panel_set, material, ply="base")
    for panel, flat in zip(panel_set.panels, flat_set.flats, strict=True):
        measure_strain(panel, flat, material)
    ply = Ply(name="base", material=material.name, stock=stock.name)
    templates = build_templates(flat_set, ply, TemplateSpec())
    lay_out(templates, stock, material, Effort(iterations=4))


if __name__ == "__main__":
    later_stages()
