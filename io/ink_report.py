"""What was read off the pen, as text for a person and as data for a program."""

from typing import Any

import numpy as np

from flatten.records.ink import InkReading


def _place(at: Any) -> list[float]:
    return [round(float(x), 6) for x in at]


def ink_data(reading: InkReading) -> dict[str, Any]:
    """The reading for --json; places are in the scan file's own numbers."""
    return {
        "inks": [
            {
                "colour": ink.colour,
                "kind": ink.kind,
                "length_mm": round(ink.length_mm, 1),
                "share_pct": round(100.0 * ink.share, 2),
            }
            for ink in reading.inks
        ],
        "lines": [
            {
                "name": line.name,
                "kind": line.kind,
                "ink": line.ink,
                "closed": line.closed,
                "points": len(line.points),
            }
            for line in reading.lines
        ],
        "match_marks": [
            {"line": m.line, "at": _place(m.at), "count": m.count} for m in reading.marks
        ],
        "writing": [
            {"what": w.what, "at": _place(w.at), "size_mm": round(w.size_mm, 1), "ink": w.ink}
            for w in reading.writing
        ],
        "doubts": [
            {"what": d.what, "said": d.said, "line": d.line, "at": _place(d.at)}
            for d in reading.doubts
        ],
        "notes": list(reading.notes),
    }


def ink_text(reading: InkReading) -> str:
    """The reading as lines to read."""

    def near(at: Any) -> str:
        return "near (" + ", ".join(f"{x:.4g}" for x in np.asarray(at)) + ")"

    lines = [
        f"ink {ink.colour}: {ink.length_mm:.0f} mm, {100 * ink.share:.1f} % of the surface,"
        f" taken for {ink.kind}"
        for ink in reading.inks
    ]
    lines += [
        f"  {line.kind} '{line.name}'" + (", closed" if line.closed else "")
        for line in reading.lines
    ]
    lines += [f"match mark ({m.count}) on '{m.line}' {near(m.at)}" for m in reading.marks]
    lines += [f"taken for writing: {w.what} {near(w.at)}" for w in reading.writing]
    # Numbered as on the picture.
    lines += [f"to check {n}: {d.said} {near(d.at)}" for n, d in enumerate(reading.doubts, start=1)]
    return "\n".join((*lines, *reading.notes))
