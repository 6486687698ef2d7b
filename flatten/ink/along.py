"""What the samples show along a curve on the surface, and ahead of its end."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.spatial import KDTree

from flatten.geometry.curves import arc_length
from flatten.ink.contrast import MOST, Contrast, fair
from flatten.ink.fit import STEP_MM, solved
from flatten.ink.paths import outward
from flatten.ink.samples import Samples

Points = NDArray[np.float64]

WIDE_MM = 6.5
CENTRE_MM = 3.2
WAVE_MM = 45.0
BEND_MM = 30.0
BENDS = np.array([-0.012, 0.0, 0.012])  # more or less than the curve so far, one over mm


@dataclass(frozen=True, eq=False)
class Along:
    """A curve P (k, 3) with normals, and the samples near it: indices, the node that each lies at,
    mm along and across, contrast X, ink q (1 for that of a given contrast), weight w in samples."""

    P: Points
    N: Points
    which: NDArray[np.int64]
    node: NDArray[np.int64]
    t: NDArray[np.float64]
    across: NDArray[np.float64]
    X: Points
    q: NDArray[np.float64]
    w: NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Ahead:
    """The plane in which a curve goes on: its end, the way ahead, across, and likely bends."""

    at: Points
    way: Points
    left: Points
    bends: NDArray[np.float64]

    def place(self, u: NDArray[np.float64], v: NDArray[np.float64]) -> Points:
        return self.at + u[:, None] * self.way + v[:, None] * self.left


class Looker:
    """Looks at the samples of a scan along curves."""

    def __init__(self, S: Samples, seen: Contrast):
        self.S, self.seen, self.tree = S, seen, S.tree

    def on_surface(self, P: Points) -> tuple[Points, Points]:
        """The points (k, 3) brought to the surface, and its normals there."""
        near = np.reshape(self.tree.query(P, k=min(8, len(self.S.P)))[1], (len(P), -1))
        N = self.S.N[near].mean(axis=1)
        N /= np.maximum(np.linalg.norm(N, axis=1, keepdims=True), 1e-9)
        up = np.einsum("ikj,ij->ik", self.S.P[near] - P[:, None], N).mean(axis=1)
        return P + up[:, None] * N, N

    def contrast(self, P: Points, which, node) -> Points:
        """(k, 3) contrast of samples to the tape at the places P that they belong to."""
        here = self.tree.query(P)[1]
        B, scale = self.seen.B[here][node], self.seen.scale[here][node]
        return np.clip((self.S.C[which] - B) / scale, -1.0, MOST)

    def along(self, P: Points, contrast: Points) -> Along:
        """The samples along a curve whose points lie about `STEP_MM` apart; contrast : (3,) fair."""
        P, N = self.on_surface(P)
        found = self.tree.query_ball_point(P, WIDE_MM)
        near = np.unique(np.concatenate([np.asarray(f, dtype=np.int64) for f in found]))
        node = np.asarray(KDTree(P).query(self.S.P[near])[1])
        T = ways(P)
        rel = self.S.P[near] - P[node]
        ahead = np.einsum("ij,ij->i", rel, T[node])
        ok = (np.einsum("ij,ij->i", self.S.N[near], N[node]) > 0.3) & (np.abs(ahead) < STEP_MM)
        near, node, rel, ahead = near[ok], node[ok], rel[ok], ahead[ok]
        X = self.contrast(P, near, node)
        return Along(
            P=P,
            N=N,
            which=near,
            node=node,
            t=arc_length(P)[node] + ahead,
            across=np.einsum("ij,ij->i", rel, np.cross(N, T)[node]),
            X=X,
            q=fair(X) @ contrast / float(contrast @ contrast),
            w=self.S.W[near] / self.S.spacing**2,
        )

    def ahead(self, P: Points, contrast: Points, reach: float):
        """Beyond the last point of a curve: u ahead and v aside of the samples there, their ink and
        weight, and the plane that they are seen in."""
        at, way = P[-1], outward(P, 1, BEND_MM / 2)
        _, N = self.on_surface(at[None])
        way = way - (way @ N[0]) * N[0]
        way /= max(float(np.linalg.norm(way)), 1e-9)
        left = np.cross(N[0], way)
        # The bend of the last stretch, by a parabola through it.
        s = arc_length(P)
        tail = P[s > s[-1] - BEND_MM] - at
        u, v = tail @ way, tail @ left
        bend = 2.0 * float((u * u * v).sum() / max(float((u**4).sum()), 1e-9))
        frame = Ahead(at, way, left, np.clip(bend, -0.02, 0.02) + BENDS)
        near = np.array(self.tree.query_ball_point(at, reach), dtype=np.int64)
        near = near[self.S.N[near] @ N[0] > 0.2]
        rel = self.S.P[near] - at
        u, v = rel @ way, rel @ left
        # Along the surface it is farther than straight through the body.
        stretch = np.linalg.norm(rel, axis=1) / np.maximum(np.hypot(u, v), 1e-9)
        u, v = u * stretch, v * stretch
        ok = (u > -1.0) & (np.abs(v) < 0.6 * np.maximum(u, 0.0) + 7.0)
        near = near[ok]
        X = fair(self.contrast(at[None], near, np.zeros(len(near), np.int64)))
        q = X @ contrast / float(contrast @ contrast)
        return u[ok], v[ok], q, self.S.W[near] / self.S.spacing**2, frame


def smooth_curve(look: Looker, P: Points, contrast: Points) -> Points:
    """The curve drawn to the middle of the ink near it and smoothed, bare places bridged."""
    for _ in range(2):
        here = look.along(P, contrast)
        pull = np.where(np.abs(here.across) < CENTRE_MM, here.w * np.clip(here.q, 0.0, 1.2), 0.0)
        pull = np.where(here.q > 0.3, pull, 0.0)
        have = np.bincount(here.node, pull, minlength=len(P))
        move = np.bincount(here.node, pull * here.across, minlength=len(P))
        aim = np.divide(move, have, out=np.zeros(len(P)), where=have > 0)
        A = np.cross(here.N, ways(here.P))
        weight = have + 0.02
        n = len(P)
        second = sparse.eye(n - 2, n) - 2.0 * sparse.eye(n - 2, n, 1) + sparse.eye(n - 2, n, 2)
        usual = float(np.mean(weight))
        stiff = usual * (WAVE_MM / (2.0 * np.pi * STEP_MM)) ** 4
        M = sparse.diags(weight) + stiff * (second.T @ second)
        target = here.P + aim[:, None] * A
        P = np.column_stack([solved(M, weight * target[:, k]) for k in range(3)])
    return P


def ways(P: Points) -> Points:
    T = np.gradient(P, axis=0)
    return T / np.maximum(np.linalg.norm(T, axis=1, keepdims=True), 1e-12)
