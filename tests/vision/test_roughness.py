"""Where a smooth bevel ends and a rougher face begins, on drawn faces whose mean brightness is one and the same."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter, gaussian_filter1d
from scipy.special import ndtr

from vision.flags import StationFlag
from vision.grain import pattern_along
from vision.roughness import roughness
from vision.shoulder import find_shoulder
from vision.straighten import StraightStrip

ROWS, COLUMNS, APEX, BLOCK, PX_PER_MM, BLUR = 220, 2400, 40, 8, 60.0, 1.0


def faces(width=30, bevel=0.0, cheek=0.1, light=(0.4, 0.4), noise=0.004, seed=3):
    """Lane, a bevel and a tumbled cheek with patterns of the given strength (share of their light), and photon noise."""
    rng = np.random.default_rng(seed)
    row = np.arange(ROWS)[:, None] - APEX
    spots = gaussian_filter(rng.standard_normal((ROWS, COLUMNS)), 1.5) * 5.3
    grey = np.where(row < 0, 0.7, np.where(row < width, light[0] * (1 + bevel * spots), light[1] * (1 + cheek * spots)))
    grey = gaussian_filter(grey, BLUR)
    return grey + noise * rng.standard_normal(grey.shape) * np.sqrt(grey)


def found(grey):
    grey = grey.astype(np.float32)
    pattern = pattern_along(grey, np.full(COLUMNS, float(APEX)), PX_PER_MM)
    light = grey[APEX:].reshape(len(pattern), -1, BLOCK).mean(axis=2)
    return roughness(pattern, light, BLUR, PX_PER_MM, BLOCK)


def rows_told(rough):
    """The last row, by column, that nothing speaks against."""
    return np.array([np.flatnonzero(column == 0.0).max() for column in rough.short[:, 10:-10].T])


@pytest.mark.parametrize("width", [8, 30, 80])
@pytest.mark.parametrize("light", [(0.4, 0.4), (0.6, 0.3), (0.2, 0.4)])
def test_nothing_speaks_for_a_shoulder_beyond_the_smooth_rows(width, light):
    rough = found(faces(width, light=light))
    assert np.median(np.abs(rows_told(rough) - width)) <= 2
    assert np.median(rough.trust[10:-10]) == 1.0


def test_rows_of_the_smooth_face_are_not_judged():
    """A line within it may be the shoulder of a bevel whose cheek is smooth where it begins."""
    rough = found(faces())
    assert (rough.short[: 30 - 3, 10:-10] == 0.0).mean() > 0.95


@pytest.mark.parametrize("faint", [{"bevel": 0.1, "cheek": 0.0}, {"cheek": 0.0}, {"bevel": 0.1, "cheek": 0.1}])
def test_a_rough_bevel_and_faces_alike_say_nothing(faint):
    assert found(faces(**faint)).trust.mean() < 0.05


def test_noise_of_a_darker_face_is_no_roughness():
    """The share of noise in an eighth of the light is 2.8 times as great: eight times the power."""
    assert found(faces(cheek=0.0, light=(0.8, 0.1), noise=0.02)).trust.mean() < 0.05


def test_a_burnt_out_bevel_is_smooth():
    """A burnt-out bevel has no noise at all; the cheek's own grain still begins behind it."""
    rough = found(np.minimum(faces(light=(1.4, 0.3), noise=0.01), 1.0))
    assert np.median(np.abs(rows_told(rough) - 30)) <= 2


def test_a_line_that_wavers_is_no_rough_face():
    """The step between two smooth faces moves by a tenth of a row from place to place: that is a pattern of its own rows alone."""
    rng = np.random.default_rng(7)
    line = 30 + 0.3 * gaussian_filter1d(rng.standard_normal(COLUMNS), 3.0) * 3.3
    row = np.arange(ROWS)[:, None] - APEX
    grey = 0.5 - 0.2 * ndtr((row - line) / BLUR)
    rough = found(grey + 0.001 * rng.standard_normal(grey.shape))
    assert rough.trust.mean() < 0.05


def test_too_few_rows():
    rough = roughness(np.zeros((9, COLUMNS), np.float32), np.full((9, COLUMNS // BLOCK), 0.4), BLUR, PX_PER_MM, BLOCK)
    assert not rough.trust.any()
    assert not rough.short.any()


def lines_of(grey):
    linear = np.repeat(grey.astype(np.float32)[..., None], 3, axis=2)
    base = np.column_stack([np.arange(COLUMNS, dtype=float), np.full(COLUMNS, float(APEX))])
    inward = np.tile([0.0, 1.0], (COLUMNS, 1))
    strip = StraightStrip(linear, np.zeros(grey.shape, bool), float(APEX), base, inward, np.ones(grey.shape, bool))
    return find_shoulder(strip, np.full(COLUMNS, APEX - 0.5), BLUR, PX_PER_MM)


@pytest.mark.parametrize("seed", [3, 4, 5])
def test_the_shoulder_of_a_smooth_bevel_as_bright_as_its_tumbled_cheek(seed):
    """Specks of the cheek are sharper lines than the shoulder, which has next to no step of its own."""
    line = lines_of(faces(16, light=(0.4, 0.38), cheek=0.15, seed=seed))
    assert np.nanmedian(np.abs(line.row - (APEX + 16 - 0.5))) < 1.5
    assert np.isfinite(line.row).mean() > 0.5


def test_a_polished_facet_at_the_apex_leaves_the_shoulder_as_another_line():
    """A micro-bevel may be polished, and the bevel behind it coarse: where that is taken for the shoulder, the other line is named."""
    rng = np.random.default_rng(1)
    row = np.arange(ROWS)[:, None] - APEX
    grind = 1.0 + 0.06 * 1.8 * gaussian_filter1d(rng.standard_normal(COLUMNS), 1.2)
    streaks = 1.0 + 0.05 * 1.6 * gaussian_filter1d(rng.standard_normal((ROWS, 1)), 1.5, axis=0)
    grey = np.where(row < 0, 0.7, np.where(row < 25, 0.2, np.where(row < 70, 0.35 * grind, 0.2 * streaks)))
    line = lines_of(gaussian_filter(grey, BLUR) + 0.002 * rng.standard_normal(grey.shape))
    inner = slice(100, -100)
    at, other = line.row[inner] - APEX + 0.5, line.rival_row[inner] - APEX + 0.5
    whole = np.abs(at - 70) < 3
    named = ((line.flags[inner] & int(StationFlag.RIVAL_LINE)) > 0) & (np.abs(other - 70) < 4)
    assert (whole | named).mean() > 0.95
