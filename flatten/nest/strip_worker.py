"""The strip packer in a process of its own, so that it can be ended at any moment.

Reads one line of JSON from stdin: `height`, `seed`, `seconds`, `threads` and `items`, each an outline
and its allowed turns (null for any). Writes one line for every arrangement it comes to: whether it
is free of overlaps, and (turn, x, y) of every item. Ends when stdin is closed.
"""

import json
import os
import signal
import sys
import threading

POLL_S = 0.02


def main() -> None:
    import spyrrow

    signal.signal(signal.SIGINT, signal.SIG_IGN)  # whoever started it decides
    asked = json.loads(sys.stdin.readline())
    items = [
        spyrrow.Item(str(i), [(x, y) for x, y in outline], 1, turns)
        for i, (outline, turns) in enumerate(asked["items"])
    ]
    instance = spyrrow.StripPackingInstance("strip", asked["height"], items)
    config = spyrrow.StripPackingConfig(
        early_termination=False,
        total_computation_time=None,
        exploration_time=asked["seconds"],
        compression_time=1,
        num_workers=asked["threads"],
        seed=asked["seed"],
    )
    reports = spyrrow.ProgressQueue()
    solver = threading.Thread(target=instance.solve, args=(config, reports), daemon=True)
    solver.start()
    threading.Thread(target=_end_with_stdin, daemon=True).start()
    while True:
        running = solver.is_alive()
        for kind, found in reports.drain():
            lies: list[tuple[float, float, float]] = [(0.0, 0.0, 0.0)] * len(items)
            for item in found.placed_items:
                lies[int(item.id)] = (item.rotation, *item.translation)
            clear = kind not in (spyrrow.ReportType.ExplInfeas, spyrrow.ReportType.ExplImproving)
            sys.stdout.write(json.dumps([clear, lies]) + "\n")
        sys.stdout.flush()
        if not running:
            break
        solver.join(POLL_S)


def _end_with_stdin() -> None:
    sys.stdin.read()
    os._exit(0)


if __name__ == "__main__":
    main()
