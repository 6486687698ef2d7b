"""Of the two sheets of a scanned shell the outer is kept; a solid scan is left alone."""

import igl
import numpy as np
import pytest
import wraps

from flatten.geometry.triangles import face_areas
from flatten.scan.sheets import outer_sheet

BODIES = {"torso": wraps.torso(100, 120), "leg": wraps.leg(140, 72)}


@pytest.mark.parametrize("name", ["torso", "leg"])
@pytest.mark.parametrize(
    "how",
    [{}, {"thick": 1.0}, {"thick": 2.0, "share": 0.4}, {"joined": False},
     {"joined": False, "turned": False}],
    ids=["joined", "thin", "part", "loose", "loose, facing outward"],
)  # fmt: skip
def test_the_inside_wall_is_left_out(name, how):
    V, F = BODIES[name]
    W, G = wraps.inside_wall(V, F, **how)
    W = wraps.noise(W, G, np.random.default_rng(0), 0.1, 0.05)
    done = outer_sheet(W, G)
    area = face_areas(W, done.F)
    assert area.sum() == pytest.approx(face_areas(V, F).sum(), rel=0.02)
    centre = np.ascontiguousarray(W[done.F].mean(axis=1))
    off = np.sqrt(igl.point_mesh_squared_distance(centre, V, F.astype(np.int64))[0])
    thick = how.get("thick", 1.5)
    assert area[off > 0.6 * thick].sum() < 0.01 * area.sum()
    assert done.repairs["wall_mm"] == pytest.approx(thick, abs=0.25)
    assert "the outside was kept" in done.notes[0]


def test_noise_that_blurs_the_fold_does_not_join_the_sheets():
    V, F = BODIES["leg"]
    W, G = wraps.inside_wall(V, F)
    done = outer_sheet(wraps.noise(W, G, np.random.default_rng(1)), G)
    assert len(done.F) == pytest.approx(len(F), rel=0.02)


@pytest.mark.parametrize("name", ["torso", "leg"])
def test_a_solid_scan_is_left_alone(name):
    V, F = BODIES[name]
    done = outer_sheet(wraps.noise(V, F, np.random.default_rng(0)), F)
    np.testing.assert_array_equal(done.F, F)
    assert done.notes == ()


def test_a_lap_is_no_inside_wall():
    V, F = BODIES["torso"]
    depth = np.polyval(np.polyfit(V[:, 1], V[:, 2], 3), V[:, 1])
    W, G = wraps.slit(V, F, V[:, 0] - 0.7, (V[:, 2] < depth).astype(float), "lap")
    done = outer_sheet(W, G)
    np.testing.assert_array_equal(done.F, G)
