"""A shadow keeps the grain of what it falls on; another surface has its own. On drawn pictures."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from vision.lane_grain import smoother_than_lane

ROWS, COLUMNS, FIRST, SECOND = 160, 1200, 70, 130


def picture(between, grain=0.05, noise=0.0, keep=1.0, blur=0.8):
    """A lane with grain, from FIRST on times `between` and with a share `keep` of its grain, from SECOND on a bright face without."""
    rng = np.random.default_rng(5)
    pattern = gaussian_filter(rng.standard_normal((ROWS, COLUMNS)), 1.0)
    pattern *= grain / pattern.std()
    share = np.full((ROWS, 1), 1.0)
    share[FIRST:] = keep
    light = 0.5 * np.ones((ROWS, 1))
    light[FIRST:], light[SECOND:] = 0.5 * between, 0.8
    share[SECOND:] = 0.0
    seen = gaussian_filter(light * np.exp(pattern * share), (blur, 0))
    return (seen + noise * np.sqrt(seen) * rng.standard_normal(seen.shape)).astype(np.float32)


def told(grey, first=FIRST, second=SECOND):
    lines = (np.full(COLUMNS, float(r)) for r in (first, second))
    return smoother_than_lane(grey, np.ones(grey.shape, bool), *lines, 0.8)


def mostly(where):
    return where.mean() > 0.9


@pytest.mark.parametrize("depth", [0.9, 0.5, 0.2])
@pytest.mark.parametrize("noise", [0.0, 0.02])
def test_a_shadow_of_any_depth_keeps_the_grain(depth, noise):
    assert not told(picture(depth, noise=noise)).any()


@pytest.mark.parametrize("light", [1.1, 1.0, 0.6])
def test_a_polished_bevel_is_smoother_whatever_its_light(light):
    assert mostly(told(picture(light, keep=0.1)))


def test_a_shadow_smoothed_by_the_phone_is_still_one():
    assert not told(picture(0.3, keep=0.77)).any()


def test_a_lane_without_grain_tells_nothing():
    assert not told(picture(1.0, grain=0.002, keep=0.0)).any()


def test_lines_too_close_for_any_grain_tell_nothing():
    assert not told(picture(1.0, keep=0.0), FIRST, FIRST + 14).any()


def test_each_stretch_of_the_edge_is_told_by_itself():
    """Over a third of the photo a shadow, over the rest a bevel."""
    grey = picture(0.6, keep=0.1)
    third = COLUMNS // 3
    grey[:, :third] = picture(0.6)[:, :third]
    where = told(grey)
    assert not where[: third - 60].any()
    assert where[third + 60 :].all()
