"""Panels that are not disks: what they are, and the seam that would open them."""

import re

import numpy as np
import pytest
import trimesh

from flatten.errors import BadInput
from flatten.geometry.topology import border_loops
from flatten.geometry.triangles import vertex_normals
from flatten.panels.check import shape_of
from flatten.panels.cut import cut_panels
from flatten.records.cast import Cast, Rim
from flatten.records.lines import LineNetwork


def bare(V, F):
    """A cast of the mesh without any line on it."""
    F = np.asarray(F, dtype=np.int32)
    rims = tuple(
        Rim(
            name=f"hole {k + 1}", vertices=loop, length_mm=0.0, smooth_length_mm=0.0,
            flatness_mm=0.0, centre=V[loop].mean(axis=0),
        )
        for k, loop in enumerate(border_loops(F))
    )  # fmt: skip
    cast = Cast(name="bare", V=V, F=F, N=vertex_normals(V, F), rims=rims, to_cast=np.eye(4))
    return LineNetwork(cast=cast, lines=(), paths=(), nodes=())


def torus(major=60.0, minor=20.0):
    mesh = trimesh.creation.torus(major, minor, major_sections=60, minor_sections=24)
    return np.array(mesh.vertices), np.array(mesh.faces)


def without(V, F, keep):
    F = F[keep]
    used, inverse = np.unique(F, return_inverse=True)
    return V[used], inverse.reshape(-1, 3)


def refusal(network):
    with pytest.raises(BadInput) as caught:
        cut_panels(network)
    return str(caught.value)


def length_in(text):
    return float(re.search(r"about (\d+) mm", text).group(1))


def test_a_closed_sphere_asks_for_a_seam():
    mesh = trimesh.creation.icosphere(subdivisions=4, radius=100.0)
    text = refusal(bare(np.array(mesh.vertices), np.array(mesh.faces)))
    assert "a closed shell" in text
    assert "draw a seam from the top to the bottom" in text
    # Half a great circle (pi R = 314 mm) along mesh edges, which zigzag.
    assert 310 < length_in(text) < 350


def test_a_tube_names_its_rims_and_the_shortest_seam(tube):
    text = refusal(tube(48, 30).network())
    assert "panel 'body'" in text
    assert "a tube between the rim 'lower' and the rim 'upper'" in text
    assert "draw a seam from the rim 'lower' to the rim 'upper'" in text
    assert length_in(text) == pytest.approx(150, abs=1)


def test_a_part_of_a_tube_says_which_ring_it_ends_at(tube):
    text = refusal(tube(48, 30).draw("knee ring", [(0, 10), (48, 10)]).network())
    assert "panel 'lower'" in text
    assert "from the rim 'lower' to the seam 'knee ring'" in text
    assert length_in(text) == pytest.approx(50, abs=1)


def test_a_dart_that_meets_nothing_is_named_with_the_shortest_way_out(tube):
    shape = tube(48, 30).draw("back", [(24.3, 0), (24.3, 30)])
    text = refusal(shape.draw("dart", [(10, 4), (11.3, 9.2)], kind="dart").network())
    assert "'dart' meets no rim and no other line" in text
    assert "to the seam 'dart'" in text
    assert length_in(text) == pytest.approx(20, abs=4)


def test_a_ring_with_two_openings_too_many_counts_the_seams():
    mesh = trimesh.creation.icosphere(subdivisions=4, radius=100.0)
    V, F = np.array(mesh.vertices), np.array(mesh.faces)
    centre = V[F].mean(axis=1)
    keep = (np.abs(centre[:, 0]) < 80) & (centre[:, 1] < 80)
    text = refusal(bare(*without(V, F, keep)))
    assert "a shell with 3 openings" in text
    assert "draw 2 seams, the first from" in text


def test_a_torus_is_a_handle():
    V, F = torus()
    assert shape_of(len(V), len(F), ()).handles == 1
    assert "a closed shell and a handle" in refusal(bare(V, F))


def test_a_torus_with_one_hole_is_opened_round_its_handle():
    V, F = torus()
    hole = np.linalg.norm(V[F].mean(axis=1) - [80.0, 0.0, 0.0], axis=1) < 6.0
    text = refusal(bare(*without(V, F, ~hole)))
    assert "a shell with one opening and a handle" in text
    assert "draw 2 seams, the first from the rim 'hole 1' round the handle and back to it" in text
    # Round the tube (2 pi 20 = 126 mm), less the hole that both ends start from.
    assert 95 < length_in(text) < 130


def test_handles_are_counted_by_eulers_formula():
    """Genus g has characteristic 2 - 2g (Seifert & Threlfall, 1934): two tori, glued, have 2."""
    V, F = torus()
    opened = without(V, F, np.arange(len(F)) != 0)[1]
    first = border_loops(opened)[0]
    n = int(opened.max()) + 1
    # The second torus is the first inside out; their holes are sewn vertex to vertex.
    second = opened[:, ::-1] + n
    glued = np.concatenate([opened, second])
    for v in first:
        glued[glued == v + n] = v
    assert shape_of(len(np.unique(glued)), len(glued), ()).handles == 2
