"""The mirrored twin of a line, across the cast's symmetry plane."""

from dataclasses import replace

import numpy as np

from flatten.errors import BadInput
from flatten.records.cast import Cast
from flatten.records.lines import Line

_WORST_RMS_MM = 10.0
_OTHER = {"left": "right", "right": "left", "Left": "Right", "Right": "Left"}


def mirrored_name(name: str) -> str:
    """The name with left and right swapped, else with " mirrored" added."""
    words = name.replace("-", " - ").replace("_", " _ ").split(" ")
    if not any(word in _OTHER for word in words):
        return f"{name} mirrored"
    swapped = " ".join(_OTHER.get(word, word) for word in words)
    return swapped.replace(" - ", "-").replace(" _ ", "_")


def with_mirrored(cast: Cast, lines: tuple[Line, ...]) -> tuple[Line, ...]:
    """The lines and, after each with `mirror` set, its twin in the scan file's own numbers.

    Raises
    ------
    BadInput : the cast is not symmetric within 10 mm rms, or the twin's name is taken
    """
    out: list[Line] = []
    names = {line.name for line in lines}
    for line in lines:
        out.append(line)
        if not line.mirror:
            continue
        where = f"line '{line.name}'"
        plane = cast.symmetry
        if plane is None or plane.rms_mm > _WORST_RMS_MM:
            how = "no symmetry plane was found" if plane is None else f"{plane.rms_mm:.0f} mm rms"
            raise BadInput(
                f"it cannot be mirrored: the cast is not symmetric within 10 mm ({how})",
                where,
                "draw both sides, without mirror",
            )
        name = mirrored_name(line.name)
        if name in names:
            raise BadInput(
                f"its mirrored twin would be called '{name}', and there is such a line",
                where,
                "rename one of them, or leave mirror out",
            )
        names.add(name)
        P = line.points @ cast.to_cast[:3, :3].T + cast.to_cast[:3, 3]
        P = P - 2.0 * ((P - plane.point) @ plane.normal)[:, None] * plane.normal
        back = np.linalg.solve(cast.to_cast[:3, :3], (P - cast.to_cast[:3, 3]).T).T
        out.append(
            replace(
                line,
                name=name,
                points=back,
                under=None if line.under is None else _OTHER[line.under],
                ease_side=_OTHER[line.ease_side],
            )
        )
    return tuple(out)
