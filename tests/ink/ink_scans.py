"""Synthetic phone scans of taped bodies with pen lines on them, with the truth kept beside."""

from dataclasses import dataclass, field, replace
from io import BytesIO

import numpy as np
from PIL import Image
from scipy.spatial import cKDTree

from flatten.records.scan import Scan


@dataclass(frozen=True)
class Look:
    """How the tape, the light and the camera are.

    tape : the tape's colour; strips, blotch, wrinkles, dirt, highlight, shadow : how much of each
    light : directions of the lamps with their strength; ambient : light from everywhere
    noise : camera noise, uniform, plus and minus that many levels of 255
    edge : "" or what shows beyond the tape near the rims ("skin", "cloth"), `edge_mm` wide
    cast : what the light does to each channel (a warm lamp takes from blue)
    jpeg : quality at which a texture was squeezed, 0 for not at all
    """

    tape: tuple[int, int, int] = (150, 152, 156)
    strips: float = 0.06
    blotch: float = 0.06
    wrinkles: int = 12
    wrinkle_depth: float = 0.2
    dirt: int = 0
    stickers: int = 0
    highlight: float = 0.25
    shadow: float = 0.0
    light: tuple[tuple[float, float, float, float], ...] = (
        (0.5, 0.6, 0.8, 0.55),
        (-0.7, 0.2, -0.4, 0.3),
    )
    ambient: float = 0.35
    gain: float = 1.0
    noise: float = 4.0
    worn: float = 0.0
    soft: float = 0.5
    edge: str = ""
    edge_mm: float = 18.0
    cast: tuple[float, float, float] = (1.0, 1.0, 1.0)
    jpeg: int = 0


@dataclass(frozen=True)
class Wear:
    """What is wrong with the mesh. holes : on lines; gaps : places where a line was not drawn."""

    smooth_mm: float = 0.3
    white_mm: float = 0.12
    holes: int = 4
    hole_mm: float = 5.0
    gaps: int = 0
    gap_mm: float = 14.0
    rubbish: bool = True
    metres: bool = True


@dataclass(frozen=True)
class Drawn:
    """A scan with its truth. strokes : in the scan's own numbers; to_mm : mm per number."""

    scan: Scan
    strokes: tuple
    to_mm: float
    pose: np.ndarray
    body: object = None
    notes: dict = field(default_factory=dict)


def waves(rng, X, length, count=24):
    """A smooth random field at X with features about `length` mm across, deviation one."""
    k = rng.normal(size=(count, 3))
    k *= (
        (2 * np.pi / length)
        * rng.uniform(0.6, 1.4, (count, 1))
        / np.linalg.norm(k, axis=1)[:, None]
    )
    return np.cos(X @ k.T + rng.uniform(0, 2 * np.pi, count)).sum(1) * np.sqrt(2 / count)


def tube_mesh(body, spacing, rng):
    """Vertices (n, 3), faces and places (angle, height) of a jittered net over the body."""
    rows = int((body.high - body.low) / (spacing * 0.87)) + 1
    cols = int(max(body.girth(y) for y in np.linspace(body.low, body.high, 9)) / spacing)
    y = np.linspace(body.low, body.high, rows)[:, None] + np.zeros((1, cols))
    angle = 2 * np.pi * (np.arange(cols)[None] + 0.5 * (np.arange(rows)[:, None] % 2)) / cols
    y = y + rng.uniform(-0.25, 0.25, y.shape) * spacing
    angle = angle + rng.uniform(-0.25, 0.25, angle.shape) * 2 * np.pi / cols
    i, j = np.meshgrid(np.arange(rows - 1), np.arange(cols), indexing="ij")
    a, b = i * cols + j, i * cols + (j + 1) % cols
    c, d = a + cols, b + cols
    odd = (i % 2 == 1)[..., None]
    up = np.where(odd, np.stack([a, d, b], -1), np.stack([a, c, b], -1))
    dn = np.where(odd, np.stack([a, c, d], -1), np.stack([c, d, b], -1))
    F = np.concatenate([up.reshape(-1, 3), dn.reshape(-1, 3)])
    V = body.at(angle.ravel(), y.ravel())
    return V, F, np.column_stack([angle.ravel(), y.ravel()])


def dense(points, closed, step=0.25):
    """Points every `step` mm along a polyline, with their place along it (mm)."""
    q = np.vstack([points, points[:1]]) if closed else np.asarray(points)
    d = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(q, axis=0), axis=1))])
    t = np.arange(0, d[-1] + 1e-9, step)
    return np.column_stack([np.interp(t, d, q[:, i]) for i in range(3)]), t


def cut_gaps(strokes, count, length, rng):
    """Pieces of the ink left out: (stroke, from, to) in mm, away from ends and other strokes."""
    out = []
    lined = [i for i, s in enumerate(strokes) if s.kind in ("seam", "detail") and s.dash is None]
    for _ in range(200):
        if len(out) >= count or not lined:
            break
        i = int(rng.choice(lined))
        p, t = dense(strokes[i].points, strokes[i].closed)
        if t[-1] < 80 + length:
            continue
        at = rng.uniform(30, t[-1] - 30 - length)
        here = p[(t > at - 25) & (t < at + length + 25)]
        others = [dense(s.points, s.closed, 1.0)[0] for j, s in enumerate(strokes) if j != i]
        if others and cKDTree(np.vstack(others)).query(here)[0].min() < 12:
            continue
        if any(j == i and abs(a - at) < 60 for j, a, _ in out):
            continue
        out.append((i, at, at + length))
    return out


def paint(X, N, strokes, look, rng, rim_distance=None, gaps=(), blur=0.0):
    """(k, 3) uint8 colours of the points X with unit normals N."""
    k = len(X)
    albedo = np.tile(np.array(look.tape, float), (k, 1))
    for _ in range(14 if look.strips else 0):
        n = rng.normal(size=3)
        n /= np.linalg.norm(n)
        at = X[rng.integers(k)]
        d = (X - at) @ n + 2 * waves(rng, X, 160)
        inside = 0.5 + 0.5 * np.tanh((25 - np.abs(d)) / 1.0)
        albedo *= (1 + look.strips * rng.uniform(-1, 1) * inside)[:, None]
    albedo *= (1 + look.blotch * waves(rng, X, 70) * 0.7 + 0.4 * look.blotch * waves(rng, X, 25))[
        :, None
    ]
    tree = cKDTree(X) if look.wrinkles else None
    for _ in range(look.wrinkles):
        at = X[rng.integers(k)]
        e = rng.normal(size=3)
        e -= (e @ N[rng.integers(k)]) * 0
        e /= np.linalg.norm(e)
        half = rng.uniform(10, 35)
        s = np.linspace(-half, half, 60)[:, None]
        p = at + s * e + 0.002 * s**2 * rng.normal(size=3)
        near = tree.query(p)[1]
        d, j = cKDTree(X[near]).query(X, distance_upper_bound=8)
        d = np.where(np.isfinite(d), d, 99)
        fade = np.clip(1 - np.abs(s[np.minimum(j, 59), 0]) / half, 0, 1) ** 0.5
        albedo *= (1 - look.wrinkle_depth * fade * np.exp(-((d / 1.6) ** 2)))[:, None]
        albedo *= (1 + 0.4 * look.wrinkle_depth * fade * np.exp(-(((d - 4) / 1.6) ** 2)))[:, None]
    for _ in range(look.stickers):
        at = rng.integers(k)
        a = np.cross(N[at], rng.normal(size=3))
        a /= np.linalg.norm(a)
        b = np.cross(N[at], a)
        q = X - X[at]
        inside = (np.abs(q @ a) < 18) & (np.abs(q @ b) < 11) & (np.abs(q @ N[at]) < 15)
        albedo[inside] = rng.uniform(60, 255, 3)
    for _ in range(look.dirt):
        d = np.linalg.norm(X - X[rng.integers(k)], axis=1)
        alpha = rng.uniform(0.3, 0.8) * (0.5 - 0.5 * np.tanh((d - rng.uniform(1, 6)) / 1.2))
        albedo += (np.array([70, 55, 40]) - albedo) * alpha[:, None]
    if look.edge and rim_distance is not None:
        d = rim_distance + 4 * waves(rng, X, 60)
        inside = 1 / (1 + np.exp((d - look.edge_mm) / 0.5))
        other = np.tile(np.array([205, 160, 135.0]), (k, 1))
        if look.edge == "cloth":
            other = np.tile(np.array([60, 70, 110.0]), (k, 1))
            other *= (1 + 0.3 * (np.sin(X @ np.array([0.3, 1.1, 0.2])) > 0.6))[:, None]
        albedo += (other - albedo) * inside[:, None]
    for i, stroke in enumerate(strokes):
        p, t = dense(stroke.points, stroke.closed)
        drawn = np.ones(len(t), bool)
        if stroke.dash is not None:
            turns = np.cumsum(stroke.dash)
            drawn &= np.searchsorted(turns, np.mod(t, turns[-1]), side="right") % 2 == 0
        for j, a, b in gaps:
            if j == i:
                drawn &= ~((t > a) & (t < b))
        d, _ = cKDTree(p[drawn]).query(X, distance_upper_bound=stroke.width + 4)
        near = np.isfinite(d)
        w = stroke.width / 2 + 0.15 * waves(rng, X[near], 15)
        alpha = stroke.strength / (
            1 + np.exp((d[near] - w) / (0.35 * np.hypot(look.soft, blur) + 1e-6))
        )
        if look.worn:
            wear = 0.5 + 0.5 * waves(rng, X[near], 9) + 0.4 * waves(rng, X[near], 30)
            alpha *= 1 - look.worn * np.clip(wear, 0, 1)
        albedo[near] += (np.array(stroke.ink, float) - albedo[near]) * alpha[:, None]
    shade = np.full(k, look.ambient)
    gloss = np.zeros(k)
    bent = N + 0.12 * np.column_stack([waves(rng, X, 30) for _ in range(3)])
    bent /= np.linalg.norm(bent, axis=1)[:, None]
    for x, y, z, power in look.light:
        way = np.array([x, y, z]) / np.linalg.norm([x, y, z])
        shade += power * np.maximum(N @ way, 0)
        gloss += look.highlight * np.maximum(bent @ way, 0) ** 40
    if look.shadow:
        n = rng.normal(size=3)
        n /= np.linalg.norm(n)
        d = (X - X.mean(0)) @ n + 12 * waves(rng, X, 150)
        shade *= 1 - look.shadow / (1 + np.exp(-(np.abs(d) - 60) / 1.0))
    value = albedo * (shade[:, None] ** (1 / 1.6)) * look.gain + 255 * gloss[:, None]
    value *= np.array(look.cast)
    value += rng.uniform(-look.noise, look.noise, (k, 3))
    return np.clip(np.rint(value), 0, 255).astype(np.uint8)


def normals_of(V, F):
    n = np.cross(V[F[:, 1]] - V[F[:, 0]], V[F[:, 2]] - V[F[:, 0]])
    out = np.zeros_like(V)
    for c in range(3):
        np.add.at(out, F[:, c], n)
    return out / np.maximum(np.linalg.norm(out, axis=1), 1e-12)[:, None]


def damage(V, F, strokes, wear, rng):
    """The clean mesh as a phone would give it: V in mm still, faces with holes and rubbish."""
    N = normals_of(V, F)
    moved = V + N * (wear.smooth_mm * waves(rng, V, 22))[:, None]
    moved = moved + rng.normal(0, wear.white_mm, V.shape)
    centre = V[F].mean(1)
    keep = np.ones(len(F), bool)
    lined = [s for s in strokes if s.kind in ("seam", "detail")]
    for _ in range(wear.holes if lined else 0):
        s = lined[rng.integers(len(lined))]
        at = s.points[rng.integers(len(s.points))]
        keep &= np.linalg.norm(centre - at, axis=1) > rng.uniform(0.5, 1.0) * wear.hole_mm
    F = F[keep]
    if wear.rubbish:
        k = rng.integers(0, len(F), 6)
        F = np.concatenate([F, F[k[:3]], F[k[3:5]][:, ::-1], np.repeat(F[k[5:], :1], 3, axis=1)])
        fin = np.array([F[10][0], F[10][1], len(moved)])
        moved = np.vstack([moved, moved[F[10]].mean(0) + 9 * N[F[10][0]], moved[:5] + 40])
        F = np.vstack([F, fin])
    return moved, F


def scan_of(
    body, strokes, look=None, wear=None, spacing=2.2, seed=0, texture=0, islands=False
):  # fmt: skip
    """A scan of `body` with `strokes`; with `texture` > 0 an image of that many pixels a side,
    whose charts are sixths of the turn or, with `islands`, one for every pair of faces."""
    look, wear = look or Look(), wear or Wear()
    rng = np.random.default_rng(seed)
    V, F, place = tube_mesh(body, spacing if not texture else max(spacing, 3.0), rng)
    if np.einsum("ij,ij->i", normals_of(V, F), V - V.mean(0)).mean() < 0:
        F = F[:, ::-1]
    gaps = cut_gaps(strokes, wear.gaps, wear.gap_mm, rng) if wear.gaps else []
    rim = np.minimum(V[:, 1] - body.low, body.high - V[:, 1])
    extra = {}
    if texture:
        if islands:
            extra = _islands(body, V, F, strokes, look, texture, gaps)
        else:
            extra = _textured(body, V, F, place, strokes, look, rng, texture, gaps)
        if look.jpeg:
            extra["image"] = squeezed(extra["image"], look.jpeg)
        corner_uv, image = extra["uv"], extra["image"]
    else:
        colours = paint(V, normals_of(V, F), strokes, look, rng, rim, gaps)
    moved, kept = damage(V, F, strokes, wear, rng)
    turn = np.linalg.qr(rng.normal(size=(3, 3)))[0]
    if np.linalg.det(turn) < 0:
        turn[:, 0] *= -1
    size = 1000.0 if wear.metres else 1.0
    pose = np.eye(4)
    pose[:3, :3] = turn / size
    pose[:3, 3] = rng.normal(size=3) * 300 / size

    def placed(p):
        return p @ pose[:3, :3].T + pose[:3, 3]

    common = {"name": "synthetic", "V": placed(moved), "F": kept}
    if texture:
        tree = {tuple(sorted(f)): c for f, c in zip(F.tolist(), corner_uv, strict=True)}
        uv = np.zeros((len(kept), 3, 2), np.float32)
        for i, f in enumerate(kept.tolist()):
            key = tuple(sorted(f))
            if key in tree:
                uv[i] = _reorder(key, tree[key], f)
        scan = Scan(**common, uv=uv, textures=(image,), face_texture=np.zeros(len(kept), np.int16))
    else:
        more = len(moved) - len(colours)
        scan = Scan(**common, colors=np.vstack([colours, np.zeros((more, 3), np.uint8)]))
    truth = tuple(replace(s, points=placed(s.points)) for s in strokes)
    return Drawn(scan=scan, strokes=truth, to_mm=size, pose=pose, body=body, notes={"gaps": gaps})


def squeezed(image, quality):
    """The image as it comes back from a JPEG file."""
    file = BytesIO()
    Image.fromarray(image).save(file, "JPEG", quality=quality)
    return np.array(Image.open(file))


def _islands(body, V, F, strokes, look, size, gaps):
    """Every face in a corner of a square cell of its own, two to a cell, shuffled."""
    rng = np.random.default_rng(11)
    side = int(np.ceil(np.sqrt((len(F) + 1) // 2)))
    cell = size // side
    order = rng.permutation(len(F))
    slot, upper = order // 2, order % 2 == 1
    col, row = slot % side, slot // side
    # Corners in the cell, a texel in from its edges and from the other face's.
    low, high = 1.0, cell - 2.5
    lower = np.array([[low, low], [high, low], [low, high]])
    other = cell - lower
    corner = np.where(upper[:, None, None], other, lower) + cell * np.stack([col, row], -1)[:, None]
    image = np.full((size, size, 3), 90, np.uint8)
    gx, gy = np.meshgrid(np.arange(cell) + 0.5, np.arange(cell) + 0.5)
    gx, gy = gx.ravel(), gy.ravel()
    P, M, where = [], [], []
    N = normals_of(V, F)
    for up in (False, True):
        f = np.flatnonzero(upper == up)
        mine = (gx + gy > cell) if up else (gx + gy <= cell)
        x, y = gx[mine], gy[mine]
        if up:
            x, y = cell - x, cell - y
        b, c = (x - low) / (high - low), (y - low) / (high - low)
        w = np.stack([1 - b - c, b, c], -1)
        P.append(np.einsum("tk,fkd->ftd", w, V[F[f]]).reshape(-1, 3))
        M.append(np.einsum("tk,fkd->ftd", w, N[F[f]]).reshape(-1, 3))
        px = (col[f, None] * cell + gx[None, mine].astype(int)).ravel()
        py = (row[f, None] * cell + gy[None, mine].astype(int)).ravel()
        where.append(np.stack([px, py], -1))
    P, M, where = np.vstack(P), np.vstack(M), np.vstack(where)
    M /= np.linalg.norm(M, axis=1)[:, None]
    rim = np.minimum(P[:, 1] - body.low, body.high - P[:, 1])
    image[where[:, 1], where[:, 0]] = paint(
        P, M, strokes, look, np.random.default_rng(7), rim, gaps
    )
    uv = np.stack([corner[..., 0] / size, 1 - corner[..., 1] / size], -1)
    return {"uv": [dict(zip(f, c, strict=True)) for f, c in zip(F.tolist(), uv, strict=True)],
            "image": image}  # fmt: skip


def _reorder(_key, by_vertex, face):
    return [by_vertex[v] for v in face] if len(set(face)) == 3 else [(0.0, 0.0)] * 3


def _textured(body, V, F, place, strokes, look, rng, size, gaps):
    """Six charts (sixths of the turn) side by side in one image, with gutters between."""
    charts, gutter = 6, 6
    a = place[F, 0] % (2 * np.pi)
    a = np.where(
        a - a[:, :1] > np.pi, a - 2 * np.pi, np.where(a - a[:, :1] < -np.pi, a + 2 * np.pi, a)
    )
    # A face belongs to the chart of its middle; charts overhang by one face width.
    chart = np.floor((a.mean(1) % (2 * np.pi)) / (2 * np.pi / charts)).astype(int) % charts
    width = size / charts
    reach = 2 * np.pi / charts
    margin = 0.06 * reach
    local = a - chart[:, None] * reach
    local = np.where(
        local > np.pi, local - 2 * np.pi, np.where(local < -np.pi, local + 2 * np.pi, local)
    )
    x = (
        chart[:, None] * width
        + gutter
        + (local + margin) / (reach + 2 * margin) * (width - 2 * gutter)
    )
    h = np.clip((place[F, 1] - body.low + 3) / (body.high - body.low + 6), 0, 1)
    y = size - gutter - h * (size - 2 * gutter)
    uv = np.stack([x / size, 1 - y / size], -1)
    corner = [dict(zip(f, c, strict=True)) for f, c in zip(F.tolist(), uv.tolist(), strict=True)]
    image = np.zeros((size, size, 3), np.uint8)
    for c in range(charts):
        px = np.arange(int(c * width), int((c + 1) * width))
        gx, gy = np.meshgrid(px + 0.5, np.arange(size) + 0.5)
        ang = (
            (gx - c * width - gutter) / (width - 2 * gutter) * (reach + 2 * margin)
            - margin
            + c * reach
        )
        hh = (size - gutter - gy) / (size - 2 * gutter) * (body.high - body.low + 6) - 3 + body.low
        ok = (ang > c * reach - margin) & (ang < (c + 1) * reach + margin)
        P = body.at(ang[ok], hh[ok])
        e = 1e-3
        du = body.at(ang[ok] + e, hh[ok]) - P
        dv = body.at(ang[ok], hh[ok] + e * 100) - P
        n = np.cross(dv, du)
        n /= np.linalg.norm(n, axis=1)[:, None]
        rim = np.minimum(P[:, 1] - body.low, body.high - P[:, 1])
        block = np.full((size, len(px), 3), 200, np.uint8)
        block[ok] = paint(P, n, strokes, look, np.random.default_rng(7), rim, gaps)
        image[:, px[0] : px[-1] + 1] = block
    return {"uv": corner, "image": image}
