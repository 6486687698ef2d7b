"""The picture of what was found: the scan from four sides with lines, writing and doubts on it."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from flatten.geometry.curves import resample
from flatten.geometry.lettering import text_strokes, text_width
from flatten.geometry.raster import FaceBuffer, visible_faces
from flatten.ink.frame import working_frame
from flatten.ink.place import body_frame
from flatten.ink.samples import sound_faces, welded
from flatten.records.cast import Cast
from flatten.records.drawing import Text
from flatten.records.ink import InkReading
from flatten.records.scan import Scan

MARGIN = 14
LEGEND = 64
ROW = 17  # of the list of what is to be checked
BEHIND_MM = 5.0  # what lies farther behind the surface than this is hidden
GREY, WHITE, DARK = (110, 110, 110), (255, 255, 255), (20, 20, 20)
# Told apart by those who see red and green alike, too; every line also bears its name.
COLOURS = {
    "seam": (255, 200, 0),
    "dart": (255, 120, 60),
    "trim": (0, 158, 115),
    "detail": (86, 180, 233),
    "score": (0, 114, 178),
    "match mark": (20, 20, 20),
    "writing": (204, 121, 167),
    "to check": (213, 54, 0),
}


@dataclass(frozen=True, eq=False)
class _View:
    """One side of the body: where mm go on the picture and what is seen there."""

    right: NDArray[np.float64]
    up: NDArray[np.float64]
    eye: NDArray[np.float64]
    left: float
    top: float
    scale: float
    seen: FaceBuffer

    def pixels(self, P: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
        """(k, 2) pixels of points, and which of them are in sight."""
        x = (P @ self.right - self.left) * self.scale + MARGIN
        y = (self.top - P @ self.up) * self.scale + MARGIN
        xy = np.column_stack([x, y])
        h, w = self.seen.depth.shape
        ij = np.clip(xy.astype(np.int64), 0, [w - 1, h - 1])
        inside = (xy >= 0).all(axis=1) & (xy < [w, h]).all(axis=1)
        return xy, inside & (-(P @ self.eye) < self.seen.depth[ij[:, 1], ij[:, 0]] + BEHIND_MM)


def lines_picture(
    scan: Scan, cast: Cast | None, reading: InkReading, height: int = 900
) -> NDArray[np.uint8]:
    """(h, w, 3) the scan's own colours from the front, left, back and right, with what was read.

    Lines bear their names and the colour of their kind, scores are dashed; strokes taken for
    writing, weak strokes, wide gaps and open ends are drawn as well, so that a glance tells what was
    missed. What is to be checked is numbered as in the reading, and listed below.
    """
    to_work = working_frame(scan, cast)[0]
    V = scan.V @ to_work[:3, :3].T + to_work[:3, 3]
    _, G = welded(V, scan.F.astype(np.int64))
    kept = sound_faces(V, G)
    F = scan.F[kept]
    used = V[np.unique(F)]
    frame = body_frame(used, len(cast.rims) if cast else 2, cast is not None)
    scale = (height - 2 * MARGIN) / max(float(np.ptp(used @ frame.up)), 1e-9)
    sides = (
        ("front", frame.front, -frame.left),
        ("left side", frame.left, frame.front),
        ("back", -frame.front, frame.left),
        ("right side", -frame.left, -frame.front),
    )
    panels = []
    labelled: set[str] = set()
    for title, eye, across in sides:
        # Seen from the front the wearer's left is on the viewer's right.
        right = -across
        width = int(np.ptp(used @ right) * scale) + 2 * MARGIN
        view = _view(V, F, used, right, frame.up, eye, scale, (width, height))
        image = _surface(scan, kept, F, view.seen)
        _draw_reading(image, view, to_work, reading, labelled)
        _write(image, title if frame.known else "", (MARGIN, height - 10), 11.0, GREY)
        panels.append(image)
    sheet = np.hstack(panels)
    width = sheet.shape[1]
    return np.vstack([sheet, _legend(width, reading), _list(width, reading)])


def _view(V, F, used, right, up, eye, scale, size) -> _View:
    left, top = float((used @ right).min()), float((used @ up).max())
    xy = np.column_stack([(V @ right - left) * scale, (top - V @ up) * scale]) + MARGIN
    seen = visible_faces(xy, -(V @ eye), F, size)
    return _View(right, up, eye, left, top, scale, seen)


def _surface(scan: Scan, kept, F, seen: FaceBuffer) -> NDArray[np.uint8]:
    """The scan's own colours, a little lighter, so that what is drawn on them stands out."""
    image = np.full((*seen.face.shape, 3), 255, dtype=np.uint8)
    hit = seen.face >= 0
    f = seen.face[hit]
    b = seen.bary[hit].astype(np.float64)
    weights = np.column_stack([1.0 - b.sum(axis=1), b])
    values = np.full((len(f), 3), 180.0)
    if scan.has_texture and scan.uv is not None:
        uv = np.einsum("ij,ijk->ik", weights, scan.uv[kept][f].astype(np.float64)) % 1.0
        number = np.zeros(len(scan.F), np.int64) if scan.face_texture is None else scan.face_texture
        for t, texture in enumerate(scan.textures):
            mine = number[kept][f] == t
            h, w = texture.shape[:2]
            x = np.minimum((uv[mine, 0] * w).astype(np.int64), w - 1)
            y = np.minimum(((1.0 - uv[mine, 1]) * h).astype(np.int64), h - 1)
            values[mine] = texture[y, x]
    elif scan.colors is not None:
        values = np.einsum("ij,ijk->ik", weights, scan.colors[F[f]].astype(np.float64))
    image[hit] = np.clip(values * 0.85 + 38.0, 0, 255).astype(np.uint8)
    return image


def _draw_reading(image, view: _View, to_work, reading: InkReading, labelled: set[str]) -> None:
    def placed(points):
        return points @ to_work[:3, :3].T + to_work[:3, 3]

    for writing in reading.writing:
        for stroke in writing.strokes:
            _draw(image, view, placed(stroke), COLOURS["writing"], 1.6)
    for doubt in reading.doubts:
        if doubt.points is not None:
            _draw(image, view, placed(doubt.points), COLOURS["to check"], 1.4, dotted=True)
    names = []
    for line in reading.lines:
        q = placed(line.points)
        q = np.vstack([q, q[:1]]) if line.closed else q
        _draw(image, view, q, DARK, 2.4)
        _draw(image, view, q, COLOURS[line.kind], 1.5, dotted=line.kind == "score")
        names.append((line, q))
    for mark in reading.marks:
        at = placed(mark.at[None])[0]
        for k in range(mark.count):
            _ring(image, view, at, WHITE, 5.0 + 4.0 * k, 2.0)
            _ring(image, view, at, COLOURS["match mark"], 5.0 + 4.0 * k)
    for line, q in names:
        if line.name in labelled:
            continue
        xy, visible = view.pixels(resample(q, 3.0))
        if visible.mean() < 0.4:
            continue
        labelled.add(line.name)
        place = xy[np.flatnonzero(visible)[int(visible.sum() * 0.45)]]
        size = 9.0
        x = float(np.clip(place[0] + 6, 2, max(image.shape[1] - text_width(line.name, size), 2)))
        _write(image, line.name, (x, float(place[1]) - 4), size, DARK, WHITE)
    for number, doubt in enumerate(reading.doubts, start=1):
        at = placed(doubt.at[None])
        _ring(image, view, at[0])
        xy, visible = view.pixels(at)
        if visible[0]:
            x = float(np.clip(xy[0, 0] + 10, 2, image.shape[1] - 2 - text_width(str(number), 12.0)))
            _write(image, str(number), (x, float(xy[0, 1]) + 16), 12.0, COLOURS["to check"], WHITE)


def _draw(image, view: _View, P, colour, radius: float, dotted: bool = False) -> None:
    if len(P) < 2:
        return
    xy, visible = view.pixels(resample(P, 0.7 / view.scale))
    if dotted:
        visible &= (np.arange(len(xy)) // 8) % 2 == 0
    _stamp(image, xy[visible], colour, radius)


def _ring(
    image, view: _View, at, colour=COLOURS["to check"], radius: float = 8.0, pen: float = 0.8
) -> None:
    xy, visible = view.pixels(at[None])
    if visible[0]:
        turn = np.linspace(0, 2 * np.pi, 60)[:, None]
        _stamp(image, xy + radius * np.hstack([np.cos(turn), np.sin(turn)]), colour, pen)


def _stamp(image, xy, colour, radius: float) -> None:
    """Sets a disc of pixels round every point."""
    reach = int(np.ceil(radius))
    dx, dy = np.meshgrid(np.arange(-reach, reach + 1), np.arange(-reach, reach + 1))
    disc = dx**2 + dy**2 <= radius**2 + 0.25
    x = (xy[:, :1].astype(np.int64) + dx[disc]).ravel()
    y = (xy[:, 1:].astype(np.int64) + dy[disc]).ravel()
    h, w = image.shape[:2]
    ok = (x >= 0) & (y >= 0) & (x < w) & (y < h)
    image[y[ok], x[ok]] = colour


def _write(image, text: str, at: tuple[float, float], size: float, colour, halo=None) -> None:
    """Words with their baseline at `at`, on a halo where one is given."""
    strokes = [
        resample(np.column_stack([s.points[:, 0] + at[0], at[1] - s.points[:, 1]]), 0.5)
        for s in text_strokes(Text(text=text, at=(0.0, 0.0), height=size))
        if len(s.points) > 1
    ]
    if strokes:
        points = np.concatenate(strokes)
        if halo is not None:
            _stamp(image, points, halo, 2.2)
        _stamp(image, points, colour, 0.6)


def _legend(width: int, reading: InkReading) -> NDArray[np.uint8]:
    """A strip that says which colour means what, and how much was found."""
    image = np.full((LEGEND, width, 3), 255, dtype=np.uint8)
    count = {
        kind: sum(line.kind == kind for line in reading.lines)
        for kind in ("seam", "dart", "trim", "detail", "score")
    }
    count["match mark"] = len(reading.marks)
    count["writing"], count["to check"] = len(reading.writing), len(reading.doubts)
    x, y = 12.0, 22.0
    for word, n in count.items():
        if n == 0:
            continue
        text = f"{word} ({n})"
        step = 34 + text_width(text, 10.0) + 22
        if x + step > width:
            x, y = 12.0, y + 24
        bar = np.column_stack([x + 0.5 * np.arange(52), np.full(52, y - 5)])
        _stamp(image, bar, COLOURS[word], 2.0)
        _write(image, text, (x + 34, y), 10.0, DARK)
        x += step
    return image


def _list(width: int, reading: InkReading) -> NDArray[np.uint8]:
    """What is to be checked, numbered as on the picture, in as many columns as there is room for."""
    rows = [f"{n}  {d.said}" for n, d in enumerate(reading.doubts, start=1)]
    column = max((int(text_width(row, 9.0)) for row in rows), default=0) + 40
    columns = max(width // column, 1)
    high = -(-len(rows) // columns)
    image = np.full((high * ROW + (8 if rows else 0), width, 3), 255, dtype=np.uint8)
    for k, row in enumerate(rows):
        x, y = 12.0 + column * (k // high), 12.0 + ROW * (k % high)
        _write(image, row, (x, y), 9.0, DARK)
    return image
