"""Speaking names for panels, by the wearer's sides: "left front", "back 2", "right front lower".

A panel's side follows from its mean normal and from where its middle lies on the body. Only as many
words are used as tell the panels apart; mirrored panels get mirrored names.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

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
# Rows of panels are told apart where their middles differ by this share of the body's half height.
ROW_GAP = 0.12
FAR_MM = 20.0


@dataclass(frozen=True, eq=False, kw_only=True)
class Whereabouts:
    """Where each of k panels lies: middles (k, 3), mean normals (k, 3), the body's middle, halves.

    Mean normals are shorter than 1 the more a panel bends round the body.
    """

    middle: NDArray[np.float64]
    normal: NDArray[np.float64]
    centre: NDArray[np.float64]
    half: NDArray[np.float64]

    @property
    def lean(self) -> NDArray[np.float64]:
        """(k, 3) how much each panel leans to +x (left), +y (up) and +z (front)."""
        return self.normal + (self.middle - self.centre) / self.half


def whereabouts(V: NDArray[np.float64], faces: Sequence[NDArray[np.integer]]) -> Whereabouts:
    """Places of the panels with faces (m_i, 3) each, on the body they make together."""
    areas, middles, normals = [], [], []
    for F in faces:
        n = face_cross(V, F)
        area = np.linalg.norm(n, axis=1)
        total = max(float(area.sum()), 1e-300)
        areas.append(total)
        middles.append((V[F].mean(axis=1) * area[:, None]).sum(axis=0) / total)
        normals.append(n.sum(axis=0) / total)
    middle = np.array(middles)
    P = V[np.unique(np.concatenate(faces))]
    return Whereabouts(
        middle=middle,
        normal=np.array(normals),
        centre=np.average(middle, axis=0, weights=areas),
        half=np.maximum(np.ptp(P, axis=0) / 2, 1e-9),
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
    """One name for each panel, all different."""
    words = [side_words(lean) for lean in at.lean]
    for pick in ((1,), (0,), (0, 1)):
        names = [" ".join(w[k] for k in pick if w[k]) for w in words]
        if all(names) and len(set(names)) == len(names):
            return names
    if len(words) == 1:
        return ["body"]
    names = [" ".join(x for x in w if x) for w in words]
    for base in sorted(set(names)):
        members = [k for k, name in enumerate(names) if name == base]
        if len(members) > 1 or not base:
            for k, name in _tell_apart(base, members, at).items():
                names[k] = name
    return names


def _tell_apart(base: str, members: list[int], at: Whereabouts) -> dict[int, str]:
    """Adds upper and lower, centre and side, or numbers to the panels that share a name."""
    y = (at.middle[:, 1] - at.centre[1]) / at.half[1]
    x = np.abs(at.middle[:, 0] - at.centre[0]) / at.half[0]
    members = sorted(members, key=lambda k: (-round(float(y[k]), 6), round(float(x[k]), 6), k))
    rows = [[members[0]]]
    for before, k in pairwise(members):
        if y[before] - y[k] > ROW_GAP:
            rows.append([])
        rows[-1].append(k)
    row_words = {1: [""], 2: ["upper", "lower"], 3: ["upper", "middle", "lower"]}.get(
        len(rows), [str(r + 1) for r in range(len(rows))]
    )
    named: dict[int, str] = {}
    for row, word in zip(rows, row_words, strict=True):
        stem = f"{base} {word}".strip() or "body"
        inward = sorted(row, key=lambda k: float(x[k]))
        if len(row) == 2 and x[inward[1]] - x[inward[0]] > ROW_GAP:
            named[inward[0]], named[inward[1]] = f"{stem} centre", f"{stem} side"
            continue
        for number, k in enumerate(row):
            named[k] = stem if number == 0 else f"{stem} {number + 1}"
    return named


def given_names(
    asked: Sequence[PanelName],
    to_cast: NDArray[np.float64],
    V: NDArray[np.float64],
    faces: Sequence[NDArray[np.integer]],
    notes: list[str],
) -> dict[int, str]:
    """The job's names by panel: each goes to the panel nearest to its point.

    Raises
    ------
    BadInput : two names fall on one panel, or one name is given twice
    """
    if not asked:
        return {}
    owner = np.repeat(np.arange(len(faces)), [len(F) for F in faces])
    tree = face_tree(V, np.concatenate(faces))
    spots = np.array([p.at for p in asked]) @ to_cast[:3, :3].T + to_cast[:3, 3]
    face, _, gap = tree.nearest(spots)
    named: dict[int, str] = {}
    for entry, f, distance in zip(asked, face.tolist(), gap.tolist(), strict=True):
        panel = int(owner[f])
        if entry.name in named.values():
            raise BadInput("the name is given twice", f"panel '{entry.name}'", "rename one")
        if panel in named:
            raise BadInput(
                f"its point lies on the same panel as that of '{named[panel]}'",
                f"panel '{entry.name}'",
                "move the point or drop one of the names",
            )
        named[panel] = entry.name
        if distance > FAR_MM:
            notes.append(f"panel {entry.name}: its point lies {distance:.0f} mm off the cast")
    return named


def panel_names(
    asked: Sequence[PanelName],
    to_cast: NDArray[np.float64],
    V: NDArray[np.float64],
    faces: Sequence[NDArray[np.integer]],
    notes: list[str],
) -> list[str]:
    """The name of every panel: the job's where it gives one, else an automatic one.

    Raises
    ------
    BadInput : see given_names
    """
    given = given_names(asked, to_cast, V, faces, notes)
    taken = set(given.values())
    names = []
    for k, name in enumerate(automatic_names(whereabouts(V, faces))):
        if k in given:
            names.append(given[k])
            continue
        unique, number = name, 1
        while unique in taken:
            number += 1
            unique = f"{name} {number}"
        taken.add(unique)
        names.append(unique)
    return names
