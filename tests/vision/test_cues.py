"""Brightness step and end of grind lines as two readings of one line."""

import numpy as np
import pytest

from vision.cues import DISAGREE, REACH_ROWS, line_end, weigh


def peak(rows, place, width, columns=5):
    """Log likelihood with its crest behind row `place`."""
    w = np.arange(rows)[:, None] + np.zeros(columns)
    return -(((w - place) / width) ** 2) / 2


def test_a_crest_gives_its_place_half_a_row_behind():
    end = line_end(peak(60, 30.0, 1.0), np.ones(5), np.full(5, 32.0))
    assert end.row == pytest.approx(30.5, abs=0.01)
    # A row of the picture, and the crest's own width (believed by its root: twice).
    assert end.u == pytest.approx(np.hypot(1.0, 2.0), rel=0.03)
    assert end.sure.all()


def test_lines_that_go_on_say_that_they_end_elsewhere():
    rising = 3.0 * np.arange(60.0)[:, None] + np.zeros(5) - 3.0 * 59
    end = line_end(rising, np.ones(5), np.full(5, 30.0))
    assert end.row.min() > 30.0 + REACH_ROWS - 2
    assert not end.sure.any(), "far better places lie beyond the reach"


def test_no_lines_have_no_weight():
    end = line_end(np.zeros((60, 5)), np.zeros(5), np.full(5, 30.0))
    assert np.isinf(end.u).all()
    row, u, unlike = weigh(np.full(5, 31.0), np.full(5, 0.5), end.row, end.u)
    assert (row == 31.0).all()
    assert (u == 0.5).all()
    assert (unlike == 0.0).all()


def test_two_readings_weigh_by_their_variances():
    """Weighted mean and its uncertainty by hand: (10/0.25 + 12/1) / (1/0.25 + 1/1) = 10.4, u = 1/sqrt(5); they differ by 2/sqrt(1.25)."""
    row, u, unlike = weigh(np.array([10.0]), np.array([0.5]), np.array([12.0]), np.array([1.0]))
    ratio = 2.0 / np.sqrt(1.25)
    assert row[0] == pytest.approx(10.4)
    assert unlike[0] == pytest.approx(ratio)
    # Birge: beyond what chance explains, by the ratio.
    assert u[0] == pytest.approx(ratio / np.sqrt(5.0))
    _, agreed, _ = weigh(np.array([10.0]), np.array([0.5]), np.array([10.3]), np.array([1.0]))
    assert agreed[0] == pytest.approx(1 / np.sqrt(5.0))


def test_the_mean_of_two_lines_is_neither():
    """From three joint uncertainties on the first value stands alone, and is no better known than by itself; before, it passes over."""
    apart = np.array([2.0, 2.5, 3.0, 5.0]) * np.sqrt(1.25)
    row, u, _ = weigh(np.full(4, 10.0), np.full(4, 0.5), 10.0 + apart, np.full(4, 1.0))
    assert row[0] == pytest.approx(10.0 + apart[0] / 5)
    assert row[1] == pytest.approx(10.0 + apart[1] / 10)
    assert row[2:] == pytest.approx(10.0)
    assert (u >= 0.5).all()


def test_readings_of_unlike_lines_are_told():
    _, _, unlike = weigh(np.array([10.0, 10.0]), np.full(2, 0.5), np.array([11.0, 14.0]), np.full(2, 1.0))
    assert (unlike > DISAGREE).tolist() == [False, True]
