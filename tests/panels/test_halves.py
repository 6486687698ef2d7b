"""A cast that is its own mirror image is cut into panels that mirror each other exactly."""

import numpy as np

from flatten.geometry.ordering import sort_along_curve
from flatten.geometry.primitives import cylinder
from flatten.geometry.topology import euler_characteristic
from flatten.geometry.triangles import vertex_normals
from flatten.lines.network import join_lines
from flatten.panels.cut import cut_panels
from flatten.parameterize.flat import flatten_panels
from flatten.records.bundled import MATERIALS
from flatten.records.cast import Cast, Symmetry
from flatten.records.lines import Line
from flatten.scan.holes import find_borders
from flatten.scan.mirror_image import mirror_halves
from flatten.scan.rims import name_rims

FLIP = np.array([-1.0, 1.0, 1.0])


def vase() -> Cast:
    V, F = cylinder(60.0, 160.0, edge_mm=5.0)
    V = V * (1 + 0.12 * np.sin(V[:, 1:2] / 35) * [1, 0, 1])
    V, F = mirror_halves(V, F.astype(np.int32), 5.0)
    order, F, _ = sort_along_curve(V, F)
    V = V[order]
    return Cast(
        name="vase",
        V=V,
        F=F,
        N=vertex_normals(V, F),
        rims=name_rims(V, find_borders(V, F, 10.0)),
        to_cast=np.eye(4),
        symmetry=Symmetry(point=np.zeros(3), normal=np.array([1.0, 0.0, 0.0]), rms_mm=0.0),
    )


def lines():
    y = np.linspace(0, 160, 9)[:, None]
    a = np.linspace(-1.5, 1.5, 21)[:, None]
    side = np.hstack([70 + 0 * y, y, 6 * np.sin(y / 30)])
    yoke = np.hstack([70 * np.sin(a), 90 + 8 * np.cos(a), 70 * np.cos(a)])
    return (
        Line(name="side left", kind="seam", points=side),
        Line(name="side right", kind="seam", points=side[::-1] * FLIP),
        Line(name="yoke", kind="seam", points=yoke),
        Line(name="centre back", kind="seam", points=np.hstack([0 * y, y, -70 + 0 * y])),
    )


def cells(P, F, flip):
    return {tuple(sorted(map(tuple, c))) for c in (P[F] * flip + 0.0).tolist()}


def test_meshes_and_seams_mirror_to_the_last_bit_and_flats_closely():
    panel_set = cut_panels(join_lines(vase(), lines()))
    by = {p.name: p for p in panel_set.panels}
    assert len(by) == 4
    left, right = by["left back"], by["right back"]
    assert cells(left.V, left.F, FLIP) == cells(right.V, right.F, 1.0)
    for panel in by.values():
        assert euler_characteristic(panel.F) == 1
        if panel not in (left, right):  # across the middle: each its own mirror image
            assert cells(panel.V, panel.F, FLIP) == cells(panel.V, panel.F, 1.0)
    # The yoke stays one stretch, though the plane crosses it; partner edges are the same points.
    assert sum(seam.line == "yoke" for seam in panel_set.seams) == 1
    for seam in panel_set.seams:
        one, other = (panel_set.panels[s.panel].V[s.vertices] for s in seam.sides)
        assert np.array_equal(one, other)
    card = next(m for m in MATERIALS if m.name == "card")
    flats = dict(
        zip(
            [p.name for p in panel_set.panels],
            flatten_panels(panel_set, card, ply="p").flats,
            strict=True,
        )
    )
    twin = {tuple(v): k for k, v in enumerate((right.V * FLIP + 0.0).tolist())}
    at = [twin[tuple(v)] for v in (left.V + 0.0).tolist()]
    P, Q = flats["left back"].U, flats["right back"].U[at] * [-1, 1]
    # Laid on each other by the best turn (Kabsch, Acta Cryst. A32, 1976).
    P, Q = P - P.mean(axis=0), Q - Q.mean(axis=0)
    u, _, v = np.linalg.svd(Q.T @ P)
    assert np.linalg.norm(Q @ (u @ v) - P, axis=1).max() < 1e-6


def test_lines_that_do_not_mirror_each_other_are_said_to_part_no_mirrors():
    left, right, _, back = lines()
    level = np.linspace(0.0, 1.45, 11)[:, None]
    yoke = np.hstack([70 * np.sin(level), 95 + 0 * level, 70 * np.cos(level)])
    half = Line(name="yoke", kind="seam", points=yoke)
    front = Line(name="centre front", kind="seam", points=back.points * [1.0, 1.0, -1.0])
    said = cut_panels(join_lines(vase(), (left, right, half, front))).notes
    assert any("no exact mirrors" in note for note in said)
    assert not any("mirrors" in note for note in cut_panels(join_lines(vase(), lines())).notes)
