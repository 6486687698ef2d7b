"""Stretch charts: the strain over a flat panel as a picture that also reads in black and white."""

import base64
import html
import io
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from flatten.geometry.raster import paint, visible_faces
from flatten.records.flat import Flat, Strain
from flatten.records.panels import Panel

Dot = tuple[float, float]

PIXELS_PER_MM = 1.2
LETTER_PX, LINE_PX = 6.6, 13.0  # of the numbers on a chart
MARGIN_MM = 12.0
# Violet for squeeze, paper for none, ochre for stretch: apart for every kind of colour vision.
SQUEEZE = np.array([84.0, 48.0, 140.0])
NONE = np.array([244.0, 242.0, 236.0])
STRETCH = np.array([176.0, 98.0, 12.0])


def strain_colours(pct: NDArray[np.float64], full_pct: float) -> NDArray[np.float64]:
    """(m, 3) colours; `full_pct` and beyond have the full hue."""
    t = np.clip(np.abs(pct) / full_pct, 0.0, 1.0)[:, None] ** 0.8
    hue = np.where((pct >= 0)[:, None], STRETCH, SQUEEZE)
    return NONE + t * (hue - NONE)


def signed_strain(strain: Strain) -> NDArray[np.float64]:
    """(m,) percent: stretch where it is the larger, else minus the squeeze."""
    return 100.0 * np.where(
        strain.stretch_disc >= strain.squeeze_disc, strain.stretch_disc, -strain.squeeze_disc
    )


def png_uri(image: NDArray[np.uint8]) -> str:
    """An (h, w, 3) picture as a data URI for a self-contained page."""
    return "data:image/png;base64," + base64.b64encode(png_bytes(image)).decode()


def png_bytes(image: NDArray[np.uint8]) -> bytes:
    """An (h, w, 3) picture as the bytes of a PNG file."""
    out = io.BytesIO()
    Image.fromarray(image).save(out, format="PNG")
    return out.getvalue()


def write_picture(image: NDArray[np.uint8], path: Path) -> None:
    """Writes an (h, w, 3) picture as a PNG file."""
    Image.fromarray(image).save(path, format="PNG")


def _texture(image: NDArray[np.uint8], pct: NDArray[np.float64], full_pct: float) -> None:
    """Strokes over stretch and dots over squeeze, closer than half the scale: for grey printers."""
    h, w = pct.shape
    y, x = np.mgrid[0:h, 0:w]
    strong = np.abs(np.nan_to_num(pct)) > 0.5 * full_pct
    strokes = strong & (pct > 0) & ((x + y) % 9 == 0)
    dots = strong & (pct < 0) & (x % 6 < 2) & (y % 6 < 2)
    image[strokes | dots] = (image[strokes | dots] * 0.55).astype(np.uint8)


def stretch_chart(
    panel: Panel,
    flat: Flat,
    strain: Strain,
    full_pct: float,
    places: Sequence[Dot],
) -> str:
    """An SVG picture: the flat coloured by strain, its outline, and `places` (x, y mm) numbered."""
    U = flat.U
    low = U.min(axis=0) - MARGIN_MM
    size_mm = np.ptp(U, axis=0) + 2 * MARGIN_MM
    width, height = (int(np.ceil(s * PIXELS_PER_MM)) for s in size_mm)
    xy = np.column_stack([U[:, 0] - low[0], low[1] + size_mm[1] - U[:, 1]]) * PIXELS_PER_MM
    pct = signed_strain(strain)
    seen = visible_faces(xy, np.zeros(len(U)), panel.F, (width, height))
    image = paint(seen, panel.F, strain_colours(pct, full_pct), per="face")
    shown = np.where(seen.face >= 0, pct[np.maximum(seen.face, 0)], np.nan)
    _texture(image, shown, full_pct)
    border = np.concatenate([xy[r.vertices[:-1]] for r in panel.border])
    outline = " ".join(f"{x:.1f},{y:.1f}" for x, y in border)
    parts = [
        f'<svg viewBox="0 0 {width} {height}" width="{width}" height="{height}" role="img"'
        f' aria-label="stretch chart of {html.escape(panel.name)}">',
        f'<image href="{png_uri(image)}" width="{width}" height="{height}"/>',
        f'<polygon points="{outline}" fill="none" stroke="#222" stroke-width="1.2"/>',
    ]
    dots = [
        ((x - low[0]) * PIXELS_PER_MM, (low[1] + size_mm[1] - y) * PIXELS_PER_MM) for x, y in places
    ]
    words = [str(k) for k in range(1, len(dots) + 1)]
    for (px, py), text, (x, y) in zip(dots, words, _beside(dots, words, width), strict=True):
        parts.append(
            f'<circle cx="{px:.1f}" cy="{py:.1f}" r="3.2" fill="#fff" stroke="#111"/>'
            f'<text x="{x:.1f}" y="{y + 4:.1f}" class="n">{text}</text>'
        )
    parts.append("</svg>")
    return "".join(parts)


def _beside(dots: list[Dot], words: list[str], width: int) -> list[Dot]:
    """Where each text starts, beside its dot, clear of the others if it can be."""
    taken = [(x - 4, y - 4, x + 4, y + 4) for x, y in dots]
    starts = []
    for (px, py), text in zip(dots, words, strict=True):
        long = LETTER_PX * len(text)
        sides = (px + 6, px - 6 - long)
        choices = [(x, py + dy) for dy in (0, -LINE_PX, LINE_PX) for x in sides]
        choices = [c for c in choices if c[0] >= 0 and c[0] + long <= width] or choices[:1]

        def crowding(start: Dot, long: float = long) -> float:
            x, y = start[0], start[1] - LINE_PX / 2
            return sum(
                max(min(x + long, b[2]) - max(x, b[0]), 0)
                * max(min(y + LINE_PX, b[3]) - max(y, b[1]), 0)
                for b in taken
            )

        x, y = min(choices, key=crowding)
        taken.append((x, y - LINE_PX / 2, x + long, y + LINE_PX / 2))
        starts.append((x, y))
    return starts


def legend(full_pct: float) -> str:
    """The scale: squeeze left, stretch right, percent under it."""
    steps = 41
    pct = np.linspace(-full_pct, full_pct, steps)
    colours = strain_colours(pct, full_pct).astype(int)
    cells = "".join(
        f'<rect x="{8 + 6 * i}" y="4" width="6" height="14" fill="rgb({r},{g},{b})"/>'
        for i, (r, g, b) in enumerate(colours)
    )
    ticks = "".join(
        f'<text x="{8 + 6 * (steps - 1) * t:.0f}" y="32" text-anchor="middle" class="n">'
        f"{words}</text>"
        for t, words in ((0.08, f"-{full_pct:.0f} %"), (0.5, "0"), (0.94, f"+{full_pct:.0f} %"))
    )
    return (
        f'<svg viewBox="0 0 262 38" width="262" height="38" role="img" aria-label="scale">{cells}'
        f"{ticks}</svg>"
    )
