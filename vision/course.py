"""The smooth course of an edge among the answers of a search that may have jumped to another line. Arrays only."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import lru_cache
from itertools import product

import cv2
import numpy as np

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
# A course is good to a few rows (`best_course`), and is searched about by whole ones: a change of a hundredth is none.
_SETTLED_ROWS = 0.01
# Rows a column that no edge runs along: 63 degrees.
_JUMP = 2.0


def robust_polynomial(row: np.ndarray, degree: int, part: tuple[float, float] = (0.0, 1.0)) -> np.ndarray:
    """(C,) the polynomial that most of `row` (C,) follows; `part` is where the first fit looks."""
    return robust_polynomials(row, degree, (part,))[0]


def robust_polynomials(row: np.ndarray, degree: int, parts: Sequence[tuple[float, float]]) -> np.ndarray:
    """(P, C) as `robust_polynomial`, from each of `parts`: all fitted at once, by their normal equations in Chebyshev polynomials."""
    basis, place = _chebyshev(len(row), degree), np.linspace(0, 1, len(row))
    weight = np.array([(place >= low) & (place <= high) for low, high in parts]) + 1e-3
    # Where `np.percentile` would look.
    third = 0.3 * (len(row) - 1)
    low, share = int(third), third - int(third)
    course = np.full((len(parts), len(row)), np.inf)
    for _ in range(8):
        weighted = basis.T * (weight * weight)[:, None]
        normal = weighted @ basis
        # A ridge far below what the fit can tell keeps parts that hold too little of the row solvable.
        normal += 1e-13 * np.trace(normal, axis1=1, axis2=2)[:, None, None] * np.eye(degree + 1)
        factors = np.linalg.solve(normal, weighted @ row[:, None])[..., 0]
        before, course = course, factors @ basis.T
        if np.abs(course - before).max() < _SETTLED_ROWS:
            break
        off = np.abs(row - course)
        nearest = np.partition(off, low, axis=1)
        # The nearest third sets the scale, so that a line that holds less than half of the path can still be found from its part.
        scale = nearest[:, low] + share * (nearest[:, min(low + 1, len(row) - 1) :].min(axis=1) - nearest[:, low])
        weight = 1 / (1 + (off / np.maximum(2.0 * scale, 1.0)[:, None]) ** 2)
    return course


@lru_cache(maxsize=32)
def _chebyshev(count: int, degree: int) -> np.ndarray:
    """(C, degree + 1) Chebyshev polynomials at `count` places from -1 to 1."""
    return np.polynomial.chebyshev.chebvander(np.linspace(-1, 1, count), degree)


def without_jumps(row: np.ndarray) -> np.ndarray:
    """(C,) the path with its jumps taken out, its longest level part where it was.

    An edge slopes by 45 degrees at most; where a path goes over to the shoulder it steps, and runs on parallel to the edge it left.
    """
    steps = np.diff(row)
    jumped = np.concatenate([[0.0], np.cumsum(np.where(np.abs(steps) >= _JUMP, steps, 0.0))])
    levels, count = np.unique(jumped, return_counts=True)
    return row - (jumped - levels[np.argmax(count)])


def best_course(
    row: np.ndarray,
    support: Callable[[Sequence[np.ndarray]], Sequence[float]],
    apart_rows: float = 2 * _ALIKE_ROWS,
    more: Sequence[np.ndarray] = (),
) -> np.ndarray:
    """(C,) smooth course of the first line that most of the picture supports.

    Parameters
    ----------
    row : (C,) float
        A path that follows the line over much of its length.
    support : callable
        Of each of several courses, the share 0..1 of its length along which the picture shows a line.
    apart_rows : float
        From how far on a course belongs to another line than the one beside it.
    more : sequence of (C,) float
        Other paths that it may follow.
    """
    courses: list[np.ndarray] = []
    degrees: list[int] = []
    for path, degree in product((row, *more), _DEGREES):
        for course in robust_polynomials(path, degree, _PARTS + (_THIRDS if degree <= 2 else ())):
            off_the_picture = course.min() < row.min() - 0.2 * len(row) or course.max() > row.max() + 0.2 * len(row)
            if off_the_picture or any(np.abs(course - other).max() < _ALIKE_ROWS for other in courses):
                continue
            courses.append(course)
            degrees.append(degree)
    found = [(s - _COST_OF_A_DEGREE * d, c) for s, d, c in zip(support(courses), degrees, courses, strict=True)]
    score, chosen = max(found, key=lambda one: one[0])
    # Courses of one line meet somewhere; one that keeps ahead of the best is another line, and goes first.
    for other_score, course in found:
        if other_score >= _NEARLY_AS_GOOD * score and np.percentile(chosen - course, 10) > apart_rows:
            chosen = course
    return chosen


def robust_local(row: np.ndarray, sigma: float, strength: np.ndarray) -> np.ndarray:
    """(C,) local straight lines through `row` (C,), Gaussian windows of standard deviation `sigma`, outliers down-weighted.

    What no polynomial follows (the end of a recurve, an angular tip) stays; wobbles shorter than the window go. Where the
    line is sure (`strength` (C,), 0..1) it counts by the odds: it leads over stretches where the path follows less.
    """
    at = np.arange(len(row), dtype=float)
    moments = np.stack([np.ones(len(row)), at, row, at * row, at * at])
    odds = strength / np.maximum(1.02 - strength, 0.02) + 1e-3
    weight, course = odds, np.full(len(row), np.inf)
    # Windows cut at four standard deviations.
    window = 2 * int(4.0 * sigma + 0.5) + 1, 1
    for _ in range(6):
        total, x, y, xy, xx = cv2.GaussianBlur(weight * moments, window, sigmaX=sigma, borderType=cv2.BORDER_CONSTANT)
        x, y = x / total, y / total
        slope = (xy / total - x * y) / np.maximum(xx / total - x * x, 1e-6)
        before, course = course, y + slope * (at - x)
        if np.abs(course - before).max() < _SETTLED_ROWS:
            break
        off = np.abs(row - course)
        weight = odds / (1 + (off / np.maximum(1.5 * float(np.median(off)), 1.0)) ** 2)
    return course
