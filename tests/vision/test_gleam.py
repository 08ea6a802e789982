"""A rounding that shows as a line of its own, on drawn strips: 60 px a mm, rounded over `REACH` px to either side of `SHOULDER`."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d

from vision.gleam import find_gleam
from vision.shoulder import find_shoulder
from vision.straighten import StraightStrip

ROWS, COLUMNS, APEX, SHOULDER, REACH, BLUR, PX_PER_MM = 220, 1200, 60, 120.0, 2.5, 0.9, 60.0


def strip(bevel=0.30, cheek=0.14, line=0.0, at=SHOULDER, halo=0.0, streaks=0.0, noise=0.004, seed=1):
    """`line`: how much brighter (linear) than the bevel the rounding is, or darker than the cheek; `halo`: overshoot of steps, in codes."""
    rng = np.random.default_rng(seed)
    rows = np.arange(ROWS * 8) / 8.0
    light = np.where(rows < APEX, 0.75, np.where(rows < SHOULDER, bevel, cheek))
    light = np.where(np.abs(rows - at) < REACH, (max(bevel, cheek) if line > 0 else min(bevel, cheek)) + line, light) if line else light
    light = light * np.where(rows > SHOULDER + 1, 1.0 + streaks * gaussian_filter1d(rng.standard_normal(len(rows)), 16) * np.sqrt(56), 1.0)
    code = gaussian_filter1d(np.maximum(light, 0.0), BLUR * 8) ** (1 / 2.2)
    code = (code + halo * (code - gaussian_filter1d(code, 3 * BLUR * 8)))[4::8]
    grey = (np.clip(code, 0.0, 1.0) ** 2.2)[:, None] * np.ones(COLUMNS) + noise * rng.standard_normal((ROWS, COLUMNS))
    linear = np.repeat(grey[..., None], 3, axis=2).astype(np.float32)
    base = np.column_stack([np.arange(COLUMNS, dtype=float), np.full(COLUMNS, float(APEX))])
    everywhere = np.ones(grey.shape, bool)
    return StraightStrip(
        linear, np.repeat((code >= 1.0)[:, None], COLUMNS, axis=1), float(APEX), base, np.tile([0.0, 1.0], (COLUMNS, 1)), everywhere
    )


def gleam(drawn, row=SHOULDER - 0.5):
    return find_gleam(drawn, np.full(COLUMNS, APEX - 0.5), np.full(COLUMNS, float(row)), BLUR, PX_PER_MM)


@pytest.mark.parametrize("line", [0.25, 0.10, -0.08])
@pytest.mark.parametrize("flank", [-REACH, REACH])
def test_the_middle_of_a_bright_or_dark_rounding_is_found_from_either_flank(line, flank):
    found = gleam(strip(line=line), SHOULDER - 0.5 + flank)
    assert np.abs(flank + found.shift).max() < 0.5
    # As long as the rounding: half of it, rectangular.
    assert np.median(found.u) == pytest.approx(REACH / np.sqrt(3), rel=0.25)


def test_a_shoulder_with_a_gleam_is_measured_at_its_middle():
    """Faces nearly alike with a bright line between: a step is its stronger flank, 2.5 px (42 um) off."""
    found = find_shoulder(strip(bevel=0.2, cheek=0.17, line=0.3), np.full(COLUMNS, APEX - 0.5), BLUR, PX_PER_MM)
    off = found.row - (SHOULDER - 0.5)
    assert np.isfinite(off).mean() > 0.9
    assert np.nanmedian(np.abs(off)) < 0.5
    assert (np.abs(off) < 2 * np.hypot(found.systematic_px, found.u_px))[np.isfinite(off)].mean() > 0.95


@pytest.mark.parametrize(
    "more",
    [{}, {"halo": 0.35}, {"halo": 0.8}, {"streaks": 0.25}, {"bevel": 0.05, "cheek": 0.4, "halo": 0.35}],
    ids=["a step", "sharpened", "sharpened twice as much", "a cheek ground along", "a dark bevel"],
)
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_steps_halos_and_streaks_are_no_gleam(more, seed):
    found = gleam(strip(seed=seed, **more))
    assert np.abs(found.shift).max() < 0.15


def test_a_clipped_bevel_has_lost_its_halo_and_shows_no_dark_line():
    assert not gleam(strip(bevel=1.2, cheek=0.3, halo=0.8)).shift.any()


@pytest.mark.parametrize("burnt", [(1.1, 1.1, 0.6), (1.1, 1.05, 0.7)])
def test_a_bevel_clipped_in_some_colours_shows_no_dark_line(burnt):
    """The clipped colours have lost their halo, the others keep theirs."""
    each = [strip(bevel=b, cheek=c, halo=0.8) for b, c in zip(burnt, (0.3, 0.25, 0.15), strict=True)]
    linear = np.dstack([e.linear[..., 0] for e in each])
    assert not gleam(replace(each[0], linear=linear, clipped=np.any([e.clipped for e in each], axis=0))).shift.any()


@pytest.mark.parametrize("line", [0.04, 0.05, 0.06])
def test_a_line_that_is_half_believed_leaves_a_doubt(line):
    found = find_shoulder(strip(bevel=0.3, cheek=0.1, line=line), np.full(COLUMNS, APEX - 0.5), BLUR, PX_PER_MM)
    off = np.abs(found.row - (SHOULDER - 0.5))
    assert np.nanmedian(off / np.hypot(found.systematic_px, found.u_px)) < 2.3
    assert np.isfinite(off).mean() > 0.9


def test_a_scratch_beside_the_shoulder_is_not_its_line():
    beside = strip(line=-0.08, at=SHOULDER + 5.0)
    assert not gleam(beside).shift.any()


def test_where_nothing_was_fitted_nothing_is_found():
    row = np.full(COLUMNS, np.nan)
    found = find_gleam(strip(line=0.25), np.full(COLUMNS, APEX - 0.5), row, BLUR, PX_PER_MM)
    assert not found.shift.any()
    assert not found.u.any()
    narrow = find_gleam(strip(line=0.25), np.full(COLUMNS, SHOULDER - 6.0), np.full(COLUMNS, SHOULDER), BLUR, PX_PER_MM)
    assert not narrow.shift.any(), "too little bevel to know its light by"
