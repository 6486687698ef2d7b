"""Panels as OBJ: what is read back is the panel and its flat, to six decimals."""

from types import SimpleNamespace

import numpy as np
import pytest
import trimesh

from flatten.errors import CannotWrite
from flatten.geometry.primitives import spherical_cap
from flatten.io.panels_obj import write_panel_obj


def test_shape_and_flat_are_read_back_index_by_index(tmp_path):
    V, F = spherical_cap(100.0, 0.8, rings=4)
    U = V[:, [0, 2]] * (1.01, -1.0)
    panel, flat = SimpleNamespace(name="left front", V=V, F=F), SimpleNamespace(U=U)
    path = tmp_path / "a.obj"
    write_panel_obj(panel, flat, path)  # type: ignore[arg-type]
    mesh = trimesh.load(path, process=False)
    assert mesh.vertices == pytest.approx(V, abs=5.1e-7)
    assert (mesh.faces == F).all()
    assert mesh.visual.uv == pytest.approx(U, abs=5.1e-7)
    rows = path.read_text().splitlines()
    first = next(r for r in rows if r.startswith("f "))
    a, b, c = F[0] + 1
    assert first == f"f {a}/{a} {b}/{b} {c}/{c}"
    assert all(len(w.split(".")[1]) == 6 for r in rows if r[0] == "v" for w in r.split()[1:])
    assert np.isfinite(U).all()


def test_a_place_that_cannot_be_written_is_named(tmp_path):
    V, F = spherical_cap(100.0, 0.8, rings=2)
    panel, flat = SimpleNamespace(name="a", V=V, F=F), SimpleNamespace(U=V[:, :2])
    with pytest.raises(CannotWrite, match="none"):
        write_panel_obj(panel, flat, tmp_path / "none" / "a.obj")  # type: ignore[arg-type]
