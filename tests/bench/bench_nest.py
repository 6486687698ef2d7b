"""Lay plans measured by hand: `python tests/bench/bench_nest.py [seconds_180 seconds_free seeds]`.

The 30 fixed templates are one suit as this tool wrote it for one foam (breastplate, back, greaves,
thigh pieces, bracers and hand plates at their scale, facings), on a strip 1,000 mm wide with a gap of
3 mm and no margin: by iterations, by the clock with turns of 180 degrees (wanted: 80 % in 20 s), by
the clock turned freely (wanted: 82.5 % in 60 s), medians over seeds, each against a plain bottom-left
packer in the same run (wanted: 1.15 times). Utilisation is the report's: the area within the net
lines over width times length used. Processor seconds are shown beside the clock's, since a busy
machine gives a search by the clock less of them. Then a hide with flaws filled until nothing more
fits (wanted: 70 %). Gap and overlap are read from the written DXF with ezdxf and shapely.
"""

import json
import os
import statistics
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import ezdxf
import numpy as np
import shapely
from ezdxf.disassemble import recursive_decompose
from shapely.geometry import Polygon

from flatten.drawing.compose import compose
from flatten.io.dxf import write_dxf
from flatten.nest.ground import ground_of
from flatten.nest.pieces import shapes_of
from flatten.nest.place import lay_out
from flatten.nest.search import run_fill, step_for, tables
from flatten.records.bundled import bundled_material
from flatten.records.effort import Effort
from flatten.records.material import Stock
from flatten.records.template import LayPlan, Template, TemplateSet

FIXED = Path(__file__).with_name("templates_30.json")
FREE = replace(bundled_material("eva-foam-5-formed"), kerf_mm=0.0)
ALONG = replace(FREE, grain="along", grain_tol_deg=0.0)
STRIP = Stock(name="strip", kind="roll", width_mm=1000.0, gap_mm=3.0, margin_mm=0.0)


def fixed_templates() -> tuple[Template, ...]:
    return tuple(
        Template(
            name=entry["name"],
            ply="base",
            panel=entry["name"],
            net=(),
            cut=np.array(entry["outline"]),
            grain_deg=0.0,
        )
        for entry in json.loads(FIXED.read_text(encoding="utf-8"))
    )


def template_set(templates, material):
    return TemplateSet(
        templates=tuple(templates),
        notes=(),
        flat_set=SimpleNamespace(material=material, ply="bench"),
    )


def bottom_left(templates, material) -> float:
    """Length of a plain bottom-left-fill: largest first, as drawn."""
    shapes = [s for i, t in enumerate(templates) for s in shapes_of(t, i, STRIP, material)]
    shapes = [replace(s, angles=(0.0,)) for s in shapes]
    ground = ground_of(STRIP, material)
    t = tables(shapes, list(range(len(shapes))), ground, step_for(shapes, ground) / 4.0)
    order = np.argsort([-s.true.area for s in shapes]).astype(np.int64)
    _, score = run_fill(t, order, np.full(len(shapes), -1, np.int64))
    return float(score[2])


def least_gap(plan: LayPlan, stock: Stock) -> tuple[float, float]:
    """Smallest distance and largest overlap (mm²) of the cut lines in the written DXF."""
    near, over = np.inf, 0.0
    with tempfile.TemporaryDirectory() as folder:
        for number, drawing in enumerate(compose(plan, stock)):
            path = Path(folder) / f"{number}.dxf"
            write_dxf(drawing, path)
            doc = ezdxf.readfile(path)
            cuts = [
                Polygon([p[:2] for p in e.get_points()])
                for e in recursive_decompose(doc.modelspace())
                if e.dxftype() == "LWPOLYLINE" and e.dxf.layer == "CUT"
            ]
            for i, a in enumerate(cuts):
                for b in cuts[:i]:
                    near = min(near, a.distance(b))
                    over = max(over, a.intersection(b).area)
    return near, over


def strip(material, effort: Effort) -> tuple[float, LayPlan, str]:
    start, used = time.perf_counter(), sum(os.times()[:4])
    plan = lay_out(template_set(fixed_templates(), material), STRIP, material, effort)
    assert not plan.unplaced
    took = f"{time.perf_counter() - start:.1f} s, {sum(os.times()[:4]) - used:.1f} of processors"
    return plan.usage.yield_pct, plan, took


def hide_stock() -> Stock:
    """A hide of about 1.6 m², belly and shanks waved, with three flaws."""
    t = np.linspace(0.0, 2.0 * np.pi, 120, endpoint=False)
    r = 1.0 + 0.08 * np.cos(4 * t) + 0.05 * np.sin(3 * t) + 0.03 * np.cos(9 * t)
    outline = np.column_stack([850.0 + 820.0 * r * np.cos(t), 650.0 + 600.0 * r * np.sin(t)])
    u = np.linspace(0.0, 2.0 * np.pi, 16, endpoint=False)
    ring = np.column_stack([np.cos(u), np.sin(u)])
    flaws = tuple(
        ring * size + at for size, at in ((25, (500, 500)), (15, (1100, 800)), (40, (900, 300)))
    )
    return Stock(
        name="hide", kind="hide", outline=outline, holes=flaws, count=1, gap_mm=3.0, margin_mm=5.0
    )


def filled_hide(effort: Effort) -> tuple[float, LayPlan]:
    """The fixed templates over and over, largest first, until none of them fits any more."""
    material = bundled_material("veg-tan-3.5-wet")
    plan = lay_out(template_set(fixed_templates() * 2, material), hide_stock(), material, effort)
    return plan.usage.yield_pct, plan


def main() -> None:
    given = [int(a) for a in sys.argv[1:]]
    short, long, seeds = (given + [20, 60, 5][len(given) :])[:3]
    print(f"shapely {shapely.__version__}, 30 templates, strip 1000 mm, gap 3 mm")
    area = sum(Polygon(t.cut).area for t in fixed_templates())
    baseline = {}
    for name, material in (("180°", ALONG), ("free", FREE)):
        length = bottom_left(fixed_templates(), material)
        baseline[name] = area / (10.0 * length)
        print(f"{name}: bottom-left, largest first, as drawn: {baseline[name]:.2f} %")
        pct, plan, took = strip(material, Effort())
        near, over = least_gap(plan, STRIP)
        print(f"{name}: by iterations {pct:.2f} %, {took}, gap {near:.4f}, overlap {over:.4f}")
    for name, material, seconds in (("180°", ALONG, short), ("free", FREE, long)):
        got = []
        for seed in range(seeds):
            pct, plan, took = strip(material, Effort(seconds=seconds, seed=seed))
            near, over = least_gap(plan, STRIP)
            got.append(pct)
            print(
                f"{name}, {seconds} s, seed {seed}: {pct:.2f} %, {took}, gap {near:.4f},"
                f" overlap {over:.4f}",
                flush=True,
            )
        middle = statistics.median(got)
        print(f"{name}: median {middle:.2f} %, {middle / baseline[name]:.3f} x bottom-left")
    pct, plan = filled_hide(Effort())
    near, over = least_gap(plan, hide_stock())
    print(f"hide: {pct:.2f} %, {len(plan.placements)} laid, gap {near:.4f}, overlap {over:.4f}")


if __name__ == "__main__":
    main()
