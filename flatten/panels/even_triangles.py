"""Even triangles beside the cuts: a band of some rings along them is made anew where it must be."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from flatten.geometry.band import FREE, HELD, Band, Curves, mark_firm, place_vertices
from flatten.geometry.curves import arc_length
from flatten.geometry.editmesh import EditMesh
from flatten.geometry.nearest import ground
from flatten.geometry.quality import improve
from flatten.panels.arcs import Arc
from flatten.records.cast import Cast

# How many rings of vertices from a cut may change to make its triangles better.
BAND_RINGS = 4


def even_triangles(mesh: EditMesh, cast: Cast, arcs: Sequence[Arc]) -> tuple[list[Arc], Band]:
    """Evens the triangles along the cuts, in place; returns the arcs as they run then.

    Rims that the cast does not know were made by trimming: looked after like cuts.
    """
    n, first_new = len(mesh.V), len(cast.V)
    band = Band(
        tag=np.full(n, FREE, dtype=np.int64),
        s=np.zeros(n),
        active=np.zeros(n, dtype=np.bool_),
        firm=np.zeros(n, dtype=np.bool_),
        size=np.zeros(n),
        N=np.zeros((n, 3)),
    )
    band.N[:first_new] = cast.N
    under = ground(cast.V, cast.F, cast.N)
    place_vertices(mesh, band, under, first_new)
    points, places, offsets, faces = [], [], [0], []
    for k, arc in enumerate(arcs):
        band.tag[arc.vertices[1:-1]] = k
        P = mesh.V[arc.vertices]
        s = arc_length(P)
        band.s[arc.vertices[1:-1]] = s[1:-1]
        points.append(P)
        places.append(s)
        faces.append(mesh.home[arc.vertices])
        offsets.append(offsets[-1] + len(s))
    for arc in arcs:
        band.tag[list(arc.ends)] = HELD
    if not arcs:
        return list(arcs), band
    curves = Curves(
        start=np.array(offsets, dtype=np.int64),
        P=np.concatenate(points),
        s=np.concatenate(places),
        face=np.concatenate(faces).astype(np.int64),
    )
    seeds = np.zeros(n, dtype=np.bool_)
    for arc in arcs:
        if arc.line >= 0 or arc.rim >= len(cast.rims):
            seeds[arc.vertices] = True
    _seed_chords(mesh, band, seeds)
    band.active[:] = _grow(mesh.F[: mesh.used[1]], seeds, BAND_RINGS)
    mark_firm(band, under)
    _set_sizes(mesh, cast, band)
    rings = np.empty((2, 4096), dtype=np.int64)
    improve(mesh, band, under, curves, rings[0], rings[1])
    kept: list[Arc] = []
    used = np.flatnonzero((band.tag[: mesh.used[0]] >= 0) & (mesh.star[: mesh.used[0]] >= 0))
    order = used[np.lexsort((band.s[used], band.tag[used]))]
    bounds = np.searchsorted(band.tag[order], np.arange(len(arcs) + 1))
    for k, arc in enumerate(arcs):
        inner = order[bounds[k] : bounds[k + 1]]
        chain = np.concatenate([[arc.ends[0]], inner, [arc.ends[1]]]).astype(np.int64)
        kept.append(Arc(line=arc.line, rim=arc.rim, vertices=chain))
    return kept, band


def _set_sizes(mesh: EditMesh, cast: Cast, band: Band) -> None:
    """Wanted edge length at every active vertex: the mean of the cast's edges nearby."""
    V, n = cast.V, len(cast.V)
    near = band.active[:n].copy()
    near[cast.F[mesh.home[n : mesh.used[0]]]] = True
    faces = np.flatnonzero(near[cast.F].any(axis=1))
    F = cast.F[faces]
    length = np.linalg.norm(V[F] - V[np.roll(F, -1, axis=1)], axis=2).mean(axis=1)
    count = np.bincount(F.ravel(), minlength=n)
    for _ in range(2):
        total = np.bincount(F.ravel(), np.repeat(length, 3), minlength=n)
        band.size[:n] = total / np.maximum(count, 1)
        length = band.size[F].mean(axis=1)
    of_face = np.zeros(len(cast.F))
    of_face[faces] = length
    band.size[n : mesh.used[0]] = of_face[mesh.home[n : mesh.used[0]]]


def _seed_chords(mesh: EditMesh, band: Band, seeds: NDArray[np.bool_]) -> None:
    """Adds the ends of plain edges that join two border vertices, to be looked at as well."""
    m = int(mesh.used[1])
    F, A, C = mesh.F[:m], mesh.A[:m], mesh.C[:m]
    f = np.nonzero(
        (C < 0)
        & (A >= 0)
        & (F[:, :1] >= 0)
        & (band.tag[F] != FREE)
        & (band.tag[np.roll(F, -1, axis=1)] != FREE)
    )[0]
    seeds[F[f]] = True


def _grow(F: NDArray[np.int64], seeds: NDArray[np.bool_], rings: int) -> NDArray[np.bool_]:
    """Vertices within so many rings of the seeds."""
    F = F[F[:, 0] >= 0]
    near = seeds.copy()
    for _ in range(rings):
        near[F[near[F].any(axis=1)]] = True
    return near
