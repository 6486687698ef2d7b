"""Bodies made from formulas, and drawing on them: where the synthetic scans take their shape."""

from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np


@dataclass(frozen=True)
class Body:
    """A tube round the y axis: half width, half depth and centre by height, plus round bumps.

    knots : heights (mm) with half width x, half depth z and centre (x, z) there
    bumps : (angle, height, radius, how far it stands out), angle 0 at +x (the wearer's left),
        a quarter turn at +z (front)
    """

    knots: tuple[tuple[float, float, float, float, float], ...]
    bumps: tuple[tuple[float, float, float, float], ...] = ()
    _table: np.ndarray = field(init=False, repr=False)

    def __post_init__(self):
        k = np.array(self.knots)
        y = np.linspace(k[0, 0], k[-1, 0], 400)
        # A cubic through the knots with level-free ends, evaluated once.
        from scipy.interpolate import PchipInterpolator

        object.__setattr__(
            self, "_table", np.column_stack([y, PchipInterpolator(k[:, 0], k[:, 1:])(y)])
        )

    @property
    def low(self):
        return self.knots[0][0]

    @property
    def high(self):
        return self.knots[-1][0]

    def at(self, angle, y):
        """Points (..., 3) at an angle round the body and a height."""
        angle, y = np.broadcast_arrays(np.asarray(angle, float), np.asarray(y, float))
        t = self._table
        rx, rz, cx, cz = (np.interp(y, t[:, 0], t[:, i]) for i in range(1, 5))
        grow = np.zeros_like(y)
        for a, h, radius, out in self.bumps:
            turn = np.angle(np.exp(1j * (angle - a)))
            d2 = (turn * 0.5 * (rx + rz)) ** 2 + (y - h) ** 2
            grow = grow + out * np.exp(-d2 / (2 * (radius / 2) ** 2))
        scale = 1 + grow / (0.5 * (rx + rz))
        return np.stack([cx + rx * scale * np.cos(angle), y, cz + rz * scale * np.sin(angle)], -1)

    def girth(self, y):
        p = self.at(np.linspace(0, 2 * np.pi, 361), np.full(361, y))
        return np.linalg.norm(np.diff(p, axis=0), axis=1).sum()

    def stretch(self, angle, y):
        """mm moved on the body per radian of angle and per mm of height."""
        e = 1e-4
        p = self.at(angle, y)
        return (
            np.linalg.norm(self.at(angle + e, y) - p, axis=-1) / e,
            np.linalg.norm(self.at(angle, y + 100 * e) - p, axis=-1) / (100 * e),
        )


TORSO = Body(
    knots=(
        (0, 170, 118, 0, 0),
        (60, 175, 122, 0, 0),
        (190, 132, 96, 0, 6),
        (330, 150, 108, 0, 0),
        (430, 158, 100, 0, -6),
        (500, 140, 84, 0, -10),
    ),
    bumps=((1.05, 330, 78, 34), (2.09, 330, 78, 34), (-1.1, 60, 110, 18), (-2.04, 60, 110, 18)),
)
LIMB = Body(
    knots=(
        (0, 44, 48, 0, 0),
        (110, 50, 58, 3, -6),
        (200, 58, 64, 6, -4),
        (300, 56, 60, 10, 6),
        (400, 72, 78, 14, 4),
        (480, 84, 90, 16, 2),
    ),
    bumps=((-1.57, 190, 90, 12), (1.57, 300, 50, 8)),
)


@dataclass(frozen=True)
class Stroke:
    """A line drawn on a body. kind : what reading should make of it, "writing" included.

    dash : mm drawn and left out in turn, over and over
    """

    name: str
    points: np.ndarray
    ink: tuple[int, int, int]
    width: float = 4.0
    closed: bool = False
    kind: str = "seam"
    strength: float = 1.0
    dash: tuple[float, ...] | None = None


def along(body, angles, heights, step=2.0):
    """A smooth curve through places (angle, height) on the body, points about `step` mm apart."""
    from scipy.interpolate import CubicSpline

    q = np.column_stack([angles, heights]).astype(float)
    u = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(body.at(*q.T), axis=0), axis=1))])
    closed = np.allclose(np.exp(1j * q[0, 0]), np.exp(1j * q[-1, 0])) and np.isclose(
        q[0, 1], q[-1, 1]
    )
    turn = round((q[-1, 0] - q[0, 0]) / (2 * np.pi)) if closed else 0
    if closed:
        slope = turn * 2 * np.pi / u[-1]
        flat = q.copy()
        flat[:, 0] -= slope * u
        flat[-1] = flat[0]
        spline = CubicSpline(u, flat, bc_type="periodic")
    else:
        slope = 0.0
        spline = CubicSpline(u, q, bc_type="natural")
    t = np.linspace(0, u[-1], max(8, int(u[-1] / step)))
    place = spline(t)
    place[:, 0] += slope * t
    p = body.at(*place.T)
    return p[:-1] if closed else p


def straight(body, corners, step=1.5):
    """Straight strokes through places (angle, height), the corners kept sharp."""
    q = np.asarray(corners, float)
    parts = []
    for a, b in pairwise(q):
        n = max(2, int(np.linalg.norm(body.at(*a) - body.at(*b)) / step))
        s = np.linspace(0, 1, n, endpoint=False)[:, None]
        parts.append(a + (b - a) * s)
    return body.at(*np.vstack([*parts, q[-1:]]).T)


def ring(body, y, wave=0.0, phase=0.0, step=2.0):
    """A closed line round the body at a height that rises and falls by `wave` mm."""
    n = int(body.girth(y) / step)
    angle = np.linspace(0, 2 * np.pi, n, endpoint=False)
    return body.at(angle, y + wave * np.sin(angle + phase))


def sketch(body, angle, y, lines, size, turn=0.0):
    """Plane polylines (unit height) laid on the body round a place, `size` mm high."""
    per_angle, per_height = body.stretch(angle, y)
    c, s = np.cos(turn), np.sin(turn)
    out = []
    for line in lines:
        q = np.asarray(line, float) * size
        q = q @ np.array([[c, s], [-s, c]])
        # +x of the drawing runs to a viewer's right: the angle falls.
        places = np.column_stack([angle - q[:, 0] / per_angle, y + q[:, 1] / per_height])
        out.append(straight(body, places, 1.0))
    return out


def _arc(cx, cy, rx, ry, a0, a1, n=14):
    t = np.radians(np.linspace(a0, a1, n))
    return np.column_stack([cx + rx * np.cos(t), cy + ry * np.sin(t)])


LETTERS = {
    "C": [_arc(0.32, 0.5, 0.32, 0.5, 50, 310)],
    "F": [[(0, 0), (0, 1), (0.55, 1)], [(0, 0.55), (0.45, 0.55)]],
    "B": [
        np.vstack([[(0, 0), (0, 1)], _arc(0.2, 0.75, 0.3, 0.25, 90, -90)]),
        _arc(0.2, 0.25, 0.35, 0.25, 90, -90),
    ],
    "L": [[(0, 1), (0, 0), (0.55, 0)]],
    "R": [
        np.vstack([[(0, 0), (0, 1)], _arc(0.2, 0.75, 0.3, 0.25, 90, -90)]),
        [(0.2, 0.5), (0.55, 0)],
    ],
    "A": [[(0, 0), (0.32, 1), (0.64, 0)], [(0.14, 0.4), (0.5, 0.4)]],
    "1": [[(0, 0.75), (0.25, 1), (0.25, 0)]],
    "2": [np.vstack([_arc(0.28, 0.72, 0.28, 0.28, 170, -40), [(0, 0), (0.58, 0)]])],
    "O": [_arc(0.32, 0.5, 0.32, 0.5, 0, 360, 24)],
    "arrow": [[(0, 0), (0, 1)], [(-0.2, 0.75), (0, 1), (0.2, 0.75)]],
    "cross": [[(-0.5, 0), (0.5, 0)], [(0, -0.5), (0, 0.5)]],
    "hatch": [[(i * 0.16, 0), (i * 0.16 + 0.3, 1)] for i in range(6)],
}


def word(body, angle, y, text, size, ink, width=3.0, turn=0.0):
    """Letters side by side, as strokes of kind "writing"."""
    names = [text] if text in LETTERS else list(text)
    strokes = []
    for i, letter in enumerate(names):
        shifted = [np.asarray(p, float) + (0.85 * i, 0.0) for p in LETTERS[letter]]
        for j, p in enumerate(sketch(body, angle, y, shifted, size, turn)):
            strokes.append(
                Stroke(name=f"{text} {i}{j}", points=p, ink=ink, width=width, kind="writing")
            )
    return strokes
