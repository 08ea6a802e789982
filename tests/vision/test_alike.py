"""Whether a line parts two faces: by their means, and by its step against those parallel to it."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d

from vision.alike import difference, lasting_step, step_share

ROWS, BLOCKS, APEX, LINE, SIGMA = 260, 150, 40, 120, 1.0


def said(brightness):
    """`lasting_step` of a picture (R, C) of log brightness, smoothed along as the caller does, no colour."""
    features = np.zeros((ROWS, BLOCKS, 3))
    features[..., 0] = gaussian_filter1d(brightness, 4.0, axis=1)
    lines = np.full(BLOCKS, float(APEX)), np.full(BLOCKS, LINE - 0.5)
    clear = int(4 * SIGMA)
    apart = features[LINE + clear : LINE + 60].mean(axis=0) - features[APEX + clear : LINE - clear].mean(axis=0)
    return lasting_step(features, np.ones((ROWS, BLOCKS), bool), lines, SIGMA, apart)


@pytest.fixture
def face():
    """Two faces of one brightness with noise, before a lane."""
    light = 0.02 * np.random.default_rng(4).standard_normal((ROWS, BLOCKS))
    light[:APEX] -= 1.0
    return light


def test_a_faint_step_between_even_faces_is_told(face):
    face[LINE:] += 0.08
    assert said(face) > 8.0
    bevel, cheek = (np.tile([level, 0.0, 0.0, 0.0], (BLOCKS, 1)) for level in (0.0, 0.08))
    assert difference(bevel, cheek) < 5.0, "their means alone are within what one face may vary by"


def test_nothing_there_is_nothing(face):
    assert said(face) < 3.0


def test_a_scratch_steps_and_goes_back(face):
    face[LINE : LINE + 4] += 0.3
    assert said(face) < 3.0


@pytest.mark.parametrize("seed", range(5))
def test_a_streak_among_streaks_is_no_shoulder(face, seed):
    """Grind lines along the edge: the strongest of them taken for the line."""
    streaks = gaussian_filter1d(np.random.default_rng(seed).standard_normal(ROWS), 3.0)
    streaks[APEX + 5 :] *= 0.1 / streaks.std()
    shift = LINE - (APEX + 20 + np.argmax(np.abs(np.diff(streaks))[APEX + 20 : -70]))
    assert said(face + np.roll(streaks, shift)[:, None]) < 5.0


def test_a_step_that_comes_and_goes_is_none(face):
    face[LINE:] += 0.08 * np.sign(np.sin(np.arange(BLOCKS) / 6.0))
    assert said(face) < 5.0


@pytest.mark.parametrize("turns", [0.5, 1.0])
def test_light_that_turns_the_difference_round_slowly_leaves_two_faces(face, turns):
    """A reflection in the bevel here and in the cheek there."""
    swing = np.cos(2.0 * np.pi * turns * np.arange(BLOCKS) / BLOCKS)
    face[LINE:] += 0.1 * swing
    assert said(face) > 8.0
    bevel, cheek = np.zeros((2, BLOCKS, 4))
    cheek[:, 0] = 0.6 * swing
    assert difference(bevel, cheek) > 8.0


def test_a_step_that_a_slope_takes_back_by_half_is_one(face):
    """A curved face's light falls off away from the line."""
    face[LINE:] += 0.1 * np.interp(np.arange(ROWS - LINE), [0, 60], [1.0, 0.2])[:, None]
    assert said(face) > 8.0


def test_too_few_rows_tell_nothing():
    features, lines = np.zeros((30, 10, 3)), (np.full(10, 10.0), np.full(10, 14.0))
    assert np.isnan(lasting_step(features, np.ones((30, 10), bool), lines, 2.0, np.zeros((10, 3))))


def share(light):
    """`step_share` of brightness by row (R,), the same in all blocks."""
    features = np.zeros((ROWS, BLOCKS, 3))
    features[..., 0] = light[:, None]
    apart = np.zeros((BLOCKS, 3))
    apart[:, 0] = light[LINE + 5 : LINE + 60].mean() - light[APEX + 5 : LINE - 5].mean()
    return step_share(features, np.full(BLOCKS, LINE - 0.5), 2, apart)


def test_a_corner_is_a_step():
    light = np.zeros(ROWS)
    light[LINE:] = -0.8
    assert share(gaussian_filter1d(light, 1.0)) == pytest.approx(1.0, abs=0.1)


def test_light_that_falls_off_over_something_round_is_a_slope():
    """From the middle of one surface to that of the other, as on a spoon."""
    assert share(np.linspace(0.8, -0.8, ROWS)) < 0.3


def test_faces_of_one_brightness_have_no_share_to_tell():
    assert np.isnan(share(np.full(ROWS, 0.02)))
