"""What to buy for a ply: stock with a test piece and a spare, thread, adhesive, fasteners, lace."""

import math
from dataclasses import dataclass

import numpy as np

from flatten.nest.effort import Joint, edge_length, joints_of
from flatten.records.material import Material, Stock
from flatten.records.template import TemplateSet

Row = tuple[str, str]

# All common practice.
TEST_MM = 100.0  # a test piece: 100 mm along the stock for strain, heat, glue and laser trials
THREADS = 4.0  # thread for saddle stitch, times the seam
TAIL_MM = 300.0  # more for each seam, both ends of the thread
LACE_SPREAD_MM = 40.0  # between the two rows of eyelets as worn
LACE_TAIL_MM = 800.0
POST_MORE_MM = 2.5  # a rivet's post beyond the stack


@dataclass(frozen=True, kw_only=True)
class Take:
    """What the plan takes of the stock.

    sheets : begun; ends : mm used along each; rest_holds_spare : the largest piece would fit again
    largest : the largest piece's length along the stock, mm
    """

    sheets: int
    ends: tuple[float, ...]
    rest_holds_spare: bool
    largest: float


def buy_rows(
    template_set: TemplateSet, stock: Stock, material: Material, take: Take
) -> tuple[Row, ...]:
    """(what, how much) for everything a ply takes, the stock first."""
    joints = joints_of(template_set.templates)
    return (
        *stock_rows(stock, take),
        *thread_rows(joints),
        *adhesive_rows(joints, material),
        *fastener_rows(joints, material),
        *binding_rows(template_set),
    )


def stock_rows(stock: Stock, take: Take) -> list[Row]:
    """Whole sheets or hides, or length to the next 0.1 m; then test piece, spare and cost."""
    if not take.sheets:
        return []
    if stock.kind == "roll":
        net = sum(take.ends)
        metres = math.ceil(round((net + TEST_MM) / 100.0, 6)) / 10.0
        more = math.ceil(round(take.largest / 100.0, 6)) / 10.0
        rows = [
            (stock.name, f"{metres:.1f} m of {stock.width_mm:.0f} mm"),
            (f"{stock.name}, test piece", f"{TEST_MM:.0f} mm of that length"),
            (f"{stock.name}, spare", f"{more:.1f} m more would cut the largest piece again"),
        ]
        count = metres
    else:
        count = take.sheets
        if stock.outline is None:
            size = f"{stock.width_mm:.0f} x {stock.length_mm:.0f} mm"
            whole = "sheet"
        else:
            w, h = np.ptp(stock.outline, axis=0)
            size, whole = f"a hide, {w:.0f} x {h:.0f} mm", "hide"
        spare = "the rest of the last one would cut the largest piece again"
        if not take.rest_holds_spare:
            spare = f"1 more {whole} would cut the largest piece again"
        rows = [
            (stock.name, f"{take.sheets} of {size}"),
            (f"{stock.name}, test piece", "from the rest between the pieces"),
            (f"{stock.name}, spare", spare),
        ]
    if stock.price > 0.0:
        each = "a metre" if stock.kind == "roll" else "each"
        rows.append(
            (f"{stock.name}, cost", f"{count * stock.price:.2f} ({stock.price:.2f} {each})")
        )
    return rows


def thread_rows(joints: list[Joint]) -> list[Row]:
    """Thread for saddle stitch: four times the seam, and tails for every seam."""
    sewn = [j for j in joints if j.fixing == "stitch"]
    if not sewn:
        return []
    seam = sum(j.count * j.length for j in sewn)
    total = THREADS * seam + TAIL_MM * sum(j.count for j in sewn)
    return [
        (
            "thread",
            f"{total / 1000.0:.1f} m (4 x {seam / 1000.0:.2f} m of seam by saddle stitch, and tails)",
        )
    ]


def adhesive_rows(joints: list[Joint], material: Material) -> list[Row]:
    """Area to coat: the thickness along a butt joint, the overlap elsewhere; both faces."""
    area = 0.0
    for joint in joints:
        if joint.fixing != "glue":
            continue
        for edge in joint.sides:
            width = material.thickness_mm if edge.joint == "butt" else edge.allowance_mm
            # One side under another: the face beneath is as wide as the one above.
            if edge.joint == "lap" and not width:
                width = max(e.allowance_mm for e in joint.sides)
            area += joint.count * edge_length(edge) * width
    if area <= 0.0:
        return []
    return [("adhesive", f"{area / 100.0:.0f} cm² to coat, both faces")]


def fastener_rows(joints: list[Joint], material: Material) -> list[Row]:
    """Lace, eyelets, rivets and closures."""
    rows: list[Row] = []
    laced = [j for j in joints if j.fixing == "lace"]
    if laced:
        total = 0.0
        for joint in laced:
            n = max(joint.holes)
            pitch = joint.length / max(n - 1, 1)
            cross = 2 * max(n - 1, 0) * float(np.hypot(pitch, LACE_SPREAD_MM))
            total += joint.count * (cross + LACE_SPREAD_MM + 2 * LACE_TAIL_MM)
        rows.append(("lace", f"{total / 1000.0:.1f} m (crossed over {LACE_SPREAD_MM:.0f} mm)"))
        eyelets = sum(j.count * sum(j.holes) for j in laced)
        if eyelets:
            rows.append(("eyelets", f"{eyelets}"))
    rivets = sum(j.count * max(j.holes) for j in joints if j.fixing == "rivet")
    if rivets:
        post = 2.0 * material.thickness_mm + POST_MORE_MM
        rows.append(("rivets", f"{rivets}, posts about {post:.0f} mm for two layers"))
    closed = sum(j.count * j.length for j in joints if j.fixing == "closure")
    if closed:
        rows.append(("closure", f"{closed:.0f} mm in all"))
    return rows


def binding_rows(template_set: TemplateSet) -> list[Row]:
    """Binding and piping, as the templates say."""
    notes = (note.split(": ", 1) for note in template_set.notes if ": " in note)
    return [
        (what, length) for what, length in notes if what.startswith(("binding for", "piping for"))
    ]
