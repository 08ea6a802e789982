"""Stations of two lines: which of them say that the lines place their width too badly."""

from dataclasses import replace

import numpy as np
import pytest

from vision.apex import ApexLine
from vision.flags import StationFlag
from vision.reading import stations
from vision.shoulder import ShoulderLine
from vision.straighten import StraightStrip

COLUMNS, PX_PER_MM = 300, 60.0


def lines(apex_u_px, shoulder_u_px):
    """Two straight lines 50 rows apart whose places are known to so many px."""
    base = np.column_stack([np.arange(COLUMNS, dtype=float), np.full(COLUMNS, 100.0)])
    inside = np.ones((120, COLUMNS), bool)
    light = np.full((120, COLUMNS, 3), 0.5, np.float32)
    strip = StraightStrip(light, ~inside, 40.0, base, np.tile([0.0, 1.0], (COLUMNS, 1)), inside)

    def all_along(value):
        return np.full(COLUMNS, value)

    none = np.zeros(COLUMNS, int)
    edge = ApexLine(all_along(40.0), all_along(0.1), all_along(apex_u_px), none, 1.0)
    nan = all_along(np.nan)
    return strip, edge, ShoulderLine(all_along(90.0), all_along(0.1), all_along(shoulder_u_px), all_along(1.0), nan, none, none, 4.0)


# 0.02 mm are 1.2 px.
@pytest.mark.parametrize(("apex", "shoulder", "unsure"), [(0.3, 0.6, False), (1.3, 0.1, True), (0.1, 1.3, True), (0.9, 0.9, True)])
def test_a_width_known_to_no_better_than_forty_micrometres_says_so(apex, shoulder, unsure):
    flags = stations(*lines(apex, shoulder), PX_PER_MM).flags
    assert (((flags & StationFlag.UNSURE) > 0) == unsure).all()


def test_what_is_not_measured_is_not_unsure():
    strip, edge, line = lines(2.0, 2.0)
    edge.row[:150] = np.nan
    flags = stations(strip, edge, line, PX_PER_MM).flags
    lost = (flags & StationFlag.NOT_MEASURED) > 0
    assert lost.any()
    assert not lost.all()
    assert (((flags & StationFlag.UNSURE) > 0) == ~lost).all()


@pytest.mark.parametrize(("enlarged", "unsure"), [(1, False), (2, True)])
def test_of_an_enlarged_photos_px_only_some_are_independent(enlarged, unsure):
    strip, edge, line = lines(0.1, 0.1)
    wide = np.full(COLUMNS, 0.7)
    flags = stations(replace(strip, enlarged=enlarged), replace(edge, u_px=wide), replace(line, u_px=wide), PX_PER_MM).flags
    assert (((flags & StationFlag.UNSURE) > 0) == unsure).all()
