"""A z-buffer: which triangle each pixel of a picture shows, and the picture in plain colours."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numba import njit
from numpy.typing import NDArray

from flatten.records.arrays import still


@dataclass(frozen=True, eq=False, kw_only=True)
class FaceBuffer:
    """What each pixel shows; row 0 is the top.

    face : (h, w) int32, the triangle seen, -1 where there is none
    bary : (h, w, 2) float32, weights of its corners 1 and 2 (corner 0 has the rest)
    depth : (h, w) float64, distance from the eye, infinite where there is nothing
    """

    face: NDArray[np.int32]
    bary: NDArray[np.float32]
    depth: NDArray[np.float64]


@njit(cache=True)
def _fill(xy, depth, F, face, bary, zbuffer):  # pragma: no cover - compiled
    h, w = zbuffer.shape
    for f in range(F.shape[0]):
        i, j, k = F[f, 0], F[f, 1], F[f, 2]
        ax, ay = xy[i, 0], xy[i, 1]
        ux, uy = xy[j, 0] - ax, xy[j, 1] - ay
        vx, vy = xy[k, 0] - ax, xy[k, 1] - ay
        det = ux * vy - uy * vx
        if not abs(det) > 1e-12:
            continue
        # A pixel's place is its centre, at half-integers.
        x0 = max(0, int(np.ceil(min(ax, ax + ux, ax + vx) - 0.5)))
        x1 = min(w - 1, int(np.floor(max(ax, ax + ux, ax + vx) - 0.5)))
        y0 = max(0, int(np.ceil(min(ay, ay + uy, ay + vy) - 0.5)))
        y1 = min(h - 1, int(np.floor(max(ay, ay + uy, ay + vy) - 0.5)))
        for y in range(y0, y1 + 1):
            for x in range(x0, x1 + 1):
                px, py = x + 0.5 - ax, y + 0.5 - ay
                b = (px * vy - py * vx) / det
                c = (ux * py - uy * px) / det
                if b < -1e-9 or c < -1e-9 or b + c > 1.0 + 1e-9:
                    continue
                z = (1.0 - b - c) * depth[i] + b * depth[j] + c * depth[k]
                if z < zbuffer[y, x]:
                    zbuffer[y, x] = z
                    face[y, x] = f
                    bary[y, x, 0] = b
                    bary[y, x, 1] = c


def visible_faces(
    xy: NDArray[np.float64],
    depth: NDArray[np.float64],
    F: NDArray[np.integer],
    size: tuple[int, int],
) -> FaceBuffer:
    """The nearest triangle at every pixel centre, both sides of a triangle alike.

    xy : (n, 2) pixels, x to the right, y downward, the image's corner at (0, 0)
    depth : (n,) distance from the eye, any unit; smaller is nearer
    size : (width, height) in pixels
    """
    w, h = size
    face = np.full((h, w), -1, dtype=np.int32)
    bary = np.zeros((h, w, 2), dtype=np.float32)
    zbuffer = np.full((h, w), np.inf)
    _fill(
        np.ascontiguousarray(xy, dtype=np.float64),
        np.ascontiguousarray(depth, dtype=np.float64),
        still(np.ascontiguousarray(F, dtype=np.int32)),
        face,
        bary,
        zbuffer,
    )
    return FaceBuffer(face=face, bary=bary, depth=zbuffer)


def paint(
    seen: FaceBuffer,
    F: NDArray[np.integer],
    colours: NDArray[np.number],
    *,
    per: Literal["vertex", "face"] = "vertex",
    background: tuple[int, int, int] = (255, 255, 255),
) -> NDArray[np.uint8]:
    """(h, w, 3) picture of what is seen.

    colours : (n, 3) one a vertex, blended over each triangle, or (m, 3) one a face; 0 to 255
    """
    image = np.empty((*seen.face.shape, 3), dtype=np.uint8)
    image[:] = background
    hit = seen.face >= 0
    f = seen.face[hit]
    if per == "face":
        values = np.asarray(colours, dtype=np.float64)[f]
    else:
        b = seen.bary[hit].astype(np.float64)
        weights = np.column_stack([1.0 - b[:, 0] - b[:, 1], b])
        corners = np.asarray(colours, dtype=np.float64)[F[f]]
        values = np.einsum("ij,ijk->ik", weights, corners)
    image[hit] = np.clip(np.rint(values), 0, 255).astype(np.uint8)
    return image


def rasterize(
    xy: NDArray[np.float64],
    depth: NDArray[np.float64],
    F: NDArray[np.integer],
    colours: NDArray[np.number],
    size: tuple[int, int],
    *,
    per: Literal["vertex", "face"] = "vertex",
    background: tuple[int, int, int] = (255, 255, 255),
) -> NDArray[np.uint8]:
    """(h, w, 3) picture of a mesh already brought to pixels: `visible_faces`, then `paint`."""
    return paint(visible_faces(xy, depth, F, size), F, colours, per=per, background=background)
