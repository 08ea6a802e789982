"""The channel in which a step is fitted, and what burnt-out samples say in it."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d

from vision.apex import refine_apex
from vision.contrast import contrast_channel
from vision.flags import StationFlag
from vision.straighten import StraightStrip

ROWS, COLUMNS, APEX, BLUR, PX_PER_MM = 160, 900, 60, 1.2, 60.0


def step(before, after, seed=1):
    """A straight edge half a row before row `APEX`, seen through `BLUR`, with noise; burnt out above 1."""
    rng = np.random.default_rng(seed)
    light = np.full((ROWS, COLUMNS), float(before))
    light[APEX:] = after
    light = gaussian_filter1d(light, BLUR, axis=0) + 0.004 * rng.standard_normal(light.shape)
    linear = np.repeat(np.clip(light, 0.0, 1.0)[..., None], 3, axis=2).astype(np.float32)
    base = np.column_stack([np.arange(COLUMNS, dtype=float), np.full(COLUMNS, float(APEX))])
    inside = np.ones(light.shape, bool)
    return StraightStrip(linear, light >= 1.0, float(APEX), base, np.tile([0.0, 1.0], (COLUMNS, 1)), inside)


@pytest.mark.parametrize(("before", "after"), [(0.2, 0.7), (0.7, 0.2)])
def test_the_channel_is_brightness_and_never_its_negative(before, after):
    channel = contrast_channel(step(before, after), np.full(COLUMNS, APEX - 0.5), BLUR)
    assert channel[:30].mean() == pytest.approx(before, abs=0.02)
    assert channel[-30:].mean() == pytest.approx(after, abs=0.02)


@pytest.mark.parametrize(("times", "within_px"), [(1.5, 0.2), (3.0, 0.7)])
def test_a_burnt_out_bevel_moves_its_edge_by_less_than_stated(times, within_px):
    """What the sensor cut off is no level: half of full scale lies 0.4 and 1.3 px outside the edge of faces so bright."""
    line = refine_apex(step(0.2, times), BLUR, PX_PER_MM)
    inner = slice(50, -50)
    assert ((line.flags[inner] & StationFlag.CLIPPED) > 0).all()
    off = abs(np.median(line.row[inner]) - (APEX - 0.5))
    assert off < within_px
    assert off < 2.0 * np.median(np.hypot(line.u_px, line.systematic_px)[inner])


def test_beside_full_scale_the_edge_is_known_less_well():
    """A phone's tone curve bends there; the darker of two equal ratios is known better."""
    dark, bright = (np.median(refine_apex(step(k * 0.45, k * 0.9), BLUR, PX_PER_MM).systematic_px) for k in (0.4, 1.05))
    assert bright > 1.3 * dark


def test_an_edge_nearly_as_bright_as_its_lane_is_known_less_well():
    faint, clear = (np.median(refine_apex(step(0.4, after), BLUR, PX_PER_MM).systematic_px) for after in (0.44, 0.2))
    assert faint > 3.0 * clear


def test_white_beside_white_is_no_edge():
    """A lane and a bevel both burnt out; a trace of noise reaches below full scale."""
    line = refine_apex(step(1.02, 1.4), BLUR, PX_PER_MM)
    assert ((line.flags & StationFlag.LOW_CONTRAST) > 0).all()
