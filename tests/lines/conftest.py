"""Casts made from closed forms, and a check of a network that shares no code with its making."""

from collections import defaultdict

import numpy as np
import pytest
import shapely

from flatten.geometry.topology import border_loops
from flatten.geometry.triangles import vertex_normals
from flatten.records.cast import Cast, Rim, Symmetry
from flatten.records.lines import Line


def make_cast(V, F, symmetry=None, to_cast=None, offset_mm=0.0):
    """A cast record from bare arrays, its rims named rim 0, rim 1, ..."""
    rims = []
    for k, loop in enumerate(border_loops(F)):
        P = V[loop]
        length = float(np.linalg.norm(np.roll(P, -1, axis=0) - P, axis=1).sum())
        rims.append(
            Rim(
                name=f"rim {k}",
                vertices=loop,
                length_mm=length,
                smooth_length_mm=length,
                flatness_mm=0.0,
                centre=P.mean(axis=0),
            )
        )
    return Cast(
        name="made",
        V=V,
        F=F,
        N=vertex_normals(V, F),
        rims=tuple(rims),
        to_cast=np.eye(4) if to_cast is None else to_cast,
        symmetry=symmetry,
        offset_mm=offset_mm,
    )


def make_tube(radius=60.0, height=200.0, around=72, rows=41, jitter=0.0, seed=0):
    """A closed tube about y: V (n, 3), F (m, 3), rims at y = 0 and y = height.

    With `jitter` vertices slide over the tube at random, those of the rims along their rim.
    """
    rng = np.random.default_rng(seed)
    angle = np.linspace(0, 2 * np.pi, around, endpoint=False)[None, :] + np.zeros((rows, 1))
    y = np.linspace(0, height, rows)[:, None] + np.zeros((1, around))
    angle = angle + jitter / radius * rng.normal(size=angle.shape)
    y[1:-1] += jitter * rng.normal(size=(rows - 2, around))
    V = np.stack([radius * np.sin(angle), y, radius * np.cos(angle)], axis=2).reshape(-1, 3)
    i, j = np.meshgrid(np.arange(rows - 1), np.arange(around), indexing="ij")
    a, b = i * around + j, i * around + (j + 1) % around
    c, d = b + around, a + around
    F = np.stack([np.stack([a, b, c], -1), np.stack([a, c, d], -1)], axis=2).reshape(-1, 3)
    return V, F.astype(np.int32)


def on_tube(angle_deg, y, radius=60.0):
    """Points on the tube at some angles and heights."""
    angle, y = np.broadcast_arrays(np.radians(angle_deg), np.asarray(y, dtype=float))
    return np.stack([radius * np.sin(angle), y, radius * np.cos(angle)], axis=-1)


def line(name, points, kind="seam", **more):
    """A line with the defaults of a seam."""
    return Line(name=name, kind=kind, points=np.asarray(points, dtype=float), **more)


def assert_sound(network):
    """Holds a network to its contract: zeros, shared faces, ends at nodes, no crossing else."""
    F, V = network.cast.F, network.cast.V
    held = {}
    segments = defaultdict(list)
    for path in network.paths:
        k = len(path.face)
        assert np.all(path.bary >= 0)
        np.testing.assert_allclose(path.bary.sum(axis=1), 1.0)
        np.testing.assert_allclose(
            np.einsum("ki,kij->kj", path.bary, V[F[path.face]]), path.points, atol=1e-9
        )
        if not path.closed:
            for node, i in ((network.nodes[path.start], 0), (network.nodes[path.end], -1)):
                assert node.face == path.face[i]
                assert np.array_equal(node.bary, path.bary[i])
                assert path.line in node.lines
        for i, f in enumerate(path.segment_face):
            ends = []
            for j in (i, (i + 1) % k):
                used = F[path.face[j]][path.bary[j] > 0]
                assert set(used) <= set(F[f])
                w = np.zeros(3)
                for corner in range(3):
                    if path.bary[j, corner] > 0:
                        w[list(F[f]).index(F[path.face[j], corner])] = path.bary[j, corner]
                ends.append(w[1:])
            assert np.linalg.norm(path.points[(i + 1) % k] - path.points[i]) > 1e-6
            if path.kind in ("seam", "dart", "trim"):
                segments[int(f)].append(ends)
        if path.kind in ("seam", "dart", "trim"):
            inner = range(k) if path.closed else range(1, k - 1)
            for i in inner:
                key = (int(path.face[i]), path.bary[i].tobytes())
                assert key not in held, f"{path.line} meets {held[key]} outside a node"
                held[key] = path.line
    assert not {(n.face, n.bary.tobytes()) for n in network.nodes} & set(held)
    for some in segments.values():
        for i, one in enumerate(some):
            for two in some[i + 1 :]:
                hit = shapely.LineString(one).intersection(shapely.LineString(two))
                if hit.is_empty:
                    continue
                assert hit.geom_type == "Point", "two arcs share a stretch"
                at = np.array(hit.coords[0])
                for ends in (one, two):
                    assert min(np.linalg.norm(at - e) for e in ends) < 1e-9, "arcs cross"


@pytest.fixture(scope="session")
def tube():
    return make_cast(*make_tube())


@pytest.fixture(scope="session")
def rough_tube():
    return make_cast(*make_tube(jitter=0.5, seed=4))


@pytest.fixture(scope="session")
def mirror_tube():
    plane = Symmetry(point=np.zeros(3), normal=np.array([1.0, 0, 0]), rms_mm=0.5)
    return make_cast(*make_tube(jitter=0.5, seed=4), symmetry=plane)


@pytest.fixture(scope="session")
def make():
    """The makers above, for tests that need a cast of their own."""

    class Make:
        cast, tube, on_tube, line, sound = (
            staticmethod(make_cast),
            staticmethod(make_tube),
            staticmethod(on_tube),
            staticmethod(line),
            staticmethod(assert_sound),
        )

    return Make
