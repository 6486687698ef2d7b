"""The edge of a thing photographed on a plain ground, found by its contrast against that ground."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from flatten.geometry.isolines import level_rings

Array = NDArray[np.float64]

BORDER = 0.03  # of the picture's size: the frame that shows the ground alone
LEAST_APART = 0.92  # share of the variance that a threshold must explain
ROUNDS = 4  # of telling thing and ground apart by what the round before took for them
SHADE = 0.3  # spread of the shade that things throw on their ground, as a logarithm of light
FLOOR = 0.02  # least spread of a colour
SPECK = 0.002  # of the picture: what is smaller is no thing


@dataclass(frozen=True, eq=False, kw_only=True)
class Silhouette:
    """outline (k, 2) and holes in (column, row); apart : how clearly thing and ground differ, 0 to 1."""

    outline: Array
    holes: tuple[Array, ...]
    apart: float


def find_silhouette(
    image: Array, hidden: NDArray[np.bool_], least_hole: float
) -> Silhouette | None:
    """The largest thing that stands out from the ground along the picture's border.

    image : (h, w, 3); hidden : (h, w) what lies over thing or ground and is neither (taken for
    whichever surrounds it); least_hole : px² of the holes to keep. The ground may be lit unevenly:
    it is a quadratic surface in every channel. None where nothing stands out, or where it runs out
    of the picture.
    """
    x = np.log(np.maximum(image, 1.0) / np.maximum(_ground(image, hidden), 1.0))
    x = ndimage.gaussian_filter(x, (1.0, 1.0, 0.0))
    d = np.linalg.norm(x, axis=-1)
    level, apart = _otsu(d[~hidden])
    for _ in range(ROUNDS):
        d = _between(x, (d >= level) & ~hidden, (d < level) & ~hidden)
        level, apart = _otsu(d[~hidden])
    if apart < LEAST_APART:
        return None
    inside = d >= level
    inside[hidden] = _surrounded(inside, hidden)
    inside = np.asarray(ndimage.binary_opening(inside, iterations=2), dtype=bool)
    labels, count = _parts(inside)
    if not count:
        return None
    sizes = np.bincount(labels.ravel())[1:]
    thing = labels == 1 + int(np.argmax(sizes))
    if sizes.max() < SPECK * thing.size or _touches_border(thing):
        return None
    solid = np.asarray(ndimage.binary_fill_holes(thing), dtype=bool)
    gaps, number = _parts(solid & ~_grown(thing, 1))
    areas = np.bincount(gaps.ravel(), minlength=number + 1)
    kept = [k for k in range(1, number + 1) if areas[k] >= least_hole]
    # The field itself near the edge, so that the line lies between pixels; plain elsewhere.
    high = float(d.max()) + level
    deep = ~_grown(~solid, 3) | (hidden & solid)
    near = _grown(solid, 3)
    rings = level_rings(np.where(deep, high, np.where(near, d, 0.0)), level)
    if not rings:
        return None
    holes = []
    for k in kept:
        around = _grown(gaps == k, 4)
        own = level_rings(np.where(around, -d, -high), -level)
        holes += [max(own, key=len)] if own else []
    return Silhouette(outline=max(rings, key=_area), holes=tuple(holes), apart=apart)


def _ground(image: Array, hidden: NDArray[np.bool_]) -> Array:
    """(h, w, 3) the colour that the ground has at every pixel, by the picture's frame."""
    h, w = image.shape[:2]
    y, x = np.mgrid[0:h, 0:w]
    u, v = 2.0 * x / max(w - 1, 1) - 1.0, 2.0 * y / max(h - 1, 1) - 1.0
    frame = max(2, round(BORDER * min(h, w)))
    edge = np.ones((h, w), dtype=bool)
    edge[frame:-frame, frame:-frame] = False
    edge &= ~hidden
    basis = np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], axis=-1)
    A, B = basis[edge], image[edge]
    use = np.ones(len(A), dtype=bool)
    fit = np.linalg.lstsq(A, B, rcond=None)[0]
    for _ in range(4):
        off = np.linalg.norm(B - A @ fit, axis=1)
        use = off <= 3.0 * max(float(np.median(off)), 1.0)
        fit = np.linalg.lstsq(A[use], B[use], rcond=None)[0]
    return np.asarray(basis @ fit, dtype=np.float64)


def _between(x: Array, thing: NDArray[np.bool_], ground: NDArray[np.bool_]) -> Array:
    """(h, w) how far every pixel lies from ground towards thing, by what parts the two best.

    x : (h, w, 3) logarithms of colour over ground, in which shade adds the same to every channel.
    Fisher's linear discriminant (The use of multiple measurements in taxonomic problems, Annals of
    Eugenics 7(2), 1936); the ground's spread is taken wider towards shade.
    """
    if min(np.count_nonzero(thing), np.count_nonzero(ground)) < 16:
        return np.asarray(np.linalg.norm(x, axis=-1), dtype=np.float64)
    spread = np.cov(x[thing].T) + np.cov(x[ground].T) + SHADE**2 + FLOOR**2 * np.eye(3)
    w = np.linalg.solve(spread, x[thing].mean(axis=0) - x[ground].mean(axis=0))
    return (x - x[ground].mean(axis=0)) @ (w / np.linalg.norm(w))


def _otsu(values: Array) -> tuple[float, float]:
    """The threshold that parts values best, and the share of their variance it explains.

    Otsu, A threshold selection method from gray-level histograms, IEEE Trans. SMC 9(1), 1979.
    """
    counts, edges = np.histogram(values, bins=256)
    middles = 0.5 * (edges[1:] + edges[:-1])
    p = counts / max(counts.sum(), 1)
    w, m = np.cumsum(p), np.cumsum(p * middles)
    with np.errstate(divide="ignore", invalid="ignore"):
        between = np.nan_to_num((m[-1] * w - m) ** 2 / (w * (1.0 - w)))
    k = int(np.argmax(between))
    variance = float((p * (middles - m[-1]) ** 2).sum())
    low, high = m[k] / max(w[k], 1e-12), (m[-1] - m[k]) / max(1.0 - w[k], 1e-12)
    # Halfway between the two means: where a blurred edge has its half height.
    return 0.5 * (low + high), float(between[k]) / max(variance, 1e-12)


def _surrounded(inside: NDArray[np.bool_], hidden: NDArray[np.bool_]) -> bool:
    around = _grown(hidden, 4) & ~_grown(hidden, 1)
    return bool(inside[around].mean() > 0.5) if around.any() else False


def _parts(mask: NDArray[np.bool_]) -> tuple[NDArray[np.int32], int]:
    """Number of the connected part that every pixel belongs to (0: none), and how many there are."""
    labels = np.zeros(mask.shape, np.int32)
    return labels, int(ndimage.label(mask, output=labels))  # type: ignore[arg-type]


def _grown(mask: NDArray[np.bool_], steps: int) -> NDArray[np.bool_]:
    return np.asarray(ndimage.binary_dilation(mask, iterations=steps), dtype=bool)


def _touches_border(thing: NDArray[np.bool_]) -> bool:
    return bool(thing[[0, -1]].any() or thing[:, [0, -1]].any())


def _area(ring: Array) -> float:
    x, y = ring.T
    return abs(float(x @ np.roll(y, -1) - y @ np.roll(x, -1)))
