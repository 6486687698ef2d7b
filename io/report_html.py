"""report.html: one self-contained page a maker can read, print and take to the bench."""

import html
from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from flatten.geometry.raster import paint, visible_faces
from flatten.geometry.triangles import face_normals
from flatten.io.changes_rows import changes_section
from flatten.io.charts import legend, png_uri, stretch_chart
from flatten.io.guide_html import guide_section
from flatten.io.stock_html import stock_section
from flatten.records.flat import Deciding, WorstPlace
from flatten.records.material import Limit
from flatten.records.outcome import Outcome, PlyOutcome

STYLE = """
body{font:15px/1.5 serif;color:#1c1a17;background:#fbfaf6;margin:0}
main{max-width:1080px;margin:0 auto;padding:28px 22px}
h1{font-size:27px;margin:0 0 4px}h2{font-size:20px;margin:34px 0 8px;border-bottom:1px solid #c9c3b4}
h3{font-size:16px;margin:20px 0 6px}p{margin:6px 0}
table{border-collapse:collapse;font-size:13.5px;margin:8px 0}
th,td{padding:3px 10px 3px 0;text-align:left;border-bottom:1px solid #e3decf;vertical-align:top}
td.r,th.r{text-align:right;font-variant-numeric:tabular-nums}
.over{font-weight:bold;text-decoration:underline}.verdict{font-size:17px;margin:10px 0}
figure{display:inline-block;margin:6px 14px 12px 0;vertical-align:top}
figure svg{height:auto;max-width:100%;overflow:visible}
figcaption{font-size:13px;max-width:420px}
.n{font:11px sans-serif;paint-order:stroke;stroke:#fff;stroke-width:3px;fill:#111}
ul,ol{margin:4px 0 4px 20px;padding:0}.caution{background:#f4efdf;padding:10px 16px}
@media print{body{background:#fff}h2{break-after:avoid}figure,tr{break-inside:avoid}}
"""

# Soft, clearly different tints for panels; repeated when there are more panels.
TINTS = np.array(
    [[196, 178, 140], [134, 164, 170], [188, 142, 128], [150, 170, 128], [172, 152, 180]]
    + [[214, 200, 176], [112, 138, 160], [206, 166, 120]],
    dtype=np.float64,
)
LIGHT = np.array([0.35, 0.45, 0.82])


def esc(text: object) -> str:
    return html.escape(str(text))


def table(head: Sequence[str], rows: Iterable[Sequence[str]], right: str = "") -> str:
    """A table; `right` has one letter a column, r for numbers."""
    css = [' class="r"' if c == "r" else "" for c in right.ljust(len(head))]
    top = "".join(f"<th{c}>{esc(h)}</th>" for h, c in zip(head, css, strict=True))
    body = "".join(
        "<tr>" + "".join(f"<td{c}>{cell}</td>" for cell, c in zip(row, css, strict=True)) + "</tr>"
        for row in rows
    )
    return f"<table><tr>{top}</tr>{body}</table>"


def bullets(items: Iterable[str]) -> str:
    inner = "".join(f"<li>{esc(i)}</li>" for i in items)
    return f"<ul>{inner}</ul>" if inner else ""


def cast_views(ply: PlyOutcome) -> str:
    """The panels on the cast from the front, the left, the back and the right."""
    panels = ply.flat_set.panel_set.panels
    offsets = np.cumsum([0] + [len(p.V) for p in panels])
    V = np.concatenate([p.V for p in panels])
    F = np.concatenate([p.F + o for p, o in zip(panels, offsets, strict=False)])
    tint = np.concatenate(
        [np.repeat(TINTS[i % len(TINTS)][None], len(p.F), axis=0) for i, p in enumerate(panels)]
    )
    turns = (("front", 0.0), ("wearer's left", -90.0), ("back", 180.0), ("wearer's right", 90.0))
    return "".join(_view(panels, V, F, tint, name, turn) for name, turn in turns)


def _view(panels, V: NDArray, F: NDArray, tint: NDArray, name: str, turn_deg: float) -> str:
    a = np.radians(turn_deg)
    R = np.array([[np.cos(a), 0, np.sin(a)], [0, 1, 0], [-np.sin(a), 0, np.cos(a)]])
    P = V @ R.T
    low, high = P[:, :2].min(axis=0), P[:, :2].max(axis=0)
    scale = 330.0 / max(high[1] - low[1], 1.0)
    size = tuple(int(np.ceil(s)) for s in (high - low) * scale + 16)
    xy = np.column_stack([P[:, 0] - low[0], high[1] - P[:, 1]]) * scale + 8
    seen = visible_faces(xy, -P[:, 2], F, (size[0], size[1]))
    light = np.clip(np.abs(face_normals(P, F) @ LIGHT), 0.25, 1.0)[:, None]
    image = paint(seen, F, tint * light, per="face", background=(251, 250, 246))
    names = []
    start = 0
    for panel in panels:
        mine = (seen.face >= start) & (seen.face < start + len(panel.F))
        start += len(panel.F)
        if mine.sum() > 900:
            y, x = (float(np.median(c)) for c in np.nonzero(mine))
            names.append(
                f'<text x="{x:.0f}" y="{y:.0f}" text-anchor="middle" class="n">{esc(panel.name)}</text>'
            )
    return (
        f'<figure><svg viewBox="0 0 {size[0]} {size[1]}" width="{size[0]}" height="{size[1]}">'
        f'<image href="{png_uri(image)}" width="{size[0]}" height="{size[1]}"/>{"".join(names)}'
        f"</svg><figcaption>{esc(name)}</figcaption></figure>"
    )


def numbered(places: Sequence[WorstPlace]) -> str:
    """The places that a chart numbers, in its order."""
    rows = "".join(
        f"<li>{p.pct:+.1f} %, {p.edge_mm:.0f} mm from '{esc(p.edge)}'{_whole_edge(p)}</li>"
        for p in places
    )
    return f"<ol>{rows}</ol>" if rows else ""


def _whole_edge(place: WorstPlace) -> str:
    gain = round(place.edge_gain_mm)
    if not gain:
        return ""
    return f", which is {abs(gain)} mm {'longer' if gain > 0 else 'shorter'} on the body"


def limit_words(limit: Limit) -> str:
    """A material's limit, by direction where the directions differ."""
    if limit.isotropic:
        return f"{limit.warp:g} %"
    return f"{limit.warp:g} % (warp), {limit.weft:g} % (weft), {limit.bias:g} % (bias)"


def decided(worst: Deciding) -> str:
    """The strain that decides whether a panel fits, against the limit it is held to."""
    direction = f" {worst.direction}" if worst.direction else ""
    return f"{worst.kind}{direction} {worst.pct:.1f} of {worst.limit_pct:.3g} %"


def ply_section(outcome: PlyOutcome) -> str:
    """Charts, numbers, seams and stock of one ply."""
    material, flats = outcome.material, outcome.flat_set
    stretch, squeeze = material.stretch_pct.least, material.squeeze_pct.least
    peaks = [max(s.stretch_peak_pct, s.squeeze_peak_pct) for s in outcome.strains]
    full = max(stretch, squeeze, 1.0) if max(peaks, default=0.0) <= 2 * stretch else max(peaks)
    parts = [
        f"<h2>Ply: {esc(outcome.ply.name)}, {esc(material.name)}</h2>",
        f"<p>{material.thickness_mm:g} mm thick; flattened {flats.panel_set.offset_mm:.2f} mm outside"
        f" the cast. The material takes {limit_words(material.stretch_pct)} stretch and"
        f" {limit_words(material.squeeze_pct)} squeeze"
        f" ({esc(material.source or 'as the job says')}).</p>",
        "<h3>Panels on the cast</h3>",
        cast_views(outcome),
        "<h3>Stretch charts</h3>",
        "<p>What the flat material must do, averaged over discs of 5 mm: + is stretch (ochre,"
        " strokes where strong), - is squeeze (violet, dots where strong). The numbers mark where it"
        " is most.</p>",
        legend(full),
        "<div>",
    ]
    rows = []
    for i, (panel, flat, strain) in enumerate(
        zip(flats.panel_set.panels, flats.flats, outcome.strains, strict=True)
    ):
        chart = stretch_chart(panel, flat, strain, full, [p.at for p in outcome.places[i]])
        parts.append(
            f"<figure>{chart}<figcaption><b>{esc(panel.name)}</b>{bullets(outcome.advice[i])}"
            f"{numbered(outcome.places[i])}</figcaption></figure>"
        )
        worst = outcome.deciding[i]
        over = [strain.load_peak > 1.0 and worst.kind == kind for kind in ("stretch", "squeeze")]
        if material.isotropic:
            over = [strain.stretch_peak_pct > stretch, strain.squeeze_peak_pct > squeeze]
        cell = [
            f'<span class="over">{v:.1f}</span>' if bad else f"{v:.1f}"
            for v, bad in zip((strain.stretch_peak_pct, strain.squeeze_peak_pct), over, strict=True)
        ]
        rows.append(
            (
                esc(panel.name),
                *cell,
                f"{strain.stretch_max_pct:.1f}",
                f"{strain.squeeze_max_pct:.1f}",
                f"{strain.bending_max_pct:.1f}",
                f"{strain.area_flat_mm2 / 100:.0f}",
                decided(worst),
                "yes" if strain.fits else "NO",
            )
        )
    parts.append("</div>")
    parts.append(
        table(
            ("panel", "stretch %", "squeeze %", "worst face +", "worst face -", "bending %")
            + ("flat area cm²", "nearest to its limit", "within limits"),
            rows,
            " rrrrrr  ",
        )
    )
    parts.append("<h3>Seams</h3>")
    parts.append(
        table(
            ("seam", "joint", "fixing", "between", "mm", "mismatch mm", "worst along it mm"),
            (
                (
                    esc(s.name),
                    esc(s.joint),
                    esc(s.fixing),
                    esc(" / ".join(dict.fromkeys(s.panels))),
                    f"{s.flat_mm[0]:.1f}",
                    f"{round(s.mismatch_mm, 2) + 0.0:+.2f}",
                    f"{s.worst_cumulative_mm:.2f}",
                )
                for s in outcome.seams
            ),
            "    rrr",
        )
    )
    parts.append(stock_section(outcome))
    return "".join(parts)


def ink_section(outcome: Outcome) -> str:
    """The pen lines found, over the scan's colours."""
    if outcome.ink_picture is None:
        return ""
    return (
        "<h2>The pen lines</h2><p>Check them at a glance: what was read is drawn over the scan.</p>"
        f'<figure><img alt="pen lines over the scan" src="{png_uri(outcome.ink_picture)}"'
        ' style="max-width:100%"></figure>'
    )


def report_page(outcome: Outcome) -> str:
    """The page as text, with every picture inside it."""
    job, cast = outcome.job, outcome.cast
    verdict = (
        "Every panel is within its material's limits and every piece lies on its stock."
        if outcome.fits
        else "Not everything fits: see the panels marked NO and the pieces listed under Stock."
    )
    girths = table(
        ("girth at height mm", "tape mm", "cast mm", "allowed difference mm"),
        (
            (
                f"{g.at[1]:.0f}",
                "" if g.asked_mm is None else f"{g.asked_mm:.0f}",
                f"{g.measured_mm:.0f}",
                f"{g.allowed_mm:.0f}",
            )
            for g in cast.girths
        ),
        "rrrr",
    )
    openings = table(
        ("opening", "length mm", "off its plane mm"),
        ((esc(r.name), f"{r.smooth_length_mm:.0f}", f"{r.flatness_mm:.1f}") for r in cast.rims),
        " rr",
    )
    repairs = table(("mended", "how much"), ((esc(k), esc(v)) for k, v in cast.repairs.items()))
    line = " · ".join(
        x for x in (job.wearer and f"wearer: {job.wearer}", f"revision {job.revision}") if x
    )
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8">'
        f"<title>{esc(job.title)}</title><style>{STYLE}</style></head><body><main>"
        f"<h1>{esc(job.title)}</h1><p>{esc(line)}</p>"
        f'<p class="verdict">{verdict}</p>'
        + changes_section(outcome)
        + "".join(ply_section(p) for p in outcome.plies)
        + guide_section(outcome.guide)
        + ink_section(outcome)
        + "<h2>The cast</h2>"
        f"<p>{len(cast.F)} faces, unit {esc(cast.unit)}, scale {cast.scale:.5g} mm per file number,"
        f" moved {round(cast.offset_mm, 2) + 0.0:+.2f} mm for tape and ease.</p>"
        + girths
        + openings
        + repairs
        + bullets(outcome.notes)
        + '<h2>Cautions</h2><div class="caution">'
        + bullets(outcome.cautions)
        + "</div></main></body></html>"
    )
