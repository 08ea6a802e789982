"""A soft first line before a sharp second one: the border of the blade's own shadow was taken for the edge.

An edge is a silhouette, as sharp as the photo is at its depth; a penumbra is as wide as the lamp is seen from the lane. Bevels are a few
mm deep at most, so that focus tells the apex from the shoulder by nothing to speak of: a first line much softer than both the strip's own
squares and the line behind it is no edge.
"""

from __future__ import annotations

import numpy as np
from scipy.ndimage import uniform_filter1d

from vision.apex import ApexLine, refine_apex
from vision.band import Band
from vision.shoulder import ShoulderLine, bridged, find_shoulder
from vision.straighten import StraightStrip

# The line fits tell a blur to about a third (their own prior and the halo of sharpening); so much more, twice over, is no edge's.
_SOFTER = 1.6
# The second line must be an edge along so much of what was measured, with a shoulder of its own along at least half as much.
_MOSTLY, _HALF = 0.7, 0.5
# Two parts of one surface differ by 3 % (log); three times that is another light or another surface.
_DARKER = 0.09
# A line whose place is not known to half a px is none.
_PLACED_PX = 0.5


def shadow_taken(strip: StraightStrip, edge: ApexLine, line: ShoulderLine, blur_px: float, px_per_mm: float) -> Band | None:
    """The shadow between a soft first line and the sharp one behind it, as `vision.bands` tells of one; None where there is none.

    Parameters
    ----------
    strip : StraightStrip
    edge, line : ApexLine, ShoulderLine
        As found.
    blur_px : float
        Of the photo, told by the strip's squares.
    px_per_mm : float
    """
    known = np.isfinite(edge.row) & np.isfinite(line.row)
    if not known.any() or edge.blur_px < _SOFTER * blur_px:
        return None
    second = bridged(line.row)
    behind = refine_apex(strip, blur_px, px_per_mm, None, second)
    sure = np.isfinite(behind.row) & (behind.u_px < _PLACED_PX)
    if edge.blur_px < _SOFTER * behind.blur_px or sure[known].mean() < _MOSTLY:
        return None
    after = find_shoulder(strip, behind.row, behind.blur_px, px_per_mm)
    if np.isfinite(after.row).sum() < _HALF * known.sum():
        return None
    course = bridged(behind.row)
    if not _dark(strip, edge, course, behind.blur_px, px_per_mm):
        return None
    ahead = course - bridged(edge.row)
    nothing = np.zeros(len(course), bool)
    return Band(course, ~nothing, nothing, ahead, np.zeros(len(course)))


def _dark(strip: StraightStrip, edge: ApexLine, course: np.ndarray, blur_px: float, px_per_mm: float) -> bool:
    """Whether what lies before `course` (S,) is darker, nearly all along, than the lane before it and the face behind it.

    A bevel as bright as its lane has a soft apex too, but is no shadow.
    """
    first, columns = bridged(edge.row), np.arange(len(course))
    along = max(int(0.5 * px_per_mm / strip.column_px), 1)

    def light(start: np.ndarray, count: int) -> np.ndarray:
        rows = np.clip(np.rint(start + np.arange(count)[:, None]).astype(int), 0, len(strip.grey) - 1)
        return np.log(np.maximum(uniform_filter1d(strip.grey[rows, columns].mean(axis=0), along, mode="nearest"), 0.0) + 0.01)

    # Clear of both borders; the shadow is darkest next to the edge.
    lane, shadow = light(first - 2.5 * edge.blur_px - 4, 4), light(course - 2.5 * blur_px - 3, 3)
    bevel = light(course + 2.5 * blur_px, 4)
    return bool(((shadow < lane - _DARKER) & (shadow < bevel - _DARKER)).mean() >= _MOSTLY)
