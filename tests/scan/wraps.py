"""Makes bodies from formulas, and real wraps of any clean cast: slit, inside wall, stand, noise.

Every function takes and gives V (n, 3) mm and F (m, 3), outward, up +y, front +z, left +x. What
the true surface was is known, so that tests can measure how far a mended wrap lies from it.
"""

import numpy as np
from scipy.spatial import KDTree

from flatten.geometry.halfedges import border_cycles, opposites
from flatten.geometry.topology import compact
from flatten.geometry.triangles import vertex_normals
from flatten.scan.manifold import make_manifold


def tube(profile, rows, columns):
    """Mesh of profile(s, angle) -> (..., 3) over s in 0..1 (upward) and the full angle."""
    s = np.linspace(0, 1, rows)
    angle = 2 * np.pi * np.arange(columns) / columns
    V = profile(s[:, None], angle[None, :]).reshape(-1, 3)
    i = np.arange(rows - 1)[:, None] * columns
    j = np.arange(columns)[None, :]
    a, b = i + j, i + (j + 1) % columns
    c, d = a + columns, b + columns
    even = ((np.arange(rows - 1)[:, None] + j) % 2 == 0)[..., None]
    one = np.where(even, np.stack([a, c, b], -1), np.stack([a, d, b], -1))
    two = np.where(even, np.stack([b, c, d], -1), np.stack([a, c, d], -1))
    return V, np.concatenate([one.reshape(-1, 3), two.reshape(-1, 3)])


def torso(rows=150, columns=180):
    """A bust of about 900 mm girth with openings at waist, neck and both arms."""

    def profile(s, angle):
        t = np.clip((s - 0.72) / 0.28, 0, 1)  # over the shoulders
        y = 420 * np.minimum(s / 0.72, 1) + 95 * np.sin(t * np.pi / 2) * 0.9
        waist = 1 - 0.16 * np.exp(-(((y - 90) / 90) ** 2))
        wide = (165 * waist + 12 * (y / 420)) * (1 - 0.62 * t**1.6)
        deep = 108 * waist * (1 - 0.42 * t**1.3)
        x = wide * np.cos(angle)
        z = deep * np.sin(angle)
        lean = 20 * np.sin(np.pi * np.clip(y / 430, 0, 1)) - 45 * t**1.5
        for side in (-1, 1):
            ahead = (np.cos(angle) - side * 0.42) ** 2 / 0.06 + ((y - 290) / 62) ** 2
            z = z + 42 * np.exp(-ahead) * (np.sin(angle) > 0) * np.sin(angle)
        y = y - 30 * t**2 * np.sin(angle)  # the neck is lower in front
        return np.stack(np.broadcast_arrays(x, y, z + lean), -1)

    V, F = tube(profile, rows, columns)
    side = np.abs(V[:, 0])
    arm = np.hypot((V[:, 1] - 405) / 62, (V[:, 2] - 5) / 50)
    gone = (arm < 1) & (side > 90)
    return largest(V, F[~gone[F].all(axis=1)])


def leg(rows=200, columns=90):
    """A right leg from ankle to above the knee: calf behind, kneecap in front."""

    def profile(s, angle):
        y = 460 * s
        girth = (
            225
            + 140 * np.exp(-(((y - 210) / 95) ** 2))
            + 115 * np.exp(-(((y - 345) / 60) ** 2))
            + 210 * np.clip((y - 330) / 130, 0, 1) ** 1.3
        )
        r = girth / (2 * np.pi)
        calf = 15 * np.exp(-(((y - 215) / 75) ** 2))
        knee = 9 * np.exp(-(((y - 345) / 35) ** 2)) * np.clip(np.sin(angle), 0, 1) ** 4
        lean = 16 * np.clip((y - 300) / 160, 0, 1) ** 1.5
        x = r * np.cos(angle) * 0.96 - 90 - 25 * (1 - s)
        z = r * np.sin(angle) * (1.04 - 0.1 * (np.sin(angle) > 0)) + knee - calf + lean
        return np.stack(np.broadcast_arrays(x, y, z), -1)

    return tube(profile, rows, columns)


def largest(V, F):
    """The part of the mesh with the most faces, as a manifold without spare vertices."""
    m = make_manifold(V, F.astype(np.int32))
    F, used = compact(m.F[m.part == np.bincount(m.part).argmax()])
    return m.V[used], F


def loops(V, F):
    """Border loops, the surface on the left, longest first in mm."""
    found = border_cycles(F, opposites(F, len(V)))
    return sorted(found, key=lambda k: -np.linalg.norm(V[k] - np.roll(V[k], 1, 0), axis=1).sum())


def cut(V, F, field, where):
    """Cuts the mesh open along field = 0, as far as `where` is true there.

    field (n,), where (n,) in 0..1 (cut above 0.5); the cut runs through the faces. Gives V, F, the
    side of each vertex (-1 or 1, as the field's sign), which ones lie on the cut, and the vertices
    at which it ends inside the surface.
    """
    field = np.where(np.abs(field) < 0.02, 0.0, field)
    points: list = list(V)
    value: list = list(field)
    weight: list = list(where)
    made, faces = {}, []

    def at(a, b):
        key = (min(a, b), max(a, b))
        if key not in made:
            t = field[a] / (field[a] - field[b])
            made[key] = len(points)
            points.append(V[a] + t * (V[b] - V[a]))
            value.append(0.0)
            weight.append(where[a] + t * (where[b] - where[a]))
        return made[key]

    for f in F.tolist():
        s = np.sign(field[f])
        if (s >= 0).all() or (s <= 0).all():
            faces.append(f)
            continue
        ring = []
        for i in range(3):
            a, b = f[i], f[(i + 1) % 3]
            ring.append((a, np.sign(field[a])))
            if field[a] * field[b] < 0:
                ring.append((at(a, b), 0.0))
        for side in (1, -1):
            part = [v for v, sign in ring if sign * side >= 0]
            faces += [[part[0], part[i], part[i + 1]] for i in range(1, len(part) - 1)]
    P, level, share = np.array(points), np.array(value), np.array(weight)
    T = np.array(faces)
    on = (level == 0) & (share > 0.5)
    double = np.full(len(P), -1)
    double[on] = len(P) + np.arange(on.sum())
    upper = (level[T] >= 0).all(axis=1)
    T[upper] = np.where(on[T[upper]], double[T[upper]], T[upper])
    P = np.vstack([P, P[on]])
    side = np.concatenate([np.where(on, -1.0, np.sign(level)), np.ones(on.sum())])
    line = np.concatenate([on, on[on]])
    zero = np.concatenate([level == 0, on[on]])
    whole = make_manifold(P, T.astype(np.int32))
    spare = np.arange(len(whole.V))
    spare[len(P) :] = KDTree(P).query(whole.V[len(P) :])[1]
    beside = np.zeros(len(whole.V), bool)
    beside[whole.F[line[spare][whole.F].any(axis=1)]] = True
    tip = beside & zero[spare] & ~line[spare]
    return whole.V, whole.F, side[spare], line[spare] | tip, np.flatnonzero(tip)


def slit(V, F, field, where, kind, amount=None, reach=90.0):
    """A wrap cut open along field = 0 (field in mm) and sprung: kind gape, lap, step or plain.

    amount : mm, by default gaping 8, lapped 10, stepped 4
    """
    V, F, side, cut_line, tips = cut(V, F, field, where)
    N = vertex_normals(V, F)
    line = V[cut_line]
    far, near = KDTree(line).query(V)
    fade = np.clip(1 - far / reach, 0, 1)
    fade = fade * fade * (3 - 2 * fade)
    # Sideways: across the cut, in the surface, towards where the field grows.
    along = np.gradient(line[np.argsort(line[:, 1])], axis=0).mean(axis=0)
    across = np.cross(along, N)
    across /= np.linalg.norm(across, axis=1, keepdims=True)
    close = (far > 0) & (far < 15)
    across *= np.sign(np.sum(np.einsum("ij,ij->i", across, V - line[near])[close] * side[close]))
    # Where the cut ends inside the surface the two sides meet: nothing moves there.
    hold = np.clip(KDTree(V[tips]).query(V)[0] / 60, 0, 1) if len(tips) else np.ones(len(V))
    size = {"gape": 8.0, "lap": 10.0, "step": 4.0, "plain": 0.0}[kind] if amount is None else amount
    W = V.copy()
    half = 0.5 * size * fade * hold
    if kind == "gape":
        W += (side * half)[:, None] * across
    elif kind == "lap":
        W -= (side * half)[:, None] * across
        lift = np.clip(1 - far / 35, 0, 1) ** 2 * (3 - 2 * np.clip(1 - far / 35, 0, 1)) * 1.2 * hold
        W += (side * lift)[:, None] * N
    elif kind == "step":
        W += (side * half)[:, None] * N
    return W, F


def inside_wall(V, F, thick=1.5, share=1.0, joined=True, turned=True):
    """Adds the inside of an empty shell: every face within `share` of the height, below.

    joined : the rims are bridged (one closed sheet); turned : the inside faces look inward
    """
    N = vertex_normals(V, F)
    inner = V - thick * N
    n = len(V)
    back = F[:, ::-1] if turned else F
    low, high = V[:, 1].min(), V[:, 1].max()
    keep = (V[F][:, :, 1] <= low + share * (high - low) + 1e-9).all(axis=1)
    faces = [F, back[keep] + n]
    if joined:
        kept = np.zeros(len(V), bool)
        kept[F[keep]] = True
        for loop in loops(V, F):
            a, b = loop, np.roll(loop, -1)
            on = kept[a] & kept[b]
            a, b = a[on], b[on]
            faces += [np.column_stack([b, a, a + n]), np.column_stack([b, a + n, b + n])]
    T, used = compact(np.concatenate(faces))
    return np.vstack([V, inner])[used], T


def loft(V, F, loop, rings, closed=True):
    """Adds a surface from a border loop over further rings (each (k, 3)); the last may be capped."""
    k = len(loop)
    W, faces, before = [V], [F], loop
    count = len(V)
    for ring in rings:
        now = count + np.arange(k)
        W.append(ring)
        count += k
        a, b, c, d = before, np.roll(before, -1), now, np.roll(now, -1)
        faces += [np.column_stack([b, a, c]), np.column_stack([b, c, d])]
        before = now
    if closed:
        W.append(rings[-1].mean(axis=0)[None])
        faces.append(np.column_stack([np.roll(before, -1), before, np.full(k, count)]))
    return np.vstack(W), np.concatenate(faces)


def lowest_loop(V, F):
    return min(loops(V, F), key=lambda k: V[k, 1].mean())


def floor(V, F, wide=400.0, step=8.0):
    """The cast stands on a floor that was scanned with it, out to about `wide` from its middle."""
    loop = lowest_loop(V, F)
    P = V[loop]
    y = P[:, 1].min()
    centre = P.mean(axis=0)
    out = P - centre
    out[:, 1] = 0
    size = np.linalg.norm(out, axis=1)
    rings = [np.column_stack([P[:, 0], np.full(len(P), y - 3.0), P[:, 2]])]
    for r in np.arange(step, wide - size.mean(), step):
        ring = centre + out * ((size + r) / size)[:, None]
        ring[:, 1] = y - 3.0
        rings.append(ring)
    return loft(V, F, loop, rings, closed=False)


def stand(V, F, post=20.0, height=260.0, base=130.0):
    """The cast on a post with a round base; paper closes its lower opening round the post."""
    loop = lowest_loop(V, F)
    P = V[loop]
    centre, y = P.mean(axis=0), P[:, 1].min()
    angle = np.arctan2(P[:, 2] - centre[2], P[:, 0] - centre[0])

    def ring(r, h):
        return np.column_stack(
            [centre[0] + r * np.cos(angle), np.full(len(P), h), centre[2] + r * np.sin(angle)]
        )

    inner = ring(post, y)
    span = np.linalg.norm(inner - P, axis=1).mean()
    flat = [P + (inner - P) * t for t in np.linspace(0, 1, max(3, int(span / 6)))[1:-1]]
    down = [ring(post, y - h) for h in np.arange(0, height, 8.0)]
    foot = [ring(r, y - height) for r in np.linspace(post, base, 20)]
    under = [ring(base, y - 14 - height)]
    return loft(V, F, loop, [*flat, *down, *foot, *under])


def cap(V, F, loop, rise=0.0):
    """Closes a border with a flat or domed lid, as scanning programs and stuffing do."""
    P = V[loop]
    centre = P.mean(axis=0)
    rings = [
        P + (centre - P) * t + np.array([0, rise * (1 - (1 - t) ** 2), 0])
        for t in np.linspace(0.1, 0.9, 9)
    ]
    return loft(V, F, loop, rings)


def noise(V, F, rng, smooth_mm=0.35, white_mm=0.12):
    """What a phone's scan adds: bumps some 15 mm wide and a grain, along the normals."""
    N = vertex_normals(V, F)
    seeds = V[rng.choice(len(V), size=min(len(V), 900), replace=False)]
    weight = rng.normal(size=len(seeds))
    far, near = KDTree(seeds).query(V, k=6)
    w = np.exp(-((far / 15) ** 2))
    bumps = (w * weight[near]).sum(axis=1)
    bumps *= smooth_mm / max(float(bumps.std()), 1e-9)
    return V + (bumps + white_mm * rng.normal(size=len(V)))[:, None] * N


def random_turn(rng):
    """A random rotation matrix."""
    q = rng.normal(size=4)
    w, x, y, z = q / np.linalg.norm(q)
    return np.array(
        [
            [1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)],
            [2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)],
            [2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)],
        ]
    )
