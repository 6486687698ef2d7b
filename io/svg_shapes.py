"""Lines drawn in an SVG file, flattened to points in mm, y up, each with its groups' names.

W3C SVG 1.1: chapters 7 (units, viewBox, transforms), 8 (paths) and 9 (basic shapes); elliptical
arcs by appendix F.6.5. 1 px = 25.4 / 96 mm (W3C CSS Values).
"""

import re
from collections.abc import Iterator
from xml.etree import ElementTree

import numpy as np
from numpy.typing import NDArray

from flatten.errors import BadInput

Array = NDArray[np.float64]
Drawn = tuple[str, Array, bool]

PX_MM = 25.4 / 96.0
UNIT_MM = {
    "": PX_MM, "px": PX_MM, "mm": 1.0, "cm": 10.0, "in": 25.4, "pt": 25.4 / 72.0, "pc": 25.4 / 6.0,
}  # fmt: skip
STEPS = 64  # chords of a curve or of a full turn
_NUMBER = re.compile(r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?")
_TOKEN = re.compile(r"[MmLlHhVvCcSsQqTtAaZz]|" + _NUMBER.pattern)
_TURN = re.compile(r"(matrix|translate|scale|rotate|skewX|skewY)\s*\(([^)]*)\)")
_COUNT = {"M": 2, "L": 2, "H": 1, "V": 1, "C": 6, "S": 4, "Q": 4, "T": 2, "A": 7, "Z": 0}
_UNSEEN = {"defs", "clipPath", "mask", "symbol", "marker", "pattern"}


def svg_shapes(data: bytes, name: str) -> list[Drawn]:
    """(names of the groups and of the shape in small letters, points (k, 2) mm, closed).

    Raises
    ------
    BadInput : it is not an SVG file
    """
    try:
        if b"<!ENTITY" in data:
            raise BadInput("entities are not read", name, "save it as plain SVG")
        root = ElementTree.fromstring(data)
        if _tag(root) != "svg":
            raise BadInput("this is not an SVG file", name, "export it as SVG")
        return [
            (label, points, closed)
            for label, points, closed in _walk(root, _page(root), "")
            if len(points) >= 2 and np.isfinite(points).all()
        ]
    except (ElementTree.ParseError, ValueError, IndexError, KeyError, RecursionError) as error:
        raise BadInput(f"this SVG file cannot be read ({error})", name, "save it again") from None


def _tag(element: ElementTree.Element) -> str:
    return str(element.tag).rsplit("}", 1)[-1]


def _length(text: str | None) -> float | None:
    found = re.fullmatch(rf"\s*({_NUMBER.pattern})\s*([a-z]*)\s*", text or "")
    return None if found is None or found[2] not in UNIT_MM else float(found[1]) * UNIT_MM[found[2]]


def _page(root: ElementTree.Element) -> Array:
    """(3, 3) from the file's user units to mm, y up."""
    box = [float(n) for n in _NUMBER.findall(root.get("viewBox", ""))]
    wide, high = _length(root.get("width")), _length(root.get("height"))
    if len(box) != 4 or box[2] <= 0 or box[3] <= 0:
        return np.diag([PX_MM, -PX_MM, 1.0])
    sx = wide / box[2] if wide else PX_MM
    sy = high / box[3] if high else sx
    scale = min(sx, sy) if wide and high else sx
    return np.array(
        [[scale, 0.0, -scale * box[0]], [0.0, -scale, scale * (box[1] + box[3])], [0, 0, 1]]
    )


def _transform(text: str) -> Array:
    M = np.eye(3)
    for kind, inside in _TURN.findall(text):
        v = [float(n) for n in _NUMBER.findall(inside)]
        T = np.eye(3)
        if kind == "matrix":
            T[:2] = np.array(v).reshape(3, 2).T
        elif kind == "translate":
            T[:2, 2] = (v[0], v[1] if len(v) > 1 else 0.0)
        elif kind == "scale":
            T[0, 0], T[1, 1] = v[0], v[-1]
        elif kind == "rotate":
            a = np.radians(v[0])
            T[:2, :2] = [[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]]
            if len(v) == 3:
                T[:2, 2] = np.array(v[1:]) - T[:2, :2] @ v[1:]
        else:
            T[(0, 1) if kind == "skewX" else (1, 0)] = np.tan(np.radians(v[0]))
        M = M @ T
    return M


def _walk(element: ElementTree.Element, M: Array, label: str) -> Iterator[Drawn]:
    if _tag(element) in _UNSEEN:
        return
    M = M @ _transform(element.get("transform", ""))
    names = [
        v for k, v in element.attrib.items() if k.rsplit("}", 1)[-1] in ("id", "label", "class")
    ]
    label = "/".join([label, *(n.lower() for n in names)])
    for points, closed in _drawn(element):
        yield label, points @ M[:2, :2].T + M[:2, 2], closed
    for child in element:
        yield from _walk(child, M, label)


def _drawn(element: ElementTree.Element) -> Iterator[tuple[Array, bool]]:
    """The element's own lines, in its user units."""
    tag = _tag(element)

    def number(key: str) -> float:
        return (_length(element.get(key)) or 0.0) / PX_MM

    if tag == "path":
        yield from path_lines(element.get("d", ""))
    elif tag in ("polygon", "polyline"):
        values = [float(n) for n in _NUMBER.findall(element.get("points", ""))]
        yield np.array(values[: len(values) // 2 * 2]).reshape(-1, 2), tag == "polygon"
    elif tag == "rect":
        x, y, w, h = (number(k) for k in ("x", "y", "width", "height"))
        yield np.array([[x, y], [x + w, y], [x + w, y + h], [x, y + h]]), True
    elif tag in ("circle", "ellipse"):
        rx, ry = (number("r"),) * 2 if tag == "circle" else (number("rx"), number("ry"))
        t = np.linspace(0.0, 2.0 * np.pi, 2 * STEPS, endpoint=False)
        around = np.column_stack([rx * np.cos(t), ry * np.sin(t)])
        yield around + (number("cx"), number("cy")), True
    elif tag == "line":
        yield np.array([[number("x1"), number("y1")], [number("x2"), number("y2")]]), False


def path_lines(text: str) -> Iterator[tuple[Array, bool]]:
    """The subpaths of a path's data as points, and whether each is closed."""
    tokens = _TOKEN.findall(_spaced_flags(text))
    at, start, control = np.zeros(2), np.zeros(2), None
    run: list[Array] = []
    command, i = "", 0
    while i < len(tokens):
        if tokens[i][0].isalpha():
            command, i = tokens[i], i + 1
        kind, relative = command.upper(), command.islower()
        count = _COUNT[kind]
        v = np.array([float(n) for n in tokens[i : i + count]])
        if len(v) < count:
            break
        i += count
        base = at if relative else np.zeros(2)
        if kind == "Z":
            if run:
                yield _joined(run), True
            at, run, control = start, [start[None]], None
            continue
        if kind == "M":
            if len(run) > 1:
                yield _joined(run), False
            at = start = base + v
            run, control = [at[None]], None
            command = "l" if relative else "L"
            continue
        P, control = _segment(kind, v, base, at, control, relative)
        run.append(P)
        at = P[-1]
    if len(run) > 1:
        yield _joined(run), False


def _segment(kind: str, v: Array, base: Array, at: Array, control, relative: bool):
    """Points after `at` of one command, and its last control point for a smooth one after it."""
    t = np.linspace(0.0, 1.0, STEPS + 1)[1:, None]
    mirrored = at if control is None else 2.0 * at - control[1]
    if kind == "L":
        return (base + v)[None], None
    if kind in "HV":
        end = at.copy()
        k = "HV".index(kind)
        end[k] = v[0] + (at[k] if relative else 0.0)
        return end[None], None
    if kind in "CS":
        pts = v.reshape(-1, 2) + base
        a, b, c = pts if kind == "C" else (mirrored if control and control[0] == 3 else at, *pts)
        u = 1.0 - t
        return u**3 * at + 3 * u * u * t * a + 3 * u * t * t * b + t**3 * c, (3, b)
    if kind in "QT":
        pts = v.reshape(-1, 2) + base
        a, c = pts if kind == "Q" else (mirrored if control and control[0] == 2 else at, pts[0])
        return (1 - t) ** 2 * at + 2 * (1 - t) * t * a + t * t * c, (2, a)
    return arc_points(at, v[:2], np.radians(v[2]), bool(v[3]), bool(v[4]), base + v[5:]), None


def arc_points(p: Array, radii: Array, turn: float, large: bool, sweep: bool, q: Array) -> Array:
    """Points of an elliptical arc from p (left out) to q: SVG 1.1, F.6.5 and F.6.6."""
    r = np.abs(radii)
    if r.min() == 0.0 or np.allclose(p, q):
        return q[None]
    R = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    half = R @ (p - q) / 2.0
    grow = float(((half / r) ** 2).sum())
    r = r * np.sqrt(max(grow, 1.0))
    u = half / r
    square = max((1.0 - u @ u) / max(u @ u, 1e-300), 0.0)
    c = (1.0 if large != sweep else -1.0) * np.sqrt(square) * np.array([u[1], -u[0]])
    first, last = np.arctan2(*(u - c)[::-1]), np.arctan2(*(-u - c)[::-1])
    span = (last - first) % (2.0 * np.pi)
    span = span if sweep else span - 2.0 * np.pi
    a = first + span * np.linspace(0.0, 1.0, STEPS + 1)[1:]
    centre = R.T @ (r * c) + (p + q) / 2.0
    P = (np.column_stack([np.cos(a), np.sin(a)]) * r) @ R + centre
    P[-1] = q
    return P


def _joined(run: list[Array]) -> Array:
    """One line; an end that repeats the start is left out."""
    P = np.concatenate(run)
    return P[:-1] if len(P) > 2 and np.allclose(P[0], P[-1], atol=1e-9) else P


def _spaced_flags(text: str) -> str:
    """Path data with the arcs' flags set apart, since they may be written without a space."""

    def arcs(found: re.Match) -> str:
        out, rest = [], found[2].replace(",", " ").strip()
        while rest:
            for place in range(7):
                rest = rest.lstrip(" \t\r\n,")
                number = re.match(r"[01]" if place in (3, 4) else _NUMBER, rest)
                if number is None:
                    return found[0]
                out.append(number[0])
                rest = rest[number.end() :]
            rest = rest.lstrip(" \t\r\n,")
        return f"{found[1]} {' '.join(out)} "

    return re.sub(r"([Aa])([^A-DF-Za-df-z]*)", arcs, text)
