"""Time and memory of every stage from scan to cast. Run by hand:

    python tests/bench/bench_prepare.py [FACES ...]

Default 40000 200000 1000000 faces. The scan is a noisy body of formulas; compile time is kept out by
a small run before. Processor seconds are of all threads; memory is the process's peak.
"""

import resource
import sys
import time
from itertools import pairwise
from pathlib import Path

import numpy as np

from flatten.records.job import ScanSpec
from flatten.records.scan import Scan
from flatten.scan.prepare import prepare


def body(faces: int, rng: np.random.Generator) -> Scan:
    """A torso-sized tube of about as many faces, with a phone's noise and two holes."""
    columns = int(np.sqrt(faces * 900 / 450 / 2))
    rows = faces // (2 * columns) + 1
    s = np.linspace(0, 1, rows)[:, None]
    angle = 2 * np.pi * np.arange(columns)[None] / columns
    wide = 150 - 25 * np.exp(-(((s - 0.3) / 0.2) ** 2)) + 15 * s
    bulge = 40 * np.exp(-(((s - 0.7) / 0.15) ** 2) - (np.abs(np.sin(angle)) - 0.5) ** 2 / 0.05)
    x = wide * np.sin(angle)
    z = 0.65 * wide * np.cos(angle) + bulge * (np.cos(angle) > 0) * np.cos(angle)
    V = np.stack(np.broadcast_arrays(x, 450 * s, z), -1).reshape(-1, 3)
    # Smooth noise of a few millimetres' reach: plane waves of random directions; and white noise.
    smooth = np.zeros(len(V))
    for _ in range(60):
        k = rng.normal(size=3)
        smooth += np.cos(V @ (k * 0.4 / np.linalg.norm(k)) + rng.uniform(0, 2 * np.pi))
    out = V * [1, 0, 1] / np.maximum(np.linalg.norm(V * [1, 0, 1], axis=1), 1)[:, None]
    V += (0.38 * smooth / smooth.std() + 0.13 * rng.standard_normal(len(V)))[:, None] * out
    i, j = np.arange(rows - 1)[:, None] * columns, np.arange(columns)[None]
    a, b = i + j, i + (j + 1) % columns
    F = np.stack([a, b, b + columns, a, b + columns, a + columns], -1).reshape(-1, 3)
    centre = V[F].mean(axis=1)
    for at in ((150.0, 200, 0), (0, 120, 95)):
        F, centre = (x[np.linalg.norm(centre - at, axis=1) > 14] for x in (F, centre))
    return Scan(name=f"{faces} faces", V=V, F=F.astype(np.int32), unit="mm")


def run(faces: int) -> None:
    scan = body(faces, np.random.default_rng(0))
    marks: list[tuple[str, float, float]] = []

    def begin(name: str) -> None:
        marks.append((name, time.perf_counter(), time.process_time()))

    cast = prepare(scan, ScanSpec(file=Path("bench.ply"), tape_mm=1.5), begin)
    begin("end")
    print(f"{len(scan.F):,} faces -> {len(cast.F):,}")
    for (name, t, c), (_, t2, c2) in pairwise(marks):
        print(f"  {name:10s} {t2 - t:7.2f} s   {c2 - c:7.2f} s of processor")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    whole, used = marks[-1][1] - marks[0][1], marks[-1][2] - marks[0][2]
    print(f"  {'all':10s} {whole:7.2f} s   {used:7.2f} s of processor, peak {peak:.2f} GB")


if __name__ == "__main__":
    prepare(body(20_000, np.random.default_rng(1)), ScanSpec(file=Path("bench.ply"), tape_mm=1.5))
    for count in [int(a) for a in sys.argv[1:]] or [40_000, 200_000, 1_000_000]:
        run(count)
