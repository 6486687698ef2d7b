"""Drawings on the synthetic bodies: seam nets, details, writing, ticks and dashes."""

from dataclasses import replace

import numpy as np
from ink_bodies import LIMB, TORSO, Body, Stroke, along, ring, straight, word
from ink_scans import Drawn, Look, Wear, scan_of

BLACK, RED, BLUE, GREEN = (28, 28, 30), (150, 30, 34), (30, 50, 150), (20, 110, 60)
SILVER, WHITE = (205, 208, 212), (240, 240, 236)
SHIN = Body(
    knots=((0, 44, 48, 0, 0), (90, 50, 56, 3, -6), (170, 58, 64, 6, -4), (260, 62, 66, 8, 2)),
    bumps=((-1.57, 160, 80, 10),),
)
PI = np.pi


def torso_lines(ink=BLACK, second=RED, width=4.0):
    b = TORSO
    turn = np.linspace(0, 2 * PI, 13)
    lines = [
        ("centre front", along(b, [PI / 2, PI / 2 + 0.03, PI / 2], [b.low, 200, b.high])),
        ("centre back", along(b, [-PI / 2, -PI / 2 - 0.04, -PI / 2], [b.low, 250, b.high])),
        ("side left", along(b, [0, 0.08, -0.05, 0], [b.low, 150, 330, b.high])),
        ("side right", along(b, [PI, PI - 0.08, PI + 0.05, PI], [b.low, 150, 330, b.high])),
        ("bust left", along(b, [0.03, 0.5, 1.0, PI / 2], [290, 268, 262, 285])),
        ("bust right", along(b, [PI - 0.03, PI - 0.5, PI - 1.0, PI / 2], [290, 268, 262, 285])),
    ]
    seams = [Stroke(name, points, ink, width) for name, points in lines]
    loop = along(b, -PI / 2 + 0.8 + 0.18 * np.cos(turn), 390 + 24 * np.sin(turn))
    detail = along(b, [0.5, 0.9, 1.3], [80, 110, 90])
    return [
        *seams,
        Stroke("waist", ring(b, 195, 6, 0.4), ink, width, closed=True),
        Stroke("loop", loop, ink, width, closed=True, kind="detail"),
        Stroke("detail", detail, second, width, kind="detail"),
    ]


def limb_lines(body=LIMB, ink=BLACK, second=BLUE, width=4.0):
    b = body
    middle = b.high / 2
    return [
        Stroke(
            "front", along(b, [PI / 2, PI / 2 + 0.1, PI / 2], [b.low, middle, b.high]), ink, width
        ),
        Stroke(
            "back", along(b, [-PI / 2, -PI / 2 - 0.1, -PI / 2], [b.low, middle, b.high]), ink, width
        ),
        Stroke("ring", ring(b, 0.62 * b.high, 8, 1.0), ink, width, closed=True),
        Stroke("detail", along(b, [0.2, 0.4, -0.2], [50, 90, 130]), second, width, kind="detail"),
    ]


def writing(body, ink=BLACK):
    """Letters, an arrow and a cross, well away from the lines of `limb_lines`."""
    return [
        *word(body, 2.9, 0.8 * body.high, "L2", 26, ink),
        *word(body, 3.6, 0.35 * body.high, "arrow", 50, ink),
        *word(body, 0.1, 0.83 * body.high, "cross", 22, ink),
    ]


def tick(body, stroke, at, size=16.0, ink=BLACK):
    """A short stroke across another, at a fraction of its points."""
    p = stroke.points
    k = int(at * (len(p) - 1))
    t = p[k + 1] - p[k - 1]
    out = p[k] - np.array([0.0, p[k][1], 0.0])
    across = np.cross(out, t)
    q = p[k] + np.linspace(-size / 2, size / 2, 15)[:, None] * across / np.linalg.norm(across)
    return Stroke(f"tick {at}", q, ink, 3.0, kind="tick")


def with_corners(body=SHIN):
    b = body
    zigzag = [(-0.5, 70), (0.0, 110), (0.5, 70), (1.0, 110), (1.25, 80)]
    square = [(2.4, 60), (2.4, 110), (3.2, 110), (3.2, 60), (2.4, 60)]
    return [
        *limb_lines(b)[:3],
        Stroke("zigzag", straight(b, zigzag), BLACK),
        Stroke("square", straight(b, square)[:-1], BLACK, closed=True, kind="detail"),
    ]


def stress(body, seed, spacing):
    """A worn 3 mm pen, hard shadows, 30 holes, dirt, noise of 30 levels, gaps of 14 mm."""
    lines = torso_lines(width=3.0) if body is TORSO else limb_lines(body, width=3.0)
    look = Look(worn=0.5, shadow=0.6, dirt=60, noise=30, wrinkles=6)
    # 30 holes and 5 gaps on some three metres of line; on a small body as many to the metre.
    share = min(
        1.0, sum(np.linalg.norm(np.diff(s.points, axis=0), axis=1).sum() for s in lines) / 3000
    )
    wear = Wear(holes=round(30 * share), hole_mm=4.0, gaps=round(5 * share))
    return scan_of(body, lines, look, wear, spacing=spacing, seed=seed)


def faint(lines, strength):
    return [replace(s, strength=strength) for s in lines]


BENCH: dict[str, object] = {
    "torso 2.0 mm": lambda s: scan_of(TORSO, torso_lines(), spacing=2.0, seed=s),
    "torso 2.7 mm": lambda s: scan_of(TORSO, torso_lines(), spacing=2.7, seed=s),
    "limb": lambda s: scan_of(LIMB, limb_lines(), spacing=2.4, seed=s),
    "thin pen": lambda s: scan_of(LIMB, limb_lines(width=2.0), spacing=1.8, seed=s),
    "thick pen": lambda s: scan_of(TORSO, torso_lines(width=7.0), spacing=2.4, seed=s),
    "silver on black": lambda s: scan_of(
        TORSO, torso_lines(SILVER, (190, 60, 60)), Look(tape=(38, 38, 42)), spacing=2.4, seed=s
    ),
    "white on blue": lambda s: scan_of(
        LIMB, limb_lines(ink=WHITE, second=BLACK), Look(tape=(60, 85, 150)), spacing=2.4, seed=s
    ),
    "faint": lambda s: scan_of(
        TORSO, faint(torso_lines(), 0.4), Look(noise=8), spacing=2.4, seed=s
    ),
    "dark room": lambda s: scan_of(
        TORSO, torso_lines(), Look(gain=0.3, noise=8), spacing=2.4, seed=s
    ),
    "skin at the edge": lambda s: scan_of(
        TORSO, torso_lines(), Look(edge="skin"), spacing=2.4, seed=s
    ),
    "cloth at the edge": lambda s: scan_of(
        TORSO, torso_lines(), Look(edge="cloth"), spacing=2.4, seed=s
    ),
    "dirt and stickers": lambda s: scan_of(
        TORSO, torso_lines(), Look(stickers=6, dirt=40, strips=0.15), spacing=2.4, seed=s
    ),
    "gloss": lambda s: scan_of(TORSO, torso_lines(), Look(highlight=0.8), spacing=2.4, seed=s),
    "dark creases": lambda s: scan_of(
        TORSO, torso_lines(), Look(wrinkles=40, wrinkle_depth=0.7), spacing=2.4, seed=s
    ),
    "corners": lambda s: scan_of(SHIN, with_corners(), spacing=2.0, seed=s),
    "stress torso": lambda s: stress(TORSO, s, 2.4),
    "stress limb": lambda s: stress(LIMB, s, 2.0),
    "texture": lambda s: scan_of(LIMB, limb_lines(), spacing=3.0, seed=s, texture=1024),
}


def drawn(name: str, seed: int) -> Drawn:
    """A scan of the bench by name."""
    return BENCH[name](seed)  # type: ignore[operator]
