"""Reads the pen lines off a scan's colours."""

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import KDTree

from flatten.geometry.curves import arc_length
from flatten.ink.contrast import Contrast, contrast, fair, one_per_cell
from flatten.ink.doubles import without_doubles, without_overlaps
from flatten.ink.fit import Stroke, fit_strokes, path_length
from flatten.ink.frame import working_frame
from flatten.ink.inks import Sorted, sort_inks
from flatten.ink.join import Gap, is_even, join_paths
from flatten.ink.kinks import cut_at_kinks
from flatten.ink.paths import Path, path_of, without_caps
from flatten.ink.place import along_a_rim, body_frame, goes_round, name_of, unique_names
from flatten.ink.reach import reach_ends
from flatten.ink.samples import Samples, scan_rims, surface_samples
from flatten.ink.stroke_filter import stroke_response
from flatten.ink.track import follow_strokes
from flatten.ink.writing import Taken, sort_paths
from flatten.records.cast import Cast
from flatten.records.ink import Doubt, Ink, InkReading, Tick, Writing
from flatten.records.job import InkRule
from flatten.records.lines import KINDS, Line
from flatten.records.scan import Scan

SEED_STEP_MM = 1.8
SEED_SHARE = 0.25  # of the contrast of clear ink
SEED_NOISE = 4.5  # times what chance does to a strip
LEAST_STROKE_MM = 6.0
MOST_WEAK = 30
NO_INK = (
    "no pen lines were found in the scan's colours; draw over them with a broad pen and scan again "
    "in even light, or give [[line]] points"
)


def _rims(scan_side: list[NDArray[np.float64]], cast: Cast | None) -> list[NDArray[np.float64]]:
    """Points close together along every rim, before the cast was moved outward."""
    loops = scan_side
    if cast is not None:
        loops = [cast.V[r.vertices] - cast.offset_mm * cast.N[r.vertices] for r in cast.rims]
    out = []
    for loop in loops:
        q = np.vstack([loop, loop[:1]])
        s = arc_length(q)
        t = np.linspace(0.0, s[-1], max(int(s[-1]), 3), endpoint=False)
        out.append(np.column_stack([np.interp(t, s, q[:, k]) for k in range(3)]))
    return out


def _on_the_cast(S: Samples, cast: Cast | None) -> NDArray[np.bool_]:
    """Samples that belong to the cast; floor, stand and inside wall do not."""
    if cast is None:
        return np.ones(len(S.P), dtype=bool)
    base = cast.V - cast.offset_mm * cast.N
    d, near = KDTree(base).query(S.P, distance_upper_bound=cast.edge_mm * 1.5 + 6.0)
    ok = np.isfinite(d)
    near = np.where(ok, near, 0)
    return ok & (np.einsum("ij,ij->i", S.N, cast.N[near]) > 0.0)


def _strokes(S: Samples, seen: Contrast, here: NDArray[np.bool_]) -> list[Stroke]:
    noise = seen.noise
    # Noisy or coarse scans are looked at with longer strips.
    rough = float(np.median(noise)) * S.spacing
    half = float(np.clip(60.0 * rough, 7.0, 12.0))
    which = one_per_cell(S.P, SEED_STEP_MM)
    which = which[here[which]]
    found = stroke_response(S, seen, which, half)
    # Light pens and dark ones on one scale, so that neither hides the other.
    size = np.maximum(np.linalg.norm(found.colour, axis=1), 1e-9)
    shrink = np.linalg.norm(fair(found.colour), axis=1) / size
    strength, chance = found.strength * shrink, found.noise * shrink
    high = np.percentile(strength, 99.7)
    clear = float(np.median(strength[strength >= 0.5 * high]))
    floor = np.maximum(SEED_SHARE * clear, SEED_NOISE * chance)
    seeds = np.flatnonzero(strength > floor)
    seeds = seeds[np.argsort(-(strength / floor)[seeds], kind="stable")]
    tracks = follow_strokes(
        S,
        seen,
        which[seeds],
        found.direction[seeds],
        found.colour[seeds],
        LEAST_STROKE_MM,
        float(np.median(noise)),
    )
    return without_doubles(fit_strokes(S, seen, without_overlaps(tracks)))


def _paths(S: Samples, X: NDArray[np.float64], strokes: list[Stroke], found: Sorted):
    """Lines in the making from the strokes that have an ink, and the gaps too wide to bridge."""
    tree = KDTree(S.P)

    def ink_at(points: NDArray[np.float64], contrast: NDArray[np.float64]) -> NDArray[np.float64]:
        near = tree.query(points, k=5)[1]
        size = float(contrast @ contrast)
        return np.median(X[near] @ contrast, axis=1) / max(size, 1e-9)

    paths, kinks = [], []
    for s, ink, faint in zip(strokes, found.ink, found.faint, strict=True):
        if ink < 0:
            continue
        pieces, cut = cut_at_kinks(s, len(kinks))
        kinks += cut
        made = [path_of(piece.stroke, int(ink), bool(faint), piece.kinks) for piece in pieces]
        paths += [p for p in made if p is not None]
    return join_paths(paths, kinks, ink_at)


def hex_colour(rgb: NDArray[np.float64]) -> str:
    """An sRGB colour (3,), 0 to 255, as "#rrggbb"."""
    r, g, b = (int(np.clip(round(float(c)), 0, 255)) for c in rgb)
    return f"#{r:02x}{g:02x}{b:02x}"


def _ink_colours(strokes: list[Stroke], found: Sorted) -> list[str]:
    out = []
    for k in range(int(found.ink.max()) + 1):
        mine = [s for s, i in zip(strokes, found.ink, strict=True) if i == k]
        weight = np.array([s.length for s in mine])
        seen = np.array([s.colour for s in mine])
        out.append(hex_colour((weight[:, None] * seen).sum(axis=0) / weight.sum()))
    return out


def _ruled(colours: list[str], rules: tuple[InkRule, ...]) -> dict[int, InkRule]:
    """Which rule speaks for which ink: nearest in colour, each rule once."""

    def rgb(text: str) -> NDArray[np.float64]:
        return np.array([int(text[k : k + 2], 16) for k in (1, 3, 5)], dtype=np.float64)

    def apart(a: str, b: str) -> float:
        p, q = rgb(a), rgb(b)
        tint = np.linalg.norm((p - p.mean()) - (q - q.mean()))
        return float(np.linalg.norm(p - q) + 1.5 * tint)

    pairs = sorted(
        (apart(c, rule.colour), i, k) for i, c in enumerate(colours) for k, rule in enumerate(rules)
    )
    out: dict[int, InkRule] = {}
    spent: set[int] = set()
    for _, i, k in pairs:
        if i not in out and k not in spent:
            out[i] = rules[k]
            spent.add(k)
    return out


def read_ink(scan: Scan, cast: Cast | None = None, rules: tuple[InkRule, ...] = ()) -> InkReading:
    """The pen lines on a scan, in the scan file's own numbers.

    scan : raw, with vertex colours or a texture
    cast : the cast prepared from it, where there is one: it gives the scale, the rims that ends
        run to, and the wearer's sides for the names
    rules : what the lines of a colour become; inks without one: the longest `seam`, others `detail`

    Raises
    ------
    BadInput : the scan has no colours or no surface, or its unit is not clear
    """
    to_work, notes = working_frame(scan, cast)
    S = surface_samples(scan, to_work)
    here = _on_the_cast(S, cast)
    seen = contrast(S)
    strokes = _strokes(S, seen, here)
    found = sort_inks(strokes)
    rims = _rims(scan_rims(scan, to_work), cast)
    back = np.linalg.inv(to_work)

    def filed(p: NDArray[np.float64]) -> NDArray[np.float64]:
        return p @ back[:3, :3].T + back[:3, 3]

    if found.level == 0.0:
        weak = [s for s, faint in zip(strokes, found.faint, strict=True) if faint]
        doubts = tuple(_weak(s.points, s.colour, filed) for s in weak[:MOST_WEAK])
        return InkReading(lines=(), doubts=doubts, notes=(*notes, NO_INK))
    paths, gaps = _paths(S, seen.X, strokes, found)
    colours = _ink_colours(strokes, found)
    ruled = _ruled(colours, rules)
    kinds = _ink_kinds(_ink_lengths(paths, range(len(paths)), len(colours)), ruled)
    reach_ends(paths, rims, {k for k, kind in enumerate(kinds) if kind != "detail"})
    taken = sort_paths(paths)
    lengths = _ink_lengths(paths, taken.lines, len(colours))
    kinds = _ink_kinds(lengths, ruled)
    for i in taken.lines:
        if kinds[paths[i].ink] != "seam":
            without_caps(paths[i])
    lines, line_of, said = _lines(paths, taken, kinds, ruled, colours, rims, S, cast, filed)
    doubts = [_weak(paths[i].points, paths[i].colour, filed) for i in taken.weak[:MOST_WEAK]]
    doubts += _open_ends(paths, taken, line_of, lines, filed) + [_gap(g, filed) for g in gaps]
    area = float(S.W.sum())
    inks = [
        Ink(
            colour=colours[k],
            kind=kinds[k],
            length_mm=lengths[k],
            by_rule=k in ruled,
            share=sum(p.length * p.width for p in paths if p.ink == k) / area,
        )
        for k in np.argsort([-x for x in lengths], kind="stable")
    ]
    return InkReading(
        lines=tuple(lines),
        inks=tuple(inks),
        writing=tuple(
            _writing(what, [paths[i] for i in group], colours, filed)
            for what, group in taken.groups
        ),
        doubts=tuple(doubts),
        marks=_ticks(taken, {i: lines[k].name for i, k in line_of.items()}, filed),
        notes=(*notes, *said),
    )


def _ink_lengths(paths: list[Path], some: Iterable[int], inks: int) -> list[float]:
    """Millimetres of each ink over some of the paths."""
    return [sum(paths[i].length for i in some if paths[i].ink == k) for k in range(inks)]


def _ink_kinds(lengths: list[float], ruled: dict[int, InkRule]) -> list:
    """The ink with most length is the seams', the rest are details; rules come first."""
    free = [k for k in range(len(lengths)) if k not in ruled]
    kinds = ["detail"] * len(lengths)
    seam_ruled = any(rule.kind == "seam" for rule in ruled.values())
    if free and not seam_ruled:
        kinds[max(free, key=lambda k: lengths[k])] = "seam"
    for k, rule in ruled.items():
        kinds[k] = rule.kind if rule.kind in KINDS else "detail"
    return kinds


def _lines(paths, taken: Taken, kinds, ruled, colours, rims, S, cast, filed):
    frame = body_frame(S.P, len(rims), cast is not None)
    met = {i for k in taken.lines for i in paths[k].aims if i >= 0}
    said, made = [], []
    touching = _touching(paths, taken.lines)
    for i in taken.lines:
        p = paths[i]
        kind = kinds[p.ink]
        why = ""
        if p.ink not in ruled:
            rim = along_a_rim(p, rims)
            if rim >= 0 and kind == "seam":
                kind, why = (
                    "trim",
                    "runs close inside a rim all round: taken as trim, where the garment stops",
                )
            elif is_even(p.pieces):
                kind, why = "score", "is dashed: taken as score"
            elif (
                p.closed
                and i not in met
                and i not in touching
                and not goes_round(p)
                and kind == "seam"
            ):
                kind, why = (
                    "detail",
                    "is closed, meets no other line and does not go round the body: taken as detail",
                )
        made.append((i, kind, why))
    names = unique_names(
        [name_of(paths[i], frame, kind) for i, kind, _ in made],
        [
            (
                -round(frame.level(paths[i].points), 2),
                *np.round(-(paths[i].points.mean(axis=0) - frame.middle) @ frame.left, 0).reshape(
                    -1
                ),
            )
            for i, _, _ in made
        ],
    )
    lines, line_of = [], {}
    for (i, kind, why), name in zip(made, names, strict=True):
        p, rule = paths[i], ruled.get(paths[i].ink)
        line_of[i] = len(lines)
        lines.append(
            Line(
                name=name,
                kind=kind,
                points=filed(_oriented(p, frame)),
                closed=p.closed,
                ink=colours[p.ink],
                source="pen",
                joint=rule.joint if rule else "butt",
                fixing=rule.fixing if rule else "glue",
            )
        )
        if why:
            said.append(f"line '{name}' {why}")
    return lines, line_of, said


def _oriented(p: Path, frame) -> NDArray[np.float64]:
    """Upward lines run down, level ones to the wearer's right, so that a line always runs alike."""
    v = p.points[-1] - p.points[0]
    if p.closed:
        k = int((p.points @ frame.front).argmax())
        q = np.roll(p.points, -k, axis=0)
        turn = np.cross(q[len(q) // 4] - q.mean(axis=0), q[len(q) // 2] - q.mean(axis=0)) @ frame.up
        return q if turn >= 0 else np.roll(q[::-1], 1, axis=0)
    rise, across = float(v @ frame.up), float(v @ frame.left)
    down = rise < 0 if abs(rise) > 0.5 * abs(across) else across < 0
    return p.points if down else p.points[::-1]


def _touching(paths, lines) -> set[int]:
    """Lines that come within a pen's width of another line."""
    out: set[int] = set()
    if len(lines) < 2:
        return out
    nodes = np.concatenate([paths[i].points for i in lines])
    owner = np.repeat(lines, [len(paths[i].points) for i in lines])
    pairs = KDTree(nodes).query_pairs(3.0, output_type="ndarray")
    apart = owner[pairs[:, 0]] != owner[pairs[:, 1]]
    return set(owner[pairs[apart]].ravel().tolist())


def _weak(points: NDArray[np.float64], colour: NDArray[np.float64], filed) -> Doubt:
    length = path_length(points)
    return Doubt(
        what="weak",
        said=f"a faint stroke of {length:.0f} mm was not taken",
        at=filed(points[len(points) // 2]),
        length_mm=length,
        ink=hex_colour(colour),
        points=filed(points),
    )


def _gap(g: Gap, filed) -> Doubt:
    return Doubt(
        what="gap",
        said=f"two ends face each other {g.length:.0f} mm apart; they were not joined",
        at=filed(0.5 * (g.a + g.b)),
        length_mm=g.length,
        points=filed(np.stack([g.a, g.b])),
    )


def _open_ends(paths, taken: Taken, line_of, lines, filed) -> list[Doubt]:
    out = []
    for i in taken.lines:
        line = lines[line_of[i]]
        if line.kind != "seam" or line.closed:
            continue
        for e in (0, 1):
            if paths[i].ends[e] == "open":
                out.append(
                    Doubt(
                        what="open end",
                        said=f"line '{line.name}' ends in the open",
                        at=filed(paths[i].points[-1 if e else 0]),
                        line=line.name,
                    )
                )
    return out


def _writing(what, group, colours, filed) -> Writing:
    points = np.concatenate([p.points for p in group])
    middle = 0.5 * (points.min(axis=0) + points.max(axis=0))
    return Writing(
        what=what,
        at=filed(middle),
        size_mm=float(np.linalg.norm(np.ptp(points, axis=0))),
        ink=colours[group[0].ink],
        strokes=tuple(filed(p.points) for p in group),
    )


def _ticks(taken: Taken, names: dict[int, str], filed) -> tuple[Tick, ...]:
    """Ticks within 12 mm of one another on the same line are one mark of several strokes."""
    out: list[tuple[int, list[NDArray[np.float64]]]] = []
    for _, line, place in taken.marks:
        for k, places in out:
            if k == line and min(np.linalg.norm(place - q) for q in places) < 12.0:
                places.append(place)
                break
        else:
            out.append((line, [place]))
    return tuple(
        Tick(line=names[k], at=filed(np.mean(places, axis=0)), count=len(places))
        for k, places in out
        if k in names
    )
