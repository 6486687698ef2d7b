"""The making guide as a section of the report."""

import html
from collections.abc import Sequence

from flatten.io.guide_rows import (
    CHECK_HEAD,
    CHECK_WORDS,
    STEP_HEAD,
    check_rows,
    ply_words,
    stages,
    step_row,
)
from flatten.records.guide import Guide


def guide_section(guide: Guide) -> str:
    """Making order and tape checks; nothing where there are no plies."""
    if not guide.plies:
        return ""
    parts = ["<h2>Making order</h2>"]
    if guide.checks:
        parts.append(f"<p>{html.escape(CHECK_WORDS)}</p>")
        parts.append(_table(CHECK_HEAD, check_rows(guide), 3))
    for ply in guide.plies:
        parts.append(f"<h3>{html.escape(ply_words(ply))}</h3>")
        number = 0
        for stage, steps in stages(ply):
            parts.append(f"<p><b>{html.escape(stage)}</b></p>")
            rows = [step_row(number + i, step) for i, step in enumerate(steps, start=1)]
            number += len(steps)
            parts.append(_table(STEP_HEAD, rows, 3))
    return "".join(parts)


def _table(head: Sequence[str], rows: Sequence[Sequence[str]], numbers_from: int) -> str:
    """A table whose columns from `numbers_from` on stand to the right."""

    def cells(row: Sequence[str], tag: str) -> str:
        css = ["" if i < numbers_from else ' class="r"' for i in range(len(row))]
        both = zip(css, row, strict=True)
        return "".join(f"<{tag}{right}>{html.escape(cell)}</{tag}>" for right, cell in both)

    body = "".join(f"<tr>{cells(row, 'td')}</tr>" for row in rows)
    return f"<table><tr>{cells(head, 'th')}</tr>{body}</table>"
