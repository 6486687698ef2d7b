"""Reads GLB and glTF: all triangles of the scene, transforms applied, colours and textures.

Khronos Group, glTF 2.0 Specification (ISO/IEC 12113:2022), section 3.7. glTF states metres.
"""

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from flatten.errors import BadInput
from flatten.io.gltf_file import GltfFile
from flatten.io.gltf_scene import Shown, shown_primitives
from flatten.io.numerals import to_doubles, to_singles
from flatten.io.soundness import sound_scan
from flatten.io.sources import MAX_FACES
from flatten.io.texture import TextureShelf
from flatten.records.scan import Scan

_TRIANGLES, _STRIP, _FAN = 4, 5, 6
_BARE = 200  # grey of a vertex without colour beside others that have one


def read_gltf(path: Path, data: bytes, unit: str | None) -> Scan:
    """The triangles of a GLB or glTF file's bytes.

    Raises
    ------
    BadInput : what is wrong, with the JSON path
    """
    file = GltfFile(path, data)
    pictures = _Pictures(file)
    parts: list[_Part] = []
    total = 0
    for shown in shown_primitives(file):
        if shown.primitive.get("mode", _TRIANGLES) in (_TRIANGLES, _STRIP, _FAN):
            part = _read_part(file, shown, pictures)
            total += len(part.F)
            if total > MAX_FACES:
                raise file.wrong(f"more than {MAX_FACES:,} faces", fix="export fewer faces")
            parts.append(part)
    if not parts:
        raise file.wrong("the scene holds no triangles", fix="export the scan as a mesh")
    starts = np.cumsum([0, *(len(p.V) for p in parts)])
    colors = uv = None
    plain = {tuple(p.plain) for p in parts if p.plain is not None}
    # One plain colour all over is no colour to read anything from.
    if any(p.colors is not None for p in parts) or len(plain) > 1:
        colors = np.concatenate([_colours_of(p) for p in parts])
    if any(p.uv is not None for p in parts):
        uv = np.concatenate(
            [np.zeros((len(p.F), 3, 2), np.float32) if p.uv is None else p.uv for p in parts]
        )
    return sound_scan(
        path,
        np.concatenate([p.V for p in parts]),
        np.concatenate([p.F + start for p, start in zip(parts, starts, strict=False)]),
        colors=colors,
        uv=uv,
        textures=tuple(pictures.shelf.images),
        face_texture=np.concatenate([np.full(len(p.F), p.texture, dtype=np.int16) for p in parts]),
        unit=unit or "m",
        notes=tuple(dict.fromkeys([*file.notes, *pictures.shelf.notes])),
    )


class _Part:
    """One primitive: vertices in the scene, faces, and what colours it has."""

    def __init__(
        self,
        V: NDArray[np.float64],
        F: NDArray[np.int64],
        colors: NDArray[np.uint8] | None,
        uv: NDArray[np.float32] | None,
        texture: int,
    ) -> None:
        self.V, self.F, self.colors, self.uv, self.texture = V, F, colors, uv, texture
        self.plain: NDArray[np.uint8] | None = None


def _read_part(file: GltfFile, shown: Shown, pictures: "_Pictures") -> _Part:
    primitive, place = shown.primitive, shown.place
    attributes = primitive.get("attributes")
    if not isinstance(attributes, dict) or "POSITION" not in attributes:
        raise file.wrong("the primitive has no POSITION", place)
    local = to_doubles(file.accessor(attributes["POSITION"], ("VEC3",)))
    if not np.isfinite(local).all():
        first = int((~np.isfinite(local)).any(axis=1).argmax())
        raise file.wrong(f"vertex {first} is not made of finite numbers", place)
    V = local @ shown.matrix[:3, :3].T + shown.matrix[:3, 3]
    F = _faces(file, primitive, len(V), place)
    # A mirrored node shows its triangles the other way round (section 3.7.4).
    if np.linalg.det(shown.matrix[:3, :3]) < 0:
        F = F[:, ::-1]
    colors = None
    if "COLOR_0" in attributes:
        colors = _colors(file, attributes["COLOR_0"], len(V), place)
    texture, channel, transform = pictures.of(primitive.get("material"))
    uv = None
    if texture >= 0 and f"TEXCOORD_{channel}" in attributes:
        flat = to_doubles(file.accessor(attributes[f"TEXCOORD_{channel}"], ("VEC2",)))
        if len(flat) != len(V):
            raise file.wrong("texture places and vertices differ in number", place)
        flat = flat @ transform[:2, :2].T + transform[:2, 2]
        uv = to_singles(np.column_stack([flat[:, 0], 1.0 - flat[:, 1]])[F])
    part = _Part(V, F, colors, uv, texture if uv is not None else -1)
    if colors is None and uv is None:
        part.plain = pictures.plain(primitive.get("material"))
    return part


def _colours_of(part: _Part) -> NDArray[np.uint8]:
    """(n, 3) a part's own colours, else its material's, else grey."""
    if part.colors is not None:
        return part.colors
    one = np.array([_BARE] * 3 if part.plain is None else part.plain, dtype=np.uint8)
    return np.tile(one, (len(part.V), 1))


def _faces(file: GltfFile, primitive: dict[str, Any], n: int, place: str) -> NDArray[np.int64]:
    if "indices" in primitive:
        corners = file.accessor(primitive["indices"], ("SCALAR",))
        if corners.dtype.kind != "u":
            raise file.wrong("indices should be whole numbers", place)
        corners = corners[:, 0].astype(np.int64)
    else:
        corners = np.arange(n, dtype=np.int64)
    if len(corners) and int(corners.max()) >= n:
        first = int((corners >= n).argmax())
        raise file.wrong(f"index {first} refers to vertex {corners[first]} of {n}", place)
    mode = primitive.get("mode", _TRIANGLES)
    if mode == _TRIANGLES:
        if len(corners) % 3:
            raise file.wrong(f"{len(corners)} corners do not make whole triangles", place)
        return corners.reshape(-1, 3)
    i = np.arange(max(len(corners) - 2, 0))
    if mode == _STRIP:
        second = np.where(i % 2 == 0, i + 1, i)
        return corners[np.column_stack([np.where(i % 2 == 0, i, i + 1), second, i + 2])]
    return corners[np.column_stack([i + 1, i + 2, np.zeros_like(i)])]


def _colors(file: GltfFile, index: Any, n: int, place: str) -> NDArray[np.uint8]:
    raw = file.accessor(index, ("VEC3", "VEC4"))[:, :3]
    if len(raw) != n:
        raise file.wrong("colours and vertices differ in number", place)
    stored = file.item("accessors", index)
    if raw.dtype.kind == "u":  # bytes that some writer forgot to call normalised
        raw = raw / float(np.iinfo(raw.dtype).max)
    share = np.clip(np.nan_to_num(to_doubles(raw)), 0.0, 1.0)
    if stored.get("componentType") != 5121:
        # By the standard these are linear light. Writers of bytes store sRGB all the same: a
        # linear byte would leave no shades in the dark.
        return _srgb(share)
    return np.rint(share * 255).astype(np.uint8)


def _srgb(share: NDArray[np.float64]) -> NDArray[np.uint8]:
    """Levels of sRGB (IEC 61966-2-1) for shares of linear light."""
    share = np.where(share <= 0.0031308, 12.92 * share, 1.055 * share ** (1 / 2.4) - 0.055)
    return np.rint(share * 255).astype(np.uint8)


class _Pictures:
    """Materials' base colour textures, each image decoded once."""

    def __init__(self, file: GltfFile) -> None:
        self.file = file
        self.shelf = TextureShelf()
        self._loaded: dict[int, int] = {}

    def of(self, material: Any) -> tuple[int, int, NDArray[np.float64]]:
        """(image or -1, texture place channel, (3, 3) transform of the texture places)."""
        none = (-1, 0, np.eye(3))
        if material is None:
            return none
        try:
            return self._look_up(self.file.item("materials", material)) or none
        except BadInput as error:
            # The shape is good without its picture.
            self.shelf.notes.append(f"a texture was left out: {error}")
            return none

    def plain(self, material: Any) -> NDArray[np.uint8] | None:
        """(3,) the base colour of a material that states one."""
        if material is None:
            return None
        try:
            surface = self.file.item("materials", material).get("pbrMetallicRoughness")
        except BadInput:
            return None
        base = surface.get("baseColorFactor") if isinstance(surface, dict) else None
        if not isinstance(base, list) or len(base) < 3:
            return None
        if not all(isinstance(x, int | float) for x in base[:3]):
            return None
        return _srgb(np.clip(np.nan_to_num(np.array(base[:3], dtype=np.float64)), 0.0, 1.0))

    def _look_up(self, material: dict[str, Any]) -> tuple[int, int, NDArray[np.float64]] | None:
        surface = material.get("pbrMetallicRoughness")
        base = surface.get("baseColorTexture") if isinstance(surface, dict) else None
        if not isinstance(base, dict):
            base = material.get("emissiveTexture")
        if not isinstance(base, dict):
            return None
        texture = self.file.item("textures", base.get("index"))
        extensions = texture.get("extensions")
        source = texture.get("source")
        webp = extensions.get("EXT_texture_webp") if isinstance(extensions, dict) else None
        if source is None and isinstance(webp, dict):
            source = webp.get("source")
        if source is None:
            raise self.file.wrong("the texture has no picture that is read here", "textures")
        image = self._image(source)
        channel = self.file.whole(base, "texCoord", "materials", 0)
        transform = np.eye(3)
        extra = base.get("extensions")
        moved = extra.get("KHR_texture_transform") if isinstance(extra, dict) else None
        if isinstance(moved, dict):
            transform = _texture_transform(self.file, moved)
            channel = self.file.whole(moved, "texCoord", "KHR_texture_transform", channel)
        return image, channel, transform

    def _image(self, source: Any) -> int:
        spec = self.file.item("images", source)
        if source in self._loaded:
            return self._loaded[source]
        name = str(spec.get("name") or spec.get("uri") or f"images[{source}]")[:60]
        if "bufferView" in spec:
            data, start, length, _ = self.file.view(spec["bufferView"])
            found = self.shelf.add(data[start : start + length], name)
        else:
            data = self.file.load_uri(spec.get("uri"), f"images[{source}]")
            found = self.shelf.miss(name) if data is None else self.shelf.add(data, name)
        self._loaded[source] = found
        return found


def _texture_transform(file: GltfFile, spec: dict[str, Any]) -> NDArray[np.float64]:
    """(3, 3): scale, then turn, then move (KHR_texture_transform, ratified extension)."""

    def pair(key: str, default: float) -> list[float]:
        value = spec.get(key, [default, default])
        if (
            not isinstance(value, list)
            or len(value) != 2
            or not all(isinstance(v, int | float) and abs(v) < 1e9 for v in value)
        ):
            raise file.wrong(f"{key} should be two numbers", "KHR_texture_transform")
        return value

    angle = spec.get("rotation", 0.0)
    if not isinstance(angle, int | float) or not abs(angle) < 1e9:
        raise file.wrong("rotation should be a number", "KHR_texture_transform")
    c, s = np.cos(angle), np.sin(angle)
    (sx, sy), (tx, ty) = pair("scale", 1.0), pair("offset", 0.0)
    turn = np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]])
    turn[:2, :2] = turn[:2, :2] * [sx, sy]
    turn[:2, 2] = tx, ty
    return turn
