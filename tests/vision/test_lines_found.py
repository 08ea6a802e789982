"""Apex and shoulder on drawn photos with exact truth: lanes, finishes, widths, turns, and what must be refused."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest

from vision.declared import Declared
from vision.errors import EdgeNotFound
from vision.flags import StationFlag
from vision.sighting import sight

HALF = math.radians(15)
# A camera far away sees the drawing's parallel view; its distance hardly matters then.
FACTS = Declared(
    included_angle_deg=30,
    edge_height_mm=0.0,
    edge_height_tolerance_mm=0.0,
    camera_distance_mm=1000,
    camera_distance_tolerance_mm=100,
    printed_bar_mm=(100.0, 100.0),
    printed_bar_tolerance_mm=0.0,
)


def widths_of(photo):
    return sight(photo, FACTS).widths(FACTS)


def errors_um(widths, truth_mm):
    """|error| of every station but those flagged as the frame's end, in micrometres; NaN where not measured."""
    return 1000 * np.abs(widths.width_mm - truth_mm)


def level_width_mm(seen_mm, rise=0.0):
    """On the face: a level blade seen squarely has w = p / cos a (design.md section 5)."""
    return seen_mm / math.cos(HALF)


LANES = {
    "white": (0.7, 0.7, 0.68),
    "grey": (0.3, 0.3, 0.3),
    "black": (0.03, 0.03, 0.03),
    "green": (0.08, 0.35, 0.12),
    "wood": (0.3, 0.18, 0.09),
}


@pytest.mark.parametrize("lane", LANES)
def test_every_lane(drawn, lane):
    one = drawn(lane=LANES[lane], bevel=(0.45, 0.43, 0.47))
    e = errors_um(widths_of(one.photo()), level_width_mm(one.seen_width_mm))
    assert np.isfinite(e).mean() > 0.97
    assert np.nanmedian(e) < 3.0
    assert np.nanpercentile(e, 95) < 10.0


@pytest.mark.parametrize(
    ("bevel", "cheek"),
    [((0.6, 0.6, 0.62), (0.1, 0.1, 0.1)), ((0.12, 0.12, 0.14), (0.5, 0.5, 0.5)), ((0.35, 0.35, 0.36), (0.28, 0.28, 0.29))],
    ids=["bright on dark", "dark on bright", "nearly equal"],
)
def test_either_sign(drawn, bevel, cheek):
    one = drawn(bevel=bevel, cheek=cheek)
    e = errors_um(widths_of(one.photo()), level_width_mm(one.seen_width_mm))
    assert np.isfinite(e).mean() > 0.97
    assert np.nanmedian(e) < 3.0


@pytest.mark.parametrize("seen_mm", [0.14, 0.3, 0.9, 2.6])
def test_from_a_hairline_to_a_broad_bevel(drawn, seen_mm):
    """8 px to 156 px at 60 px/mm."""
    one = drawn(seen_width_mm=seen_mm, bevel=(0.55, 0.55, 0.57), cheek=(0.15, 0.15, 0.16))
    e = errors_um(widths_of(one.photo()), level_width_mm(seen_mm))
    assert np.isfinite(e).mean() > 0.95
    assert np.nanmedian(e) < 4.0


def test_grind_lines_that_straddle_the_lane(drawn):
    """The bevel's mean brightness is the lane's: only its unevenness along the edge tells them apart."""
    one = drawn(lane=(0.5, 0.5, 0.5), bevel=(0.5, 0.5, 0.5), cheek=(0.15, 0.15, 0.16), grind=0.25)
    e = errors_um(widths_of(one.photo()), level_width_mm(one.seen_width_mm))
    assert np.isfinite(e).mean() > 0.9
    assert np.nanmedian(e) < 8.0


def test_a_belly(drawn):
    """Seen width is measured along Y here; normal to the edge it is shorter by the cosine of the slope."""
    one = drawn(rise_mm=3.0, edge_mm=4.0)
    widths = widths_of(one.photo())
    slope = np.where(widths.position_mm > 10, 2 * 3.0 * (widths.position_mm - 10) / 20.0**2, 0.0)
    e = errors_um(widths, level_width_mm(one.seen_width_mm) / np.hypot(1.0, slope))
    assert np.isfinite(e).mean() > 0.97
    assert np.nanmedian(e) < 5.0


def test_turned_photos_give_the_same_widths(drawn):
    """Quarter turns move no pixel value, so the widths stay within 2 um."""
    one = drawn(rise_mm=1.0, edge_mm=4.0, grind=0.05)
    upright = widths_of(one.photo())
    for turns in (1, 2, 3):
        turned = widths_of(one.photo(turns))
        back = np.interp(upright.position_mm, turned.position_mm, turned.width_mm)
        inside = (upright.position_mm > 0.5) & (upright.position_mm < 29.0)
        assert np.nanmax(np.abs(back - upright.width_mm)[inside]) < 0.002
        assert np.all(np.diff(turned.position_mm) > 0)


def test_uncertainty_covers(drawn):
    for seed in (3, 4):
        one = drawn(seed=seed, noise=0.012)
        widths = widths_of(one.photo())
        off = np.abs(widths.width_mm - level_width_mm(one.seen_width_mm))
        assert np.nanmean(off < 2 * widths.width_u_mm) > 0.95
        assert np.nanmedian(widths.width_u_mm) < 0.03


def test_a_chip_is_bridged_and_flagged(drawn):
    """Lane shows through where the edge is broken out; the width there is carried over from both sides."""

    class Chipped(drawn):
        def linear(self):
            whole, broken = super().linear(), np.array(self.lane)
            row, column = round((14.0 - self.edge_mm) * 60), round(15.0 * 60)
            whole[row - 9 : row + 2, column - 24 : column + 24] = broken
            return whole

    widths = widths_of(Chipped().photo())
    there = np.abs(widths.position_mm - 15.0) < 0.25
    away = (np.abs(widths.position_mm - 15.0) > 1.5) & (np.abs(widths.position_mm - 15.0) < 14.0)
    marks = int(StationFlag.CHIP | StationFlag.BRIDGED)
    assert (widths.flags[there] & marks).all()
    assert not (widths.flags[away] & marks).any()
    assert np.nanmedian(errors_um(widths, level_width_mm(0.9))[there]) < 10.0


def test_no_blade_is_refused(drawn):
    one = drawn(bevel=(0.7, 0.7, 0.68), cheek=(0.7, 0.7, 0.68))
    with pytest.raises(EdgeNotFound) as refused:
        widths_of(one.photo())
    assert "\n" not in str(refused.value)


def test_strip_alone_is_refused(drawn):
    one = drawn()
    full = one.photo()
    below = np.ascontiguousarray(full.pixels[round(13.5 * 60) :, :, ::-1])
    from vision.photo import open_photo

    with pytest.raises(EdgeNotFound):
        widths_of(open_photo(cv2.imencode(".png", below)[1].tobytes(), "cut.png"))
