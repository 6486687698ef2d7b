"""Bevels and bevelled cut lines, built up again from the templates in numbers."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import Polygon

from flatten.records.flat import Flat
from flatten.records.panels import BorderRun, Panel
from flatten.template.bevel import half_angles
from flatten.template.build import build_templates
from flatten.template.spec import TemplateSpec


def board(forms, width, height, origin, along, name):
    """A flat board standing upright: `along` is its direction seen from outside, left to right."""
    o, ex = np.array(origin, dtype=float), np.array(along, dtype=float)
    ex /= np.linalg.norm(ex)

    def lift(U):
        return o + U[:, :1] * ex + U[:, 1:] * np.array([0.0, 1.0, 0.0])

    return forms.rectangle(width, height, name=name, lift=lift)


def channel(forms, turn_deg: float, widths=(60.0, 100.0, 60.0), t=6.0, k=0.5):
    """Three boards in a row, each turned against the one before; their neutral lines meet."""
    parts, at, heading = [], np.zeros(3), -np.radians(turn_deg)
    for i, width in enumerate(widths):
        d = np.array([np.cos(heading), 0.0, -np.sin(heading)])
        parts.append(board(forms, width, 200.0, at, d, f"board {i + 1}"))
        at = at + width * d
        heading += np.radians(turn_deg)
    seams = [
        {"a": (i, 1), "b": (i + 1, 3), "joint": "butt", "fixing": "glue", "name": f"edge {i + 1}"}
        for i in range(2)
    ]
    material = forms.material("foam", t=t)
    return forms.join(parts, seams, material)


@pytest.mark.parametrize("step", [5.0, 1.25])
def test_a_waist_is_cut_square_however_fine_its_mesh(forms, step):
    """A barrel of radius 70 that narrows by 1 in 6: its bend across the seam is its own, no fold."""

    def half(start):
        x, y = np.meshgrid(np.arange(0, 60 + 1e-9, step), np.arange(0, 60 + 1e-9, step))
        n, m = x.shape
        i = np.arange(n * m).reshape(n, m)
        a, b, c, d = i[:-1, :-1], i[:-1, 1:], i[1:, 1:], i[1:, :-1]
        F = np.concatenate([np.stack(t, -1).reshape(-1, 3) for t in ((a, b, c), (a, c, d))])
        r = 70 + 15 * np.cos((y - 30) / 30)
        angle = (x + start) / 70
        V = np.column_stack([(r * np.sin(angle)).ravel(), y.ravel(), (r * np.cos(angle)).ravel()])
        runs = (i[0], i[:, -1], i[-1, ::-1], i[::-1, 0])
        border = tuple(
            BorderRun(vertices=v, seam=-1, side=0, name=f"edge {k}") for k, v in enumerate(runs)
        )
        U = np.column_stack([x.ravel(), y.ravel()])
        N = np.tile([0.0, 0.0, 1.0], (n * m, 1))
        panel = Panel(
            name=f"at {start:g}", V=V, F=F, N=N, cast_vertex=np.arange(n * m), border=border
        )
        return panel, Flat(U=U)

    flat_set = forms.join(
        [half(0.0), half(60.0)],
        [{"a": (0, 1), "b": (1, 3), "joint": "butt", "fixing": "glue"}],
        forms.material("foam", t=6),
    )
    angle = np.degrees(half_angles(flat_set.panel_set, flat_set.panel_set.seams[0]))
    assert np.abs(angle).max() < 1.0


@pytest.mark.parametrize("turn", [90.0, 40.0, -90.0, -30.0])
def test_half_angle_of_plane_boards(forms, turn):
    flat_set = channel(forms, turn)
    for seam in flat_set.panel_set.seams:
        half = np.degrees(half_angles(flat_set.panel_set, seam))
        assert half == pytest.approx(np.full_like(half, turn / 2), abs=1e-6)


def test_the_smooth_curve_of_a_body_is_not_taken_for_a_fold(forms):
    # Two halves of a cylinder of radius 60: no fold at their seams.
    def lift(offset):
        return lambda U: np.column_stack(
            [60 * np.sin((U[:, 0] + offset) / 60), U[:, 1], 60 * np.cos((U[:, 0] + offset) / 60)]
        )

    halves = [
        forms.rectangle(90, 150, step=4.0, name=n, lift=lift(o)) for n, o in (("a", 0), ("b", 90))
    ]
    flat_set = forms.join(
        halves,
        [{"a": (0, 1), "b": (1, 3), "joint": "butt", "fixing": "glue"}],
        forms.material("foam", t=6),
    )
    half = np.degrees(half_angles(flat_set.panel_set, flat_set.panel_set.seams[0]))
    assert np.abs(half).max() < 2.5
    first, _ = build_templates(flat_set, forms.ply(), TemplateSpec()).templates
    assert Polygon(first.cut).equals_exact(
        Polygon(np.concatenate([e.points[:-1] for e in first.net])), 1e-9
    )


@pytest.mark.parametrize(("turn", "face"), [(90.0, "face"), (-90.0, "back")])
def test_three_boards_at_right_angles_have_the_right_girths(forms, turn, face):
    """Board lengths on the long and the short face, built up from cut line and bevel.

    Mitred boards of thickness t whose middle lines have lengths a, b, c: round the outside of two
    right angles a + b + c + 4 (t / 2) tan 45, round the inside a + b + c - 4 (t / 2) tan 45.
    """
    t, widths = 6.0, (60.0, 100.0, 60.0)
    flat_set = channel(forms, turn, widths, t)
    templates = build_templates(flat_set, forms.ply(), TemplateSpec()).templates
    long_face = [float(np.ptp(template.cut[:, 0])) for template in templates]
    short_face = []
    for template, long in zip(templates, long_face, strict=True):
        bevels = [edge.bevels[0][1] for edge in template.net if edge.bevels]
        assert all(abs(b) == 45.0 and (b > 0) == (face == "face") for b in bevels)
        # A cut leaning by the half-angle from square runs t tan(half) in on the other face.
        short_face.append(long - sum(t * np.tan(np.radians(abs(b))) for b in bevels))
    middle = sum(widths)
    assert sum(long_face) == pytest.approx(middle + 4 * t / 2, abs=1e-6)
    assert sum(short_face) == pytest.approx(middle - 4 * t / 2, abs=1e-6)
    # Put together: corner points of the outer path lie on the outer box of the channel.
    assert long_face[1] == pytest.approx(widths[1] + t, abs=1e-6)
    words = {k.text for template in templates for k in template.ink if hasattr(k, "text")}
    assert any(w.startswith("bevel 45") and f"{face} long" in w for w in words)


def test_a_joint_that_changes_side_says_where(forms):
    # A seam between two warped strips: a ridge of 60 degrees at the foot turns into a valley.
    def lift(sign):
        def place(U):
            fold = np.radians(30.0) * (1.0 - 2.0 * U[:, 1] / 300.0)
            x = U[:, 0] if sign > 0 else 80.0 - U[:, 0]
            return np.column_stack([sign * x * np.cos(fold), U[:, 1], -x * np.sin(fold)])

        return place

    right = forms.rectangle(80, 300, name="left front", lift=lift(1))
    left = forms.rectangle(80, 300, name="right front", lift=lift(-1))
    flat_set = forms.join(
        [left, right],
        [{"a": (0, 1), "b": (1, 3), "joint": "butt", "fixing": "glue"}],
        forms.material("foam", t=10),
    )
    one, two = build_templates(flat_set, forms.ply(), TemplateSpec()).templates
    for template in (one, two):
        edge = next(e for e in template.net if e.seam == 0)
        turns = [b for _, b in sorted(edge.bevels)]
        steps = turns if edge.side == 0 else turns[::-1]
        assert steps[0] >= 25.0
        assert steps[-1] <= -25.0
        assert all(a >= b for a, b in pairwise(steps))
        assert any(getattr(k, "text", "") == "bevel changes side" for k in template.ink)
        assert all(b % 5.0 == 0.0 for b in turns)
    agree(one, two, 0)


def agree(one, two, seam):
    """Both sides of a seam print the same angles at the same places."""
    rows = []
    for template in (one, two):
        edge = next(e for e in template.net if e.seam == seam)
        length = np.linalg.norm(np.diff(edge.points, axis=0), axis=1).sum()
        places = [(at if edge.side == 0 else length - at, turn) for at, turn in edge.bevels]
        rows.append(sorted(places))
    assert [turn for _, turn in rows[0]] == [turn for _, turn in rows[1]]
    assert [at for at, _ in rows[0]] == pytest.approx([at for at, _ in rows[1]], abs=1e-6)


@settings(max_examples=30, deadline=None)
@given(
    waves=st.lists(st.floats(-1.0, 1.0), min_size=3, max_size=3),
    steep=st.floats(0.02, 0.5),
    length=st.floats(20.0, 400.0),
)
def test_both_sides_of_any_joint_print_the_same_bevels(forms, waves, steep, length):
    """Angles about the threshold too: what is square on one side is square on the other."""

    def lift(sign):
        def place(U):
            y = U[:, 1] / length
            fold = steep * sum(w * np.sin((i + 1) * 2.5 * y + i) for i, w in enumerate(waves))
            x = U[:, 0] if sign > 0 else 60.0 - U[:, 0]
            return np.column_stack([sign * x * np.cos(fold), U[:, 1], -x * np.sin(fold)])

        return place

    parts = [forms.rectangle(60, length, name=str(s), lift=lift(s)) for s in (-1, 1)]
    flat_set = forms.join(
        parts,
        [{"a": (0, 1), "b": (1, 3), "joint": "butt", "fixing": "glue"}],
        forms.material("foam", t=8),
    )
    one, two = build_templates(flat_set, forms.ply(), TemplateSpec()).templates
    agree(one, two, 0)
    for template in (one, two):
        edge = next(e for e in template.net if e.seam == 0)
        cut, net = (
            Polygon(template.cut),
            Polygon(np.concatenate([e.points[:-1] for e in template.net])),
        )
        assert cut.buffer(1e-6).covers(net)
        if not edge.bevels:
            assert cut.equals_exact(net, 1e-6)
