"""The apex by all lights of one setting: which line it is where single photos disagree.

Light hides an edge that is as bright as its lane, and the first clear line of that photo is then the shoulder. Another light shows it. A
shadow's border or a reflection is as clear in one light, and elsewhere in the next.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.ndimage import gaussian_filter1d

from vision.apex import NEAR_MM, STRAIGHT, STRAY_MM, SURE, Near, course_of, nearest_line, shown_along
from vision.lines import first_line, long_lines
from vision.straighten import BLOCK_COLUMNS, StraightStrip

# A line of one photo is an edge of all where more than half of them show it along so much of it: a shadow's border shows in no other.
_HALF_SHOWN = 0.5


def settle_together(
    strips: Sequence[StraightStrip], blurs_px: Sequence[float], px_per_mm: float, known: Sequence[np.ndarray] = ()
) -> tuple[np.ndarray, float]:
    """(S,) row of the apex to a px or two in all strips, and its support: the first line that more than half of them show.

    Parameters
    ----------
    strips : sequence of StraightStrip
        Photos of one edge on one grid, within a few px.
    blurs_px : sequence of float
    px_per_mm : float
    known : sequence of (S,) float
        Rows of lines that single photos show. The first of them that the others show too, in means along the edge, comes before the line
        that most photos show by short blocks.
    """
    near = [Near.about(s, blur, px_per_mm) for s, blur in zip(strips, blurs_px, strict=True)]
    one = near[int(np.argmax(blurs_px))]
    centre = (np.arange(one.valid.shape[1]) + 0.5) * BLOCK_COLUMNS - 0.5
    short = _shown_by_most([n.by_short_blocks() for n in near])
    lines = [_along(near, one, course_of(short, one.reach, STRAY_MM * px_per_mm, None))]
    for row in known:
        line = _near_to(near, one, np.interp(centre, np.arange(len(row)), row) - one.part.start)
        lines += [line] if line[1] >= _HALF_SHOWN else []
    row, support = min(lines, key=lambda line: float(np.median(line[0])))
    return np.interp(np.arange(strips[0].linear.shape[1]), centre, row), support


def _along(near: Sequence[Near], one: Near, course: np.ndarray) -> tuple[np.ndarray, float]:
    """Row (C,) of the first line by long means about a course (C,), and its support; the course's own where that is sure."""
    far, level, shift = _by_long_means(near, one, course)
    if shown_along(far, level, one.long) >= SURE:
        far = _only(far, level, one)
    return _first(far, shift, one)


def _near_to(near: Sequence[Near], one: Near, course: np.ndarray) -> tuple[np.ndarray, float]:
    """Row (C,) of the line at a course (C,) by long means, and its support."""
    far, level, shift = _by_long_means(near, one, course)
    return _first(_only(far, level, one), shift, one)


def _by_long_means(near: Sequence[Near], one: Near, course: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """As `Near.by_long_means`, of all photos."""
    pictures, _, shifts = zip(*(n.by_long_means(course) for n in near), strict=True)
    far, level = _shown_by_most(pictures), course - shifts[0]
    return far, level + nearest_line(far, level, round(2 * NEAR_MM * one.px_per_mm)), shifts[0]


def _only(far: np.ndarray, level: np.ndarray, one: Near) -> np.ndarray:
    return np.where(np.abs(np.arange(len(far))[:, None] - level) > NEAR_MM * one.px_per_mm, 0.0, far)


def _first(far: np.ndarray, shift: np.ndarray, one: Near) -> tuple[np.ndarray, float]:
    row = first_line(far, long_lines(far, one.long), STRAIGHT / one.column_px)
    smooth = gaussian_filter1d((row + one.part.start + shift).astype(float), 2.0 / one.column_px, mode="nearest")
    return smooth, shown_along(far, row, one.long)


def _shown_by_most(strength: Sequence[np.ndarray]) -> np.ndarray:
    """What more than half of the pictures (R, C) reach in each cell."""
    return np.sort(strength, axis=0)[(len(strength) - 1) // 2]
