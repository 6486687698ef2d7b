"""A hide from a photograph that shows a rectangle of known size: its tilt undone, its edge found."""

import warnings
from io import BytesIO
from pathlib import Path

import numpy as np
import shapely
from numpy.typing import NDArray
from PIL import Image, ImageOps
from shapely.geometry import Polygon

from flatten.errors import BadInput
from flatten.geometry.homography import apply, homography
from flatten.geometry.silhouette import find_silhouette
from flatten.io.entries import Entry
from flatten.io.outlines import Outlines
from flatten.io.sources import named_file, read_bytes
from flatten.records.material import Zone

Array = NDArray[np.float64]

FORMATS = ("PNG", "JPEG", "BMP", "TIFF", "WEBP")
MOST_BYTES = 256 * 1024**2
MOST_PIXELS = 200_000_000
WORKING = 1600  # pixels along the longer side while the edge is looked for
CHORD_MM = 0.4
LEAST_HOLE_MM = 8.0  # across: holes found in the hide that are smaller are left to the eye
FAR_MM = 20_000.0
SURE_MM = 10.0


def read_photo(entry: Entry, folder: Path) -> Outlines:
    """Outline, flaws, zones and backbone in mm from a `photo` table whose points are pixels.

    `corners` are the rectangle's, in order round it, its width (`width_mm`) between the first two;
    pixels count from the picture's upper left, as it is shown upright. The outline is found by
    contrast where none is given.

    Raises
    ------
    BadInput : names the key; the hide's edge cannot be told from the ground
    """
    value = entry.name("file")
    file = named_file(value, folder)
    if file is None:
        raise entry.wrong("file", f"no such file: {value}", f"it was looked for in {folder}")
    corners = entry.points("corners", 2, 4)
    size = (entry.number("width_mm", low=10.0, high=5000.0),)
    size += (entry.number("height_mm", low=10.0, high=5000.0),)
    outline = entry.points("outline", 2, 3) if entry.has("outline") else entry.take("outline", None)
    flaws = entry.take("flaws", [])
    if not isinstance(flaws, list):
        raise entry.wrong("flaws", "should be a list of outlines in pixels")
    flaws = [entry.as_points("flaws", ring, 2, 3) for ring in flaws]
    zones = []
    for zone in entry.tables("zones"):
        zones.append((zone.name("name"), zone.points("outline", 2, 3)))
        zone.close()
    spine = (
        entry.points("backbone", 2, 2) if entry.has("backbone") else entry.take("backbone", None)
    )
    entry.close()

    try:
        H = rectified(corners, size)
    except ValueError as error:
        raise entry.wrong("corners", str(error), "give its four corners in order") from None
    notes = []
    found: list[Array] = []
    if outline is None:
        picture, factor = _picture(file)
        thing = _silhouette(picture, corners / factor, H, factor)
        if thing is None:
            raise entry.wrong(
                "file",
                "the hide's edge cannot be told from the ground around it",
                "photograph it whole on a plain ground of another colour, or give outline in pixels",
            )
        outline = thing.outline * factor
        found = [ring * factor for ring in thing.holes]
        notes.append(
            f"the hide's edge was found in {file.name} by its contrast: check it on the lay plan"
            + (f"; {len(found)} holes in it are kept clear of" if found else "")
        )

    def mm(pixels: Array, key: str) -> Array:
        points = apply(H, pixels)
        if not np.isfinite(points).all() or np.abs(points).max() > FAR_MM:
            raise entry.wrong(
                key, "it reaches the horizon of the rectangle's plane", "check corners"
            )
        return points

    edge = mm(outline, "outline")
    low = edge.min(axis=0)
    notes.append(_uncertainty(corners, size, outline, edge, file.name))
    edge = _plain(edge - low)
    backbone = None
    if spine is not None:
        a, b = mm(spine, "backbone")[:2]
        backbone = float(np.degrees(np.arctan2(b[1] - a[1], b[0] - a[0])))
    return Outlines(
        outline=edge,
        holes=tuple(_plain(mm(ring, "flaws") - low) for ring in (*found, *flaws)),
        zones=tuple(Zone(name=n, outline=mm(ring, "zones") - low) for n, ring in zones),
        backbone_deg=backbone,
        notes=tuple(notes),
    )


def rectified(corners: Array, size: tuple[float, ...]) -> Array:
    """(3, 3) from pixels (y down) to mm (y up), never mirrored, whichever way round the corners go.

    Raises
    ------
    ValueError : the corners are no rectangle seen at an angle
    """
    if len(corners) != 4:
        raise ValueError(f"a rectangle has 4 corners, not {len(corners)}")
    x, y = corners.T
    turn = float(x @ np.roll(y, -1) - y @ np.roll(x, -1))
    steps = np.diff(corners, axis=0, append=corners[:1])
    bends = steps[:, 0] * np.roll(steps[:, 1], -1) - steps[:, 1] * np.roll(steps[:, 0], -1)
    if not (np.all(bends > 0) or np.all(bends < 0)):
        raise ValueError("the corners do not go round a rectangle")
    w, h = size
    # With y down, corners that go clockwise to the eye enclose a positive area.
    down = -h if turn > 0 else h
    return homography(corners, np.array([[0.0, 0.0], [w, 0.0], [w, down], [0.0, down]]))


def _picture(file: Path) -> tuple[Array, float]:
    """(h, w, 3) upright and small enough to work on, and full pixels for one of its."""
    data = read_bytes(file, most=MOST_BYTES)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with Image.open(BytesIO(data), formats=FORMATS) as image:
                if image.size[0] * image.size[1] > MOST_PIXELS:
                    raise ValueError("too large")
                picture = ImageOps.exif_transpose(image).convert("RGB")
                factor = max(max(picture.size) / WORKING, 1.0)
                wide, high = (max(round(s / factor), 8) for s in picture.size)
                return np.asarray(
                    picture.resize((wide, high), Image.Resampling.BOX), np.float64
                ), factor
    except Exception as error:
        # A decoder meets hostile bytes here and may raise anything.
        raise BadInput(
            f"the photograph cannot be read ({type(error).__name__})", file.name, "save it as PNG"
        ) from None


def _silhouette(picture: Array, corners: Array, H: Array, factor: float):
    h, w = picture.shape[:2]
    y, x = np.mgrid[0:h, 0:w]
    wide = Polygon(corners).buffer(4.0)
    hidden = shapely.contains_xy(wide, x.ravel(), y.ravel()).reshape(h, w)
    middle = corners.mean(axis=0)
    unit = apply(H, factor * np.array([middle, middle + (1.0, 0.0)]))
    mm_per_pixel = float(np.linalg.norm(unit[1] - unit[0]))
    return find_silhouette(picture, hidden, (LEAST_HOLE_MM / mm_per_pixel) ** 2)


def _plain(ring: Array) -> Array:
    """The ring with no more points than its shape needs."""
    polygon = Polygon(ring).simplify(CHORD_MM)
    return np.array(polygon.exterior.coords)[:-1] if isinstance(polygon, Polygon) else ring


def _uncertainty(
    corners: Array, size: tuple[float, ...], outline: Array, edge: Array, name: str
) -> str:
    """How far the outline moves when one corner is marked one pixel off."""
    worst = 0.0
    for i in range(4):
        for way in ((1.0, 0.0), (0.0, 1.0)):
            nudged = corners.copy()
            nudged[i] += way
            worst = max(worst, float(np.abs(apply(rectified(nudged, size), outline) - edge).max()))
    surer = "; a larger rectangle, nearer the hide's middle, is surer" if worst > SURE_MM else ""
    return f"a corner marked one pixel off in {name} moves the hide's edge by up to {worst:.1f} mm{surer}"
