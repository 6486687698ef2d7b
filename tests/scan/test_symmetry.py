"""The mirror plane is found where there is one, as exactly as the surface is symmetric."""

import numpy as np
import pytest
import wraps

from flatten.scan.symmetry import find_symmetry

TORSO = wraps.torso(100, 120)


@pytest.mark.parametrize(("turn_deg", "aside"), [(0.0, 0.0), (6.0, 25.0), (-9.0, -60.0)])
def test_a_torso_that_stands_askew_is_still_mirrored(turn_deg, aside):
    V, F = TORSO
    a = np.radians(turn_deg)
    turn = np.array([[np.cos(a), 0, np.sin(a)], [0, 1, 0], [-np.sin(a), 0, np.cos(a)]])
    found = find_symmetry(V @ turn.T + [aside, 0, 0], F)
    assert found is not None
    # The plane x = 0, turned and shifted with the body.
    assert np.degrees(np.arccos(found.normal @ turn[:, 0])) < 0.3
    assert abs((found.point - [aside, 0, 0]) @ found.normal) < 0.5
    assert found.rms_mm < 0.5


def test_rms_tells_how_uneven_the_sides_are():
    V, F = TORSO
    uneven = V + np.clip(V[:, :1] / 160, 0, 1) * [0, 0, 6.0]
    found = find_symmetry(uneven, F)
    assert found is not None
    assert 0.3 < found.rms_mm < 6.0


def test_a_body_twisted_out_of_shape_has_no_mirror_plane():
    V, F = TORSO
    bent = V + np.clip(V[:, :1] / 80, 0, 3) ** 2 * [0, 25.0, 25.0]
    assert find_symmetry(bent, F) is None


def test_a_leg_is_not_symmetric():
    V, F = wraps.leg(140, 72)
    # The calf lies outward of the shin, as it does on a leg.
    calf = np.exp(-(((V[:, 1] - 215) / 75) ** 2))
    a = np.radians(35)
    turn = np.array([[np.cos(a), 0, np.sin(a)], [0, 1, 0], [-np.sin(a), 0, np.cos(a)]])
    assert find_symmetry(V @ turn.T + calf[:, None] * [9.0, 0, 0], F) is None
