"""A plan pressed together: all pieces moved, and turned where they may be, by linear programs.

Each step moves every piece a little so that the plan gets as short as the contacts allow, to first
order, and is taken again from where that led (compaction after Li & Milenkovic, Eur. J. Oper. Res.
84(3), 1995; turns as a third unknown of every piece). It also parts pieces that are too near.
"""

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.optimize import linprog
from scipy.sparse import coo_matrix
from shapely.geometry import Polygon

from flatten.geometry.polygons import largest
from flatten.nest.contacts import contacts
from flatten.nest.ground import ENDLESS_MM, Ground, blocked
from flatten.nest.pieces import Shape
from flatten.nest.search import Lie

Array = NDArray[np.float64]

FINE_MM = 0.004  # outlines are simplified by this much, and kept as much farther apart
KEPT_MM = 1e-4  # what a contact may fall short of the gap in the end
FIRST_MM, LAST_MM = 2.0, 0.01  # moves of one step
ROUNDS, MENDING = 60, 12
PULL = 0.3  # how much it counts that pieces lie near the start, beside the length of all
PART = 100.0  # how much it counts that pieces are too near


def press(
    shapes: list[Shape], plan: list[Lie | None], ground: Ground, gap: float, rounds: int = ROUNDS
) -> list[Lie | None]:
    """The plan with every sheet pressed toward its start.

    Sheets that cannot be brought to keep the gap are left as they are.
    """
    plan = list(plan)
    for b in sorted({lie.bin for lie in plan if lie is not None}):
        own = [i for i, lie in enumerate(plan) if lie is not None and lie.bin == b]
        lies = [lie for lie in plan if lie is not None and lie.bin == b]
        pressed = _Bed([shapes[i] for i in own], lies, ground, gap).press(rounds)
        if pressed is not None:
            for i, (angle, x, y) in zip(own, pressed, strict=True):
                plan[i] = Lie(bin=b, angle=angle, x=x, y=y)
    return plan


def core_of(shape: Shape, gap: float) -> Polygon:
    """What must keep the whole gap from other cores: the outline, or more along bevelled edges."""
    grown = shapely.buffer(shape.true, 0.5 * gap + 0.2, join_style="mitre", mitre_limit=1.5)
    if grown.covers(shape.grown):
        return shape.true
    core = shapely.union(shape.true, shape.grown.buffer(-0.5 * gap))
    return core if isinstance(core, Polygon) else shape.grown


class _Bed:
    """The pieces of one sheet where they lie; the state is the places of their centres and turns."""

    def __init__(self, shapes: list[Shape], lies: list[Lie], ground: Ground, gap: float) -> None:
        cores = [largest(core_of(s, gap).simplify(FINE_MM), eye=0.0) for s in shapes]
        self.count = len(cores)
        bad = blocked(ground, min(ground.length, ENDLESS_MM))
        parts = [] if bad is None else shapely.get_parts(bad)
        walls: list[Polygon] = [part for part in parts if isinstance(part, Polygon)]
        rings, starts, owner = [], [0], []
        for piece, outline in enumerate([*cores, *walls]):
            for k, ring in enumerate((outline.exterior, *outline.interiors)):
                points = np.array(ring.coords)[:-1]
                rings.append(points if ring.is_ccw == (k == 0) else points[::-1])
                starts.append(starts[-1] + len(rings[-1]))
                owner.append(piece)
        self.points = np.concatenate(rings)
        self.starts = np.array(starts, np.int64)
        self.owner = np.array(owner, np.int64)
        self.of = np.repeat(self.owner, np.diff(self.starts))
        self.firsts = self.starts[np.searchsorted(self.owner, np.arange(self.owner[-1] + 1))]
        self.fixed = self.of >= self.count
        centres = np.array([core.centroid.coords[0] for core in cores])
        turn = np.radians([lie.angle for lie in lies])
        at = np.array([(lie.x, lie.y) for lie in lies])
        self.centres = centres
        self.state = np.column_stack([at + _rotated(centres, turn), turn])
        arms = self.points[~self.fixed] - centres[self.of[~self.fixed]]
        self.radius = np.zeros(self.count)
        np.maximum.at(self.radius, self.of[~self.fixed], np.linalg.norm(arms, axis=1))
        self.arms = arms
        area = np.array([core.area for core in cores])
        self.weight = PULL * area / area.sum()
        self.free = np.array([s.any for s in shapes])
        self.gap = gap + 2.0 * FINE_MM + KEPT_MM
        self.wall = 0.5 * gap + FINE_MM
        self.high = ground.width - self.wall
        self.far = ground.length - self.wall
        self.pairs = np.zeros((4096, 2), np.int64)
        self.rows = np.zeros((4096, 7))

    def press(self, rounds: int) -> list[tuple[float, float, float]] | None:
        """(angle, x, y) of every piece, None where the gap could not be kept."""
        short, end = self._shortfall(self.state)
        step = FIRST_MM
        for _ in range(rounds):
            moved = self._moved(step, PULL)
            if moved is None:
                return None
            left, reach = self._shortfall(moved)
            if left > max(0.25 * step, short):
                step *= 0.5
            else:
                if end - reach < 0.02 * step:
                    step *= 0.6
                self.state, short, end = moved, left, reach
            if step < LAST_MM:
                break
        for _ in range(MENDING):
            if short <= KEPT_MM:
                break
            moved = self._moved(max(0.02, 3.0 * short), 0.0)
            if moved is None:
                return None
            self.state = moved
            short, _ = self._shortfall(moved)
        if short > KEPT_MM:
            return None
        turn = self.state[:, 2]
        at = self.state[:, :2] - _rotated(self.centres, turn)
        angles = np.degrees(turn)
        return [(float(a), float(x), float(y)) for a, (x, y) in zip(angles, at, strict=True)]

    def _placed(self, state: Array) -> Array:
        """All points where they lie."""
        own = self.of[~self.fixed]
        P = self.points.copy()
        P[~self.fixed] = _rotated(self.arms, state[own, 2]) + state[own, :2]
        return P

    def _contacts(self, P: Array, reach: float) -> tuple[NDArray[np.int64], Array]:
        low = np.minimum.reduceat(P, self.firsts)
        high = np.maximum.reduceat(P, self.firsts)
        boxes = np.column_stack([low, high])
        while True:
            m = contacts(
                P, self.starts, self.owner, boxes, self.count, reach, self.pairs, self.rows
            )
            if m <= len(self.rows):
                return self.pairs[:m], self.rows[:m]
            self.pairs = np.zeros((2 * m, 2), np.int64)
            self.rows = np.zeros((2 * m, 7))

    def _wanted(self, pairs: NDArray[np.int64]) -> Array:
        """The distance wanted in each contact: half as much from what is fixed."""
        fixed = (pairs >= self.count).any(axis=1)
        return np.where(fixed, self.wall + FINE_MM, self.gap)

    def _shortfall(self, state: Array) -> tuple[float, float]:
        """By how much the worst contact or wall is too near, and how far the pieces reach."""
        P = self._placed(state)
        pairs, rows = self._contacts(P, self.gap)
        own = P[~self.fixed]
        short = max(
            0.0,
            float(self.wall - own.min()),
            float(own[:, 1].max() - self.high),
            float(own[:, 0].max() - self.far),
        )
        if len(rows):
            short = max(short, float((self._wanted(pairs) - rows[:, 6]).max()))
        return short, float(own[:, 0].max())

    def _moved(self, step: float, pull: float) -> Array | None:
        """The state after the best moves of at most `step`, None where no program was solved.

        Unknowns: dx, dy, and turn times radius of every piece; the length; what gaps fall short.
        """
        n = self.count
        P = self._placed(self.state)
        pairs, rows = self._contacts(P, self.gap + 4.0 * step)
        blocks = [self._rows_of(pairs, rows)]
        own = np.flatnonzero(~self.fixed)
        x, y = P[own].T
        end = x.max()
        near = 4.0 * step + self.wall
        for near_wall, axis, sign, room in (
            (own[x < near], 0, 1.0, self.wall),
            (own[y < near], 1, 1.0, self.wall),
            (own[y > self.high - near], 1, -1.0, -self.high),
        ):
            blocks.append(self._wall(P, near_wall, axis, sign, room, 3 * n + 1))
        blocks.append(self._wall(P, own[x > end - 2.0 * near], 0, -1.0, 0.0, 3 * n))
        height = 0
        r, c, v, least = [], [], [], []
        for rows_, cols, values, right in blocks:
            r.append(rows_ + height)
            c.append(cols)
            v.append(values)
            least.append(right)
            height += len(right)
        A = coo_matrix(
            (-np.concatenate(v), (np.concatenate(r), np.concatenate(c))), shape=(height, 3 * n + 2)
        ).tocsr()
        cost = np.zeros(3 * n + 2)
        if pull:
            cost[0 : 3 * n : 3] = self.weight
        cost[3 * n], cost[3 * n + 1] = 1.0, PART
        bound = np.full((3 * n + 2, 2), step)
        bound[:, 0] = -step
        bound[2 : 3 * n : 3][~self.free] = 0.0
        # A plan that is too long must be let go on from where it is.
        bound[3 * n] = 0.0, max(self.far, end)
        bound[3 * n + 1] = 0.0, np.inf
        found = linprog(cost, A_ub=A, b_ub=-np.concatenate(least), bounds=bound, method="highs-ds")
        if found.x is None:
            return None
        moves = found.x[: 3 * n].reshape(n, 3)
        return self.state + np.column_stack([moves[:, :2], moves[:, 2] / self.radius])

    def _rows_of(self, pairs: NDArray[np.int64], rows: Array):
        """Constraints of the contacts: normal times the difference of the moves is what is lacking."""
        m, n = len(rows), self.count
        index = np.arange(m)
        r, c, v = [index], [np.full(m, 3 * n + 1)], [np.ones(m)]
        for side, sign, place in ((0, 1.0, rows[:, 2:4]), (1, -1.0, rows[:, 4:6])):
            moving = pairs[:, side] < n
            piece = pairs[moving, side]
            nx, ny = rows[moving, 0], rows[moving, 1]
            arm = place[moving] - self.state[piece, :2]
            lever = (ny * arm[:, 0] - nx * arm[:, 1]) / self.radius[piece]
            for k, value in enumerate((nx, ny, lever)):
                r.append(index[moving])
                c.append(3 * piece + k)
                v.append(sign * value)
        right = self._wanted(pairs) - rows[:, 6]
        return np.concatenate(r), np.concatenate(c), np.concatenate(v), right

    def _wall(
        self, P: Array, near: NDArray[np.int64], axis: int, sign: float, room: float, extra: int
    ):
        """Constraints that points stay on their side of a wall, or short of the length."""
        m = len(near)
        piece = self.of[near]
        arm = P[near] - self.state[piece, :2]
        lever = (-arm[:, 1] if axis == 0 else arm[:, 0]) / self.radius[piece]
        index = np.arange(m)
        r = np.concatenate([index] * 3)
        c = np.concatenate([3 * piece + axis, 3 * piece + 2, np.full(m, extra)])
        v = np.concatenate([np.full(m, sign), sign * lever, np.ones(m)])
        return r, c, v, room - sign * P[near, axis]


def _rotated(V: Array, turn: Array) -> Array:
    c, s = np.cos(turn), np.sin(turn)
    return np.column_stack([c * V[:, 0] - s * V[:, 1], s * V[:, 0] + c * V[:, 1]])
