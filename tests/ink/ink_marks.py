"""Scans by chance that are full of marks: dashes, ticks, writing, darts and short details."""

from dataclasses import dataclass, replace

import numpy as np
from ink_bodies import Stroke, along, straight, word
from ink_cases import PI
from ink_scans import Wear, scan_of
from ink_score import _dense, score
from ink_varied import PAIRS, _place, _seams, some_body, some_look
from scipy.spatial import cKDTree

WORDS = ("CF", "CB", "L", "R", "1", "2", "L2", "B1", "arrow", "cross", "hatch", "crossed")


def dashed(body, rng, ink, width, shown, bare, length, bend, somewhere, uneven=0.15):
    """A row of dashes that show `shown` mm with `bare` mm between, by hand: a little uneven."""
    a, y = somewhere()
    ea, ey = body.stretch(a, y)
    turn = rng.uniform(0, PI)
    t = np.linspace(-0.5, 0.5, 5)
    along_mm, aside = t * length, bend * length * (4 * t**2 - 0.5)
    da = along_mm * np.cos(turn) - aside * np.sin(turn)
    dy = along_mm * np.sin(turn) + aside * np.cos(turn)
    p = along(body, a + da / ea, np.clip(y + dy / ey, body.low + 12, body.high - 12))
    # What shows is a pen's width longer than the pen moved.
    pairs = [
        m
        for _ in range(30)
        for m in (
            max(shown * (1 + rng.uniform(-uneven, uneven)) - width, 0.5),
            bare * (1 + rng.uniform(-uneven, uneven)) + width,
        )
    ]
    return [Stroke("dashes", p, ink, width, kind="score", dash=tuple(pairs))]


def ticks_on(stroke, at, count, size, width, ink, apart=5.0):
    """`count` short strokes across another one side by side, round a fraction of its points."""
    p = stroke.points
    s = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(p, axis=0), axis=1))])
    out = []
    for m in range(count):
        t = at * s[-1] + apart * (m - 0.5 * (count - 1))
        k = int(np.clip(np.searchsorted(s, t), 1, len(p) - 2))
        way = p[k + 1] - p[k - 1]
        radial = p[k] - np.array([0.0, p[k][1], 0.0])
        across = np.cross(radial, way)
        across /= np.linalg.norm(across)
        q = p[k] + np.linspace(-0.5, 0.5, 15)[:, None] * (size - width) * across
        out.append(Stroke(f"tick {at:.2f}", q, ink, width, kind="tick"))
    return out


def crossed_out(body, a, y, ink, width, size):
    """A short line with zigzag strokes over it."""
    ea, ey = body.stretch(a, y)
    line = along(body, a + np.linspace(-0.5, 0.5, 4) * size / ea, [y, y + 2, y + 1, y])
    zig = np.linspace(-0.5, 0.5, 12)
    up = 7 * (-1.0) ** np.arange(12)
    over = straight(body, np.column_stack([a + zig * size / ea, y + up / ey]), 1.0)
    return [
        Stroke(f"crossed {k}", p, ink, width, kind="writing") for k, p in enumerate((line, over))
    ]


def marked(seed, **force):
    """A scan by chance with much on it; `force` sets fields of its look, or width, spacing, pair."""
    rng = np.random.default_rng([seed, 31])
    body = some_body(rng)
    while body.knots[0][1] > 110 and rng.random() < 0.7:
        body = some_body(rng)
    torso = body.knots[0][1] > 110
    tape, pens = PAIRS[force.pop("pair", None) or str(rng.choice(list(PAIRS)))]
    width = force.pop("width", None) or float(rng.choice([2.0, 2.5, 3.0, 3.0, 4.0, 4.0]))
    spacing = force.pop("spacing", None) or float(rng.uniform(2.0, min(2.7, max(2.1, 0.9 * width))))
    ink, other = tuple(pens[0]), tuple(pens[1])
    strokes = _seams(body, rng, ink, width)
    tall = body.high - body.low

    def somewhere():
        return rng.uniform(0, 2 * PI), body.low + rng.uniform(0.12, 0.88) * tall

    long = [s for s in strokes if s.name.startswith("long")]
    for k in range(2):
        shown, bare = rng.uniform(5, 15), rng.uniform(3.5, 10)
        bend = float(rng.choice([0, 0, 0.1, 0.2]))
        length = max(rng.uniform(70, 130), 4.4 * (shown + bare))
        pen = (ink, other)[int(rng.random() < 0.25)]
        w = max(width, 2.5)
        _place(
            lambda p=pen, s=shown, b=bare, n=length, c=bend, w=w: dashed(
                body, rng, p, w, s, b, n, c, somewhere
            ),
            strokes,
            14,
        )
        if strokes[-1].name == "dashes":
            strokes[-1] = replace(strokes[-1], name=f"dashes {k} {shown:.0f}/{bare:.0f}/{w:g}")
    for _ in range(int(rng.integers(1, 4))):
        s = long[int(rng.integers(len(long)))]
        new = ticks_on(
            s,
            rng.uniform(0.1, 0.9),
            int(rng.choice([1, 1, 2, 3])),
            rng.uniform(max(8, width + 6.5), 16),
            min(width, 3.0),
            ink,
        )
        others = [x for x in strokes if x is not s]
        if cKDTree(np.vstack([x.points for x in others])).query(new[0].points)[0].min() > 16:
            strokes += new
    for text in rng.permutation(np.array(WORDS))[: rng.integers(2, 5)]:
        size = rng.uniform(15, 32)
        near = rng.choice([14, 14, 5])

        def letters(text=text, size=size):
            pen = ink if rng.random() < 0.7 else other
            if text == "crossed":
                return crossed_out(body, *somewhere(), pen, min(width, 3.0), 2.5 * size)
            turn = rng.normal(0, 0.2)
            return word(body, *somewhere(), str(text), size, pen, min(width, 3.0), turn)

        _place(letters, strokes, near)
    for k in range(int(rng.integers(0, 3))):
        s = long[int(rng.integers(len(long)))]

        def dart(s=s, k=k):
            i = int(rng.uniform(0.15, 0.85) * len(s.points))
            at = s.points[i]
            a = np.arctan2(at[2], at[0])
            for _ in range(4):
                # The angle that the body has this point at, whatever its middle.
                here = body.at(a, at[1])
                a += np.arctan2(at[2], at[0]) - np.arctan2(here[2], here[0])
            way = rng.choice([-1, 1])
            size = rng.uniform(25, 60)
            ea, ey = body.stretch(a, at[1])
            t = np.linspace(0, 1, 4)
            p = along(body, a + way * t * size / ea, at[1] + 0.2 * size * t**2 / ey)
            return [Stroke(f"dart {k}", p, ink, width, kind="seam")]

        _place_from(dart, strokes, s, 12)
    for k in range(int(rng.integers(0, 3))):
        size = rng.uniform(40, 60)

        def short(k=k, size=size):
            a, y = somewhere()
            ea, ey = body.stretch(a, y)
            turn = rng.uniform(0, PI)
            t = np.linspace(-0.5, 0.5, 4)
            p = along(
                body, a + t * np.cos(turn) * size / ea, y + (t * np.sin(turn) + 0.1 * t**2) * size / ey
            )  # fmt: skip
            return [Stroke(f"short {k}", p, other, width, kind="detail")]

        _place(short, strokes, 18)
    look = some_look(rng, tape)
    texture = 0
    if force.pop("texture", rng.random() < 0.2):
        texture = 2048 if torso else 1024
        look = replace(look, jpeg=int(rng.choice([50, 75, 92])), noise=min(look.noise, 8.0))
    look = replace(look, **force)
    wear = Wear(
        holes=int(rng.integers(0, 5)),
        smooth_mm=rng.uniform(0.1, 0.4),
        white_mm=rng.uniform(0.05, 0.15),
    )
    drawn = scan_of(body, strokes, look, wear, spacing=spacing, seed=seed, texture=texture)
    drawn.notes["about"] = (
        f"tape {tape} width {width} spacing {spacing:.1f} texture {texture} gain {look.gain} "
        f"noise {look.noise} worn {look.worn} shadow {look.shadow} edge {look.edge}"
    )
    return drawn


def _place_from(make, strokes, s, need, tries=30):
    """Adds a stroke that starts on `s` and keeps away from all others, and from `s` beyond it."""
    others = np.vstack([x.points for x in strokes if x is not s])
    for _ in range(tries):
        new = make()
        p = new[0].points
        if cKDTree(others).query(p)[0].min() < need:
            continue
        if cKDTree(s.points).query(p[-1:])[0][0] < 0.6 * np.linalg.norm(p[-1] - p[0]):
            continue
        strokes.extend(new)
        return


@dataclass(frozen=True)
class Marks:
    """What became of the marks on one scan.

    dashes : rows as (name, share found as score, share found otherwise, lines they are in, mm that
        the ends are off)
    ticks : (found where drawn, drawn, found elsewhere); counted : of those found, with the right
        number of strokes
    writing : mm of writing that became lines (seams and scores, others) and the groups listed, of all
    short : darts and short details, the share of each that was found
    """

    dashes: tuple
    ticks: tuple[int, int, int]
    counted: tuple[int, int]
    writing: tuple[float, float, int, int]
    short: tuple


def marks_of(reading, drawn):
    """Holds a reading against the marks that were drawn."""
    mm = drawn.to_mm
    D = [_dense(np.asarray(x.points) * mm, x.closed) for x in reading.lines]
    rows, short, listed, groups = [], [], 0, {}
    owner = np.repeat(np.arange(len(D)), [len(d) for d in D])
    tree = cKDTree(np.vstack(D)) if D else None
    for s in drawn.strokes:
        p = _dense(s.points * mm, s.closed)
        if s.name.startswith(("dart", "short")):
            share = 0.0 if tree is None else float((tree.query(p)[0] < 2.5).mean())
            short.append((s.name, share))
        if s.name.startswith("dashes"):
            t = np.arange(len(p)) * 0.5
            turns = np.cumsum(s.dash)
            on = np.searchsorted(turns, np.mod(t, turns[-1]), side="right") % 2 == 0
            p = p[np.flatnonzero(on)[0] : np.flatnonzero(on)[-1] + 1]
            if tree is None:
                rows.append((s.name, 0.0, 0.0, 0, np.nan))
                continue
            d, near = tree.query(p)
            who = owner[near]
            kind = np.array([reading.lines[k].kind for k in who])
            mine = np.unique(who[(d < 2.5)])
            tips = [D[k][j] for k in mine for j in (0, -1) if not reading.lines[k].closed]
            off = max(
                min((np.linalg.norm(q - e) for q in tips), default=99.0) for e in (p[0], p[-1])
            )
            rows.append((s.name, float(((d < 2.5) & (kind == "score")).mean()),
                         float(((d < 2.5) & (kind != "score")).mean()), len(mine), float(off)))  # fmt: skip
        if s.kind == "writing":
            groups.setdefault(s.name.rsplit(" ", 1)[0], []).append(p)
    real = [
        _dense(s.points * mm, s.closed) for s in drawn.strokes if s.kind not in ("writing", "tick")
    ]
    real = cKDTree(np.vstack(real))
    as_lines = [0.0, 0.0]
    for x, d in zip(reading.lines, D, strict=True):
        on = [cKDTree(np.vstack(g)).query(d)[0] < 3.0 for g in groups.values()]
        if on:
            bad = np.any(on, axis=0) & (real.query(d)[0] > 4.0)
            as_lines[x.kind not in ("seam", "score")] += 0.5 * float(bad.sum())
    for g in groups.values():
        g = np.vstack(g)
        listed += any(cKDTree(g).query(w.at * mm)[0] < 15 for w in reading.writing)
    drawn_ticks = [s.points[7] * mm for s in drawn.strokes if s.kind == "tick"]
    places: list[list] = []
    for q in drawn_ticks:
        near = [g for g in places if min(np.linalg.norm(q - x) for x in g) < 7]
        if near:
            near[0].append(q)
        else:
            places.append([q])
    hit = right = 0
    for g in places:
        c = np.mean(g, axis=0)
        found = [m for m in reading.marks if np.linalg.norm(m.at * mm - c) < 8]
        hit += bool(found)
        right += bool(found) and sum(m.count for m in found) == len(g)
    astray = sum(
        min((np.linalg.norm(m.at * mm - q) for q in drawn_ticks), default=99.0) > 8
        for m in reading.marks
    )
    return Marks(
        dashes=tuple(rows),
        ticks=(hit, len(places), int(astray)),
        counted=(right, hit),
        writing=(as_lines[0], as_lines[1], listed, len(groups)),
        short=tuple(short),
    )


def judged(reading, drawn):
    """(score of the lines, what became of the marks)"""
    return score(reading.lines, drawn.strokes, drawn.to_mm, reading.marks), marks_of(reading, drawn)
