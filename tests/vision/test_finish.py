"""The border of two finishes on strips drawn here: light ends in one place, the finish in another."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from vision.finish import FinishBorder, finish_border, with_finish, with_finish_of_all
from vision.flags import StationFlag
from vision.shoulder import ROUNDING_UM, ShoulderLine
from vision.straighten import StraightStrip

COLUMNS, APEX, LIGHT, PX_PER_MM, BLUR, FINE = 2400, 40, 100, 100.0, 0.9, 5
ROUNDING_PX = ROUNDING_UM * 1e-3 * PX_PER_MM


def lines(strength, seed):
    """Grind lines across the face: columns of their own, the same in all rows."""
    return strength * gaussian_filter(np.random.default_rng(seed).normal(0, 2.5, COLUMNS), 1.0)[None]


def grain(strength, seed, rows=180 * FINE):
    """A blasted face: every place its own."""
    return strength * gaussian_filter(np.random.default_rng(seed).normal(0, 10, (rows, COLUMNS)), (FINE, 1.0))


def strip(border, bevel, cheek, light=(0.6, 0.3), noise=0.002, blur=BLUR):
    """Light changes at row `LIGHT`, the finish at row `border`: `bevel` and `cheek` are departures (.., COLUMNS) as shares of the light."""
    row = (np.arange(180 * FINE) + 0.5) / FINE - 0.5
    level = np.where(row < APEX, 0.2, np.where(row < LIGHT, light[0], light[1]))[:, None]
    detail = np.where(row[:, None] < border, bevel, cheek) * (row[:, None] >= APEX)
    picture = gaussian_filter(level * (1.0 + detail), (blur * FINE, blur)).reshape(180, FINE, COLUMNS).mean(axis=1)
    shot = np.random.default_rng(9).normal(0, noise, (180, COLUMNS, 3)) * np.sqrt(picture / 0.5)[..., None]
    colour = np.clip(picture[..., None] + shot, 0, 1).astype(np.float32)
    base = np.column_stack([np.arange(COLUMNS, dtype=float), np.full(COLUMNS, float(APEX))])
    none = np.zeros((180, COLUMNS), bool)
    return StraightStrip(colour, none, float(APEX), base, np.tile([0.0, 1.0], (COLUMNS, 1)), ~none)


def line(systematic_px=1.1):
    def all_along(value):
        return np.full(COLUMNS, float(value))

    nan, none = all_along(np.nan), np.zeros(COLUMNS, int)
    return ShoulderLine(all_along(LIGHT), all_along(0.02), all_along(systematic_px), all_along(BLUR), nan, all_along(0.0), none, 7.0)


def found(picture, blur=BLUR, scale=PX_PER_MM, **more):
    return finish_border(picture, np.full(COLUMNS, float(APEX)), line(**more), blur, scale)


@pytest.mark.parametrize("off", [-1.5, 0.0, 1.5])
@pytest.mark.parametrize(
    ("bevel", "cheek"),
    [
        (lines(0.12, 1), grain(0.05, 2)),
        (grain(0.05, 3), lines(0.12, 4)),
        (lines(0.12, 5), 0.0 * grain(1, 6)),
        (0.0 * grain(1, 6), grain(0.08, 7)),
    ],
    ids=["lines beside grain", "grain beside lines", "lines beside a polish", "a polish beside grain"],
)
def test_the_border_is_where_the_finish_changes_not_the_light(off, bevel, cheek):
    border = found(strip(LIGHT + off, bevel, cheek))
    # Grain as long as the blur is told up to half a blur off, which the corner's uncertainty holds.
    assert np.median(border.offset_px) == pytest.approx(off, abs=0.9)
    assert abs(np.median(border.offset_px) - off) < 2.0 * np.median(np.hypot(border.spread_px, border.corner_px))


@pytest.mark.parametrize("light", [(0.7, 0.07), (0.07, 0.7)], ids=["bright bevel", "bright cheek"])
def test_a_face_drowned_by_a_brighter_one_does_not_move_the_border(light):
    # Were the drowning left out, the border would stand 1.3 blurs inside the darker face.
    assert abs(np.median(found(strip(LIGHT, lines(0.12, 1), grain(0.05, 2), light)).offset_px)) < 0.8


def test_lines_that_lean_are_followed():
    rows = np.arange(180 * FINE)[:, None] / FINE
    leaning = np.interp((np.arange(COLUMNS) - 0.6 * rows) % COLUMNS, np.arange(COLUMNS), lines(0.12, 1)[0])
    assert np.median(found(strip(LIGHT + 1.0, leaning, grain(0.05, 2))).offset_px) == pytest.approx(1.0, abs=0.45)


def test_noise_is_no_finish():
    # Shot noise is the stronger share of the darker face: it changes where the light does, and tells nothing of the finish.
    nothing = np.zeros((1, COLUMNS))
    border = found(strip(LIGHT + 1.5, nothing, nothing, light=(0.7, 0.1), noise=0.02))
    moved = with_finish(line(), border)
    assert abs(moved.row[0] - LIGHT) < 0.6 * ROUNDING_PX
    assert (np.abs(moved.row - LIGHT) < moved.systematic_px).all()


def test_one_finish_on_both_faces_has_no_border():
    same = lines(0.12, 1)
    assert np.median(found(strip(LIGHT, same, same)).spread_px) > 0.7 * ROUNDING_PX


def test_nothing_is_told_of_narrow_bevels_long_blurs_and_enlarged_photos():
    picture = strip(LIGHT, lines(0.12, 1), grain(0.05, 2))
    assert np.isinf(finish_border(picture, np.full(COLUMNS, LIGHT - 6.0), line(), BLUR, PX_PER_MM).spread_px).all()
    assert np.isinf(found(picture, blur=2.2).spread_px).all()
    assert np.isinf(found(replace(picture, enlarged=2)).spread_px).all()
    nowhere = replace(line(), row=np.full(COLUMNS, np.nan))
    assert np.isinf(finish_border(picture, np.full(COLUMNS, float(APEX)), nowhere, BLUR, PX_PER_MM).spread_px).all()


def test_columns_that_are_not_measured_stay_so_and_count_for_nothing():
    picture = strip(LIGHT + 1.0, lines(0.12, 1), grain(0.05, 2))
    gap = line()
    gap.row[800:1000] = np.nan
    border = finish_border(picture, np.full(COLUMNS, float(APEX)), gap, BLUR, PX_PER_MM)
    moved = with_finish(gap, border)
    assert np.isnan(moved.row[800:1000]).all()
    assert np.isfinite(moved.row[1000:]).all()
    assert np.median(border.offset_px) == pytest.approx(1.0, abs=0.45)


def border_of(offset, spread=0.3, corner=0.6):
    return FinishBorder(*(np.full(COLUMNS, v) for v in (offset, spread, corner, 1.0)))


def test_light_and_finish_are_weighed_by_their_uncertainties():
    moved = with_finish(line(systematic_px=1.0), border_of(1.0, 0.6, 0.8))
    # Both with one px: the middle, and the uncertainty of a mean of two.
    assert moved.row[0] == pytest.approx(LIGHT + 0.5)
    assert moved.systematic_px[0] == pytest.approx(1.0 / np.sqrt(2.0))
    assert not moved.flags.any()


def test_what_the_finish_cannot_tell_stays_in_the_uncertainty():
    plain = with_finish(line(systematic_px=1.0), border_of(0.0)).systematic_px[0]
    doubted = with_finish(line(systematic_px=np.hypot(1.0, 5.0)), border_of(0.0)).systematic_px[0]
    assert doubted == pytest.approx(np.hypot(plain, 5.0))


def test_a_finish_that_tells_nothing_changes_nothing():
    before = line()
    after = with_finish(before, border_of(2.0, np.inf))
    assert (after.row == before.row).all()
    assert (after.systematic_px == before.systematic_px).all()
    assert (after.flags == before.flags).all()


def test_two_that_speak_of_different_lines_are_flagged_and_the_light_stays():
    moved = with_finish(line(systematic_px=1.0), border_of(6.0))
    assert (moved.flags & int(StationFlag.RIVAL_LINE) > 0).all()
    assert moved.row[0] == pytest.approx(LIGHT)
    assert moved.rival_row[0] == pytest.approx(LIGHT + 6.0)


def test_of_several_lights_the_borders_are_taken_together():
    one = line(systematic_px=0.8)
    rows, borders = np.array([one.row, one.row + 1.0, one.row - 1.0]), [border_of(1.0), border_of(0.0), border_of(2.0)]
    together = with_finish_of_all(one, rows, np.full((3, COLUMNS), 0.02), borders)
    # All see it in one place: what is left is how far the corner lies off the border, the same in all, and what each could err by.
    u = np.hypot(0.6, borders[0].spread_px[0] / np.sqrt(3.0))
    assert together.row[0] == pytest.approx(LIGHT + 0.8**2 / (0.8**2 + u**2), abs=0.02)
    assert together.systematic_px[0] == pytest.approx(0.8 * u / np.hypot(0.8, u), abs=0.02)
    one_light = with_finish_of_all(one, rows, np.full((3, COLUMNS), 0.02), borders, alike=True)
    assert one_light.systematic_px[0] > together.systematic_px[0] + 0.02
    nothing = with_finish_of_all(one, rows, np.full((3, COLUMNS), 0.02), [border_of(1.0, np.inf)] * 3)
    assert (nothing.row == one.row).all()
    assert (nothing.systematic_px == one.systematic_px).all()
