"""The making guide as rows of words, which the page and the PDF both show."""

from flatten.records.guide import Guide, GuidePly, GuideStep

Row = tuple[str, ...]
STEP_HEAD: Row = ("", "what", "how", "mm", "notches", "holes", "bevel")
CHECK_HEAD: Row = ("panel", "from", "to", "wrap mm", "paper and piece mm")
CHECK_WORDS = (
    "Measure before you cut: over the wrap with the tape lying on it the shortest way, then straight"
    " on the paper and on the flat piece. The figures differ by the tape, the ease, the thickness and"
    " the strain; what you measure should agree with its own column within 3 mm."
)


def stages(ply: GuidePly) -> list[tuple[str, list[GuideStep]]]:
    """The steps under their headings, both in order."""
    found: list[tuple[str, list[GuideStep]]] = []
    for step in ply.steps:
        if not found or found[-1][0] != step.stage:
            found.append((step.stage, []))
        found[-1][1].append(step)
    return found


def ply_words(ply: GuidePly) -> str:
    """A ply's heading."""
    return f"{ply.name}, {ply.material}" + (f", over {ply.over}" if ply.over else "")


def step_row(number: int, step: GuideStep) -> Row:
    """One step, its panels beside it where they are not its name."""
    what = step.what
    if step.pieces and step.pieces != (step.what,):
        what += f" ({' / '.join(step.pieces)})"
    return (
        str(number),
        what,
        step.how,
        "" if step.length_mm is None else f"{step.length_mm:.0f}",
        str(step.notches or ""),
        str(step.holes or ""),
        step.bevel,
    )


def check_rows(guide: Guide) -> list[Row]:
    """The distances to measure."""
    return [
        (c.panel, c.start, c.end, f"{c.wrap_mm:.0f}", f"{c.piece_mm:.0f}") for c in guide.checks
    ]
