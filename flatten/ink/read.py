"""Reads the pen lines off a scan's colours."""

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import KDTree

from flatten.geometry.curves import arc_length
from flatten.ink.along import Looker
from flatten.ink.becomes import ink_colours, ink_kinds, ink_lengths, ruled_inks
from flatten.ink.contrast import Contrast, contrast, fair, one_per_cell
from flatten.ink.dashes import find_dashes
from flatten.ink.doubles import without_doubles, without_overlaps
from flatten.ink.findings import gap_doubt, open_ends_of, ticks_of, weak_doubt, writing_of
from flatten.ink.fit import Stroke, fit_strokes
from flatten.ink.frame import working_frame
from flatten.ink.inks import Sorted, sort_inks
from flatten.ink.join import join_paths
from flatten.ink.kinks import cut_at_kinks
from flatten.ink.lines import make_lines
from flatten.ink.paths import path_of, without_caps
from flatten.ink.reach import reach_ends
from flatten.ink.samples import Samples, scan_rims, surface_samples
from flatten.ink.stroke_filter import stroke_response
from flatten.ink.ticks import find_ticks, without_marks
from flatten.ink.track import follow_strokes
from flatten.ink.writing import sort_paths
from flatten.records.cast import Cast
from flatten.records.ink import Ink, InkReading
from flatten.records.job import InkRule
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
PLAIN = 4.0  # levels of 255 that the colours of a scan without any differ by
NO_COLOURS = (
    "the scan's colours are all alike, so no pen lines can be read: they were lost on the way; "
    "export it again with its texture or with vertex colours, or give [[line]] points"
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
    reach = cast.edge_mm * 1.5 + 6.0
    d, near = KDTree(base).query(S.P, distance_upper_bound=reach, workers=2)
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

    def ink_at(points: NDArray[np.float64], contrast: NDArray[np.float64]) -> NDArray[np.float64]:
        near = S.tree.query(points, k=5)[1]
        size = float(contrast @ contrast)
        return np.median(X[near] @ contrast, axis=1) / max(size, 1e-9)

    paths, kinks, rows = [], [], []
    for s, ink, faint in zip(strokes, found.ink, found.faint, strict=True):
        if ink < 0:
            continue
        if s.dashed:
            rows.append(path_of(s, int(ink), bool(faint), (-1, -1)))
            continue
        pieces, cut = cut_at_kinks(s, len(kinks))
        kinks += cut
        made = [path_of(piece.stroke, int(ink), bool(faint), piece.kinks) for piece in pieces]
        paths += [p for p in made if p is not None]
    joined, gaps = join_paths(paths, kinks, ink_at)
    return joined + [row for row in rows if row is not None], gaps


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
    look = Looker(S, seen)
    rows, others = find_dashes(look, _strokes(S, seen, here))
    strokes = [*others, *rows]
    found = sort_inks(strokes)
    rims = _rims(scan_rims(scan, to_work), cast)
    back = np.linalg.inv(to_work)

    def filed(p: NDArray[np.float64]) -> NDArray[np.float64]:
        return p @ back[:3, :3].T + back[:3, 3]

    if found.level == 0.0:
        weak = [s for s, faint in zip(strokes, found.faint, strict=True) if faint]
        doubts = tuple(weak_doubt(s.points, s.colour, filed) for s in weak[:MOST_WEAK])
        spread = np.ptp(np.percentile(S.C, [1.0, 99.0], axis=0), axis=0).max()
        return InkReading(
            lines=(), doubts=doubts, notes=(*notes, NO_INK if spread > PLAIN else NO_COLOURS)
        )
    paths, gaps = _paths(S, seen.X, strokes, found)
    colours = ink_colours(strokes, found)
    ruled = ruled_inks(colours, rules)
    kinds = ink_kinds(ink_lengths(paths, range(len(paths)), len(colours)), ruled)
    reach_ends(paths, rims, {k for k, kind in enumerate(kinds) if kind != "detail"})
    taken = sort_paths(paths)
    marks = find_ticks(look, paths, taken.lines)
    taken = without_marks(taken, paths, marks)
    lengths = ink_lengths(paths, taken.lines, len(colours))
    kinds = ink_kinds(lengths, ruled)
    for i in taken.lines:
        if kinds[paths[i].ink] != "seam":
            without_caps(paths[i])
    lines, line_of, said = make_lines(paths, taken, kinds, ruled, colours, rims, S, cast, filed)
    doubts = [weak_doubt(paths[i].points, paths[i].colour, filed) for i in taken.weak[:MOST_WEAK]]
    doubts += open_ends_of(paths, taken, line_of, lines, filed) + [
        gap_doubt(g, filed) for g in gaps
    ]
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
            writing_of(what, [paths[i] for i in group], colours, filed)
            for what, group in taken.groups
        ),
        doubts=tuple(doubts),
        marks=ticks_of(marks, {i: lines[k].name for i, k in line_of.items()}, filed),
        notes=(*notes, *said),
    )
