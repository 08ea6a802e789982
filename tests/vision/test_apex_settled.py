"""Which line near the coarse curve is the edge, on drawn strips: what smoothed pictures show of colour, and slopes of shadows."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter, gaussian_filter1d

from vision.agreed import settle_together
from vision.apex import course_of, refine_apex, settle
from vision.band import notes_of
from vision.flags import StationFlag
from vision.straighten import StraightStrip

ROWS, COLUMNS, APEX, PX_PER_MM, BLUR = 260, 1600, 70, 60.0, 0.9


def strip(light, tint_row=None, tint=(1.0, 1.0, 1.0), colour_noise=0.0, noise=0.01, seed=2):
    """Brightness by row (R,) seen through the blur, with noise alike in all colours; from `tint_row` on each colour times its `tint`."""
    rng = np.random.default_rng(seed)
    grey = gaussian_filter1d(np.asarray(light, float), BLUR)[:, None] * (1.0 + noise * rng.standard_normal((ROWS, COLUMNS)))
    linear = np.repeat(grey[..., None], 3, axis=2)
    if tint_row is not None:
        linear[tint_row:] *= tint
    linear *= 1.0 + colour_noise * rng.standard_normal(linear.shape)
    base = np.column_stack([np.arange(COLUMNS, dtype=float), np.full(COLUMNS, float(APEX))])
    inward = np.tile([0.0, 1.0], (COLUMNS, 1))
    return StraightStrip(linear.astype(np.float32), np.zeros(grey.shape, bool), float(APEX), base, inward, np.ones(grey.shape, bool))


def faces(lane=0.5, bevel=0.7, cheek=0.3):
    light = np.full(ROWS, lane)
    light[APEX:], light[APEX + 80 :] = bevel, cheek
    return light


def off(picture):
    found = settle(picture, BLUR, PX_PER_MM)
    row, support = found.row, found.support
    return np.abs(row - (APEX - 0.5)).max(), support


def test_one_code_of_smoothed_colour_is_no_line():
    """A small file keeps no noise of colour: a lane's blocks are all alike, and then a code apart, by 2 to 3 % of one colour."""
    away, support = off(strip(faces(), APEX - 14, (1.0, 1.0, 1.024)))
    assert away < 1.0
    assert support > 0.9


def test_an_edge_that_only_colour_shows_is_found_all_the_same():
    """A bevel as bright as its lane, and bluer by four codes, in a picture without noise of colour."""
    away, _ = off(strip(faces(bevel=0.5), APEX, (0.96, 1.0, 1.1)))
    assert away < 2.0


@pytest.mark.parametrize("ahead", [4, 8])
def test_colour_that_leaks_over_the_edge_does_not_lead_it(ahead):
    """Blocks of 16 px: the blade's colour begins up to half of one before the blade."""
    away, _ = off(strip(faces(), APEX - ahead, (0.96, 1.0, 1.06), colour_noise=0.02))
    assert away < 1.0


def test_a_clear_slope_is_no_edge():
    """A shadow's slope over half a millimetre, hundreds of times the noise of a good photo, before an edge that is as sharp as it."""
    light = faces(bevel=0.6)
    light[APEX - 30 : APEX] = np.linspace(0.5, 0.2, 30)
    away, support = off(strip(light, noise=0.002))
    assert away < 1.0
    assert support > 0.9


def test_in_a_noisy_photo_bright_lines_of_the_cheek_do_not_lead_the_edge():
    """Short blocks show a noisy edge too weakly to count, and lines along a satin cheek clearly; long means show both."""
    light = faces(bevel=0.44, cheek=0.44)
    light[APEX + 40 :] += 0.06 * (np.arange(ROWS - APEX - 40) // 7 % 2)
    away, support = off(strip(light, noise=0.2))
    assert away < 2.0
    assert support > 0.7


def ground(columns_per_row, contrast, width_px, noise, shoulder=60):
    """A bevel as bright as the shaded lane before it, with grind lines that run askew; its shoulder is clear."""
    light = faces(bevel=0.5)
    light[:APEX] = np.interp(np.arange(APEX), [0, APEX - 40, APEX], [0.6, 0.6, 0.47])
    light[APEX + shoulder :] = 0.3
    picture = strip(light, noise=noise)
    lines = gaussian_filter1d(np.random.default_rng(5).standard_normal(COLUMNS), width_px)
    at = (np.arange(COLUMNS) + columns_per_row * np.arange(ROWS)[:, None]) % COLUMNS
    askew = np.interp(at, np.arange(COLUMNS), lines / lines.std())
    bevel = gaussian_filter1d(((np.arange(ROWS) >= APEX) & (np.arange(ROWS) < APEX + shoulder)).astype(float), BLUR)
    picture.linear[:] *= (1.0 + contrast * bevel[:, None] * askew)[..., None].astype(np.float32)
    return picture


@pytest.mark.parametrize("columns_per_row", [0.5, -0.5])
@pytest.mark.parametrize(("contrast", "width_px", "noise"), [(0.05, 3.0, 0.05), (0.12, 6.0, 0.12)])
def test_grind_lines_begin_at_an_edge_as_bright_as_its_lane(columns_per_row, contrast, width_px, noise):
    """Lines askew step in every row of the bevel, and no more at the edge: the clear shoulder had been taken (drawn-346)."""
    away, support = off(ground(columns_per_row, contrast, width_px, noise))
    assert away < 2.0
    assert support > 0.7


@pytest.mark.parametrize("ramp", [40, 80])
def test_a_pattern_that_comes_into_focus_begins_nowhere(ramp):
    """Wood or cloth that lies ever nearer to the plane of focus: no place of it is as sharp as the photo."""
    picture = strip(np.full(ROWS, 0.5), noise=0.02)
    lines = gaussian_filter1d(np.random.default_rng(5).standard_normal(COLUMNS), 3.0)
    share = np.clip((np.arange(ROWS) - (APEX - ramp // 2)) / ramp, 0.0, 1.0)
    picture.linear[:] *= (1.0 + 0.2 * share[:, None] * lines / lines.std())[..., None].astype(np.float32)
    assert settle(picture, BLUR, PX_PER_MM).support < 0.7


@pytest.mark.parametrize("degrees", [10, 30])
def test_outside_the_photo_no_pattern_begins(degrees):
    """A turned photo ends askew: what lies outside is black."""
    picture = strip(faces(lane=0.5, bevel=0.44), noise=0.02)
    outside = np.arange(COLUMNS) < 200 + np.arange(ROWS)[:, None] * np.tan(np.radians(degrees))
    picture.linear[outside], picture.valid[outside] = 0.0, False
    found = settle(picture, BLUR, PX_PER_MM)
    seen = picture.valid[APEX - 40 : APEX + 40].all(axis=0)
    assert np.abs(found.row[seen] - (APEX - 0.5)).max() < 1.5


def test_a_shadow_in_which_noise_grows_begins_no_grind_lines():
    """Half and then a fifth of the light, and with it five times the share of noise that light does not make."""
    light = faces(lane=0.5, bevel=0.45)
    light[:APEX] = np.interp(np.arange(APEX), [0, APEX - 22, APEX - 8, APEX], [0.5, 0.5, 0.1, 0.1])
    picture = strip(light, noise=0.0)
    picture.linear[:] += (0.01 * np.random.default_rng(3).standard_normal((ROWS, COLUMNS)))[..., None].astype(np.float32)
    away, _ = off(picture)
    assert away < 1.0


def grainy_lane(bevel=0.46, shoulder=60, grain=0.03):
    """A bevel a little darker than paper whose grain is coarser than the photo's noise, and a dark cheek a millimetre on."""
    light = np.full(ROWS, 0.5)
    light[APEX:], light[APEX + shoulder :] = bevel, 0.25
    picture = strip(light, noise=0.004)
    pattern = gaussian_filter(np.random.default_rng(7).standard_normal((APEX, COLUMNS)), 0.8)
    picture.linear[:APEX] *= np.exp(grain * pattern / pattern.std())[..., None].astype(np.float32)
    return picture


def test_a_bevel_nearly_as_bright_as_its_lane_is_not_passed_over():
    """The shoulder behind it is far clearer; but what lies before that is smoother than the paper, so no shadow on it."""
    row = settle(grainy_lane(), BLUR, PX_PER_MM).row
    assert np.abs(row - (APEX - 0.5)).max() < 3.0


def test_where_half_of_a_bevel_is_as_bright_as_its_lane_that_half_is_not_passed_over_either():
    picture = grainy_lane()
    dark = np.linspace(0.3, 1.0, COLUMNS // 2)[None, :, None]
    picture.linear[APEX : APEX + 60, : COLUMNS // 2] *= dark.astype(np.float32)
    row = settle(picture, BLUR, PX_PER_MM).row
    assert np.abs(row - (APEX - 0.5)).max() < 3.0


def together(pictures, known=()):
    row, support = settle_together(pictures, [BLUR] * len(pictures), PX_PER_MM, known=known)
    return np.abs(row - (APEX - 0.5)).max(), support


def test_a_line_counts_where_more_than_half_of_the_lights_show_it():
    """A bevel as bright as its lane shows its shoulder first; a hard shadow its border."""
    clear, hidden = [strip(faces(), seed=k) for k in (2, 3)], strip(faces(bevel=0.5), seed=4)
    shadow = faces(cheek=0.45)
    shadow[APEX - 16 : APEX] = 0.3
    shaded = strip(shadow, seed=5)
    assert off(hidden)[0] > 14
    assert off(shaded)[0] > 14
    for third in (hidden, shaded):
        away, support = together([*clear, third])
        assert away < 1.5
        assert support > 0.9
    assert together([clear[0], shaded])[0] < 1.5


def test_a_line_of_one_light_is_looked_for_in_the_others():
    """On grainy paper a step of 2 % shows in means over millimetres; where a single light has a shadow's border the others show nothing."""
    clear, grainy = strip(faces(), seed=2), []
    for seed in (6, 7):
        faint = strip(faces(bevel=0.51), seed=seed)
        blocks = np.random.default_rng(seed).standard_normal((ROWS, COLUMNS // 8))
        grain = 1.0 + 0.02 * np.repeat(blocks, 8, axis=1)[..., None]
        grainy.append(replace(faint, linear=(faint.linear * grain).astype(np.float32)))
    at = APEX - 0.5
    assert together([clear, *grainy], known=[np.full(COLUMNS, at)])[0] < 1.0
    assert together([clear, strip(faces(), seed=3), strip(faces(), seed=4)], known=[np.full(COLUMNS, at - 16)])[0] < 1.0


def with_band(light, keep, rows=14):
    """A grainy lane and, before a far brighter bevel, a band a little darker than the lane that keeps a share of its grain.

    `strip` stands with its coarse curve on the bevel behind the band.
    """
    faces = np.full(ROWS, 0.5)
    faces[APEX - rows : APEX], faces[APEX:], faces[APEX + 60 :] = light, 0.9, 0.25
    picture = strip(faces, noise=0.004)
    grain = gaussian_filter(np.random.default_rng(7).standard_normal((APEX, COLUMNS)), 0.8)
    grain *= 0.03 / grain.std()
    grain[APEX - rows :] *= keep
    picture.linear[:APEX] *= np.exp(grain)[..., None].astype(np.float32)
    return picture


def test_grain_that_leads_away_from_a_clear_line_is_not_followed():
    """Steps of 25 and of 10 sigmas (a as `a^2 / (a^2 + 64)`): a lane's grain leaves the edge for the photo's end at 2/3 of its strength."""
    blocks, rows = np.arange(180), np.arange(108)[:, None]
    edge = np.exp(-0.5 * ((rows - 20) / 2.0) ** 2) * 0.907
    grain = np.exp(-0.5 * ((rows - (20 - 0.35 * np.clip(blocks - 120, 0, None))) / 2.0) ** 2) * np.where(blocks > 124, 0.61, 0.0)
    rough = 0.2 * np.random.default_rng(4).random((108, 180))
    assert np.abs(course_of(np.maximum(np.maximum(edge, grain), rough), (15, 7, 2), 36.0, None) - 20).max() < 2.0
    # With more than half of the edge's sigmas (14) it may be the edge of a facet nearly as bright as its lane, and stays.
    facet = np.where(grain > 0, grain * 0.754 / 0.61, 0.0)
    assert course_of(np.maximum(np.maximum(edge, facet), rough), (15, 7, 2), 36.0, None)[-1] < 5.0
    # As clear as the line that it leaves, it is the edge: a belly toward the tip.
    tip = np.where(blocks > 124, 0.2, 1.0) * edge
    row = course_of(np.maximum(np.maximum(tip, grain), rough), (15, 7, 2), 36.0, None)
    assert abs(row[-1] - (20 - 0.35 * 59)) < 3.0


@pytest.mark.parametrize("light", [0.42, 0.44, 0.56])
def test_a_facet_nearly_as_bright_as_its_lane_begins_at_its_own_faint_edge(light):
    """The bevel behind it has a clear line; what lies before that is smoother than the paper, so no shadow on it."""
    found = settle(with_band(light, keep=0.2), BLUR, PX_PER_MM)
    assert np.abs(found.row - (APEX - 14.5)).max() < 2.0
    assert not found.ahead.any()


def test_a_band_with_the_grain_of_its_lane_leaves_a_doubt():
    """A shadow's hard border, or a facet as grainy as the paper: the line behind it is kept, and the other one told."""
    found = settle(with_band(0.44, keep=1.0), BLUR, PX_PER_MM)
    assert np.abs(found.row - (APEX - 0.5)).max() < 1.0
    assert np.median(found.ahead) == pytest.approx(14.0, abs=2.0)
    line = refine_apex(with_band(0.44, keep=1.0), BLUR, PX_PER_MM)
    assert np.median(line.systematic_px) == pytest.approx(7.0, abs=1.2)
    assert ((line.flags & int(StationFlag.SHADOW)) > 0).mean() > 0.9
    (said,) = notes_of(line, PX_PER_MM)
    assert said.code == "line-before"
    assert "along 27 mm a fainter line runs 0.2" in said.text


def test_a_band_of_the_lanes_own_colour_before_a_bevel_of_another_is_lane():
    """Grain of wood along the edge, or a shadow on it."""
    wood = with_band(0.44, keep=1.0)
    wood.linear[:APEX] *= np.array([1.2, 1.0, 0.7], np.float32)
    found = settle(wood, BLUR, PX_PER_MM)
    assert np.abs(found.row - (APEX - 0.5)).max() < 1.0
    assert not found.ahead.any()


def test_an_even_lane_leaves_none():
    found = settle(strip(faces()), BLUR, PX_PER_MM)
    assert not found.ahead.any()
    line = refine_apex(strip(faces()), BLUR, PX_PER_MM)
    assert not (line.flags & int(StationFlag.SHADOW)).any()
    assert notes_of(line, PX_PER_MM) == ()
