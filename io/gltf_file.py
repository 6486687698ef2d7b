"""Opens GLB and glTF files: the JSON, its buffers, and accessors read out of them.

Khronos Group, glTF 2.0 Specification (ISO/IEC 12113:2022), chapters 3.6, 4 and 5.
"""

import base64
import binascii
import json
import struct
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from flatten.errors import BadInput
from flatten.io.sources import beside, read_bytes

_COMPONENTS = {5120: "i1", 5121: "u1", 5122: "i2", 5123: "u2", 5125: "u4", 5126: "f4"}
_WIDTHS = {"SCALAR": 1, "VEC2": 2, "VEC3": 3, "VEC4": 4}
_JSON, _BIN = 0x4E4F534A, 0x004E4942
_KNOWN_EXTENSIONS = {
    "KHR_mesh_quantization",
    "KHR_texture_transform",
    "EXT_texture_webp",
    "KHR_materials_unlit",
}


class GltfFile:
    """The JSON of a glTF file with its binary data at hand.

    Every look-up is checked: what is missing or of the wrong type raises BadInput that names it.
    """

    def __init__(self, path: Path, data: bytes) -> None:
        self.path = path
        self.notes: list[str] = []
        self._glb_chunk: bytes | None = None
        text = self._open_glb(data) if data[:4] == b"glTF" else data
        self.json = self._parse(text)
        asset = self.json.get("asset")
        version = asset.get("version") if isinstance(asset, dict) else None
        if not isinstance(version, str) or not version.startswith("2."):
            raise self.wrong("only glTF 2 is read", "asset.version", "export it as glTF 2")
        needed = self.json.get("extensionsRequired", [])
        for name in needed if isinstance(needed, list) else []:
            if name not in _KNOWN_EXTENSIONS:
                raise self.wrong(
                    f"the file needs the extension {str(name)[:60]}, which is not read",
                    "extensionsRequired",
                    "export it without compression",
                )
        self._buffers: dict[int, bytes] = {}

    def wrong(self, what: str, place: str = "", fix: str = "export it again") -> BadInput:
        where = f"{self.path.name}, {place}" if place else self.path.name
        return BadInput(what, where, fix)

    def _open_glb(self, data: bytes) -> bytes:
        if len(data) < 20:
            raise self.wrong("the GLB file is cut short")
        version, length = struct.unpack_from("<II", data, 4)
        if version != 2:
            raise self.wrong(f"GLB version {version} is not read", fix="export it as glTF 2")
        if length > len(data):
            raise self.wrong(
                f"the file says it has {length:,} bytes, but holds {len(data):,}",
                fix="it is cut short; export or copy it again",
            )
        text: bytes | None = None
        at = 12
        while at + 8 <= length:
            size, kind = struct.unpack_from("<II", data, at)
            at += 8
            if at + size > length:
                raise self.wrong("a chunk is longer than the file", fix="it is cut short")
            if kind == _JSON and text is None:
                text = data[at : at + size]
            elif kind == _BIN and self._glb_chunk is None:
                self._glb_chunk = data[at : at + size]
            at += size
        if text is None:
            raise self.wrong("the GLB file has no JSON chunk")
        return text

    def _parse(self, text: bytes) -> dict[str, Any]:
        try:
            found = json.loads(text.rstrip(b" \0").decode("utf-8-sig"))
        except (ValueError, RecursionError) as error:
            raise self.wrong(f"its JSON cannot be read ({str(error)[:80]})") from None
        if not isinstance(found, dict):
            raise self.wrong("its JSON is not an object")
        return found

    def items(self, key: str) -> list[Any]:
        """A top-level list, empty where there is none."""
        found = self.json.get(key, [])
        if not isinstance(found, list):
            raise self.wrong("should be a list", key)
        return found

    def item(self, key: str, index: Any) -> dict[str, Any]:
        """Object `index` of a top-level list."""
        found = self.items(key)
        if not isinstance(index, int) or isinstance(index, bool) or not 0 <= index < len(found):
            raise self.wrong(f"there is no {key}[{str(index)[:40]}]", key)
        if not isinstance(found[index], dict):
            raise self.wrong("should be an object", f"{key}[{index}]")
        return found[index]

    def whole(self, of: dict[str, Any], key: str, place: str, default: int | None = None) -> int:
        """A whole number of 0 or more."""
        value = of.get(key, default)
        if not isinstance(value, int) or isinstance(value, bool) or value < 0:
            raise self.wrong(f"{key} should be a whole number of 0 or more", place)
        return value

    def buffer(self, index: int) -> bytes:
        if index in self._buffers:
            return self._buffers[index]
        place = f"buffers[{index}]"
        spec = self.item("buffers", index)
        size = self.whole(spec, "byteLength", place)
        uri = spec.get("uri")
        if uri is None:
            if index != 0 or self._glb_chunk is None:
                raise self.wrong("the buffer has no data", place)
            data = self._glb_chunk
        else:
            data = self.load_uri(uri, place)
            if data is None:
                raise self.wrong(
                    f"the file '{str(uri)[:60]}' is not beside it", place, "copy it there"
                )
        if size > len(data):
            raise self.wrong(
                f"the buffer should hold {size:,} bytes, but holds {len(data):,}",
                place,
                "it is cut short; export or copy it again",
            )
        self._buffers[index] = data
        return data

    def load_uri(self, uri: Any, place: str) -> bytes | None:
        """Data written in the JSON itself, or a file beside it; None where there is none."""
        if not isinstance(uri, str):
            raise self.wrong("uri should be text", place)
        if uri.startswith("data:"):
            head, _, tail = uri.partition(",")
            if not head.endswith(";base64"):
                raise self.wrong("only base64 data is read", place)
            try:
                return base64.b64decode(tail, validate=True)
            except (binascii.Error, ValueError):
                raise self.wrong("its base64 data is damaged", place) from None
        found = beside(self.path, uri)
        return None if found is None else read_bytes(found)

    def view(self, index: Any) -> tuple[bytes, int, int, int]:
        """(buffer, start, length, stride or 0) of a buffer view."""
        spec = self.item("bufferViews", index)
        place = f"bufferViews[{index}]"
        data = self.buffer(self.whole(spec, "buffer", place))
        start = self.whole(spec, "byteOffset", place, 0)
        length = self.whole(spec, "byteLength", place)
        if start + length > len(data):
            raise self.wrong("reaches beyond its buffer", place)
        return data, start, length, self.whole(spec, "byteStride", place, 0)

    def accessor(self, index: Any, kinds: tuple[str, ...]) -> NDArray[Any]:
        """(count, width) values as stored, normalised integers as fractions."""
        spec = self.item("accessors", index)
        place = f"accessors[{index}]"
        kind, component = spec.get("type"), spec.get("componentType")
        if kind not in kinds:
            raise self.wrong(f"type is {str(kind)[:20]}, not {' or '.join(kinds)}", place)
        if component not in _COMPONENTS:
            raise self.wrong(f"unknown componentType {str(component)[:20]}", place)
        dtype, width = np.dtype("<" + _COMPONENTS[component]), _WIDTHS[kind]
        count = self.whole(spec, "count", place)
        start = self.whole(spec, "byteOffset", place, 0)
        if "bufferView" in spec:
            values = self._strided(spec["bufferView"], start, count, dtype, width, place)
        elif "sparse" in spec:
            self._guard_sparse(count, place)
            values = np.zeros((count, width), dtype=dtype)
        else:
            raise self.wrong("has no data (it may be compressed)", place, "export it uncompressed")
        if "sparse" in spec:
            values = self._overlay(spec["sparse"], values, dtype, width, place)
        if spec.get("normalized") and dtype.kind in "iu":
            return np.maximum(values / float(np.iinfo(dtype).max), -1.0)
        return values

    def _guard_sparse(self, count: int, place: str) -> None:
        if count > 100_000_000:
            raise self.wrong(f"promises {count:,} values without data", place)

    def _strided(
        self, view: Any, start: int, count: int, dtype: np.dtype[Any], width: int, place: str
    ) -> NDArray[Any]:
        data, base, length, stride = self.view(view)
        size = dtype.itemsize * width
        stride = stride or size
        if stride < size or (count and start + stride * (count - 1) + size > length):
            raise self.wrong(
                f"{count:,} values reach beyond their buffer view",
                place,
                "it is cut short or damaged; export or copy it again",
            )
        if not count:
            return np.empty((0, width), dtype=dtype)
        return np.ndarray(
            (count, width), dtype, data, base + start, (stride, dtype.itemsize)
        ).copy()

    def _overlay(
        self, sparse: Any, values: NDArray[Any], dtype: np.dtype[Any], width: int, place: str
    ) -> NDArray[Any]:
        if not isinstance(sparse, dict):
            raise self.wrong("sparse should be an object", place)
        count = self.whole(sparse, "count", place)
        parts = []
        for key in ("indices", "values"):
            part = sparse.get(key)
            if not isinstance(part, dict):
                raise self.wrong(f"sparse has no {key}", place)
            parts.append(part)
        component = parts[0].get("componentType")
        if component not in (5121, 5123, 5125):
            raise self.wrong("sparse indices are of a wrong type", place)
        index_type = np.dtype("<" + _COMPONENTS[component])
        at = self.whole(parts[0], "byteOffset", place, 0)
        index = self._strided(parts[0].get("bufferView"), at, count, index_type, 1, place)[:, 0]
        at = self.whole(parts[1], "byteOffset", place, 0)
        new = self._strided(parts[1].get("bufferView"), at, count, dtype, width, place)
        if count and int(index.max()) >= len(values):
            raise self.wrong("a sparse index is out of range", place)
        values = values.copy()
        values[index] = new
        return values
