"""Time and memory of every stage, scan to templates: python tests/bench/bench_stages.py [FACES...].

The scan is the bundled torso, refined to about FACES faces with 0.3 mm of noise; each size runs in a
process of its own, once to compile and once to be measured. CPU seconds count both cores.
"""

import resource
import subprocess
import sys
import time
from dataclasses import replace

import numpy as np

from flatten.cli import demo_jobs
from flatten.io.formats import read_scan
from flatten.io.jobs import read_job
from flatten.pipeline import STAGES, Clock, clean_scan, run_job
from flatten.records.scan import Scan

SIZES = (40_000, 200_000, 1_000_000)


def finer(V, F):
    """Every face in four: vertices, faces."""
    edges = np.sort(np.concatenate([F[:, [0, 1]], F[:, [1, 2]], F[:, [2, 0]]]), axis=1)
    unique, inverse = np.unique(edges, axis=0, return_inverse=True)
    a, b, c = (len(V) + inverse.reshape(3, -1)).astype(np.int32)
    i, j, k = F.T
    parts = [(i, a, c), (a, j, b), (c, b, k), (a, b, c)]
    return np.concatenate([V, V[unique].mean(axis=1)]), np.concatenate(
        [np.column_stack(p) for p in parts]
    )


def dense(scan: Scan, faces: int) -> Scan:
    """The scan with at least 0.8 `faces` faces, and noise."""
    V, F = np.array(scan.V), np.array(scan.F)
    while len(F) < 0.8 * faces:
        most = int(np.ceil((faces - len(F)) / 3))
        if most >= len(F):
            V, F = finer(V, F)
        else:
            # Splitting at the centre keeps the rest as it is, so any number of faces can be had.
            chosen = F[np.linspace(0, len(F) - 1, most).astype(int)]
            rest = np.delete(F, np.linspace(0, len(F) - 1, most).astype(int), axis=0)
            centre = np.arange(len(V), len(V) + len(chosen), dtype=np.int32)
            i, j, k = chosen.T
            V = np.concatenate([V, V[chosen].mean(axis=1)])
            F = np.concatenate(
                [
                    rest,
                    *(np.column_stack(p) for p in ((i, j, centre), (j, k, centre), (k, i, centre))),
                ]
            )
    noise = np.random.default_rng(0).normal(0.0, 0.3 / np.sqrt(3), V.shape)
    return replace(scan, V=V + noise, F=F, colors=None)


def measure(faces: int) -> None:
    job = read_job(next(p for p in demo_jobs() if "breastplate" in p.name))
    job = replace(job, plies=job.plies[:1])
    scan = read_scan(job.scan.file)
    for path in (scan, dense(scan, faces)):
        clock = Clock(lambda stage, done: None)
        wall, cpu = time.perf_counter(), time.process_time()
        cast = clean_scan(job, path, clock)
        run_job(job, path, cast, (), clock)
        wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    stages = "  ".join(f"{s} {clock.seconds[s]:.2f}" for s in STAGES)
    print(
        f"{len(path.F):>9} faces: {stages}  all {wall:.2f} s, {cpu:.2f} CPU s, peak {peak:.2f} GB",
        flush=True,
    )


if __name__ == "__main__":
    if sys.argv[1:2] == ["--one"]:
        measure(int(sys.argv[2]))
    else:
        for size in [int(a) for a in sys.argv[1:]] or SIZES:
            subprocess.run([sys.executable, __file__, "--one", str(size)], check=True)
