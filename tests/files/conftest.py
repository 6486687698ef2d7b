"""A small cast and plain writers of scan files, so that readers meet files they did not make."""

import json
import struct
import zipfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from flatten.geometry.primitives import cylinder

Mesh = tuple[NDArray[np.float64], NDArray[np.int64]]


@pytest.fixture
def tube() -> Mesh:
    """A cylinder of radius 60 and height 200, rounded so that single precision holds it."""
    V, F = cylinder(60.0, 200.0, edge_mm=20.0)
    return np.round(V * 64) / 64, np.asarray(F, dtype=np.int64)


def ply_bytes(
    V: NDArray[np.float64],
    F: NDArray[np.int64],
    order: str = "<",
    colors: NDArray[np.uint8] | None = None,
) -> bytes:
    kind = {"<": "binary_little_endian", ">": "binary_big_endian", "ascii": "ascii"}[order]
    header = [f"ply\nformat {kind} 1.0\ncomment a test\nelement vertex {len(V)}"]
    header += [f"property float {axis}" for axis in "xyz"]
    if colors is not None:
        header += [f"property uchar {c}" for c in ("red", "green", "blue")]
    header += [f"element face {len(F)}", "property list uchar int vertex_indices"]
    out = ("\n".join(header) + "\nend_header\n").encode()
    for i, v in enumerate(V):
        rgb = [] if colors is None else colors[i].tolist()
        if order == "ascii":
            out += (" ".join(map(repr, [*v.tolist(), *rgb])) + "\n").encode()
        else:
            out += struct.pack(f"{order}3f{len(rgb)}B", *v, *rgb)
    for f in F.tolist():
        if order == "ascii":
            out += (" ".join(map(str, [len(f), *f])) + "\n").encode()
        else:
            out += struct.pack(f"{order}B{len(f)}i", len(f), *f)
    return out


@pytest.fixture
def write_ply(tmp_path: Path) -> Callable[..., Path]:
    def write(
        V: NDArray[np.float64],
        F: NDArray[np.int64],
        *,
        order: str = "<",
        colors: NDArray[np.uint8] | None = None,
        name: str = "scan.ply",
    ) -> Path:
        path = tmp_path / name
        path.write_bytes(ply_bytes(V, F, order, colors))
        return path

    return write


@pytest.fixture(scope="session")
def standing_tube(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The scan of a cylinder of radius 60 that stands on z = 0 and is 200 high."""
    V, F = cylinder(60.0, 200.0, edge_mm=12.0)
    V = V[:, [2, 0, 1]] if np.ptp(V[:, 1]) > 190.0 else V
    V = V - [0.0, 0.0, V[:, 2].min()]
    path = tmp_path_factory.mktemp("tube") / "scan.ply"
    path.write_bytes(ply_bytes(V, np.asarray(F)))
    return path


@pytest.fixture
def write_obj(tmp_path: Path) -> Callable[..., Path]:
    def write(V: NDArray[np.float64], F: NDArray[np.int64], name: str = "scan.obj") -> Path:
        text = "".join(f"v {x!r} {y!r} {z!r}\n" for x, y, z in V.tolist())
        text += "".join("f " + " ".join(str(i + 1) for i in f) + "\n" for f in F.tolist())
        path = tmp_path / name
        path.write_text(text)
        return path

    return write


@pytest.fixture
def write_glb(tmp_path: Path) -> Callable[..., Path]:
    """Packs a glTF dictionary and its binary chunk into a GLB."""

    def write(spec: dict, chunk: bytes, name: str = "scan.glb") -> Path:
        text = json.dumps({"asset": {"version": "2.0"}, **spec}).encode()
        text += b" " * (-len(text) % 4)
        chunk += b"\0" * (-len(chunk) % 4)
        body = struct.pack("<II", len(text), 0x4E4F534A) + text
        body += struct.pack("<II", len(chunk), 0x004E4942) + chunk
        path = tmp_path / name
        path.write_bytes(b"glTF" + struct.pack("<II", 2, 12 + len(body)) + body)
        return path

    return write


@pytest.fixture
def write_3mf(tmp_path: Path) -> Callable[..., Path]:
    """Packs the inside of a `model` element into a 3MF package."""

    def write(inside: str, unit: str = "millimeter", name: str = "scan.3mf") -> Path:
        core = "urn:3mf:core"
        path = tmp_path / name
        with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as package:
            package.writestr("[Content_Types].xml", "<Types/>")
            package.writestr(
                "3D/3dmodel.model",
                f'<?xml version="1.0"?><model unit="{unit}" xmlns="{core}">{inside}</model>',
            )
        return path

    return write
