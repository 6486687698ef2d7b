"""What to buy for a ply: stock with a test piece and a spare, thread, adhesive, fasteners, lace."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from flatten.nest.effort import Joint, edge_length, joints_of
from flatten.records.effort import Fastening
from flatten.records.material import Material, Stock
from flatten.records.template import TemplateSet

Row = tuple[str, str]

# All common practice.
TEST_MM = 100.0  # a test piece: 100 mm along the stock for strain, heat, glue and laser trials
THREADS = 4.0  # thread for saddle stitch, times the seam
TAIL_MM = 300.0  # more for each seam, both ends of the thread
MACHINE_THREADS = 3.0  # upper and lower thread of a lockstitch, times the seam
MACHINE_TAIL_MM = 200.0
LACE_SPREAD_MM = 40.0  # between the two rows of eyelets as worn
LACE_TAIL_MM = 800.0
POST_MORE_MM = 2.5  # a rivet's post beyond the stack


@dataclass(frozen=True, eq=False, kw_only=True)
class Take:
    """What the plan takes of one stock.

    sheets : begun; length_mm : used of all of them, margins included
    yield_pct : share of it within the cut lines
    rest_holds_spare : the largest piece would fit again
    largest : the longest piece's length along the stock, mm
    """

    stock: Stock
    sheets: int
    length_mm: float
    yield_pct: float
    rest_holds_spare: bool
    largest: float

    @property
    def amount(self) -> float:
        """Sheets or hides; of a roll metres, to the next 0.1 m, with the test piece."""
        if self.stock.kind != "roll":
            return float(self.sheets)
        return math.ceil(round((self.length_mm + TEST_MM) / 100.0, 6)) / 10.0


def buy_rows(
    template_set: TemplateSet,
    material: Material,
    takes: Sequence[Take],
    points: Sequence[Fastening] = (),
) -> tuple[Row, ...]:
    """(what, how much) for everything a ply takes, the stock first."""
    joints = joints_of(template_set)
    return (
        *(row for take in takes for row in stock_rows(take)),
        *thread_rows(joints, material),
        *adhesive_rows(joints, material),
        *fastener_rows(joints, material, points),
        *binding_rows(template_set),
    )


def cost_of(takes: Sequence[Take]) -> float | None:
    """Price of all the stock taken; None where one has none. Offcuts are paid for already."""
    total = 0.0
    for take in takes:
        if take.stock.price <= 0.0 and take.stock.kind != "offcut":
            return None
        total += take.amount * take.stock.price
    return total if takes else None


def stock_rows(take: Take) -> list[Row]:
    """Whole sheets or hides, or length to the next 0.1 m; then test piece, spare, yield and cost."""
    stock, name = take.stock, take.stock.name
    if stock.kind == "roll":
        more = math.ceil(round(take.largest / 100.0, 6)) / 10.0
        rows = [
            (name, f"{take.amount:.1f} m of {stock.width_mm:.0f} mm"),
            (f"{name}, test piece", f"{TEST_MM:.0f} mm of that length"),
            (f"{name}, spare", f"{more:.1f} m more would cut the largest piece again"),
        ]
    else:
        whole = {"sheet": "sheet", "hide": "hide", "offcut": "offcut"}[stock.kind]
        size = f"{stock.width_mm:.0f} x {stock.length_mm:.0f} mm"
        if stock.outline is not None:
            w, h = np.ptp(stock.outline, axis=0)
            size = f"a{'n' if whole == 'offcut' else ''} {whole}, {w:.0f} x {h:.0f} mm"
        there = f" ({stock.count} there)" if stock.count else ""
        rows = [
            (name, f"{take.sheets} of {size}{there}"),
            (f"{name}, test piece", "from the rest between the pieces"),
        ]
        if stock.kind != "offcut":
            spare = "the rest of the last one would cut the largest piece again"
            if not take.rest_holds_spare:
                spare = f"1 more {whole} would cut the largest piece again"
            rows.append((f"{name}, spare", spare))
    rows.append((f"{name}, yield", f"{take.yield_pct:.0f} % of it lies within the cut lines"))
    if stock.price > 0.0:
        each = "a metre" if stock.kind == "roll" else "each"
        cost = take.amount * stock.price
        rows.append((f"{name}, cost", f"{cost:.2f} ({stock.price:.2f} {each})"))
    return rows


def thread_rows(joints: list[Joint], material: Material) -> list[Row]:
    """Thread for saddle stitch: four times the seam, and tails for every seam; cloth by machine."""
    sewn = [j for j in joints if j.fixing == "stitch"]
    if not sewn:
        return []
    seam = sum(j.count * j.length for j in sewn)
    by_machine = material.family == "cloth"
    times, tail = (MACHINE_THREADS, MACHINE_TAIL_MM) if by_machine else (THREADS, TAIL_MM)
    total = times * seam + tail * sum(j.count for j in sewn)
    how = "by machine" if by_machine else "by saddle stitch"
    return [
        (
            "thread",
            f"{total / 1000.0:.1f} m ({times:g} x {seam / 1000.0:.2f} m of seam {how}, and tails)",
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


def fastener_rows(
    joints: list[Joint], material: Material, points: Sequence[Fastening] = ()
) -> list[Row]:
    """Lace, eyelets, rivets by the length of their posts, and closures."""
    rows: list[Row] = []
    eyelets = sum(1 for point in points if point.kind == "eyelet")
    laced = [j for j in joints if j.fixing == "lace"]
    if laced:
        total = 0.0
        for joint in laced:
            n = max(joint.holes)
            pitch = joint.length / max(n - 1, 1)
            cross = 2 * max(n - 1, 0) * float(np.hypot(pitch, LACE_SPREAD_MM))
            total += joint.count * (cross + LACE_SPREAD_MM + 2 * LACE_TAIL_MM)
        rows.append(("lace", f"{total / 1000.0:.1f} m (crossed over {LACE_SPREAD_MM:.0f} mm)"))
        eyelets += sum(j.count * sum(j.holes) for j in laced)
    if eyelets:
        rows.append(("eyelets", f"{eyelets}"))
    seams = sum(j.count * max(j.holes) for j in joints if j.fixing == "rivet")
    stacks = {2.0 * material.thickness_mm: seams} if seams else {}
    for point in points:
        if point.kind == "rivet":
            stacks[point.stack_mm] = stacks.get(point.stack_mm, 0) + 1
    for stack, count in sorted(stacks.items()):
        post = stack + POST_MORE_MM
        rows.append(("rivets", f"{count}, posts about {post:.0f} mm for a stack of {stack:g} mm"))
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
