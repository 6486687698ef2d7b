"""Writes guide.pdf: tape checks, making order ply by ply, notes and cautions, on A4."""

from collections.abc import Sequence
from pathlib import Path
from xml.sax.saxutils import escape

from reportlab.lib.colors import HexColor
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable, Paragraph, SimpleDocTemplate, Spacer, Table, TableStyle

from flatten.errors import CannotWrite
from flatten.io.changes_rows import CHANGE_HEAD, change_rows, change_words
from flatten.io.guide_rows import (
    CHECK_HEAD,
    CHECK_WORDS,
    STEP_HEAD,
    check_rows,
    ply_words,
    stages,
    step_row,
)
from flatten.io.pdf_ink import POINTS_PER_MM
from flatten.records.guide import GuidePly
from flatten.records.outcome import Outcome

_INK, _RULE = HexColor("#1f2430"), HexColor("#c9c3b4")
_BODY = ParagraphStyle("body", fontName="Helvetica", fontSize=9, leading=12, textColor=_INK)
_SMALL = ParagraphStyle("small", parent=_BODY, fontSize=8, leading=10.5)
_TITLE = ParagraphStyle("title", parent=_BODY, fontSize=17, leading=21, spaceAfter=2)
_HEAD = ParagraphStyle(
    "head", parent=_BODY, fontName="Helvetica-Bold", fontSize=12, leading=15, spaceBefore=12,
    spaceAfter=4, keepWithNext=1,
)  # fmt: skip
_STAGE = ParagraphStyle(
    "stage", parent=_BODY, fontName="Helvetica-Bold", spaceBefore=7, spaceAfter=2, keepWithNext=1
)
_LINES = TableStyle(
    [
        ("LINEBELOW", (0, 0), (-1, -1), 0.3, _RULE),
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LEFTPADDING", (0, 0), (-1, -1), 2),
        ("RIGHTPADDING", (0, 0), (-1, -1), 4),
        ("TOPPADDING", (0, 0), (-1, -1), 2),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 2),
    ]
)
# Column widths, mm; with the margins they fill the width of A4.
_STEP_MM = (8, 44, 56, 12, 15, 12, 31)
_CHECK_MM = (26, 52, 52, 20, 28)
_CHANGE_MM = (58, 18, 102)
_MARGIN_MM = 16.0


def write_guide(outcome: Outcome, path: str | Path) -> None:
    """Writes the guide of a run. The same run always gives the same bytes.

    Raises
    ------
    CannotWrite : the file cannot be written
    """
    job, guide = outcome.job, outcome.guide
    margin = _MARGIN_MM * POINTS_PER_MM
    try:
        document = SimpleDocTemplate(
            str(path),
            pagesize=A4,
            leftMargin=margin,
            rightMargin=margin,
            topMargin=margin,
            bottomMargin=margin,
            title=f"{job.title}: making guide",
            invariant=1,
        )
        facts = (
            f"for {job.wearer}" if job.wearer else "",
            f"revision {job.revision}",
            job.date or "",
        )
        story: list[Flowable] = [
            _says(f"{job.title}: making guide", _TITLE),
            _says(", ".join(fact for fact in facts if fact), _BODY),
        ]
        if change_words(outcome):
            story += [_says("What has changed", _HEAD), _says(change_words(outcome), _BODY)]
            story += [Spacer(1, 4), _table(CHANGE_HEAD, change_rows(outcome), _CHANGE_MM)]
        if guide.checks:
            story += [_says("Distances to check", _HEAD), _says(CHECK_WORDS, _BODY), Spacer(1, 4)]
            story.append(_table(CHECK_HEAD, check_rows(guide), _CHECK_MM))
        for ply in guide.plies:
            story += _ply(ply)
        for head, sentences in (("Notes", outcome.notes), ("Cautions", outcome.cautions)):
            if sentences:
                story.append(_says(head, _HEAD))
                story += [_says(f"- {sentence}", _SMALL) for sentence in sentences]
        document.build(story, onFirstPage=_foot, onLaterPages=_foot)
    except OSError as error:
        raise CannotWrite(f"{path}: {error.strerror or error}") from None


def _ply(ply: GuidePly) -> list[Flowable]:
    story: list[Flowable] = [_says(f"Ply {ply_words(ply)}", _HEAD)]
    number = 0
    for stage, steps in stages(ply):
        story.append(_says(stage, _STAGE))
        rows = [step_row(number + i, step) for i, step in enumerate(steps, start=1)]
        number += len(steps)
        story.append(_table(STEP_HEAD, rows, _STEP_MM))
    return story


def _table(head: Sequence[str], rows: Sequence[Sequence[str]], widths_mm: Sequence[float]) -> Table:
    cells = [[_says(cell, _SMALL) for cell in row] for row in (head, *rows)]
    table = Table(cells, colWidths=[w * POINTS_PER_MM for w in widths_mm], repeatRows=1)
    table.hAlign = "LEFT"
    table.setStyle(_LINES)
    return table


def _says(text: str, style: ParagraphStyle) -> Paragraph:
    """Text in the page's own font; what it lacks is shown as a question mark."""
    return Paragraph(escape(text.encode("cp1252", "replace").decode("cp1252")), style)


def _foot(canvas: Canvas, document: SimpleDocTemplate) -> None:
    canvas.setFont("Helvetica", 8)
    canvas.drawRightString(
        A4[0] - _MARGIN_MM * POINTS_PER_MM, 8 * POINTS_PER_MM, f"page {document.page}"
    )
