"""The last check before a mesh becomes a Scan: nothing a reader says is taken on trust."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from flatten.errors import BadInput
from flatten.io.sources import MAX_FACES
from flatten.records.scan import Scan

# Beyond this no unit makes a body of it, and squares would begin to lose what they say.
_LARGEST = 1e12

Place = Callable[[int], str]


def plain_place(name: str) -> Place:
    """Names vertex or face number i (from 1), where nothing better is known."""
    return lambda i: f"{name} {i + 1}"


def check_vertices(path: Path, V: NDArray[np.float64], place: Place) -> None:
    """Every coordinate finite and of a size that can be a length.

    Raises
    ------
    BadInput : names the first vertex that is not, and how many there are
    """
    if not len(V):
        raise BadInput("the file holds no vertices", path.name, "export the scan as a mesh")
    wrong = ~(np.abs(V) <= _LARGEST).all(axis=1)
    if wrong.any():
        first = int(wrong.argmax())
        x, y, z = V[first]
        raise BadInput(
            f"a coordinate is not a finite number ({x:g} {y:g} {z:g}), "
            f"{int(wrong.sum())} such {'vertices' if wrong.sum() > 1 else 'vertex'} in all",
            f"{path.name}, {place(first)}",
            "export the scan again, or delete those vertices",
        )


def check_indices(path: Path, corners: NDArray[np.integer], n: int, place: Place) -> None:
    """Every corner refers to one of `n` vertices; `place` names the face of a corner.

    Raises
    ------
    BadInput : names the first face that does not
    """
    wrong = (corners < 0) | (corners >= n)
    if wrong.any():
        first = int(wrong.argmax())
        raise BadInput(
            f"a face refers to vertex {int(corners[first])}, but there are {n} (counted from 0)",
            f"{path.name}, {place(first)}",
            "export the scan again; the file is damaged",
        )


def sound_scan(
    path: Path,
    V: NDArray[np.float64],
    F: NDArray[np.integer],
    *,
    colors: NDArray[np.uint8] | None = None,
    uv: NDArray[np.float32] | None = None,
    textures: tuple[NDArray[np.uint8], ...] = (),
    face_texture: NDArray[np.int16] | None = None,
    unit: str | None = None,
    notes: tuple[str, ...] = (),
) -> Scan:
    """A Scan whose numbers are finite, whose indices are in range and which has faces.

    Raises
    ------
    BadInput : what is wrong with it
    """
    check_vertices(path, V, plain_place("vertex"))
    if not len(F):
        raise BadInput(
            f"the file holds {len(V)} points but no faces",
            path.name,
            "export the scan as a mesh, not as points or lines",
        )
    if len(F) > MAX_FACES:
        raise BadInput(
            f"the scan has {len(F):,} faces, more than {MAX_FACES:,} can be worked on",
            path.name,
            "export the scan with fewer faces",
        )
    check_indices(path, F.ravel(), len(V), lambda corner: f"face {corner // 3 + 1}")
    if uv is not None and not np.isfinite(uv).all():
        uv = np.nan_to_num(uv, nan=0.0, posinf=0.0, neginf=0.0)
        notes = (*notes, "some texture coordinates are not numbers; they were set to 0")
    return Scan(
        name=path.stem,
        V=V,
        F=F,  # type: ignore[arg-type]
        colors=colors,
        uv=uv if textures else None,
        textures=textures,
        face_texture=face_texture if textures else None,
        unit=unit,
        notes=notes,
    )
