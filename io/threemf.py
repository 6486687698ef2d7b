"""Reads 3MF: build items, components and their transforms; the file states its own unit.

3MF Consortium, 3D Manufacturing Format Core Specification 1.3, chapters 3 to 5, and Materials and
Properties Extension 1.2, chapter 3 (colour groups).
"""

import zipfile
from dataclasses import dataclass, field
from io import BytesIO
from pathlib import Path
from xml.parsers import expat

import numpy as np
from numpy.typing import NDArray

from flatten.errors import BadInput
from flatten.io.plain_colours import BARE, hex_rgb, palette
from flatten.io.soundness import sound_scan
from flatten.io.sources import MAX_BYTES, MAX_FACES
from flatten.records.scan import Scan

_UNITS = {"millimeter": "mm", "centimeter": "cm", "meter": "m", "inch": "in"}
# Units of the format that have no name here: the numbers are brought to mm.
_TO_MM = {"micron": 0.001, "foot": 304.8}
_MAX_DEPTH = 32


@dataclass(frozen=True, kw_only=True)
class _Use:
    """A use of an object: its id, the model part it is in ("" for the same one), its transform."""

    id: str
    part: str
    transform: str


@dataclass(eq=False)
class _Thing:
    """One `object`: its own mesh, or the others it is put together from.

    paint : the group of colours and the place in it of every triangle; own : of those without
    """

    points: list[str] = field(default_factory=list)
    corners: list[str] = field(default_factory=list)
    paint: list[tuple[str, str]] = field(default_factory=list)
    own: tuple[str, str] = ("", "")
    components: list[_Use] = field(default_factory=list)


class _Model:
    """What is taken from a .model part, filled by the XML parser."""

    def __init__(self) -> None:
        self.unit = "millimeter"
        self.things: dict[str, _Thing] = {}
        self.build: list[_Use] = []
        self._at: _Thing | None = None
        self._group: list[tuple[int, int, int] | None] = []
        self.groups: dict[str, list[tuple[int, int, int] | None]] = {}

    def start(self, tag: str, attributes: dict[str, str]) -> None:
        name = tag.rsplit(" ", 1)[-1]
        if name == "vertex" and self._at is not None:
            self._at.points += (attributes["x"], attributes["y"], attributes["z"])
        elif name == "triangle" and self._at is not None:
            self._at.corners += (attributes["v1"], attributes["v2"], attributes["v3"])
            place = attributes.get("p1")
            own = self._at.own
            paint = own if place is None else (attributes.get("pid", own[0]), place)
            self._at.paint.append(paint)
        elif name == "object":
            self._at = self.things.setdefault(attributes["id"], _Thing())
            self._at.own = (attributes.get("pid", ""), attributes.get("pindex", "0"))
        elif name in ("colorgroup", "basematerials"):
            self._group = self.groups.setdefault(attributes.get("id", ""), [])
        elif name in ("color", "base"):
            self._group.append(hex_rgb(attributes.get("color", attributes.get("displaycolor", ""))))
        elif name == "component" and self._at is not None:
            self._at.components.append(_use(attributes))
        elif name == "item":
            self.build.append(_use(attributes))
        elif name == "model":
            self.unit = attributes.get("unit", "millimeter")

    def colours(self, thing: _Thing) -> NDArray[np.uint8]:
        """(m, 3) the colour of each of an object's triangles, by its first corner; grey without."""
        of: dict[tuple[str, str], tuple[int, int, int]] = {}
        for pid, place in set(thing.paint):
            group = self.groups.get(pid, [])
            number = int(place) if place.isdecimal() and len(place) < 9 else len(group)
            of[pid, place] = (group[number] if number < len(group) else None) or BARE
        return np.array([of[paint] for paint in thing.paint], dtype=np.uint8).reshape(-1, 3)


def _use(attributes: dict[str, str]) -> _Use:
    # The production extension lets objects lie in other parts, named by an absolute path.
    part = next((v for k, v in attributes.items() if k.endswith(" path")), "")
    return _Use(
        id=attributes["objectid"],
        part=part.lstrip("/"),
        transform=attributes.get("transform", ""),
    )


def read_3mf(path: Path, data: bytes, unit: str | None) -> Scan:
    """The mesh of a 3MF file's bytes, in the unit that it states unless `unit` is given.

    Raises
    ------
    BadInput : what is wrong, with the part, line or object
    """
    package = _Package(path, data)
    model = package.model(package.main)
    meshes: dict[tuple[str, str], tuple[NDArray[np.float64], NDArray[np.int64]]] = {}
    parts: list[tuple[NDArray[np.float64], NDArray[np.int64]]] = []
    painted: list[NDArray[np.uint8]] = []
    total = 0
    stack = [
        (use.part or package.main, use.id, _transform(path, use.transform), 0)
        for use in reversed(model.build)
    ]
    while stack:
        part, name, matrix, depth = stack.pop()
        thing = package.model(part).things.get(name)
        if thing is None or depth > _MAX_DEPTH:
            raise BadInput(f"object {name[:20]} is missing, or made of itself", path.name)
        if thing.corners:
            if (part, name) not in meshes:
                meshes[part, name] = _mesh(path, name, thing)
            V, F = meshes[part, name]
            total += len(F)
            if total > MAX_FACES:
                raise BadInput(f"more than {MAX_FACES:,} faces", path.name, "export fewer")
            with np.errstate(over="ignore", invalid="ignore"):  # checked once all is together
                moved = V @ matrix[:3] + matrix[3]
            painted.append(package.model(part).colours(thing))
            parts.append((moved, F[:, ::-1] if np.linalg.det(matrix[:3]) < 0 else F))
        for use in thing.components:
            inner = _transform(path, use.transform)
            with np.errstate(over="ignore", invalid="ignore"):
                joined = np.vstack([inner[:3] @ matrix[:3], inner[3] @ matrix[:3] + matrix[3]])
            stack.append((use.part or part, use.id, joined, depth + 1))
        if len(stack) > 100_000:
            raise BadInput("the file puts too many components together", path.name)
    if not parts:
        raise BadInput("the file holds no triangles", path.name, "export the scan as a mesh")
    starts = np.cumsum([0, *(len(V) for V, _ in parts)])
    V = np.concatenate([V for V, _ in parts])
    F = np.concatenate([F + start for (_, F), start in zip(parts, starts, strict=False)])
    notes: tuple[str, ...] = ()
    stated = _UNITS.get(model.unit)
    if stated is None:
        if model.unit not in _TO_MM:
            raise BadInput(f"unknown unit '{model.unit[:20]}'", path.name, "export it in mm")
        V, stated = V * _TO_MM[model.unit], "mm"
        notes = (f"the file's numbers are {model.unit}s; they were turned into mm",)
    colours = palette(np.concatenate(painted))
    if colours is None:
        return sound_scan(path, V, F, unit=unit or stated, notes=notes)
    return sound_scan(
        path,
        V,
        F,
        uv=colours[0],
        textures=(colours[1],),
        face_texture=np.zeros(len(F), dtype=np.int16),
        unit=unit or stated,
        notes=notes,
    )


class _Package:
    """The archive's model parts, each unpacked and parsed once, within bounds."""

    def __init__(self, path: Path, data: bytes) -> None:
        self.path = path
        self._models: dict[str, _Model] = {}
        self._left = MAX_BYTES
        try:
            self._archive = zipfile.ZipFile(BytesIO(data))
        except Exception as error:
            raise self._damaged(error) from None
        self._names = [n for n in self._archive.namelist() if n.lower().endswith(".model")]
        if not self._names:
            raise BadInput(
                "this is a zip archive without a 3MF model in it",
                path.name,
                "unpack it and name the scan itself",
            )
        # The main part lies in 3D/ by convention, others that it refers to below that.
        self.main = min(
            self._names, key=lambda n: (not n.lower().startswith("3d/"), n.count("/"), n)
        )

    def model(self, name: str) -> _Model:
        """A part, parsed.

        Raises
        ------
        BadInput : it is not there, cannot be unpacked, or unpacks to more than is allowed
        """
        if name in self._models:
            return self._models[name]
        if name not in self._names:
            raise BadInput(f"the model part '{name[:60]}' is missing", self.path.name)
        try:
            with self._archive.open(name) as part:
                content = part.read(self._left + 1)
        except Exception as error:
            raise self._damaged(error) from None
        self._left -= len(content)
        if self._left < 0:
            raise BadInput("the unpacked model is too large", self.path.name, "export fewer faces")
        self._models[name] = _parse(self.path, content)
        return self._models[name]

    def _damaged(self, error: Exception) -> BadInput:
        # A damaged archive makes zipfile and its decoders raise many things.
        return BadInput(
            f"the archive cannot be unpacked ({type(error).__name__})",
            self.path.name,
            "export or copy it again",
        )


def _parse(path: Path, text: bytes) -> _Model:
    model = _Model()
    parser = expat.ParserCreate(namespace_separator=" ")

    def no_entities(*_: object) -> None:
        raise BadInput("the model declares its own entities, which is not allowed", path.name)

    parser.StartElementHandler = model.start
    parser.StartDoctypeDeclHandler = no_entities
    try:
        parser.Parse(text, True)
    except expat.ExpatError as error:
        raise BadInput(
            f"its XML is damaged ({expat.errors.messages[error.code]})",
            f"{path.name}, line {error.lineno} of the model",
            "export it again",
        ) from None
    except KeyError as error:
        raise BadInput(
            f"the attribute {error} is missing",
            f"{path.name}, line {parser.CurrentLineNumber} of the model",
            "export it again",
        ) from None
    except (ValueError, LookupError, UnicodeError):
        raise BadInput("its XML is in an unknown encoding", path.name, "export it again") from None
    return model


def _mesh(path: Path, name: str, thing: _Thing) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    place = f"{path.name}, object {name[:20]}"
    try:
        V = np.array([float(t) for t in thing.points]).reshape(-1, 3)
        F = np.array([int(t) for t in thing.corners], dtype=np.int64).reshape(-1, 3)
    except (ValueError, OverflowError):
        raise BadInput("a number cannot be read", place, "export it again") from None
    if not np.isfinite(V).all():
        first = int((~np.isfinite(V)).any(axis=1).argmax())
        raise BadInput(f"vertex {first} is not made of finite numbers", place, "export it again")
    wrong = (F.min(axis=1) < 0) | (F.max(axis=1) >= len(V))
    if wrong.any():
        first = int(wrong.argmax())
        raise BadInput(
            f"triangle {first} refers to a vertex that is not there ({len(V)} in all)",
            place,
            "export it again",
        )
    return V, F


def _transform(path: Path, text: str) -> NDArray[np.float64]:
    """(4, 3): points are rows multiplied from the left, as the format has it."""
    if not text:
        return np.vstack([np.eye(3), np.zeros(3)])
    try:
        matrix = np.array([float(t) for t in text.split()])
        if matrix.size != 12 or not (np.abs(matrix) < 1e30).all():
            raise ValueError
    except ValueError:
        raise BadInput(f"the transform '{text[:60]}' is not 12 numbers", path.name) from None
    return matrix.reshape(4, 3)
