"""The report's part on stock: lay plans, what to buy, ways out, handwork, materials compared."""

import html
from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from flatten.geometry.placing import stroked
from flatten.records.drawing import Polyline
from flatten.records.outcome import PlyOutcome
from flatten.records.template import LayPlan, Placement, Template

PICTURE_PX = 460.0
MOST_PICTURES = 12
PIECE = "#e7dcc2"


def esc(text: object) -> str:
    return html.escape(str(text))


def bullets(items: Iterable[str]) -> str:
    inner = "".join(f"<li>{esc(i)}</li>" for i in items)
    return f"<ul>{inner}</ul>" if inner else ""


def stock_section(outcome: PlyOutcome) -> str:
    """What the ply takes of its stock, where the pieces lie, what does not fit and what to do."""
    plan = outcome.lay_plan
    usage = plan.usage
    reasons = [why.split(". Ways out: ")[0] for _, why in plan.unplaced]
    parts = [
        "<h3>Stock</h3>",
        bullets(f"{what}: {how_much}" for what, how_much in usage.buy),
        f"<p>{usage.yield_pct:.0f} % of the stock used lies within net lines, so without allowances;"
        f" {usage.cut_mm / 1000:.1f} m to cut.</p>",
    ]
    if reasons:
        parts.append('<p class="over">These pieces did not fit:</p>')
        parts.append(bullets(reasons))
    if plan.ways:
        parts.append("<p>Ways out, the cheapest first; each has been planned and holds:</p>")
        parts.append(bullets(way_words(way.words, way.minutes) for way in plan.ways))
    if plan.offcuts:
        parts.append(
            f"<p>What is left and worth keeping ({len(plan.offcuts)}) is in offcuts.toml, for the next"
            " job.</p>"
        )
    parts.append(bullets(plan.notes))
    parts += [lay_picture(outcome, sheet) for sheet in range(min(_sheets(plan), MOST_PICTURES))]
    if _sheets(plan) > MOST_PICTURES:
        parts.append(f"<p>{_sheets(plan) - MOST_PICTURES} more sheets are in the drawings.</p>")
    parts.append(handwork_table(outcome))
    parts.append(comparison_table(outcome))
    return "".join(parts)


def _sheets(plan: LayPlan) -> int:
    return len(plan.sheet_sizes) if plan.placements else 0


def way_words(words: str, minutes: float) -> str:
    return words + (f" (about {minutes:.0f} minutes more)" if minutes >= 0.5 else "")


def lay_picture(outcome: PlyOutcome, sheet: int) -> str:
    """One sheet, hide or length of roll, with every piece and its name, x along the stock's length."""
    plan = outcome.lay_plan
    width, length = plan.sheet_sizes[sheet]
    stock = plan.sheet_stocks[sheet] if plan.sheet_stocks else outcome.stock
    ink = outcome.drawings[sheet].ink if sheet < len(outcome.drawings) else ()
    edges = [i for i in ink if isinstance(i, Polyline) and i.layer == "STOCK"]
    low, high = np.zeros(2), np.array([length, width])
    if edges:
        low = np.min([e.points.min(axis=0) for e in edges], axis=0)
        high = np.max([e.points.max(axis=0) for e in edges], axis=0)
    size = np.maximum(high - low, 1.0)
    scale = min(PICTURE_PX * 1.6 / size[0], PICTURE_PX / size[1])
    w, h = (size * scale + 8.0).tolist()

    def at(points: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.column_stack([points[:, 0] - low[0], high[1] - points[:, 1]]) * scale + 4.0

    def line(points: NDArray[np.float64], closed: bool, style: str) -> str:
        places = " ".join(f"{x:.1f},{y:.1f}" for x, y in at(points))
        return f'<poly{"gon" if closed else "line"} points="{places}" {style}/>'

    stock_style = 'fill="none" stroke="#8a8a84" stroke-width="1"'
    parts = [line(e.points, e.closed, stock_style) for e in edges]
    names = []
    for place in (p for p in plan.placements if p.sheet == sheet):
        template = plan.template_set.templates[place.template]
        cut = placed(template, place, template.cut)
        parts.append(line(cut, True, f'fill="{PIECE}" stroke="#1c1a17" stroke-width="0.8"'))
        for ring in template.inner:
            parts.append(line(placed(template, place, ring), True, 'fill="#fff" stroke="#1c1a17"'))
        x, y = at(0.5 * (cut.min(axis=0) + cut.max(axis=0))[None])[0]
        names.append(
            f'<text x="{x:.0f}" y="{y:.0f}" text-anchor="middle" class="n">'
            f"{esc(template.name.removeprefix(template.ply + ' '))}</text>"
        )
    letters = [i for i in ink if not isinstance(i, Polyline) and i.layer == "STOCK"]
    for text in letters:
        parts += [
            line(p.points, False, stock_style) for p in stroked(text) if isinstance(p, Polyline)
        ]
    caption = f"{sheet + 1} of {_sheets(plan)}: {stock.name}, {length:.0f} x {width:.0f} mm"
    return (
        f'<figure><svg viewBox="0 0 {w:.0f} {h:.0f}" width="{w:.0f}" height="{h:.0f}" role="img"'
        f' aria-label="lay plan">{"".join(parts)}{"".join(names)}</svg>'
        f"<figcaption>{esc(caption)}</figcaption></figure>"
    )


def placed(template: Template, place: Placement, points: NDArray[np.float64]):
    """A template's points where it lies on the sheet."""
    a = np.radians(place.angle_deg)
    turn = np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]])
    local = points * (-1.0, 1.0) if place.mirrored else points
    return local @ turn + place.at


def handwork_table(outcome: PlyOutcome) -> str:
    """What the ply takes in handwork, by the job's rates, and what of it the details cost."""
    work = outcome.lay_plan.handwork
    if work is None:
        return ""
    counts = (
        f"{work.pieces} pieces, {work.cut_mm / 1000:.1f} m of cut line, {work.corners} sharp corners,"
        f" {work.holes} holes, {work.stitches} stitches, {work.glue_mm / 1000:.1f} m of glued joints,"
        f" {work.rivets} rivets, {work.eyelets} eyelets; about {work.total_minutes / 60:.1f} hours at"
        " these rates:"
    )
    rows = "".join(
        f'<tr><td>{esc(kind)}</td><td class="r">{minutes:.0f}</td></tr>'
        for kind, minutes in work.minutes
        if minutes >= 0.5
    )
    spent = sum(minutes for _, minutes in work.details)
    details = ""
    if spent >= 0.5:
        kinds = ", ".join(f"{kind} {minutes:.0f}" for kind, minutes in work.details)
        details = f"<p>Of these the details take {spent:.0f} minutes ({esc(kinds)}).</p>"
    return (
        f"<h3>Handwork</h3><p>{counts}</p><table><tr><th>work</th>"
        f'<th class="r">minutes</th></tr>{rows}</table>{details}'
    )


def comparison_table(outcome: PlyOutcome) -> str:
    """Materials side by side, one a column, the lines and panels being the same."""
    rows = outcome.comparisons
    if not rows:
        return ""

    def marked(text: str, over: bool) -> str:
        return f'<span class="over">{text}</span>' if over else text

    lines = {
        "thickness mm": [f"{c.thickness_mm:g}" for c in rows],
        "strain, % of what it takes": [marked(f"{100 * c.load:.0f}", c.load > 1) for c in rows],
        "stretch %, of at least": [f"{c.stretch_pct:.1f} of {c.stretch_limit_pct:g}" for c in rows],
        "squeeze %, of at least": [f"{c.squeeze_pct:.1f} of {c.squeeze_limit_pct:g}" for c in rows],
        "panels over their limits": [esc(", ".join(c.over)) or "none" for c in rows],
        "allowance mm": [
            esc(", ".join(f"{k} {v:g}" for k, v in c.allowance_mm.items())) for c in rows
        ],
        "pieces": [f"{c.pieces}" for c in rows],
        "left over": [f"{c.unplaced}" for c in rows],
        "stock": [esc(c.take) for c in rows],
        "cost": ["no price given" if c.cost is None else f"{c.cost:.2f}" for c in rows],
        "yield %": [f"{c.yield_pct:.0f}" for c in rows],
        "cutting length m": [f"{c.cut_mm / 1000:.1f}" for c in rows],
        "handwork hours": [f"{c.minutes / 60:.1f}" for c in rows],
    }
    head = "".join(f"<th>{esc(c.material)}</th>" for c in rows)
    body = "".join(
        f"<tr><td>{what}</td>{''.join(f'<td>{cell}</td>' for cell in cells)}</tr>"
        for what, cells in lines.items()
    )
    return (
        "<h3>Materials side by side</h3><p>The same lines and panels; the first column is what this"
        f" job is made of.</p><table><tr><th></th>{head}</tr>{body}</table>"
    )
