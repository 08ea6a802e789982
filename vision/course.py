"""The smooth course of an edge among the answers of a search that may have jumped to another line. Arrays only."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.ndimage import gaussian_filter1d

# Degrees tried: a straight edge, a belly, a recurve. A ground edge has no more bends within one macro photo.
_DEGREES = (1, 2, 3, 4, 6)
# Parts of the path each fit starts from, so that a jump over much of the photo still leaves one of them clean; what a third shows
# tells a line or an arc, not more.
_PARTS = ((0.0, 1.0), (0.0, 0.6), (0.4, 1.0))
_THIRDS = ((0.0, 0.34), (0.33, 0.67), (0.66, 1.0))
# A bend more must explain two hundredths of the length more: less is what a free polynomial gains by chance on a patchy line.
_COST_OF_A_DEGREE = 0.02
# Of courses as well supported as this share of the best, the first one from the lane is the edge: behind it lies the shoulder.
_NEARLY_AS_GOOD = 0.85
_ALIKE_ROWS = 1.5


def robust_polynomial(row: np.ndarray, degree: int, part: tuple[float, float] = (0.0, 1.0)) -> np.ndarray:
    """(C,) the polynomial that most of `row` (C,) follows; `part` is where the first fit looks."""
    x = np.linspace(-1, 1, len(row))
    place = np.linspace(0, 1, len(row))
    weight = ((place >= part[0]) & (place <= part[1])).astype(float) + 1e-3
    for _ in range(8):
        course = np.polynomial.chebyshev.chebval(x, np.polynomial.chebyshev.chebfit(x, row, degree, w=weight))
        off = row - course
        # The nearest third sets the scale, so that a line that holds less than half of the path can still be found from its part.
        weight = 1 / (1 + (off / max(2.0 * float(np.percentile(np.abs(off), 30)), 1.0)) ** 2)
    return course


def best_course(row: np.ndarray, support: Callable[[np.ndarray], float]) -> np.ndarray:
    """(C,) smooth course of the first line that most of the picture supports.

    Parameters
    ----------
    row : (C,) float
        A path that follows the line over much of its length.
    support : callable
        Share 0..1 of a course's length along which the picture shows a line.
    """
    found: list[tuple[float, np.ndarray]] = []
    for degree in _DEGREES:
        for part in _PARTS + (_THIRDS if degree <= 2 else ()):
            course = robust_polynomial(row, degree, part)
            off_the_picture = course.min() < row.min() - 0.2 * len(row) or course.max() > row.max() + 0.2 * len(row)
            if off_the_picture or any(np.abs(course - other).max() < _ALIKE_ROWS for _, other in found):
                continue
            found.append((support(course) - _COST_OF_A_DEGREE * degree, course))
    score, chosen = max(found, key=lambda one: one[0])
    # Courses of one line meet somewhere; one that keeps ahead of the best is another line, and goes first.
    for other_score, course in found:
        if other_score >= _NEARLY_AS_GOOD * score and np.percentile(chosen - course, 10) > 2 * _ALIKE_ROWS:
            chosen = course
    return chosen


def robust_local(row: np.ndarray, sigma: float, strength: np.ndarray) -> np.ndarray:
    """(C,) local straight lines through `row` (C,), Gaussian windows of standard deviation `sigma`, outliers down-weighted.

    What no polynomial follows (the end of a recurve, an angular tip) stays; wobbles shorter than the window go. Where the
    line is sure (`strength` (C,), 0..1) it counts by the odds: it leads over stretches where the path follows less.
    """
    at = np.arange(len(row), dtype=float)
    odds = strength / np.maximum(1.02 - strength, 0.02) + 1e-3
    weight = odds
    for _ in range(6):

        def mean(values: np.ndarray, weight: np.ndarray = weight) -> np.ndarray:
            return gaussian_filter1d(weight * values, sigma, mode="constant")

        total = mean(np.ones(len(row)))
        x, y = mean(at) / total, mean(row) / total
        slope = (mean(at * row) / total - x * y) / np.maximum(mean(at * at) / total - x * x, 1e-6)
        course = y + slope * (at - x)
        off = np.abs(row - course)
        weight = odds / (1 + (off / np.maximum(1.5 * float(np.median(off)), 1.0)) ** 2)
    return course
