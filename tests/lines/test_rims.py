"""Line ends on rims lie where they were drawn, unless they all but touch a rim vertex."""

import numpy as np
import pytest

from flatten.geometry.primitives import cylinder
from flatten.geometry.surface_points import surface_of
from flatten.geometry.topology import border_loops
from flatten.geometry.triangles import vertex_normals
from flatten.lines.rims import rims_of
from flatten.records.cast import Cast


@pytest.fixture
def tube():
    V, F = cylinder(60.0, 80.0, edge_mm=6.0)
    return Cast(name="tube", V=V, F=F, N=vertex_normals(V, F), rims=(), to_cast=np.eye(4))


@pytest.mark.parametrize("share", [0.05, 0.1, 0.3, 0.5, 0.95])
def test_an_end_stays_on_its_place(tube, share):
    rims = rims_of(tube, surface_of(tube.V, tube.F))
    loop = border_loops(tube.F)[0]
    a, b = tube.V[loop[0]], tube.V[loop[1]]
    drawn = a + share * (b - a)
    found = rims.nearest(drawn, 1.0)
    assert found is not None
    np.testing.assert_allclose(found[0].point, drawn, atol=1e-9)
