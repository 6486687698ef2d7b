"""Straight closures and no-stretch zones: kept where the panel can take it, and said where it cannot."""

import dataclasses

import numpy as np
import pytest

from flatten.distortion.measure import measure_flats
from flatten.geometry.topology import unique_edges
from flatten.geometry.triangles import corner_angles
from flatten.parameterize.couplings import make_sheet
from flatten.parameterize.flat import flatten_panels
from flatten.parameterize.straight import StraightEdge, straight_notes
from flatten.records.panels import BorderRun, PanelMark


def symmetric(make, seed: int, bulge: float = 1.0):
    """Two halves that mirror each other: the seam between them lies in the plane of symmetry, and
    such a curve is a geodesic (do Carmo, Differential Geometry of Curves and Surfaces, 4-4)."""
    V, F = make.bumpy(seed=seed, half_width=80.0)
    z = V[:, 2].reshape(33, 33)
    V[:, 2] = bulge * 0.5 * (z + z[:, ::-1]).ravel()
    return make.halves(V, F)


def with_joint(parts, joint: str, fixing: str = "glue"):
    seam = dataclasses.replace(parts.seams[0], joint=joint, fixing=fixing)
    return dataclasses.replace(parts, seams=(seam,))


def beside_chord(P) -> float:
    way, chord = P - P[0], P[-1] - P[0]
    return float(np.abs(chord[0] * way[:, 1] - chord[1] * way[:, 0]).max() / np.hypot(*chord))


@pytest.mark.parametrize(
    ("joint", "fixing", "straight"),
    [("butt", "glue", False), ("gap", "lace", True), ("lap", "closure", True)],
)
def test_a_closure_straight_on_the_cast_comes_out_straight(make, joint, fixing, straight):
    """Within 0.5 mm per 100 mm; another seam there may bend for less strain."""
    parts = with_joint(symmetric(make, seed=8), joint, fixing)
    flats = flatten_panels(parts, make.foam(), ply="base").flats
    for side in parts.seams[0].sides:
        length = np.linalg.norm(np.diff(parts.panels[side.panel].V[side.vertices], axis=0), axis=1)
        sag = beside_chord(flats[side.panel].U[side.vertices])
        assert (sag < 0.005 * length.sum()) == straight
    assert flats[0].notes == ()


def test_a_closure_bent_on_the_cast_stays_as_it_is(make):
    """An edge that turns on the surface is no straight edge, whatever closes it."""
    parts = make.halves(*make.bumpy(seed=5, half_width=80.0))
    bent = flatten_panels(with_joint(parts, "gap"), make.foam(), ply="base").flats
    plain = flatten_panels(parts, make.foam(), ply="base").flats
    np.testing.assert_array_equal(bent[0].U, plain[0].U)


def test_a_closure_that_is_not_straight_is_named():
    """An arc of 100 mm on a chord with a sag of 3 mm: six times what a straight edge may have."""
    x = np.linspace(-50.0, 50.0, 21)
    edge = StraightEdge(name="middle", panel=1, vertices=np.arange(21), length_mm=100.0)
    bent = np.column_stack([x, 3.0 * (1 - (x / 50) ** 2)])
    assert edge.sag(bent) == pytest.approx(3.0)
    none, said = straight_notes((edge,), bent, 2)
    assert none == []
    assert "'middle'" in said[0]
    assert "3.0 mm beside its chord" in said[0]
    assert straight_notes((edge,), bent * [1, 0.1], 2) == [[], []]


def zoned(make, *, closed: bool = True):
    parts = make.halves(*make.bumpy(seed=5, half_width=80.0))
    panel = parts.panels[0]
    middle = panel.V[panel.F].mean(axis=1)
    t = np.linspace(0, 2 * np.pi, 80, endpoint=False)
    ring = np.column_stack([-40 + 25 * np.cos(t), 25 * np.sin(t)])
    face = np.array([np.argmin(np.hypot(*(middle[:, :2] - p).T)) for p in ring])
    mark = PanelMark(
        line="tooling", kind="detail", face=face.astype(np.int32), closed=closed,
        bary=np.full((80, 3), 1 / 3),
        no_stretch=True,
    )  # fmt: skip
    return dataclasses.replace(
        parts, panels=(dataclasses.replace(panel, marks=(mark,)), parts.panels[1])
    )


def test_a_zone_keeps_its_lengths_and_says_what_that_costs(make):
    parts = zoned(make)
    panel = parts.panels[0]
    flat_set = flatten_panels(parts, make.foam(), ply="base")
    edges, _, _ = unique_edges(panel.F)
    inside = np.hypot(panel.V[:, 0] + 40, panel.V[:, 1])[edges].max(axis=1) < 22.0
    a, b = edges[inside].T
    U = flat_set.flats[0].U
    ratio = np.linalg.norm(U[a] - U[b], axis=1) / np.linalg.norm(panel.V[a] - panel.V[b], axis=1)
    assert inside.sum() > 100
    assert np.abs(ratio - 1).max() < 0.005
    note = next(n for n in flat_set.flats[0].notes if "no-stretch zone 'tooling'" in n)
    assert "keeps its lengths within" in note
    load = measure_flats(flat_set)[0].load_peak
    with_zone, without = (
        float(x.split()[0]) for x in (note.split("strain is ")[1], note.split("limit, ")[1])
    )
    assert with_zone == pytest.approx(load, abs=0.03)
    assert without < with_zone


def test_a_zone_that_a_seam_cuts_is_named(make):
    flats = flatten_panels(zoned(make, closed=False), make.foam(), ply="base").flats
    assert any("cut by a seam" in note for note in flats[0].notes)


def test_gradients_of_all_wishes(make):
    """Against central differences, at a flat far from the solution."""
    parts = with_joint(symmetric(make, seed=8), "gap")
    sheet, couplings = make_sheet(parts, frozenset([0]))
    rng = np.random.default_rng(2)
    U = sheet.V[:, :2] + rng.normal(size=(len(sheet.V), 2))
    D, h = rng.normal(size=U.shape), 1e-6
    assert len(couplings.wishes) >= 2
    for wish in couplings.wishes:
        found = (wish.gradient(U) * D[wish.rows.vertices]).sum(axis=(1, 2))
        wanted = (wish.residual(U + h * D) - wish.residual(U - h * D)) / (2 * h)
        np.testing.assert_allclose(found, wanted, atol=1e-6)


def test_joined_panels_make_a_smooth_rim(make):
    """At the seam's ends the flats' corner angles add up to the surface's within 3°."""
    parts = symmetric(make, seed=8, bulge=2.5)
    seam = parts.seams[0]
    panels = []
    shared = len(parts.panels[0].V) + np.arange(len(seam.sides[0].vertices))
    for i, panel in enumerate(parts.panels):
        cast_vertex = panel.cast_vertex.copy() + i * 10_000
        cast_vertex[seam.sides[i].vertices] = shared
        on = seam.sides[i].vertices if i == 0 else seam.sides[i].vertices[::-1]
        loop = panel.border[0].vertices[:-1]
        loop = np.roll(loop, -int(np.flatnonzero(loop == on[0])[0]))
        assert loop[len(on) - 1] == on[-1]
        rim = np.append(loop[len(on) - 1 :], loop[0])
        border = (
            BorderRun(vertices=on, seam=0, side=i, name="middle"),
            BorderRun(vertices=rim, seam=-1, side=0, name="rim"),
        )
        panels.append(dataclasses.replace(panel, cast_vertex=cast_vertex, border=border))
    parts = dataclasses.replace(parts, panels=tuple(panels))
    flats = flatten_panels(parts, make.foam(), ply="base").flats
    for end in (0, -1):
        off = 0.0
        for panel, flat, side in zip(parts.panels, flats, seam.sides, strict=True):
            at = np.equal(panel.F, side.vertices[end])
            off += (corner_angles(flat.U, panel.F) - corner_angles(panel.V, panel.F))[at].sum()
        assert abs(np.degrees(off)) < 3.0
