"""Reads synthetic scans, and those of a folder, and prints how well and how fast.

    python tests/bench/bench_ink.py [FOLDER] [NAME...]

FOLDER holds pairs `x.ply` or `x.glb` and `x.truth.json` (lines in the scan's own numbers); NAMEs
choose among the synthetic ones ("chance 7" is one drawn by chance). Bars: found 99.5 %, false 0.5 %,
median 0.40 mm (texture 0.35), 95th percentile 0.80 (0.70); under stress 97 %, 3 % and 0.5 mm.
"""

import json
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "ink"))

from ink_bodies import Stroke
from ink_cases import BENCH, drawn
from ink_score import score
from ink_varied import varied

from flatten.ink.read import read_ink
from flatten.io.formats import read_scan

INKS = {"black": (28, 28, 30), "red": (150, 30, 34)}


def _peak_mb():
    """Most memory since it was last set back: drawing a texture takes more than reading it does."""
    status = Path("/proc/self/status").read_text()
    return int(status.split("VmHWM:")[1].split()[0]) / 1024


def report(name, scan, strokes, to_mm):
    Path("/proc/self/clear_refs").write_text("5")  # sets the peak back
    start = time.perf_counter()
    reading = read_ink(scan)
    took = time.perf_counter() - start
    peak = _peak_mb()
    found = score(reading.lines, strokes, to_mm, reading.marks)
    print(f"{name:18s} {len(scan.F):7d} faces {took:5.1f} s {peak:5.0f} MB  {found}", flush=True)


def from_folder(folder: Path):
    for truth in sorted(folder.glob("*.truth.json")):
        data = json.loads(truth.read_text())
        scan = read_scan(truth.parent / data["scan"], data["units"])
        strokes = [
            Stroke(
                name=x["name"],
                points=np.array(x["points"]),
                ink=INKS[x["ink"]],
                closed=x["closed"],
                kind="seam" if x["ink"] == "black" else "detail",
            )
            for x in data["lines"]
        ]
        report(data["scan"][:18], scan, strokes, {"m": 1000.0, "mm": 1.0}[data["units"]])


def main():
    words = sys.argv[1:]
    if words and Path(words[0]).is_dir():
        from_folder(Path(words.pop(0)))
    for name in words or [*BENCH, *(f"chance {seed}" for seed in range(12))]:
        if name.startswith("chance "):
            one = varied(int(name.split()[1]))
            report(name, one.scan, one.strokes, one.to_mm)
            continue
        for seed in (0, 1):
            one = drawn(name, seed)
            report(name, one.scan, one.strokes, one.to_mm)


if __name__ == "__main__":
    main()
