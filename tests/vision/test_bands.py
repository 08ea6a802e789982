"""A band before the bevel's grind lines on drawn strips: a hard shadow on the lane, or a facet at the apex."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter, gaussian_filter1d

from vision.apex import refine_apex
from vision.band import Band, carried, joined
from vision.bands import band_before, past_shadow
from vision.flags import StationFlag
from vision.shoulder import find_shoulder
from vision.straighten import StraightStrip

COLUMNS, APEX, WIDTH, PX_PER_MM, BLUR = 2400, 60, 70, 60.0, 0.8


def strip(band, band_rows=8, lane=0.6, bevel=0.5, grind=0.06, seed=5):
    """Lane, a band of brightness `band` before or after row `APEX` (shadow or facet alike), a bevel with grind lines, a cheek along."""
    rng = np.random.default_rng(seed)
    rows = APEX + WIDTH + 120
    grey = np.full((rows, COLUMNS), lane)
    lines = 1.0 + grind * 1.8 * gaussian_filter1d(rng.standard_normal(COLUMNS), 1.2)
    grey[APEX : APEX + band_rows] = band
    grey[APEX + band_rows : APEX + WIDTH] = bevel * lines
    grey[APEX + WIDTH :] = 0.25 * (1.0 + 0.05 * gaussian_filter1d(rng.standard_normal((rows - APEX - WIDTH, 1)), 1.5, axis=0))
    grey = gaussian_filter(grey, BLUR) + 0.006 * gaussian_filter(rng.standard_normal(grey.shape), 0.5)
    base = np.column_stack([np.arange(COLUMNS, dtype=float), np.full(COLUMNS, float(APEX))])
    linear = np.repeat(np.clip(grey, 0, 1)[..., None], 3, axis=2).astype(np.float32)
    inward = np.tile([0.0, 1.0], (COLUMNS, 1))
    return StraightStrip(linear, np.zeros(grey.shape, bool), float(APEX), base, inward, np.ones(grey.shape, bool))


def lines_of(picture):
    edge = refine_apex(picture, BLUR, PX_PER_MM)
    return edge, find_shoulder(picture, edge.row, edge.blur_px, PX_PER_MM)


def found(picture):
    edge, line = lines_of(picture)
    return edge, band_before(picture, edge, line, PX_PER_MM)


def nothing(band):
    return band is None or not (band.shadow.any() or band.facet.any() or band.notes(PX_PER_MM))


@pytest.mark.parametrize(("dark", "rows"), [(0.3, 8), (0.15, 8), (0.15, 12), (0.02, 14)])
def test_a_hard_shadow_before_the_edge_is_no_bevel(dark, rows):
    """Narrow ones lie within what was taken for the bevel; wide dark ones were taken for all of it."""
    picture = strip(dark, rows)
    edge, band = found(picture)
    assert np.median(edge.row) == pytest.approx(APEX - 0.5, abs=0.5), "the shadow's border is the first line"
    assert band.shadow.mean() > 0.8
    assert not band.facet.any()
    mended = past_shadow(picture, band, edge, BLUR, PX_PER_MM)
    inner = slice(200, -200)
    assert np.median(np.abs(mended.row[inner] - (APEX + rows - 0.5))) < 0.15
    told = band.on(mended)
    assert ((told.flags[band.shadow] & StationFlag.SHADOW) > 0).all()
    notes = band.notes(PX_PER_MM)
    assert [n.code for n in notes] == ["shadow-band"]
    # 60 px/mm; good to a row, k = 2, as the text says.
    told_mm = float(notes[0].text.split("dark band ")[1].split(" ±")[0])
    assert told_mm == pytest.approx(rows / PX_PER_MM, abs=0.034)
    assert " ± 0.033 mm" in notes[0].text


@pytest.mark.parametrize(("from_row", "rows"), [(10, 7), (14, 8), (20, 8)])
def test_a_dark_streak_on_a_bevel_darker_than_the_lane_is_no_shadow(from_row, rows):
    """A mirrored horizon, a scratch, a stain: the bevel lies on both of its sides, and a shadow would grow darker up to the edge."""
    picture = strip(0.37, 0, lane=0.75, bevel=0.37, grind=0.0)
    dark = np.zeros(len(picture.linear), np.float32)
    dark[APEX + from_row : APEX + from_row + rows] = 0.06
    picture.linear[...] -= gaussian_filter1d(dark, 1.2)[:, None, None]
    edge, line = lines_of(picture)
    assert np.nanmedian(line.row) == pytest.approx(APEX + WIDTH - 0.5, abs=0.5)
    band = band_before(picture, edge, line, PX_PER_MM)
    assert band is None or not band.shadow.any()


@pytest.mark.parametrize(("rows", "doubt"), [(30.0, 0.0), (31.0, 0.0), (8.0, np.hypot(7.5, 11.0))])
def test_two_cues_take_the_doubt_away_only_where_they_tell_of_one_place(rows, doubt):
    on, none = np.ones(10, bool), np.zeros(10, bool)
    one = Band(np.full(10, 40.0), on, none, np.full(10, 30.0), np.full(10, 7.5))
    two = Band(np.full(10, 10.0 + rows), on, none, np.full(10, rows), np.full(10, 2.0))
    assert joined(one, two).doubt == pytest.approx(np.full(10, doubt))


def test_the_doubt_goes_on_beside_a_shadow_where_the_search_had_passed_it():
    """The same line on: at 100 the edge or the far end of a facet. Where the first line goes back to the lane's side, it is another."""
    first = np.full(200, 80.0)
    first[60:150] = 100.0
    shadow = np.zeros(200, bool)
    shadow[:60] = True
    band = Band(np.full(200, 100.0), shadow, np.zeros(200, bool), np.where(shadow, 20.0, np.nan), np.where(shadow, 10.0, 0.0))
    doubt = carried(band, first).doubt
    assert (doubt[:150] == 10.0).all()
    assert not doubt[150:].any()


def test_a_bright_facet_stays_part_of_the_bevel_and_is_reported():
    edge, band = found(strip(0.9))
    assert np.median(edge.row) == pytest.approx(APEX - 0.5, abs=0.3)
    assert band.facet.mean() > 0.8
    assert not band.shadow.any()
    assert (band.on(edge).row == edge.row).all()
    (note,) = band.notes(PX_PER_MM)
    assert note.code == "second-facet"
    assert note.severity == "info"


@pytest.mark.parametrize(("lane", "bevel"), [(0.6, 0.5), (0.3, 0.8), (0.8, 0.3)])
def test_a_bevel_with_nothing_before_it_has_no_band(lane, bevel):
    _, band = found(strip(bevel, band_rows=0, lane=lane, bevel=bevel))
    assert nothing(band)


@pytest.mark.parametrize(("dark", "rows"), [(0.3, 8), (0.3, 14)])
def test_without_grind_lines_a_shadow_is_told_by_where_it_ends_and_stays_in_doubt(dark, rows):
    picture = strip(dark, rows, grind=0.0)
    edge, band = found(picture)
    assert band.shadow[200:-200].mean() > 0.95
    assert np.median(np.abs(band.course - (APEX + rows - 0.5))) < 1.0
    assert (band.doubt[band.shadow] > 1.0).all(), "a dark facet looks the same"
    u = band.on(past_shadow(picture, band, edge, BLUR, PX_PER_MM)).systematic_px[band.shadow]
    assert np.median(u) == pytest.approx(0.5 * rows, rel=0.15)


def test_without_grind_lines_a_bright_band_is_nothing_known():
    _, band = found(strip(0.9, grind=0.0))
    assert nothing(band)


def test_streaks_along_a_dark_bevel_are_no_shadow():
    """Grind lines along the edge: many steps, the strongest no more than three times their usual size."""
    picture = strip(0.3, band_rows=0, bevel=0.3, grind=0.0)
    rng = np.random.default_rng(4)
    streaks = 1.0 + 0.25 * gaussian_filter1d(rng.standard_normal(WIDTH), 1.5)
    picture.linear[APEX : APEX + WIDTH] *= streaks[:, None, None]
    _, band = found(picture)
    assert nothing(band)


def test_a_dark_bevel_before_a_cheek_with_lines_to_the_end_is_a_bevel():
    """The cheek's own lines run on as far as one sees: no third line, no shadow."""
    picture = strip(0.15, WIDTH, lane=0.6, bevel=0.5)
    rng = np.random.default_rng(8)
    lined = 0.4 * (1.0 + 0.1 * gaussian_filter1d(rng.standard_normal((1, COLUMNS, 1)), 1.2, axis=1))
    picture.linear[APEX + WIDTH :] = lined + 0.004 * rng.standard_normal((len(picture.linear) - APEX - WIDTH, COLUMNS, 1))
    _, band = found(picture)
    assert nothing(band)


def coloured_beyond(rows, colour_noise):
    """A violet bevel no brighter than the shadow on a yellowish lane, polished: colour alone tells where it begins, `rows` behind its line.

    Its band as it is found, and whether one is found where both have one colour.
    """
    picture = strip(0.3, 9, lane=0.6, bevel=0.31, grind=0.0)
    # Shadow's border and shoulder, as they are found where the bevel is lit.
    edge, line = lines_of(strip(0.3, 9, lane=0.6, bevel=0.5, grind=0.0))
    tint = np.ones(picture.linear.shape, np.float32)
    # Both as bright as without.
    tint[: APEX + rows] = np.array([1.05, 1.0, 0.85]) * 3 / 2.9
    tint[APEX + rows :] = np.array([1.0, 1.0, 1.1]) * 3 / 3.1
    noise = 1.0 + colour_noise * np.random.default_rng(6).standard_normal(tint.shape)
    coloured = replace(picture, linear=(picture.linear * gaussian_filter(tint, (2.0, 0, 0)) * noise).astype(np.float32))
    return band_before(coloured, edge, line, PX_PER_MM), band_before(picture, edge, line, PX_PER_MM)


def test_a_shadow_keeps_the_colour_of_the_lane():
    band, plain = coloured_beyond(9, 0.01)
    assert band.shadow[200:-200].mean() > 0.95
    assert np.median(np.abs(band.course - (APEX + 9 - 0.5))) < 2.0
    assert nothing(plain), "without colour there is nothing to tell by"


def test_colour_smeared_over_a_block_of_a_small_file_is_no_shadow():
    """Without noise of colour it is kept coarsely: the lane's may reach a block of 16 px over the edge."""
    band, _ = coloured_beyond(12, 0.0)
    assert nothing(band)


def test_two_colours_reflected_along_a_bevel_are_no_shadow():
    picture = strip(0.5, 0, lane=0.6, bevel=0.7, grind=0.0)
    tint = np.ones(picture.linear.shape, np.float32)
    tint[: APEX + 35] = (1.05, 1.0, 0.85)
    tint[APEX + 35 :] = (0.95, 1.0, 1.1)
    assert nothing(found(replace(picture, linear=picture.linear * gaussian_filter(tint, (4.0, 0, 0)).astype(np.float32)))[1])


def test_a_dark_bevel_beside_a_bright_stretch_of_it_is_no_shadow():
    """A lamp lights two thirds of a narrow bevel, and the rest reflects a dark wall before a light cheek with no lines of its own."""
    narrow, dark = 14, slice(1600, COLUMNS)
    picture = strip(0.9, narrow, lane=0.6, bevel=0.45, grind=0.0)
    picture.linear[APEX : APEX + narrow, dark] *= 0.2
    picture.linear[APEX + narrow :] = np.maximum(picture.linear[APEX + narrow :], 0.45)
    edge, line = (np.full(COLUMNS, v) for v in (APEX - 0.5, APEX + narrow - 0.5))
    # The second line as it was found a little too far in, so that the band's end lies within what is taken for the bevel.
    line[dark] += 2.0
    edge = replace(refine_apex(picture, BLUR, PX_PER_MM), row=edge)
    second = replace(find_shoulder(picture, edge.row, edge.blur_px, PX_PER_MM), row=line)
    assert nothing(band_before(picture, edge, second, PX_PER_MM))


def test_a_shadow_runs_on_through_a_gap_in_its_evidence():
    """Some mm of the bevel without grind lines and as bright as the shadow; the apex taken stays at the shadow's border."""
    picture = strip(0.15, 8)
    gap = slice(1000, 1300)
    picture.linear[APEX + 8 : APEX + WIDTH, gap] = 0.15
    edge, line = (np.full(COLUMNS, v) for v in (APEX - 0.5, APEX + WIDTH - 0.5))
    edge = replace(refine_apex(strip(0.15, 8), BLUR, PX_PER_MM), row=edge)
    second = replace(find_shoulder(strip(0.15, 8), edge.row, edge.blur_px, PX_PER_MM), row=line)
    band = band_before(picture, edge, second, PX_PER_MM)
    assert band.shadow[800:1500].all()
    assert np.abs(band.course[gap] - (APEX + 7.5)).max() < 3.0
    assert (band.doubt[gap] > 0).any(), "where nothing but its neighbours tell of it, doubt remains"
