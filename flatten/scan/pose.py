"""Turns a scan upright: finds the wearer's up and front where the job does not give them.

What can be told from the cast is: the openings (a torso's neck is smaller than its waist and nearer
the arms; hips have two alike at the lower end; a limb is thinner at the lower end), the left-right
mirror plane, and what bulges (a neckline is lower in front; calf and elbow lie behind). Everything
that was a guess is said as one. A mirrored scan cannot be told from the body's shape; that is asked.
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from scipy.spatial import ConvexHull, QhullError

from flatten.errors import BadInput
from flatten.geometry.sampling import Samples, sample_surface
from flatten.geometry.section import across
from flatten.geometry.triangles import Array, Faces
from flatten.scan.body import Kind, Opening, find_openings, kind_of, pairs
from flatten.scan.symmetry import SPACING_MM, MirrorFit, Mirrors

# A scan saved upright keeps its file axes: directions found within this angle of one are it.
UP_SNAP_DEG = 10.0
FRONT_SNAP_DEG = {"torso": 10.0, "hips": 10.0, "trunk": 10.0, "limb": 35.0, "unknown": 45.0}
KNEE = 1.15  # a leg with its knee is so much wider at the top than at the calf
AXES = {
    sign + axis: (1.0 if sign == "+" else -1.0) * np.eye(3)[k]
    for k, axis in enumerate("xyz")
    for sign in "+-"
}
CHECK = {
    "torso": "the wearer's left arm opening is at +x",
    "hips": "the wearer's left leg opening is at +x",
    "trunk": "the wearer's left side is at +x",
    "limb": "the side of the limb at +x is the wearer's left one",
    "unknown": "the side at +x is the wearer's left one",
}


@dataclass(frozen=True, eq=False, kw_only=True)
class FrameResult:
    """R (3, 3) : proper rotation, cast = R @ file; rows are the wearer's left, up and front."""

    R: Array
    notes: tuple[str, ...] = ()


class Guess(NamedTuple):
    """A direction, why it was taken, and whether it is more than a guess."""

    direction: Array
    why: str
    sure: bool


def find_frame(V: Array, F: Faces, up: Array | None, front: Array | None) -> FrameResult:
    """The rotation that turns the file's axes into the cast's: left +x, up +y, front +z.

    up, front : unit vectors in the file's axes, or None to find them from the cast

    Raises
    ------
    BadInput : up and front are given and lie along one line
    """
    if up is not None and front is not None:
        return FrameResult(R=_rotation(np.asarray(up, float), np.asarray(front, float)))
    cast = _Cast(V, F)
    notes = []
    upright = True
    if up is None:
        guess = cast.find_up(front)
        up, axis = _snapped(guess.direction, UP_SNAP_DEG)
        upright = bool(axis)
        notes.append(_told("up", guess, up, axis))
    up = _unit(np.asarray(up, float))
    if front is None:
        guess = cast.find_front(up)
        front, axis = guess.direction, ""
        # A scan that was saved upright was saved facing an axis too.
        if upright and np.abs(up).max() > 0.999:
            front, axis = _snapped(front, FRONT_SNAP_DEG[cast.kind])
        notes.append(_told("front", guess, front, axis))
    notes.append(f"the scan may be mirrored by the phone: check that {CHECK[cast.kind]}")
    return FrameResult(R=_rotation(up, np.asarray(front, float)), notes=tuple(notes))


def _rotation(up: Array, front: Array) -> Array:
    up = up / np.linalg.norm(up)
    level = front - (front @ up) * up
    if np.linalg.norm(level) < 0.17 * np.linalg.norm(front):
        raise BadInput("up and front lie along one line", "scan.front", "give another front")
    z = level / np.linalg.norm(level)
    return np.array([np.cross(up, z), up, z])


def _snapped(direction: Array, within_deg: float) -> tuple[Array, str]:
    """The file axis within that angle of a direction and its name, else the direction and ''."""
    for name, axis in AXES.items():
        if direction @ axis > np.cos(np.radians(within_deg)):
            return axis, name
    return direction, ""


def _told(what: str, guess: Guess, taken: Array, axis: str) -> str:
    where = f"the file's {axis}" if axis else "(" + ", ".join(f"{x:.3f}" for x in taken) + ")"
    head = f"{what} is {where}, found from the cast: {guess.why}"
    return head if guess.sure else f"{head}; this is a guess, give {what} in [scan] if it is wrong"


class _Cast:
    """A cast in the file's axes and what was found about it, each thing once."""

    def __init__(self, V: Array, F: Faces) -> None:
        area = float(np.ptp(V, axis=0).max())
        self.samples: Samples = sample_surface(V, F, min(SPACING_MM, max(area / 40, 1e-6)))
        self.openings = find_openings(V, F)
        self.mirrors = Mirrors(self.samples)
        weights = self.samples.areas
        self.middle = np.average(self.samples.points, axis=0, weights=weights)
        spread = (self.samples.points - self.middle) * np.sqrt(weights / weights.sum())[:, None]
        # Longest first; three of them even where there are fewer samples.
        self.axes = np.linalg.eigh(spread.T @ spread)[1].T[::-1]
        self.pair, self.mirror = self._find_pair()
        self.kind: Kind = kind_of(
            self.openings, None if self.mirror is None else self.mirror.normal
        )

    def _find_pair(self) -> tuple[tuple[int, int] | None, MirrorFit | None]:
        """The two openings that mirror each other best, and the plane that does it."""
        best: tuple[tuple[int, int] | None, MirrorFit | None] = (None, None)
        if len(self.openings) < 3:
            return best
        for i, j in pairs(self.openings):
            a, b = self.openings[i].centre, self.openings[j].centre
            if np.linalg.norm(b - a) < 30:
                continue
            n = (b - a) / np.linalg.norm(b - a)
            fit = self.mirrors.fit(n, float(n @ (a + b) / 2))
            if fit.matched > 0.6 and (best[1] is None or fit.rms_mm < best[1].rms_mm):
                best = ((i, j), fit)
        return best

    def find_up(self, front: Array | None) -> Guess:
        if self.kind == "torso" and self.pair is not None and self.mirror is not None:
            return self._up_of_torso(self.pair, self.mirror)
        if self.kind == "hips" and self.pair is not None and self.mirror is not None:
            return self._up_of_hips(self.pair, self.mirror)
        if len(self.openings) == 2:
            return self._up_of_tube(*self.openings)
        if len(self.samples.points) < 12:
            return Guess(AXES["+y"], "it has too few faces to show it", False)
        axis = self.axes[0]
        if front is not None:
            options = [_in_plane(a, front) for a in self.axes]
            axis = _unit(max(options, key=lambda a: float(np.linalg.norm(a))))
        if len(self.openings) == 1:
            away = self.middle - self.openings[0].centre
            long = np.ptp(self.samples.points @ axis) > 1.7 * np.ptp(
                self.samples.points @ self.axes[1]
            )
            to = -away if long else away
            return Guess(
                axis if axis @ to > 0 else -axis,
                "its one opening is taken to be the upper end of a limb"
                if long
                else "its one opening is taken to be the lower end",
                False,
            )
        for name in ("+y", "+z"):
            file_axis = AXES[name]
            if abs(axis @ file_axis) > 0.8:
                return Guess(file_axis, "it has no openings; its length lies along it", False)
        return Guess(axis, "it has no openings; its length lies along it", False)

    def _up_of_tube(self, wide: Opening, narrow: Opening) -> Guess:
        axis = _unit(wide.centre - narrow.centre)
        sizes = (
            f"narrower end ({narrow.length:.0f} mm round) to its wider one ({wide.length:.0f} mm)"
        )
        if self.kind == "limb":
            sure = narrow.length < 0.85 * wide.length
            return Guess(axis, f"along its length, from its {sizes}", sure)
        for name in ("+y", "+z"):
            if abs(axis @ AXES[name]) > np.cos(np.radians(30)):
                sign = 1.0 if axis @ AXES[name] > 0 else -1.0
                return Guess(
                    sign * axis, f"along its length, the way the file's {name} runs", False
                )
        return Guess(axis, f"along its length, from its {sizes}", False)

    def _up_of_torso(self, pair: tuple[int, int], mirror: MirrorFit) -> Guess:
        arms = [self.openings[i] for i in pair]
        rest = [o for i, o in enumerate(self.openings) if i not in pair]
        low, high = rest[0], min(rest[1:], key=lambda o: _off(o, mirror))
        middle = (arms[0].centre + arms[1].centre) / 2
        line = _unit(high.centre - low.centre)
        to_low, to_high = (np.linalg.norm(o.centre - middle) for o in (low, high))
        # The waist is larger than the neck, farther from the arms, and the arms hang towards it.
        votes = 4.0 * np.log(low.length / high.length) + 2.0 * (to_low - to_high) / (
            to_low + to_high
        )
        votes -= 0.5 * float((arms[0].normal + arms[1].normal) @ line)
        if votes < 0:
            low, high = high, low
        line = _unit(_in_plane(high.centre - low.centre, mirror.normal))
        level = _unit(_in_plane(-low.normal, mirror.normal))
        ends = (
            f"the waist opening ({low.length:.0f} mm round)",
            f"the neck's ({high.length:.0f} mm)",
        )
        if level @ line > np.cos(np.radians(14)) and low.flatness < 0.012 * low.length:
            return Guess(level, f"square to {ends[0]}, which is level, towards {ends[1]}", True)
        return Guess(line, f"from {ends[0]} to {ends[1]}", True)

    def _up_of_hips(self, pair: tuple[int, int], mirror: MirrorFit) -> Guess:
        legs = [self.openings[i] for i in pair]
        waist = next(o for i, o in enumerate(self.openings) if i not in pair)
        middle = (legs[0].centre + legs[1].centre) / 2
        line = _unit(_in_plane(waist.centre - middle, mirror.normal))
        together = legs[0].normal @ legs[1].normal
        if together > -0.3:
            return Guess(
                line,
                f"from two leg openings ({legs[0].length:.0f} and {legs[1].length:.0f} mm round) to "
                f"the waist's ({waist.length:.0f} mm)",
                True,
            )
        return Guess(
            -line, "away from its largest opening, with an arm opening on each side", False
        )

    def find_front(self, up: Array) -> Guess:
        if self.kind in ("torso", "hips", "trunk"):
            return self._front_by_mirror(up)
        return self._front_by_bulge(up)

    def _front_by_mirror(self, up: Array) -> Guess:
        mirror = self.mirror
        if mirror is None:
            flat = [_unit(_in_plane(a, up)) for a in self.axes if abs(a @ up) < 0.8]
            fits = [self.mirrors.fit(n, float(n @ self.middle)) for n in flat]
            fits = [f for f in fits if abs(f.normal @ up) < 0.3 and f.matched > 0.6]
            if not fits:
                return Guess(across(up), "no mirror plane was found", False)
            mirror = min(fits, key=lambda f: f.rms_mm)
        front = _unit(np.cross(mirror.normal, up))
        bow = self._bow(up, front)
        votes = [(float(np.tanh(bow / 8.0)), f"the body bows that way by {abs(bow):.0f} mm")]
        if self.kind == "hips":
            votes = [(-votes[0][0], f"the seat bulges the other way by {abs(bow):.0f} mm")]
        if self.kind == "torso" and self.pair is not None:
            rest = [o for i, o in enumerate(self.openings) if i not in self.pair]
            neck = max(rest, key=lambda o: float(o.centre @ up))
            tilt = float(np.degrees(np.arcsin(np.clip(neck.normal @ front, -1, 1))))
            said = f"the neck opening is lower there (tilted by {abs(tilt):.0f} degrees)"
            votes.insert(0, (2.0 * float(np.tanh(tilt / 7.0)), said))
        total = sum(vote for vote, _ in votes)
        sign = 1.0 if total >= 0 else -1.0
        why = " and ".join(said for vote, said in votes if vote * sign >= 0)
        return Guess(sign * front, why, self.kind == "torso" and abs(total) > 1.5)

    def _bow(self, up: Array, front: Array) -> float:
        """How far the middle of the depth lies forward of its ends at half height, mm."""
        h = self.samples.points @ up
        z = self.samples.points @ front
        low, high = np.quantile(h, [0.02, 0.98])
        middles = []
        for a, b in ((0.02, 0.2), (0.4, 0.65), (0.8, 0.95)):
            on = (h >= low + a * (high - low)) & (h <= low + b * (high - low))
            if on.sum() < 10:
                return 0.0
            middles.append(0.5 * (np.quantile(z[on], 0.02) + np.quantile(z[on], 0.98)))
        return float(middles[1] - 0.5 * (middles[0] + middles[2]))

    def _front_by_bulge(self, up: Array) -> Guess:
        """A calf bulges back and a thigh forward; an elbow or a calf alone bulges back."""
        level = across(up)
        aside = np.cross(up, level)
        rings = self._rings(up, level, aside)
        if len(rings) < 8:
            return Guess(_file_level(up), "the cast is too short to show it", False)
        t, girth, c = rings[:, 0], rings[:, 1], rings[:, 2:]
        off = c - (c[0] + (c[-1] - c[0]) * t[:, None])
        knee = girth[t > 0.9].max() > KNEE * girth[(t > 0.3) & (t < 0.6)].max()
        bulge = _mean_near(off, t, 0.35)
        why = "the limb's lower middle bulges the other way, as a calf or an elbow does"
        if knee:
            bulge = (bulge - _mean_near(off, t, 0.75)) / 2
            why = "the limb bulges that way above and the other way below, as thigh and calf do"
        size = float(np.linalg.norm(bulge))
        if size < 0.05 * float(girth.mean() / (2 * np.pi)):
            return Guess(_file_level(up), "the limb is too straight to show it", False)
        direction = -_unit(bulge[0] * level + bulge[1] * aside)
        return Guess(direction, f"{why} ({size:.0f} mm; good to about 30 degrees)", False)

    def _rings(self, up: Array, level: Array, aside: Array, count: int = 24) -> Array:
        """(k, 4) along the length: share of it, girth, centre (two level coordinates), mm."""
        P = self.samples.points
        h = P @ up
        low, high = np.quantile(h, [0.02, 0.98])
        edges = np.linspace(low, high, count + 1)
        flat = np.column_stack([P @ level, P @ aside])
        rings = []
        for i in range(count):
            q = flat[(h >= edges[i]) & (h < edges[i + 1])]
            if len(q) < 8:
                continue
            try:
                hull = ConvexHull(q)
            except QhullError:
                continue
            x, y = q[hull.vertices].T
            cross = x * np.roll(y, -1) - np.roll(x, -1) * y
            six = 3 * cross.sum()
            centre = ((x + np.roll(x, -1)) @ cross / six, (y + np.roll(y, -1)) @ cross / six)
            rings.append(((i + 0.5) / count, float(hull.area), *centre))
        table = np.array(rings).reshape(-1, 4)
        if len(table):
            table[:, 0] = (table[:, 0] - table[0, 0]) / max(table[-1, 0] - table[0, 0], 1e-9)
        return table


def _unit(v: Array) -> Array:
    return v / max(float(np.linalg.norm(v)), 1e-12)


def _in_plane(v: Array, normal: Array) -> Array:
    return v - (v @ normal) * normal


def _file_level(up: Array) -> Array:
    """The file's own front as far as it is level: +z, or -y where +z is up."""
    level = [_in_plane(AXES[name], up) for name in ("+z", "-y", "+x")]
    return _unit(next(v for v in level if np.linalg.norm(v) > 0.57))


def _mean_near(values: Array, t: Array, at: float) -> Array:
    weight = np.exp(-(((t - at) / 0.15) ** 2))
    mean: Array = (values * weight[:, None]).sum(axis=0) / weight.sum()
    return mean


def _off(opening: Opening, mirror: MirrorFit) -> float:
    return abs(float(opening.centre @ mirror.normal) - mirror.height)
