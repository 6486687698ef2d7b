"""Lines read off synthetic scans against the lines that were drawn on them.

The bars are the project's own: share found within 2.5 mm, share of what was found that is farther
than 4 mm from any line, median and 95th percentile of the distance.
"""

from pathlib import Path

import numpy as np
import pytest
from ink_bodies import LIMB, Stroke, along, ring
from ink_cases import (
    BLACK,
    BLUE,
    GREEN,
    PI,
    RED,
    SHIN,
    SILVER,
    limb_lines,
    stress,
    tick,
    with_corners,
    writing,
)
from ink_marks import dashed, marks_of, ticks_on
from ink_panels import drawn_lines, panels_alike
from ink_scans import Look, Wear, scan_of
from ink_score import score
from ink_varied import PAIRS, some_body, some_look, varied

from flatten.errors import BadInput
from flatten.ink.read import read_ink
from flatten.records.job import InkRule, ScanSpec
from flatten.records.scan import Scan
from flatten.scan.prepare import prepare


def held(found, recovered=0.995, false=0.005, median=0.40, p95=0.80):
    assert found.recovered >= recovered, found
    assert found.worst_line >= 0.97, found.by_line
    assert found.false <= false, found
    assert found.median <= median, found
    assert found.p95 <= p95, found


@pytest.fixture(scope="module")
def plain():
    drawn = scan_of(SHIN, limb_lines(SHIN), wear=Wear(holes=0), spacing=2.4, seed=3)
    return drawn, read_ink(drawn.scan)


def test_black_and_blue_lines_on_grey_tape(plain):
    drawn, reading = plain
    found = score(reading.lines, drawn.strokes, drawn.to_mm, reading.marks)
    held(found)
    assert found.kinds_right == 1.0
    assert found.closed_right
    assert [ink.kind for ink in reading.inks] == ["seam", "detail"]
    blue = np.array([int(reading.inks[1].colour[k : k + 2], 16) for k in (1, 3, 5)])
    assert blue.argmax() == 2
    assert len(reading.lines) == 4


def test_lines_end_where_they_meet_a_rim_and_not_beyond(plain):
    drawn, reading = plain
    back = np.linalg.inv(drawn.pose)
    for line in reading.lines:
        p = line.points @ back[:3, :3].T + back[:3, 3]
        if not line.closed and line.kind == "seam":
            assert max(min(abs(p[k, 1]), abs(p[k, 1] - SHIN.high)) for k in (0, -1)) < 3.0


def test_the_same_scan_in_another_order_gives_the_same_names(plain):
    drawn, reading = plain
    rng = np.random.default_rng(0)
    old = drawn.scan
    order = rng.permutation(len(old.V))
    place = np.argsort(order)
    scan = Scan(
        name="shuffled", V=old.V[order], F=place[old.F][rng.permutation(len(old.F))],
        colors=old.colors[order],
    )  # fmt: skip
    again = read_ink(scan)
    assert sorted(x.name for x in again.lines) == sorted(x.name for x in reading.lines)


def test_a_rule_says_what_an_ink_becomes(plain):
    drawn, _ = plain
    reading = read_ink(drawn.scan, None, (InkRule(colour="#2040c0", kind="score"),))
    assert {x.kind for x in reading.lines} == {"seam", "score"}
    assert [ink.by_rule for ink in reading.inks] == [False, True]


def test_lines_in_a_texture():
    drawn = scan_of(
        SHIN, limb_lines(SHIN), Look(wrinkles=0, strips=0.0), spacing=3.0, seed=1, texture=512
    )
    found = score(read_ink(drawn.scan).lines, drawn.strokes, drawn.to_mm)
    held(found, median=0.35, p95=0.70)
    assert found.kinds_right == 1.0


def test_a_silver_pen_on_black_tape():
    lines = limb_lines(SHIN, ink=SILVER, second=(190, 60, 60))
    drawn = scan_of(SHIN, lines, Look(tape=(38, 38, 42)), spacing=2.4, seed=2)
    found = score(read_ink(drawn.scan).lines, drawn.strokes, drawn.to_mm)
    held(found)
    assert found.kinds_right == 1.0


def test_four_inks_are_told_apart():
    b = SHIN
    lines = [
        *limb_lines(b, second=RED),
        Stroke("blue", along(b, [2.6, 3.0, 3.4], [60, 100, 70]), BLUE, kind="detail"),
        Stroke("green", along(b, [2.4, 2.9, 3.5], [215, 230, 210]), GREEN, kind="detail"),
    ]
    drawn = scan_of(b, lines, spacing=2.2, seed=4)
    reading = read_ink(drawn.scan)
    held(score(reading.lines, drawn.strokes, drawn.to_mm, reading.marks))
    assert len(reading.inks) == 4


def test_dark_pens_on_a_dim_scan_are_told_apart():
    b = SHIN
    lines = [
        *limb_lines(b, ink=(24, 24, 30), second=(160, 24, 40)),
        Stroke("blue", along(b, [2.6, 3.0, 3.4], [60, 100, 70]), (20, 60, 160), kind="detail"),
        Stroke("green", along(b, [2.4, 2.9, 3.5], [215, 230, 210]), (10, 110, 70), kind="detail"),
    ]
    look = Look(tape=(186, 188, 190), gain=0.4, noise=6)
    drawn = scan_of(b, lines, look, spacing=2.0, seed=11)
    reading = read_ink(drawn.scan)
    found = score(reading.lines, drawn.strokes, drawn.to_mm, reading.marks)
    held(found)
    assert found.inks_right > 0.99
    assert found.kinds_right > 0.99


def test_a_white_and_a_black_pen_on_the_same_tape():
    lines = limb_lines(SHIN, ink=(26, 26, 28), second=(236, 236, 232))
    look = Look(tape=(60, 116, 70))
    drawn = scan_of(SHIN, lines, look, Wear(holes=0), spacing=2.2, seed=12)
    reading = read_ink(drawn.scan)
    found = score(reading.lines, drawn.strokes, drawn.to_mm, reading.marks)
    held(found)
    assert found.kinds_right == found.inks_right == 1.0


def test_striped_cloth_beyond_the_tape_is_no_ink():
    drawn = scan_of(
        SHIN, limb_lines(SHIN), Look(tape=(178, 140, 96), edge="cloth"), spacing=2.4, seed=13
    )  # fmt: skip
    reading = read_ink(drawn.scan)
    found = score(reading.lines, drawn.strokes, drawn.to_mm, reading.marks)
    assert found.recovered > 0.93, found
    assert found.false < 0.03, found


def test_lines_end_at_most_two_millimetres_past_what_they_meet(plain):
    drawn, reading = plain
    assert score(reading.lines, drawn.strokes, drawn.to_mm).overshoot <= 2.0


def test_an_end_that_runs_on_past_a_line_is_cut_back_to_it_and_a_short_one_led_on():
    b = SHIN
    lines = limb_lines(b)
    h = 0.3 * b.high
    across = Stroke("across", along(b, [-PI / 2 - 0.2, 0.0, PI / 2 - 0.1], [h, h, h]), BLACK)
    drawn = scan_of(b, [*lines[:3], across], Look(wrinkles=0), Wear(holes=0), spacing=2.2, seed=14)
    reading = read_ink(drawn.scan)
    on = np.vstack([s.points for s in drawn.strokes[:2]]) * drawn.to_mm
    # Drawn 10 mm past one seam and short of the other: it is to end on both.
    own = across.points @ drawn.pose[:3, :3].T + drawn.pose[:3, 3]
    far = [np.linalg.norm(x.points - own.mean(axis=0), axis=1).min() for x in reading.lines]
    found = reading.lines[int(np.argmin(far))]
    met = [np.linalg.norm(on - found.points[k] * drawn.to_mm, axis=1) for k in (0, -1)]
    assert max(d.min() for d in met) < 2.0
    assert len({int(d.argmin()) < len(drawn.strokes[0].points) for d in met}) == 2


def test_the_panels_are_those_of_the_lines_as_drawn():
    drawn = stress(SHIN, 2, 2.0)
    cast = prepare(drawn.scan, ScanSpec(file=Path("x.ply"), unit="m"))
    alike = panels_alike(cast, read_ink(drawn.scan, cast).lines, drawn_lines(drawn.strokes))
    assert alike.counts == (4, 4)
    assert alike.share >= 0.98, alike


def test_a_broad_line_in_the_open_ends_where_the_middle_of_the_pen_stopped():
    drawn = scan_of(SHIN, limb_lines(SHIN, width=7.0), wear=Wear(holes=0), spacing=2.2, seed=1)
    (stroke,) = (s for s in drawn.strokes if s.kind == "detail")
    (found,) = (x for x in read_ink(drawn.scan).lines if x.kind == "detail")
    for k in (0, -1):
        tip = found.points[k] * drawn.to_mm
        ends = np.linalg.norm(stroke.points[[0, -1]] * drawn.to_mm - tip, axis=1)
        assert ends.min() < 0.35 * stroke.width


@pytest.mark.parametrize("seed", [1, 27, 9])
def test_scans_drawn_by_chance(seed):
    drawn = varied(seed)
    reading = read_ink(drawn.scan)
    found = score(reading.lines, drawn.strokes, drawn.to_mm, reading.marks)
    held(found)
    assert found.kinds_right > 0.97
    assert found.inks_right > 0.99
    assert found.ticks[2] <= 1


def test_writing_is_listed_and_never_a_line():
    drawn = scan_of(SHIN, [*limb_lines(SHIN), *writing(SHIN)], spacing=2.0, seed=5)
    reading = read_ink(drawn.scan)
    held(score(reading.lines, drawn.strokes, drawn.to_mm, reading.marks))
    assert "arrow" in {w.what for w in reading.writing}
    assert len(reading.writing) >= 2


def test_ticks_become_match_marks_and_a_line_along_a_rim_a_trim():
    lines = limb_lines(SHIN)
    marks = [tick(SHIN, lines[0], 0.25), tick(SHIN, lines[1], 0.3)]
    trim = Stroke("trim", ring(SHIN, 14.0, 2.0), BLACK, closed=True, kind="trim")
    drawn = scan_of(SHIN, [*lines, trim, *marks], Look(wrinkles=0), spacing=2.0, seed=6)
    reading = read_ink(drawn.scan)
    found = score(reading.lines, drawn.strokes, drawn.to_mm, reading.marks)
    held(found)
    assert found.kinds_right > 0.99
    back = np.linalg.inv(drawn.pose)
    heights = sorted((m.at @ back[:3, :3].T + back[:3, 3])[1] for m in reading.marks)
    assert heights == pytest.approx(sorted([0.25 * SHIN.high, 0.3 * SHIN.high]), abs=4.0)


@pytest.mark.parametrize(("shown", "bare", "width"), [(12.0, 4.5, 3.0), (7.0, 9.0, 2.5)])
def test_a_row_of_dashes_is_one_score_line_from_the_first_to_the_last(shown, bare, width):
    rng = np.random.default_rng(1)
    row = dashed(SHIN, rng, BLACK, width, shown, bare, 110.0, 0.1, lambda: (0.1, 95.0))
    drawn = scan_of(SHIN, [*limb_lines(SHIN)[:3], *row], Look(shadow=0.4), spacing=2.2, seed=15)
    reading = read_ink(drawn.scan)
    ((_, as_score, otherwise, lines, ends_off),) = marks_of(reading, drawn).dashes
    assert as_score > 0.95
    assert otherwise == 0.0
    assert lines == 1
    assert ends_off < 6.0
    assert any("is dashed" in note for note in reading.notes)


def test_a_worn_seam_with_gaps_is_no_row_of_dashes():
    wear = Wear(gaps=4, gap_mm=9.0, holes=6)
    drawn = scan_of(SHIN, limb_lines(SHIN, width=3.0), Look(worn=0.5), wear, spacing=2.2, seed=16)
    assert "score" not in {x.kind for x in read_ink(drawn.scan).lines}


def test_strokes_across_a_line_are_counted_and_creases_are_none():
    lines = limb_lines(SHIN)
    marks = [
        *ticks_on(lines[0], 0.25, 1, 12.0, 3.0, BLACK),
        *ticks_on(lines[1], 0.3, 2, 13.0, 3.0, BLACK),
        *ticks_on(lines[1], 0.8, 3, 13.0, 3.0, BLACK),
    ]
    drawn = scan_of(SHIN, [*lines, *marks], Look(wrinkles=30), spacing=1.9, seed=17)
    found = marks_of(read_ink(drawn.scan), drawn)
    assert found.ticks == (3, 3, 0)
    assert found.counted == (3, 3)


def test_a_closed_line_that_meets_nothing_is_a_detail():
    turn = np.linspace(0, 2 * PI, 13)
    loop = along(SHIN, 0.1 + 0.35 * np.cos(turn), 80 + 22 * np.sin(turn))
    lines = [*limb_lines(SHIN)[:3], Stroke("loop", loop, BLACK, closed=True, kind="detail")]
    drawn = scan_of(SHIN, lines, spacing=2.4, seed=7)
    reading = read_ink(drawn.scan)
    found = score(reading.lines, drawn.strokes, drawn.to_mm, reading.marks)
    held(found)
    assert found.kinds_right == 1.0
    assert any("meets no other line" in note for note in reading.notes)


def test_drawn_points_stay_pointed_within_two_millimetres():
    drawn = scan_of(SHIN, with_corners(), spacing=2.0, seed=8)
    reading = read_ink(drawn.scan)
    held(score(reading.lines, drawn.strokes, drawn.to_mm, reading.marks))
    P = np.vstack([x.points for x in reading.lines]) * drawn.to_mm
    pose = drawn.pose
    for angle, height in ((0.0, 110), (0.5, 70), (1.0, 110), (2.4, 60), (3.2, 110)):
        at = SHIN.at(angle, height) @ pose[:3, :3].T + pose[:3, 3]
        assert np.linalg.norm(P - at * drawn.to_mm, axis=1).min() < 2.0


def test_a_gap_of_fourteen_millimetres_is_bridged():
    drawn = scan_of(
        SHIN, limb_lines(SHIN), Look(), Wear(gaps=2, gap_mm=14.0, holes=0), spacing=2.2, seed=9
    )  # fmt: skip
    assert len(drawn.notes["gaps"]) == 2
    held(score(read_ink(drawn.scan).lines, drawn.strokes, drawn.to_mm))


def test_a_worn_pen_in_hard_shadow_under_noise():
    drawn = stress(SHIN, 1, 2.0)
    found = score(read_ink(drawn.scan).lines, drawn.strokes, drawn.to_mm)
    assert found.recovered >= 0.97, found
    assert found.false <= 0.03, found
    assert found.median <= 0.5, found


def test_a_scan_without_ink_says_so_and_what_to_do():
    drawn = scan_of(SHIN, [], Look(wrinkles=10), spacing=2.6, seed=10)
    reading = read_ink(drawn.scan)
    assert reading.lines == ()
    assert any("draw over them" in note for note in reading.notes)


def test_a_scan_without_colours_says_so_and_what_to_do(plain):
    old = plain[0].scan
    with pytest.raises(BadInput, match=r"no colours.*export it with"):
        read_ink(Scan(name="grey", V=old.V, F=old.F))


@pytest.mark.parametrize("spacing", [1.5, 2.2])
def test_two_strokes_with_two_mm_of_tape_between_them_stay_two(spacing):
    strokes = [
        Stroke(
            "front", along(LIMB, [PI / 2] * 3, [LIMB.low, LIMB.high / 2, LIMB.high]), BLACK, 3.0
        ),
        Stroke(
            "back", along(LIMB, [-PI / 2] * 3, [LIMB.low, LIMB.high / 2, LIMB.high]), BLACK, 3.0
        ),
    ]
    aside = PI / 2 + 5.0 / LIMB.stretch(PI / 2, LIMB.high / 2)[0]
    heights = [share * LIMB.high for share in (0.3, 0.5, 0.7)]
    strokes.append(Stroke("beside", along(LIMB, [aside] * 3, heights), BLACK, 3.0))
    one = scan_of(LIMB, strokes, Look(), Wear(holes=0), spacing=spacing, seed=1)
    found = score(read_ink(one.scan).lines, one.strokes, one.to_mm, ())
    assert found.worst_line >= 0.97
    assert found.false <= 0.005


@pytest.mark.parametrize("seed", [0, 7, 18])
def test_bare_tape_with_folds_and_gloss_has_no_lines(seed):
    rng = np.random.default_rng([seed, 9])
    body, tape = some_body(rng), PAIRS[str(rng.choice(list(PAIRS)))][0]
    one = scan_of(body, [], some_look(rng, tape), Wear(holes=3), spacing=3.0, seed=seed)
    reading = read_ink(one.scan)
    assert not reading.lines
    assert any("no pen lines were found" in note for note in reading.notes)
