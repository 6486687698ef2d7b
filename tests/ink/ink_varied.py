"""Scans drawn by chance: other bodies, tapes, pens, lamps, cameras, and much else on the tape."""

from dataclasses import replace

import numpy as np
from ink_bodies import Body, Stroke, along, ring, word
from ink_cases import PI, tick
from ink_scans import Look, Wear, dense, scan_of
from scipy.spatial import cKDTree

# Tape, and the pens that makers take to it: the main one first.
PAIRS = {
    "grey": ((150, 152, 156), [(28, 28, 30), (150, 30, 34), (30, 50, 150), (20, 110, 60)]),
    "silver": ((186, 188, 190), [(24, 24, 30), (160, 24, 40), (20, 60, 160), (10, 110, 70)]),
    "black": ((36, 37, 40), [(205, 208, 212), (215, 70, 60), (90, 150, 225), (235, 200, 60)]),
    "white": ((226, 225, 220), [(40, 40, 46), (200, 40, 50), (40, 70, 190), (30, 140, 80)]),
    "kraft": ((178, 140, 96), [(34, 28, 26), (30, 50, 130), (150, 24, 30)]),
    "blue": ((52, 84, 158), [(236, 236, 232), (24, 24, 30), (220, 60, 50)]),
    "red": ((166, 36, 40), [(238, 236, 230), (26, 24, 28)]),
    "green": ((60, 116, 70), [(26, 26, 28), (236, 236, 232)]),
}
WORDS = ("CF", "L2", "R", "B1", "A", "arrow", "cross", "hatch")


def some_body(rng):
    """A torso, a leg or an arm of its own proportions."""
    kind = rng.choice(["torso", "limb", "short"])
    if kind == "torso":
        k = 1.0 + 0.12 * rng.normal(size=(6, 2)).clip(-1, 1)
        rows = np.array(
            [
                [0, 170, 118],
                [60, 175, 122],
                [190, 132, 96],
                [330, 150, 108],
                [430, 158, 100],
                [500, 140, 84],
            ]
        )
        rows[:, 1:] = rows[:, 1:] * k
        out = rng.uniform(5, 40)
        bumps = ((1.05, 330, 78, out), (2.09, 330, 78, out), (-1.1, 60, 110, 18), (-2, 60, 110, 18))
        return Body(
            knots=tuple((*r, 0, float(z)) for r, z in zip(rows.tolist(), rng.normal(0, 5, 6), strict=True)),
            bumps=bumps,
        )  # fmt: skip
    size = rng.uniform(0.75, 1.5)
    high = 480.0 if kind == "limb" else 260.0
    y = np.linspace(0, high, 5)
    r = size * np.array([44, 52, 60, 58, 66]) * (1 + 0.08 * rng.normal(size=5))
    bend = rng.normal(0, 6, (5, 2))
    return Body(
        knots=tuple(
            (float(h), float(a), float(a * rng.uniform(0.95, 1.2)), float(u), float(v))
            for h, a, (u, v) in zip(y, r, bend, strict=True)
        ),
        bumps=((-1.57, 0.4 * high, 80, rng.uniform(0, 12)),),
    )


def _seams(body, rng, ink, width):
    """A net of seams on any body: lines up and down, rings, now and then one between."""
    b, lines = body, []
    count = int(rng.integers(2, 5))
    first = rng.uniform(0, 2 * PI)
    places = []
    for k in range(count):
        a = first + 2 * PI * k / count + rng.uniform(-0.15, 0.15)
        q = a + rng.normal(0, 0.08, 4)
        places.append(a)
        lines.append(Stroke(f"long {k}", along(b, q, np.linspace(b.low, b.high, 4)), ink, width))
    tall = b.high - b.low
    for k, h in enumerate(rng.permutation([0.3, 0.55, 0.75])[: rng.integers(1, 3)]):
        h = b.low + h * tall
        lines.append(
            Stroke(f"ring {k}", ring(b, h, rng.uniform(0, 8), rng.uniform(0, 6)), ink, width, True)
        )
    if rng.random() < 0.4:
        # From one long line to the next, slanting: ends that meet lines.
        s, t = (next(x for x in lines if x.name == f"long {k}") for k in (0, 1))
        i, j = (int(f * len(x.points)) for f, x in ((0.12, s), (0.2, t)))
        ends = []
        for p in (s.points[i], t.points[j]):
            rx, rz, *c = (np.interp(p[1], b._table[:, 0], b._table[:, k]) for k in (1, 2, 3, 4))
            ends.append((np.arctan2((p[2] - c[1]) / rz, (p[0] - c[0]) / rx), p[1]))
        (a0, h0), (a1, h1) = ends
        a1 = a0 + np.angle(np.exp(1j * (a1 - a0))) % (2 * PI)
        lines.append(
            Stroke("slant", along(b, [a0, 0.5 * (a0 + a1), a1], [h0, 0.5 * (h0 + h1) + 5, h1]), ink, width)
        )  # fmt: skip
    return lines


def _free(strokes, need):
    """Whether a stroke lies at least `need` mm from all that is drawn, as a test for placing."""
    tree = cKDTree(np.vstack([dense(s.points, s.closed, 1.0)[0] for s in strokes]))
    return lambda new: all(tree.query(s.points)[0].min() > need for s in new)


def _place(make, strokes, need, tries=40):
    free = _free(strokes, need)
    for _ in range(tries):
        new = make()
        if free(new):
            strokes.extend(new)
            return True
    return False


def some_look(rng, tape):
    """Light, camera and tape by chance."""
    light = tuple(
        (*rng.normal(size=3), float(rng.uniform(0.2, 0.6))) for _ in range(rng.integers(1, 5))
    )
    return Look(
        tape=tape,
        strips=float(rng.uniform(0, 0.15)),
        blotch=float(rng.uniform(0.02, 0.12)),
        wrinkles=int(rng.integers(0, 25)),
        wrinkle_depth=float(rng.uniform(0.1, 0.35)),
        dirt=int(rng.choice([0, 0, 20, 50])),
        stickers=int(rng.choice([0, 0, 3])),
        highlight=float(rng.uniform(0, 0.6)),
        shadow=float(rng.choice([0, 0, 0.4, 0.6])),
        light=light,
        ambient=float(rng.uniform(0.25, 0.6)),
        gain=float(rng.choice([1.1, 1.0, 0.7, 0.4])),
        noise=float(rng.choice([3, 6, 12, 20])),
        worn=float(rng.choice([0, 0, 0.3])),
        soft=float(rng.uniform(0.3, 0.8)),
        edge=str(rng.choice(["", "", "skin", "cloth"])),
        cast=tuple(rng.choice([[1, 1, 1], [1, 0.85, 0.6], [0.85, 0.95, 1.1]])),
    )


def varied(seed, **force):
    """A scan by chance; `force` sets fields of its look, or width, spacing, texture, pair."""
    rng = np.random.default_rng([seed, 77])
    body = some_body(rng)
    torso = body.knots[0][1] > 110
    tape, pens = PAIRS[force.pop("pair", None) or str(rng.choice(list(PAIRS)))]
    pens = [pens[0], *rng.permutation(np.array(pens[1:])).tolist()]
    width = force.pop("width", None) or float(rng.choice([2.5, 3.0, 4.0, 4.0, 5.0, 7.0]))
    low, high = 1.7, min(3.6, max(1.0 * width, 2.0))
    spacing = force.pop("spacing", None) or float(
        rng.uniform(max(low, 2.0 if torso else low), high)
    )
    ink = tuple(pens[0])
    strokes = _seams(body, rng, ink, width)
    inks = int(rng.integers(1, min(len(pens), 4) + 1))
    tall = body.high - body.low

    def somewhere():
        return rng.uniform(0, 2 * PI), body.low + rng.uniform(0.12, 0.88) * tall

    for k in range(1, inks):
        for number in range(int(rng.integers(1, 3))):
            w = float(rng.choice([width, max(2.5, width - 1)]))

            def detail(k=k, number=number, w=w):
                a, y = somewhere()
                turn, size = rng.uniform(0, PI), rng.uniform(30, 60)
                ea, ey = body.stretch(a, y)
                t = np.array([-1.0, 0.0, 1.0])
                da, dy = np.cos(turn) * t, np.sin(turn) * t + 0.25 * (t**2)
                p = along(
                    body,
                    a + da * size / ea,
                    np.clip(y + dy * size / ey, body.low + 8, body.high - 8),
                )
                return [Stroke(f"ink {k} {number}", p, tuple(pens[k]), w, kind="detail")]  # fmt: skip

            _place(detail, strokes, 14)
    if rng.random() < 0.4:
        turn = np.linspace(0, 2 * PI, 13)

        def loop():
            a, y = somewhere()
            r = rng.uniform(18, 30)
            ea, ey = body.stretch(a, y)
            q = along(body, a + r * np.cos(turn) / ea, y + 0.8 * r * np.sin(turn) / ey)
            return [Stroke("loop", q, ink, width, closed=True, kind="detail")]

        _place(loop, strokes, 14)
    if rng.random() < 0.3:

        def dashes():
            a, y = somewhere()
            ea, _ = body.stretch(a, y)
            p = along(body, [a, a + 45 / ea, a + 90 / ea], [y, y + 4, y])
            # What shows is a pen's width longer than the pen moved.
            w = min(max(width, 3.0), 4.0)
            return [Stroke("dashes", p, ink, w, kind="score", dash=(9.0 - w, 7.0 + w))]

        _place(dashes, strokes, 16)
    if rng.random() < 0.5:
        for text in rng.permutation(np.array(WORDS))[: rng.integers(1, 4)]:
            size = rng.uniform(18, 32)

            def letters(text=text, size=size):
                pen = tuple(pens[int(rng.integers(inks))])
                turn = rng.normal(0, 0.2)
                return word(body, *somewhere(), str(text), size, pen, min(width, 3.0), turn)

            _place(letters, strokes, 18)
    if rng.random() < 0.4:
        long = [s for s in strokes if s.name.startswith("long")]
        for s in long[:2]:
            strokes.append(tick(body, s, rng.uniform(0.05, 0.95), rng.uniform(14, 22), ink))
    look = some_look(rng, tape)
    texture, islands = 0, False
    if force.pop("texture", rng.random() < 0.15):
        texture, islands = (2048 if torso else 1024), bool(rng.random() < 0.4)
        look = replace(look, jpeg=int(rng.choice([50, 75, 92])), noise=min(look.noise, 8.0))
    look = replace(look, **force)
    wear = Wear(
        holes=int(rng.integers(0, 12)), gaps=int(rng.choice([0, 0, 2])), gap_mm=rng.uniform(6, 14),
        smooth_mm=rng.uniform(0.1, 0.5), white_mm=rng.uniform(0.05, 0.2),
    )  # fmt: skip
    drawn = scan_of(
        body, strokes, look, wear, spacing=spacing, seed=seed, texture=texture, islands=islands
    )
    drawn.notes["look"] = look
    drawn.notes["wear"] = wear
    drawn.notes["about"] = (
        f"tape {tape} width {width} spacing {spacing:.1f} inks {inks} "
        f"{'texture ' + str(look.jpeg) + (' islands' if islands else '') if texture else ''}"
        f" gain {look.gain} noise {look.noise} worn {look.worn} shadow {look.shadow} edge {look.edge}"
    )
    return drawn
