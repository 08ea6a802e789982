"""The shoulder search on strips drawn here: each trap of design.md sections 6 and 10 as a scene of its own."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from vision.flags import StationFlag
from vision.shoulder import find_shoulder
from vision.steering import LineGuide
from vision.straighten import StraightStrip

COLUMNS, APEX, PX_PER_MM, BLUR = 1600, 40, 100.0, 1.2


def draw(width, bevel, cheek, lane=0.5, seed=0, noise=0.01, blur=BLUR):
    """A strip with the apex on row 40: `bevel` and `cheek` are (R, S) pictures or numbers in linear light."""
    rows = APEX + int(np.max(width)) * 3 + 60
    fine = 4
    row = (np.arange(rows * fine) + 0.5) / fine - 0.5
    line = APEX + np.broadcast_to(width, (COLUMNS,))
    up = [np.repeat(np.broadcast_to(p, (rows, COLUMNS)), fine, axis=0) for p in (lane, bevel, cheek)]
    picture = np.where(row[:, None] < APEX, up[0], np.where(row[:, None] < line, up[1], up[2]))
    picture = gaussian_filter(picture, (blur * fine, blur)).reshape(rows, fine, COLUMNS).mean(axis=1)
    rng = np.random.default_rng(seed)
    colour = picture[..., None] * np.array([1.0, 0.99, 0.97])
    # Photon noise: `noise` at half of full scale.
    colour = colour + rng.normal(0, noise, (rows, COLUMNS, 3)) * np.sqrt(np.maximum(picture, 0.01) / 0.5)[..., None]
    clipped = (colour >= 1.0).any(axis=2)
    base = np.column_stack([np.arange(COLUMNS, dtype=float), np.full(COLUMNS, float(APEX))])
    inward = np.tile([0.0, 1.0], (COLUMNS, 1))
    valid = np.ones((rows, COLUMNS), bool)
    return StraightStrip(np.clip(colour, 0, 1).astype(np.float32), clipped, float(APEX), base, inward, valid)


def lines_across(strength, seed, rows=1000):
    """Grind lines from apex to shoulder: every column its own brightness."""
    rng = np.random.default_rng(seed)
    return np.tile(1 + strength * gaussian_filter(rng.normal(0, 2, COLUMNS), 1.5), (rows, 1))


def lines_along(strength, seed, rows=1000):
    rng = np.random.default_rng(seed)
    return np.tile(1 + strength * gaussian_filter(rng.normal(0, 2, (rows, 1)), (1.5, 0)), (1, COLUMNS))


def find(strip, **more):
    return find_shoulder(strip, np.full(COLUMNS, float(APEX)), BLUR, PX_PER_MM, **more)


def rows_of(width):
    return APEX + int(np.max(width)) * 3 + 60


def wavy(width, share=0.02):
    return width * (1 + share * np.sin(2 * np.pi * np.arange(COLUMNS) / 150))


@pytest.mark.parametrize("width", [8.0, 14.0, 40.0, 90.0, 250.0])
@pytest.mark.parametrize(("bevel", "cheek"), [(0.8, 0.3), (0.25, 0.45)])
def test_plain_faces_of_every_width(width, bevel, cheek):
    true = wavy(width)
    line = find(draw(true, bevel, cheek))
    error = line.row - APEX - true
    assert np.isfinite(error).mean() > 0.98
    # A hairline's two steps share their light: its place is known a third as well.
    assert np.nanmedian(np.abs(error)) < (0.05 if width > 10 else 0.15)
    assert np.nanpercentile(np.abs(error), 95) < (0.15 if width > 10 else 0.3)
    assert ((line.flags & StationFlag.NARROW) > 0).mean() == pytest.approx(np.mean(true < 8.0), abs=0.3)


def test_waviness_of_1p5_mm_is_kept():
    true = wavy(80.0, 0.02)
    line = find(draw(true, 0.7, 0.35, noise=0.02))
    wave = true - true.mean()
    kept = np.dot(np.nan_to_num(line.row - APEX - true.mean()), wave) / np.dot(wave, wave)
    assert kept == pytest.approx(1.0, abs=0.05)


def test_a_bevel_that_doubles_toward_the_tip_is_followed():
    true = 50.0 * (1 + np.clip((np.arange(COLUMNS) - 500) / 1100, 0, 1) ** 1.5)
    line = find(draw(true, 0.7, 0.35))
    assert np.nanpercentile(np.abs(line.row - APEX - true), 95) < 0.3


def test_faces_that_differ_in_texture_alone():
    true = wavy(60.0)
    n = rows_of(true)
    line = find(draw(true, 0.5 * lines_across(0.15, 1, n), 0.5 * np.ones((n, 1)), noise=0.01))
    assert np.nanmedian(np.abs(line.row - APEX - true)) < 0.3
    assert np.nanpercentile(np.abs(line.row - APEX - true), 95) < 1.5


def test_strong_lines_along_the_cheek_do_not_lead_astray():
    true = wavy(60.0)
    n = rows_of(true)
    line = find(draw(true, 0.6 * lines_across(0.02, 2, n), 0.35 * lines_along(0.15, 3, n)))
    error = line.row - APEX - true
    assert np.nanpercentile(np.abs(error), 95) < 1.0


def test_reflection_far_up_the_cheek_does_not_win():
    true = wavy(50.0)
    n = rows_of(true)
    cheek = np.where(np.arange(n)[:, None] > APEX + 130, 0.9, 0.3) * np.ones((n, COLUMNS))
    line = find(draw(true, 0.5, cheek))
    assert np.nanpercentile(np.abs(line.row - APEX - true), 95) < 1.0


def test_soft_reflection_within_the_bevel_does_not_win():
    true = wavy(80.0)
    n = rows_of(true)
    # A slightly convex face: its reflection fades over 15 px.
    fade = 1 / (1 + np.exp(-(np.arange(n)[:, None] - APEX - 35) / 5.0))
    line = find(draw(true, 0.75 - 0.15 * fade * np.ones((n, COLUMNS)), 0.25))
    assert np.nanpercentile(np.abs(line.row - APEX - true), 95) < 1.0


def test_burnt_out_bevel_is_flagged_and_widens_the_uncertainty():
    line = find(draw(60.0, 1.6, 0.3))
    assert ((line.flags & StationFlag.CLIPPED) > 0).mean() > 0.95
    assert np.nanmedian(np.abs(line.row - APEX - 60.0)) < 0.3
    assert np.nanmedian(line.systematic_px) > np.nanmedian(find(draw(60.0, 0.8, 0.3)).systematic_px)


def test_softness_is_flagged():
    assert ((find(draw(80.0, 0.8, 0.3, blur=4.0)).flags & StationFlag.SOFT) > 0).mean() > 0.9
    assert ((find(draw(80.0, 0.8, 0.3)).flags & StationFlag.SOFT) > 0).mean() < 0.01


def test_two_lines_alike_are_rivals_and_a_guide_decides():
    n = rows_of(60.0)
    rng = np.random.default_rng(4)
    middle = 0.5 * np.ones((n, COLUMNS))
    middle[APEX + 90 :] = 0.25 + 0.02 * rng.normal(size=(n - APEX - 90, COLUMNS))
    strip = draw(60.0, 0.9, middle)
    free = find(strip)
    guided = find(strip, guide=LineGuide(np.full(COLUMNS, APEX + 90.0)))
    assert np.nanmedian(np.abs(guided.row - APEX - 90)) < 1.0
    assert ((guided.flags & StationFlag.BY_HAND) > 0).all()
    assert not ((free.flags & StationFlag.BY_HAND) > 0).any()
    assert np.nanmedian(np.minimum(abs(free.row - APEX - 60), abs(free.row - APEX - 90))) < 1.0
    assert np.nanmedian(free.rival_share) > np.nanmedian(find(draw(60.0, 0.9, 0.25)).rival_share)


def test_claimed_random_uncertainty_covers_the_scatter():
    true = wavy(60.0)
    line = find(draw(true, 0.5, 0.42, noise=0.02, seed=9))
    error = line.row - APEX - true
    assert np.nanstd(error) < 1.5 * np.nanmedian(line.u_px)
    assert np.nanstd(error) > 0.4 * np.nanmedian(line.u_px)


def test_outside_the_photo_nothing_is_made_up():
    strip = draw(60.0, 0.8, 0.3)
    valid = strip.valid.copy()
    valid[APEX + 50 :, :300] = False
    linear = strip.linear.copy()
    linear[~valid] = 0
    cut = StraightStrip(linear, strip.clipped & valid, strip.row_of_apex, strip.base_px, strip.normal_px, valid)
    line = find(cut)
    assert np.isnan(line.row[:290]).mean() > 0.9
    assert ((line.flags[:290] & StationFlag.NOT_MEASURED) > 0).mean() > 0.9
    assert np.isfinite(line.row[320:]).mean() > 0.95


def test_unknown_apex_and_wrong_shape():
    strip = draw(60.0, 0.8, 0.3)
    nothing = find_shoulder(strip, np.full(COLUMNS, np.nan), BLUR, PX_PER_MM)
    assert np.isnan(nothing.row).all()
    assert (nothing.flags == StationFlag.NOT_MEASURED).all()
    gap = np.full(COLUMNS, float(APEX))
    gap[700:720] = np.nan
    line = find_shoulder(strip, gap, BLUR, PX_PER_MM)
    assert np.isfinite(np.delete(line.row, np.s_[700:720])).mean() > 0.98
    with pytest.raises(ValueError, match="apex_row"):
        find_shoulder(strip, np.zeros(3), BLUR, PX_PER_MM)


def three_faces(first, second, third, facet=20.0, width=70.0):
    """A facet at the apex, the bevel behind it, and the cheek."""
    rows = rows_of(width)
    middle = np.full((rows, COLUMNS), second)
    middle[: APEX + round(facet)] = first
    return find(draw(width, middle, third))


@pytest.mark.parametrize(("first", "second", "third"), [(0.2, 0.5, 0.2), (0.6, 0.3, 0.6), (0.25, 0.5, 0.8), (0.2, 0.5, 0.35)])
def test_a_facet_that_outshines_the_shoulder_is_named_with_the_line_behind_it(first, second, third):
    """Light does not tell a facet before its bevel from a bevel before a bright border in the cheek: what lies between is in doubt."""
    found = three_faces(first, second, third)
    assert np.median(np.abs(found.row - APEX - 20.0)) < 1.0
    assert ((found.flags & StationFlag.RIVAL_LINE) > 0).mean() > 0.9
    assert np.median(np.abs(found.rival_row - APEX - 70.0)) < 2.0
    assert np.median(found.systematic_px) > 0.9 * 25.0


def test_lines_that_stop_at_the_line_taken_make_what_follows_the_cheek():
    """Behind the shoulder a bright border in the cheek, as clear as the shoulder itself."""
    lines = lines_across(0.25, 5, rows_of(60.0))
    cheek = np.full((rows_of(60.0), COLUMNS), 0.25)
    cheek[APEX + 110 :] = 0.5
    found = find(draw(60.0, 0.5 * lines, cheek))
    assert np.median(np.abs(found.row - APEX - 60.0)) < 0.5
    assert ((found.flags & StationFlag.RIVAL_LINE) > 0).mean() < 0.1


@pytest.mark.parametrize("light", [0.15, 0.35])
def test_a_streak_in_the_cheek_is_no_second_shoulder(light):
    """Its light goes back behind it."""
    cheek = np.full((rows_of(60.0), COLUMNS), 0.25)
    cheek[APEX + 100 : APEX + 106] = light
    found = find(draw(60.0, 0.5, cheek, noise=0.004))
    assert np.median(np.abs(found.row - APEX - 60.0)) < 0.5
    assert ((found.flags & StationFlag.RIVAL_LINE) > 0).mean() < 0.1
