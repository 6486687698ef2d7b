"""Speaking names for panels, by the wearer's sides: "left front", "back 2", "right front lower".

A panel's side follows from its mean normal and from where its middle lies on the body. Only as many
words are used as tell the panels apart; mirrored panels get mirrored names.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from flatten.errors import BadInput
from flatten.geometry.surface_points import face_tree
from flatten.geometry.triangles import face_cross
from flatten.records.job import PanelName

# A side is spoken of when the panel leans to it by so much (2 is wholly, both by normal and place)
# and by at least this share of how much it leans to the other side.
LEAN = 0.35
LEAN_SHARE = 0.4
# Panels lie in one row when their heights overlap by this share of the lower one's.
ROW_OVERLAP = 0.4
# Of two panels in a row, one is nearer the centre by this share of the body's half width.
SIDE_GAP = 0.12
FAR_MM, ASTRAY_MM = 20.0, 200.0
# How many words a bare number is worth when schemes of names are compared, and a second pattern of
# words ("back" beside "right front").
NUMBER_COST = 10
PATTERN_COST = 4
KINDS = {
    **dict.fromkeys(("left", "right"), 0),
    **dict.fromkeys(("front", "back"), 1),
    **dict.fromkeys(("upper", "middle", "lower"), 2),
    **dict.fromkeys(("centre", "side"), 3),
}


@dataclass(frozen=True, eq=False, kw_only=True)
class Whereabouts:
    """Where each of k panels lies on the body that they make together.

    middle : (k, 3) area centroids; normal : (k, 3) mean normals, the shorter the more a panel bends
    low, high : (k,) lowest and highest y; centre, half : the body's middle and half extents
    """

    middle: NDArray[np.float64]
    normal: NDArray[np.float64]
    low: NDArray[np.float64]
    high: NDArray[np.float64]
    centre: NDArray[np.float64]
    half: NDArray[np.float64]

    @property
    def lean(self) -> NDArray[np.float64]:
        """(k, 3) how much each panel leans to +x (left), +y (up) and +z (front)."""
        return self.normal + (self.middle - self.centre) / self.half


def whereabouts(V: NDArray[np.float64], faces: Sequence[NDArray[np.integer]]) -> Whereabouts:
    """Places of the panels with faces (m_i, 3) each; together they use every vertex of V (n, 3)."""
    areas, middles, normals = [], [], []
    for F in faces:
        n = face_cross(V, F)
        area = np.linalg.norm(n, axis=1)
        total = max(float(area.sum()), 1e-300)
        areas.append(total)
        middles.append((V[F].mean(axis=1) * area[:, None]).sum(axis=0) / total)
        normals.append(n.sum(axis=0) / total)
    middle = np.array(middles)
    return Whereabouts(
        middle=middle,
        normal=np.array(normals),
        low=np.array([V[F.ravel(), 1].min() for F in faces]),
        high=np.array([V[F.ravel(), 1].max() for F in faces]),
        centre=np.average(middle, axis=0, weights=areas),
        half=np.maximum(np.ptp(V, axis=0) / 2, 1e-9),
    )


def side_words(lean: NDArray[np.float64]) -> tuple[str, str]:
    """The words for left or right and for front or back of one panel or place; "" for neither."""
    x, z = float(lean[0]), float(lean[2])
    least = max(LEAN, LEAN_SHARE * max(abs(x), abs(z)))
    return (
        ("left" if x > 0 else "right") if abs(x) > least else "",
        ("front" if z > 0 else "back") if abs(z) > least else "",
    )


def automatic_names(at: Whereabouts) -> list[str]:
    """One name for each panel, all different: few words, the same kinds for all, best no numbers."""
    words = [side_words(lean) for lean in at.lean]
    if len(words) == 1:
        return ["body"]
    best: tuple[int, list[str]] | None = None
    for pick in ((1,), (0,), (0, 1)):
        stems = [" ".join(w[k] for k in pick if w[k]) for w in words]
        names = list(stems)
        for stem in sorted(set(stems)):
            members = [k for k, other in enumerate(stems) if other == stem]
            for k, more in _tell_apart(members, words, at).items():
                names[k] = " ".join(x for x in (stem, more) if x)
        # A bare row word will do only where no panel of its row leans to a side.
        mute = sum(not stem and any(words[k]) for k, stem in enumerate(stems))
        mute += sum(not name for name in names)
        parts = [word for name in names for word in name.split()]
        patterns = {tuple(KINDS.get(word, -1) for word in name.split()) for name in names}
        cost = len(parts) + PATTERN_COST * len(patterns)
        cost += NUMBER_COST * (mute + sum(word.isdigit() for word in parts))
        if best is None or cost < best[0]:
            best = (cost, names)
    assert best is not None
    return _all_different(best[1])


def _all_different(names: Sequence[str], taken: Sequence[str] = ()) -> list[str]:
    """The names with numbers where one is empty or taken already."""
    used, result = set(taken), []
    for name in names:
        stem = unique = name or "body"
        number = 1
        while unique in used:
            number += 1
            unique = f"{stem} {number}"
        used.add(unique)
        result.append(unique)
    return result


def _tell_apart(
    members: list[int], words: Sequence[tuple[str, str]], at: Whereabouts
) -> dict[int, str]:
    """What to add to the names of panels that share one: rows, centre and side, or numbers."""
    if len(members) == 1:
        return {members[0]: ""}
    height = np.round(at.middle[:, 1], 3)
    inward = np.round(np.abs(at.middle[:, 0] - at.centre[0]) / at.half[0], 6)
    members = sorted(members, key=lambda k: (-height[k], inward[k], k))
    rows = [[members[0]]]
    for k in members[1:]:
        overlaps = [
            min(at.high[k], at.high[o]) - max(at.low[k], at.low[o])
            > ROW_OVERLAP * min(at.high[k] - at.low[k], at.high[o] - at.low[o])
            for o in rows[-1]
        ]
        if any(overlaps):
            rows[-1].append(k)
        else:
            rows.append([k])
    row_words = {1: [""], 2: ["upper", "lower"], 3: ["upper", "middle", "lower"]}.get(
        len(rows), ["", *(str(r + 2) for r in range(len(rows) - 1))]
    )
    added: dict[int, str] = {}
    for row, word in zip(rows, row_words, strict=True):
        near, far = min(row, key=lambda k: inward[k]), max(row, key=lambda k: inward[k])
        if len(row) == 2 and words[near] == words[far] and inward[far] - inward[near] > SIDE_GAP:
            added[near], added[far] = f"{word} centre".strip(), f"{word} side".strip()
            continue
        for number, k in enumerate(row):
            added[k] = word if number == 0 else f"{word} {number + 1}".strip()
    return added


def given_names(
    asked: Sequence[PanelName],
    to_cast: NDArray[np.float64],
    V: NDArray[np.float64],
    faces: Sequence[NDArray[np.integer]],
    notes: list[str],
    all_lines: bool,
) -> dict[int, str]:
    """The job's names by panel: each goes to the panel nearest to its point.

    Where not `all_lines` are cut, a panel may span several named ones: it takes all their names.

    Raises
    ------
    BadInput : a name is given twice, two fall on one panel though all lines are cut, or a point
        lies far from the cast
    """
    if not asked:
        return {}
    owner = np.repeat(np.arange(len(faces)), [len(F) for F in faces])
    tree = face_tree(V, np.concatenate(faces))
    spots = np.array([p.at for p in asked]) @ to_cast[:3, :3].T + to_cast[:3, 3]
    face, _, gap = tree.nearest(spots)
    named: dict[int, str] = {}
    for k, entry in enumerate(asked):
        if entry.name in [other.name for other in asked[:k]]:
            raise BadInput("the name is given twice", f"panel '{entry.name}'", "rename one")
    for entry, f, distance in zip(asked, face.tolist(), gap.tolist(), strict=True):
        panel = int(owner[f])
        if distance > ASTRAY_MM:
            raise BadInput(
                f"its point lies {distance:.0f} mm from the cast",
                f"panel '{entry.name}'",
                "give it in the scan file's own numbers",
            )
        if panel in named and all_lines:
            raise BadInput(
                f"its point lies on the same panel as that of '{named[panel]}'",
                f"panel '{entry.name}'",
                "move the point or drop one of the names",
            )
        named[panel] = f"{named[panel]} + {entry.name}" if panel in named else entry.name
        if distance > FAR_MM:
            notes.append(f"panel {entry.name}: its point lies {distance:.0f} mm off the cast")
    return named


def panel_names(
    asked: Sequence[PanelName],
    to_cast: NDArray[np.float64],
    V: NDArray[np.float64],
    faces: Sequence[NDArray[np.integer]],
    at: Whereabouts,
    notes: list[str],
    *,
    all_lines: bool = True,
) -> list[str]:
    """The name of every panel: the job's where it gives one, else an automatic one.

    Raises
    ------
    BadInput : see given_names
    """
    given = given_names(asked, to_cast, V, faces, notes, all_lines)
    rest = [name for k, name in enumerate(automatic_names(at)) if k not in given]
    free = iter(_all_different(rest, list(given.values())))
    return [given[k] if k in given else next(free) for k in range(len(faces))]
