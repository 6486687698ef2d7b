"""Lines for the job from what was read as such: kind, name, direction."""

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import KDTree

from flatten.ink.paths import Path
from flatten.ink.place import along_a_rim, body_frame, goes_round, name_of, unique_names
from flatten.ink.writing import Taken
from flatten.records.lines import Line


def make_lines(paths, taken: Taken, kinds, ruled, colours, rims, S, cast, filed):
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
            elif p.dashed:
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
