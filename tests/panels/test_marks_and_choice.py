"""Details carried onto panels, ease, laps, names, and the choice of panels."""

from dataclasses import replace

import numpy as np
import pytest

from flatten.errors import BadInput
from flatten.panels.cut import cut_panels
from flatten.panels.select import select_panels
from flatten.records.job import PanelName


def mark_points(panel, mark):
    return np.einsum("ki,kij->kj", mark.bary, panel.V[panel.F[mark.face]])


def split_tube(tube):
    return tube(48, 30).draw("back", [(24.3, 0), (24.3, 30)]).draw("front", [(0.3, 0), (0.3, 30)])


def test_a_detail_that_crosses_a_seam_is_split_there(tube):
    shape = split_tube(tube).draw("belt", [(-6, 12.2), (2, 13.1), (7, 12.4)], kind="detail")
    network = shape.network()
    panel_set = cut_panels(network)
    marks = {p.name: [m for m in p.marks if m.line == "belt"] for p in panel_set.panels}
    assert [len(m) for m in marks.values()] == [1, 1]
    total = 0.0
    drawn = sum(
        np.linalg.norm(np.diff(p.points, axis=0), axis=1).sum()
        for p in network.paths
        if p.line == "belt"
    )
    for panel in panel_set.panels:
        (mark,) = marks[panel.name]
        P = mark_points(panel, mark)
        sides = P[:, 0] if panel.name == "left" else -P[:, 0]
        assert (sides > -0.1).sum() >= len(P) - 1
        total += np.linalg.norm(np.diff(P, axis=0), axis=1).sum()
    assert total == pytest.approx(drawn, rel=5e-3)


def unmet(network, *names):
    """The network with the named lines laid over the others without nodes, each as one arc."""
    paths = [p for p in network.paths if p.line not in names]
    for name in names:
        arcs = sorted((p for p in network.paths if p.line == name), key=lambda p: p.stretch)
        rest = arcs[1:]
        paths.append(replace(
            arcs[0],
            face=np.concatenate([arcs[0].face, *[p.face[1:] for p in rest]]),
            bary=np.concatenate([arcs[0].bary, *[p.bary[1:] for p in rest]]),
            points=np.concatenate([arcs[0].points, *[p.points[1:] for p in rest]]),
            segment_face=np.concatenate([p.segment_face for p in arcs]),
            start=-1, end=-1,
        ))  # fmt: skip
    return replace(network, paths=tuple(paths))


def test_a_detail_laid_over_seam_and_dart_is_split_at_both(tube):
    """Details need not share nodes with cuts: they are split where they cross."""
    shape = split_tube(tube).draw("dart", [(8.2, 0), (8.9, 9.3)], kind="dart")
    network = shape.draw("belt", [(-6, 5.2), (2, 6.1), (14, 5.4)], kind="detail").network()
    for drawn in (network, unmet(network, "belt")):
        panel_set = cut_panels(drawn)
        left, right = panel_set.panels
        assert [len(p.marks) for p in (left, right)] == [2, 1]
        dart = next(s for s in panel_set.seams if s.dart)
        edge = np.concatenate([side.vertices for side in dart.sides])
        # The two parts on the left panel end on the dart's two edges, facing each other.
        first, second = (mark_points(left, m) for m in left.marks)
        assert np.linalg.norm(first[-1] - second[0]) < 0.3
        for mark, spot in ((left.marks[0], -1), (left.marks[1], 0)):
            corners = left.F[mark.face[spot]]
            assert np.isin(corners, edge).sum() >= 1
        total = sum(
            np.linalg.norm(np.diff(mark_points(p, m), axis=0), axis=1).sum()
            for p in panel_set.panels
            for m in p.marks
        )
        drawn_mm = sum(
            np.linalg.norm(np.diff(p.points, axis=0), axis=1).sum()
            for p in network.paths
            if p.line == "belt"
        )
        assert total == pytest.approx(drawn_mm, rel=5e-3)


def test_a_closed_detail_over_a_seam_comes_apart_in_two(tube):
    ring = [(-4, 10), (5, 9), (6, 13), (-3, 14.5), (-4, 10)]
    network = split_tube(tube).draw("badge", ring, kind="detail").network()
    panel_set = cut_panels(unmet(network, "badge"))
    assert [[m.closed for m in p.marks] for p in panel_set.panels] == [[False], [False]]


def test_a_closed_detail_stays_closed_where_no_cut_crosses_it(tube):
    ring = [(8, 10), (12, 9), (14, 13), (9, 14.5), (8, 10)]
    shape = split_tube(tube).draw("badge", ring, kind="detail")
    panel_set = cut_panels(shape.draw("score", [(30, 5), (36, 6)], kind="score").network())
    left, right = panel_set.panels
    assert [(m.line, m.kind, m.closed) for m in left.marks] == [("badge", "detail", True)]
    assert [(m.line, m.kind, m.closed) for m in right.marks] == [("score", "score", False)]


def test_a_detail_crosses_a_seam_whole_where_that_seam_is_not_cut(tube):
    shape = split_tube(tube).draw("belt", [(-6, 12.2), (2, 13.1), (7, 12.4)], kind="detail")
    panel_set = cut_panels(shape.network(), lines=("back",))
    (panel,) = panel_set.panels
    assert [m.line for m in panel.marks] == ["belt"]


def test_ease_grows_between_its_two_places_and_is_whole_at_the_end(tube):
    shape = tube(48, 30).draw("front", [(0.3, 0), (0.3, 30)])
    shape.draw(
        "back", [(24.3, 0), (24.3, 30)], ease_mm=6.0, ease_side="right", ease_from=0.25, ease_to=0.5
    )
    network = shape.draw("yoke", [(24.3, 12), (30, 12), (48.3, 12)]).network()
    panel_set = cut_panels(network)
    lower, upper = (s for s in panel_set.seams if s.line == "back")
    assert lower.ease_side == upper.ease_side == 1
    # The yoke comes at 12 of 30 rows, share 0.4 of the line: 0.15 / 0.25 of the ease below it.
    assert lower.ease[-1] == pytest.approx(6.0 * 0.6, abs=1e-9)
    assert upper.ease[-1] == pytest.approx(6.0 * 0.4, abs=1e-9)
    y = panel_set.panels[lower.sides[0].panel].V[lower.sides[0].vertices, 1]
    assert np.allclose(lower.ease, 6.0 * np.clip((y / 150.0 - 0.25) / 0.25, 0, 1))
    assert all(s.ease is None for s in panel_set.seams if s.line != "back")


def test_the_panel_farther_back_or_lower_goes_under(tube):
    shape = tube(48, 30).draw("side left", [(12.3, 0), (12.3, 30)])
    shape.draw("side right", [(36.3, 30), (36.3, 0)], under="left")
    panel_set = cut_panels(shape.draw("belt", [(0, 12), (48, 12)]).network())
    for seam in panel_set.seams:
        under = panel_set.panels[seam.sides[seam.under].panel].name
        over = panel_set.panels[seam.sides[1 - seam.under].panel].name
        if seam.line == "side left":
            assert (under.split()[0], over.split()[0]) == ("back", "front")
        elif seam.line == "belt":
            assert (under.split()[1], over.split()[1]) == ("lower", "upper")
        else:
            # As the line says: downwards on the right side, its left is the back.
            assert seam.under == 0


def test_mirrored_panels_get_mirrored_names(tube):
    shape = tube(48, 30)
    for k, u in enumerate((5.0, 19.0, 29.0, 43.0)):
        shape.draw(f"line {k}", [(u, 0), (u, 30)])
    names = [p.name for p in cut_panels(shape.network()).panels]
    assert names == ["back", "front", "left", "right"]
    shape.draw("waist", [(0, 14), (48, 14)])
    assert [p.name for p in cut_panels(shape.network()).panels] == [
        "back lower", "back upper", "front lower", "front upper",
        "left lower", "left upper", "right lower", "right upper",
    ]  # fmt: skip


def test_sibling_panels_get_names_of_one_pattern(tube):
    """Seams that wind a little to one side, as on a leg, do not make one panel "right back"."""
    shape = tube(48, 40).draw("outer", [(10, 0), (12, 20), (15, 40)])
    shape.draw("inner", [(35, 0), (38, 20), (45, 40)]).draw("knee", [(0, 21), (48, 21)])
    assert [p.name for p in cut_panels(shape.network()).panels] == [
        "back lower", "back upper", "front lower", "front upper",
    ]  # fmt: skip


def test_the_jobs_names_go_to_the_panels_their_points_lie_on(tube):
    network = split_tube(tube).network()
    radius = 48 * 5 / (2 * np.pi)
    names = (PanelName(name="bracer", at=(radius, 40.0, 0.0)),)
    panel_set = cut_panels(network, names=names)
    assert [p.name for p in panel_set.panels] == ["bracer", "right"]
    assert panel_set.panels[0].V[:, 0].mean() > 0
    twice = (*names, PanelName(name="cuff", at=(radius, 90.0, 0.0)))
    with pytest.raises(BadInput, match="panel 'cuff': its point lies on the same panel"):
        cut_panels(network, names=twice)
    # A cover that leaves a seam out spans both: it takes both names.
    far = (*names, PanelName(name="cuff", at=(-radius, 90.0, 0.0)))
    cover = cut_panels(network, lines=("back",), names=far)
    assert [p.name for p in cover.panels] == ["bracer + cuff"]


def test_a_seam_to_a_panel_that_is_not_used_becomes_a_rim(tube):
    panel_set = cut_panels(
        split_tube(tube).draw("ring", [(0, 14.2), (24, 16.3), (48, 14.2)]).network()
    )
    chosen = select_panels(panel_set, ("left*",))
    assert [p.name for p in chosen.panels] == ["left lower", "left upper"]
    (seam,) = chosen.seams
    assert seam.line == "ring"
    for k, side in enumerate(seam.sides):
        panel = chosen.panels[side.panel]
        (run,) = [r for r in panel.border if r.seam == 0]
        assert run.side == k
        assert np.array_equal(run.vertices, side.vertices if k == 0 else side.vertices[::-1])
        assert {r.name for r in panel.border if r.seam < 0} & {"back", "back 2"}
    assert select_panels(panel_set, ("*",)) is panel_set
    with pytest.raises(BadInput, match="no panel is named 'sleeve'"):
        select_panels(panel_set, ("sleeve",))
