"""The mesh as it came from the file: any unit, any pose, holes, noise, colours."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from flatten.records.arrays import lock, lock_fields


@dataclass(frozen=True, eq=False, kw_only=True)
class Scan:
    """A triangle mesh in the file's own numbers.

    V : (n, 3) float64, file numbers, finite
    F : (m, 3) int32, indices into V, in range
    colors : (n, 3) uint8 or None, one colour a vertex (sRGB)
    uv : (m, 3, 2) float32 or None, one texture place a corner, origin at the image's lower left
    textures : images (h, w, 3) uint8, row 0 at the top
    face_texture : (m,) int16 or None, index into `textures`, -1 where a face has none
    unit : the unit that the caller gave or the file format itself states, else None
    notes : what the reader wants said (triangulated faces, a missing texture)
    """

    name: str
    V: NDArray[np.float64]
    F: NDArray[np.int32]
    colors: NDArray[np.uint8] | None = None
    uv: NDArray[np.float32] | None = None
    textures: tuple[NDArray[np.uint8], ...] = ()
    face_texture: NDArray[np.int16] | None = None
    unit: str | None = None
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        lock_fields(
            self,
            V=lock(self.V, np.float64, None, 3, name="V"),
            F=lock(self.F, np.int32, None, 3, name="F"),
        )
        if self.colors is not None:
            lock_fields(self, colors=lock(self.colors, np.uint8, len(self.V), 3, name="colors"))
        if self.uv is not None:
            lock_fields(self, uv=lock(self.uv, np.float32, len(self.F), 3, 2, name="uv"))
        if self.face_texture is not None:
            lock_fields(
                self,
                face_texture=lock(self.face_texture, np.int16, len(self.F), name="face_texture"),
            )

    @property
    def has_texture(self) -> bool:
        return bool(self.textures) and self.uv is not None

    @property
    def has_colors(self) -> bool:
        return self.colors is not None or self.has_texture
