"""The coarse apex's course on arrays: smooth where its path wobbles, with the corners of an edge where the line is sure."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d

from vision.course import robust_local
from vision.lane import _STEADY_MM, _with_corners

CELL_MM, CELLS = 0.06, 700


def angular_tip():
    """A straight edge that turns by 22 degrees, its corner ground off over a millimetre."""
    at = CELL_MM * np.arange(CELLS)
    return gaussian_filter1d(20.0 + np.maximum(at - 20.0, 0.0) * np.tan(np.radians(22)) / CELL_MM, 0.3 / CELL_MM, mode="nearest")


def course_of(path, found):
    return _with_corners(robust_local(path, _STEADY_MM / CELL_MM, found), path, found, CELL_MM)


def test_a_sure_corner_stays_within_the_reach_of_the_fine_search():
    """The fine search looks 0.3 mm back; a course of 2 mm alone cuts a corner of 22 degrees by more."""
    path, sure = np.round(angular_tip()), np.full(CELLS, 0.95)
    assert np.abs(robust_local(path, _STEADY_MM / CELL_MM, sure) - path).max() * CELL_MM > 0.3
    assert np.abs(course_of(path, sure) - path).max() * CELL_MM < 0.2


@pytest.mark.parametrize(("strength", "wobble_cells"), [(0.5, 5), (0.95, 3)])
def test_a_path_between_an_edge_and_its_contact_shadow_stays_smooth(strength, wobble_cells):
    """A shadow's slope is never that sure; a wobble of less than 0.2 mm is none of the edge."""
    path = np.full(CELLS, 40.0)
    path[300:360] -= wobble_cells
    assert np.abs(course_of(path, np.full(CELLS, strength)) - 40.0).max() < wobble_cells / 2
