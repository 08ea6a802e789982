"""The channel in which a step is fitted, and what burnt-out samples say in it."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d

from vision.apex import refine_apex
from vision.contrast import beside_streaks, contrast_between, contrast_channel
from vision.flags import StationFlag
from vision.shoulder import find_shoulder
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


LINE = APEX + 40.5


def two_faces(bevel, cheek, texture=0.04, seed=2):
    """Lane, a bevel and a cheek of the given colours (3,) or (S, 3), whose line is LINE; both faces have streaks of their own, grey."""
    rng = np.random.default_rng(seed)
    light = np.full((ROWS, COLUMNS, 3), 0.05)
    light[APEX:] = np.broadcast_to(bevel, (COLUMNS, 3))
    light[round(LINE + 0.5) :] = np.broadcast_to(cheek, (COLUMNS, 3))
    streaks = gaussian_filter1d(gaussian_filter1d(rng.standard_normal((ROWS, COLUMNS)), 2.0, axis=0), 6.0, axis=1)
    light[APEX:] *= 1.0 + texture * (streaks / streaks.std())[APEX:, :, None]
    light = gaussian_filter1d(light, BLUR, axis=0) + 0.003 * rng.standard_normal(light.shape)
    base = np.column_stack([np.arange(COLUMNS, dtype=float), np.full(COLUMNS, float(APEX))])
    inside = np.ones(light.shape[:2], bool)
    return StraightStrip(light.astype(np.float32), ~inside, float(APEX), base, np.tile([0.0, 1.0], (COLUMNS, 1)), inside)


# A reddish bevel whose light comes and goes beside a bluish cheek: brighter than it in the first half, as bright in the second.
RED, BLUE = np.array([0.46, 0.34, 0.42]), np.array([0.26, 0.40, 0.60])
AS_BRIGHT = RED * (BLUE @ [0.299, 0.587, 0.114]) / (RED @ [0.299, 0.587, 0.114])


def test_faces_as_bright_as_each_other_are_told_by_colour():
    share = np.clip((np.arange(COLUMNS) - 350) / 200, 0, 1)[:, None]
    strip = two_faces((1 - share) * 2.0 * RED + share * AS_BRIGHT, BLUE)
    apex, line = np.full(COLUMNS, APEX - 0.5), np.full(COLUMNS, LINE)
    channel = contrast_between(strip, apex, line, BLUR)
    assert not channel.own[:250].any(), "brightness shows it there"
    assert channel.own[600:].all()
    found = find_shoulder(strip, apex, BLUR, PX_PER_MM)
    off = np.abs(found.row - LINE)
    assert np.isfinite(found.row[20:-20]).mean() > 0.95
    assert np.nanmax(off[600:-20]) < 1.0
    assert (off < 2.0 * np.hypot(found.u_px, found.systematic_px))[600:-20].mean() > 0.95


def test_grey_faces_have_one_mix():
    strip = two_faces(np.array([0.5, 0.48, 0.52]), np.array([0.2, 0.2, 0.21]))
    assert not contrast_between(strip, np.full(COLUMNS, APEX - 0.5), np.full(COLUMNS, LINE), BLUR).own.any()


def streaked(streaks, width=50, seed=4):
    """`step` with lines along the bevel, each alike all along the edge, a few px apart; `width` rows of bevel before an even cheek."""
    rng = np.random.default_rng(seed)
    light = np.full(ROWS, 0.2)
    light[APEX:] = 0.5 + streaks * gaussian_filter1d(rng.standard_normal(ROWS - APEX), 1.5) * 2.0
    light[APEX + width :] = 0.25
    light = gaussian_filter1d(light, BLUR)[:, None] + 0.004 * rng.standard_normal((ROWS, COLUMNS))
    plain = step(0.2, 0.5)
    return replace(plain, linear=np.repeat(np.clip(light, 0.0, 1.0)[..., None], 3, axis=2).astype(np.float32))


def test_lines_along_the_bevel_move_an_edge_by_less_than_stated():
    """Averages along the edge leave them in. Streaks of 5 %: two in three of such edges stray by less than their bevels say."""
    off, said, even = [], [], []
    for seed in range(12):
        for streaks, out in ((0.05, said), (0.0, even)):
            strip = streaked(streaks, seed=seed)
            line = refine_apex(strip, BLUR, PX_PER_MM)
            out.append(np.median(beside_streaks(strip, line.row, np.full(COLUMNS, APEX + 49.5), BLUR, PX_PER_MM)))
            if streaks:
                off.append(abs(np.median(line.row) - (APEX - 0.5)))
    assert max(even) < 0.1 < min(said)
    assert 0.3 < np.percentile(np.divide(off, said), 68) < 1.0


def test_a_hairline_tells_nothing_of_lines_along_it():
    strip = streaked(0.12, width=9)
    assert beside_streaks(strip, np.full(COLUMNS, APEX - 0.5), np.full(COLUMNS, APEX + 8.5), BLUR, PX_PER_MM).max() == 0.0
