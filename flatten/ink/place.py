"""Where lines lie on the body: round it or not, along a rim or not, and the names that say so."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import KDTree

from flatten.ink.fit import path_length
from flatten.ink.paths import Path

ROUND_THE_BODY = 0.55  # mean normal of a closed line shorter than this: it goes round the body
TRIM_MEAN_MM = 22.0
TRIM_MOST_MM = 34.0


@dataclass(frozen=True, eq=False, kw_only=True)
class Frame:
    """The body's axes: unit vectors, its middle and its height range along `up`.

    known : the axes come from a prepared cast, so that left and front mean the wearer's
    """

    up: NDArray[np.float64]
    front: NDArray[np.float64]
    left: NDArray[np.float64]
    middle: NDArray[np.float64]
    low: float
    high: float
    girths: NDArray[np.float64]
    known: bool
    torso: bool

    def level(self, p: NDArray[np.float64]) -> float:
        """Height of points on the body as a fraction, 0 at the bottom."""
        y = float(np.mean((p - self.middle) @ self.up))
        return (y - self.low) / max(self.high - self.low, 1e-9)


def body_frame(P: NDArray[np.float64], rims: int, known: bool) -> Frame:
    """Axes of the body from its points: y up and z front in a cast's frame, else the longest side
    up and nothing known of the front."""
    middle = 0.5 * (P.min(axis=0) + P.max(axis=0))
    if known:
        up, front, left = np.array([0, 1.0, 0]), np.array([0, 0, 1.0]), np.array([1.0, 0, 0])
    else:
        axes = np.linalg.svd(P[:: max(len(P) // 5000, 1)] - P.mean(axis=0), full_matrices=False)[2]
        up, left = axes[0], axes[1]
        # A sign that does not depend on the solver: the largest part counts as positive.
        up = up * np.sign(up[np.abs(up).argmax()])
        left = left * np.sign(left[np.abs(left).argmax()])
        front = np.cross(left, up)
    y = (P - middle) @ up
    edges = np.linspace(y.min(), y.max(), 25)
    band = np.clip(np.digitize(y, edges) - 1, 0, 23)
    width = np.zeros(24)
    for k in range(24):
        q = P[band == k]
        if len(q):
            width[k] = np.ptp(q @ left) + np.ptp(q @ front)
    wide, deep = np.ptp(P @ left), np.ptp(P @ front)
    return Frame(
        up=up, front=front, left=left, middle=middle, low=float(y.min()), high=float(y.max()),
        girths=width, known=known, torso=bool(known and (rims >= 3 or (wide > 1.25 * deep and wide > 220))),
    )  # fmt: skip


def goes_round(p: Path) -> bool:
    """Whether a closed line goes round the body: the normals along it then cancel out."""
    if not p.closed:
        return False
    q = np.vstack([p.points, p.points[:1]])
    w = np.linalg.norm(np.diff(q, axis=0), axis=1)
    mean = (p.normals * w[:, None]).sum(axis=0) / max(float(w.sum()), 1e-9)
    return float(np.linalg.norm(mean)) < ROUND_THE_BODY


def along_a_rim(p: Path, rims: list[NDArray[np.float64]]) -> int:
    """The rim that a line round the body keeps close to all the way, -1 for none."""
    if not goes_round(p):
        return -1
    for k, rim in enumerate(rims):
        d = KDTree(rim).query(p.points)[0]
        round_too = path_length(p.points, True) < 1.5 * path_length(rim, True)
        if d.mean() < TRIM_MEAN_MM and d.max() < TRIM_MOST_MM and round_too:
            return k
    return -1


def _azimuth(p: NDArray[np.float64], normals: NDArray[np.float64], frame: Frame) -> float:
    """Degrees round the body: 0 front, 90 the wearer's left, 180 back."""
    n = normals.mean(axis=0)
    x, z = float(n @ frame.left), float(n @ frame.front)
    return float(np.degrees(np.arctan2(x, z)))


def _side(azimuth: float) -> str:
    a = abs(azimuth)
    hand = "left" if azimuth > 0 else "right"
    if a < 18:
        return "centre front"
    if a > 162:
        return "centre back"
    if 62 < a < 118:
        return f"side {hand}"
    return f"{'front' if a <= 62 else 'back'} {hand}"


def _height(level: float) -> str:
    return "lower" if level < 0.36 else "upper" if level > 0.64 else "middle"


def _ring(p: Path, frame: Frame) -> str:
    level = frame.level(p.points)
    if frame.torso:
        inner = frame.girths[4:20]
        waist = (4 + int(inner.argmin()) + 0.5) / 24
        if abs(level - waist) < 0.09:
            return "waist ring"
    return f"{_height(level)} ring"


def name_of(p: Path, frame: Frame, kind: str) -> str:
    """A name that says where the line lies, the same whenever it is read again."""
    if p.closed and goes_round(p):
        return _ring(p, frame) if kind != "trim" else f"{_height(frame.level(p.points))} trim"
    level = _height(frame.level(p.points))
    if not frame.known:
        place = f"{level} loop" if p.closed else f"{level} line"
    else:
        side = _side(_azimuth(p.points, p.normals, frame))
        y = p.points @ frame.up
        rise = float(np.ptp(y)) / max(p.length, 1e-9)
        tall = float(np.ptp(y)) / max(frame.high - frame.low, 1e-9)
        if p.closed:
            place = f"{side} loop"
        elif rise > 0.7 and tall > 0.3:
            place = side
        elif rise < 0.45:
            place = f"{level} {side} cross line"
        else:
            place = f"{level} {side}"
    return place if kind == "seam" else f"{place} {kind}"


def unique_names(names: list[str], order: list[tuple]) -> list[str]:
    """Numbers names that occur more than once, in the given order of places."""
    out = list(names)
    for name in set(names):
        same = sorted((i for i, n in enumerate(names) if n == name), key=lambda i: order[i])
        for k, i in enumerate(same):
            if len(same) > 1:
                out[i] = f"{name} {k + 1}"
    return out
