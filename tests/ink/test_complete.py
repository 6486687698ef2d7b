"""Mirroring a cast that was drawn on one half, and the picture of what was read."""

import numpy as np
import pytest
from ink_bodies import ring
from ink_cases import PI, SHIN
from ink_scans import normals_of, tube_mesh

from flatten.errors import BadInput
from flatten.ink.complete import mirror_lines
from flatten.ink.picture import lines_picture
from flatten.records.cast import Cast, Symmetry
from flatten.records.ink import InkReading
from flatten.records.lines import Line
from flatten.records.scan import Scan


def cast_with(symmetry):
    V, F, _ = tube_mesh(SHIN, 8.0, np.random.default_rng(0))
    return Cast(
        name="tube", V=V, F=F, N=normals_of(V, F), rims=(), to_cast=np.diag([10.0, 10, 10, 1]),
        symmetry=symmetry,
    )  # fmt: skip


PLANE = Symmetry(point=np.zeros(3), normal=np.array([1.0, 0, 0]), rms_mm=1.0)


def line(name, points, closed=False):
    return Line(name=name, kind="seam", points=np.asarray(points, float) / 10.0, closed=closed)


def test_a_line_on_one_half_gets_its_twin_with_left_and_right_swapped():
    drawn = [[40, y, 5.0] for y in range(0, 100, 5)]
    done = mirror_lines(InkReading(lines=(line("side left", drawn),)), cast_with(PLANE), "left")
    twin = {x.name: x for x in done.lines}["side right"]
    assert np.allclose(twin.points * 10.0, np.array(drawn) * [-1, 1, 1])


def test_a_half_ring_becomes_a_closed_one():
    whole = ring(SHIN, 100.0)
    half = whole[(whole[:, 0] > 4.0)]
    half = half[np.argsort(np.arctan2(half[:, 2], half[:, 0]))]
    done = mirror_lines(InkReading(lines=(line("ring left", half),)), cast_with(PLANE), "left")
    assert len(done.lines) == 1
    assert done.lines[0].closed
    x = done.lines[0].points[:, 0] * 10.0
    assert x.min() == pytest.approx(-x.max())


def test_a_cast_without_a_plane_of_symmetry_is_refused():
    with pytest.raises(BadInput, match="not symmetric"):
        mirror_lines(InkReading(lines=()), cast_with(None), "left")


def test_the_picture_shows_a_line_in_the_colour_of_its_kind():
    cast = cast_with(PLANE)
    scan = Scan(
        name="t", V=cast.V / 10.0, F=cast.F, colors=np.full((len(cast.V), 3), 128, np.uint8)
    )
    drawn = SHIN.at(PI / 2, np.linspace(10, 250, 100))
    image = lines_picture(scan, cast, InkReading(lines=(line("front", drawn),)), height=400)
    yellow = (image[:400] == (255, 200, 0)).all(axis=2)
    rows = np.flatnonzero(yellow.any(axis=1))
    assert np.ptp(rows) > 0.8 * 240 / 260 * 372
