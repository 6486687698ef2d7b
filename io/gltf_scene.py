"""Walks the scene of a glTF file: every mesh primitive with the transform it is shown under."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from flatten.io.gltf_file import GltfFile

_MAX_DEPTH = 200


@dataclass(frozen=True, eq=False, kw_only=True)
class Shown:
    """A primitive as shown: `matrix` (4, 4) takes its coordinates to the scene's."""

    primitive: dict[str, Any]
    matrix: NDArray[np.float64]
    name: str
    place: str


def shown_primitives(file: GltfFile) -> Iterator[Shown]:
    """Every primitive of the default scene (of all nodes where there is no scene).

    Raises
    ------
    BadInput : a node refers to nothing, is reached twice (the nodes are no forest), or its
        transform is not made of finite numbers
    """
    scenes = file.items("scenes")
    nodes = file.items("nodes")
    if scenes:
        roots = file.item("scenes", file.json.get("scene", 0)).get("nodes", [])
    else:
        children = {
            c for n in nodes if isinstance(n, dict) for c in _children(n) if isinstance(c, int)
        }
        roots = [i for i in range(len(nodes)) if i not in children]
    if not isinstance(roots, list):
        raise file.wrong("nodes should be a list", "scenes")
    seen: set[int] = set()
    stack: list[tuple[Any, NDArray[np.float64], int]] = [(r, np.eye(4), 0) for r in reversed(roots)]
    while stack:
        index, above, depth = stack.pop()
        node = file.item("nodes", index)
        place = f"nodes[{index}]"
        if index in seen or depth > _MAX_DEPTH:
            raise file.wrong("the node is reached twice, or nested too deeply", place)
        seen.add(index)
        matrix = above @ _matrix(file, node, place)
        if not np.isfinite(matrix).all():
            raise file.wrong("its transform is not made of finite numbers", place)
        if "mesh" in node:
            mesh = file.item("meshes", node["mesh"])
            primitives = mesh.get("primitives", [])
            if not isinstance(primitives, list):
                raise file.wrong("primitives should be a list", f"meshes[{node['mesh']}]")
            for i, primitive in enumerate(primitives):
                where = f"meshes[{node['mesh']}].primitives[{i}]"
                if not isinstance(primitive, dict):
                    raise file.wrong("should be an object", where)
                name = node.get("name") or mesh.get("name") or ""
                yield Shown(primitive=primitive, matrix=matrix, name=str(name), place=where)
        children = _children(node)
        stack += [(c, matrix, depth + 1) for c in reversed(children)]


def _children(node: dict[str, Any]) -> list[Any]:
    found = node.get("children", [])
    return found if isinstance(found, list) else []


def _matrix(file: GltfFile, node: dict[str, Any], place: str) -> NDArray[np.float64]:
    if "matrix" in node:
        return _numbers(file, node["matrix"], 16, f"{place}.matrix").reshape(4, 4).T
    matrix = np.eye(4)
    x, y, z, w = _numbers(file, node.get("rotation", [0, 0, 0, 1]), 4, f"{place}.rotation")
    length = float(np.sqrt(x * x + y * y + z * z + w * w))
    if not 1e-6 < length < 1e6:
        raise file.wrong("the rotation is no unit quaternion", place)
    x, y, z, w = (q / length for q in (x, y, z, w))
    turn = np.array(
        [
            [1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)],
            [2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)],
            [2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)],
        ]
    )
    matrix[:3, :3] = turn * _numbers(file, node.get("scale", [1, 1, 1]), 3, f"{place}.scale")
    matrix[:3, 3] = _numbers(file, node.get("translation", [0, 0, 0]), 3, f"{place}.translation")
    return matrix


def _numbers(file: GltfFile, value: Any, count: int, place: str) -> NDArray[np.float64]:
    is_good = (
        isinstance(value, list)
        and len(value) == count
        and all(isinstance(v, int | float) and not isinstance(v, bool) for v in value)
        and all(abs(v) < 1e30 for v in value)
    )
    if not is_good:
        raise file.wrong(f"should be {count} numbers", place)
    return np.array(value, dtype=np.float64)
