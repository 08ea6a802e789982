"""A first line softer than the photo: the border of the blade's own shadow was taken for the edge, or runs into it.

An edge is a silhouette, as sharp as the photo is at its depth; a penumbra is as wide as the lamp is seen from the lane. Bevels are a few
mm deep at most, so that focus tells the apex from the shoulder by nothing to speak of: a first line much softer than both the strip's own
squares and the line behind it is no edge. Where the penumbra reaches the edge and the bevel is as dark, both are one soft line, and the
edge is its far end.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter1d, median_filter, uniform_filter1d

from vision.apex import ApexLine, refine_apex
from vision.band import TOLD_PX, Band
from vision.flags import StationFlag
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
# Light that falls evenly over some rows up to the edge and steps there by a share q of the whole: an erf fitted to both has a blur of its
# own, s beside the photo's, and the edge lies 1.5 s behind its middle where all of it is shadow (q = 0), 0.6 s where half of it is the
# edge's own step (tests/vision/test_penumbra.py draws them). The middle of both, and the standard uncertainty of all between (rectangular).
_BEHIND, _BEHIND_U = 1.05, 0.26
# A fall of light that tails off toward the lane is a shadow's, one that tails off toward the blade is a facet's or a rounding's; one that
# does neither may be either. An own step of a quarter gives a skewness of -0.1 to -0.25, noise over a stretch 0.03.
_SKEWED = 0.1
# Two borders that stand more than three blurs apart show apart, and need no softness to be told by (as one line they give s = 1.6 blurs).
_ONE_LINE, _APART = 1.6, 2.2
# Both faces are uneven by 3 % (log), which looks like softness: of a step it must be a small part, a sixth.
_CLEARLY_DARKER = 0.25
# A lamp's shadow changes slowly along the edge (standard deviation, mm).
_SLOWLY_MM = 0.5


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
    first, along = bridged(edge.row), max(int(0.5 * px_per_mm / strip.column_px), 1)
    # Clear of both borders; the shadow is darkest next to the edge.
    lane, shadow = _light(strip, first - 2.5 * edge.blur_px - 4, 4, along), _light(strip, course - 2.5 * blur_px - 3, 3, along)
    bevel = _light(strip, course + 2.5 * blur_px, 4, along)
    return bool(((shadow < lane - _DARKER) & (shadow < bevel - _DARKER)).mean() >= _MOSTLY)


def _light(strip: StraightStrip, start: np.ndarray, count: int, along: int = 1) -> np.ndarray:
    """(S,) log of the mean light of `count` rows from `start` (S,) on, and of so many columns along the edge."""
    rows = np.clip(np.rint(start + np.arange(count)[:, None]).astype(int), 0, len(strip.grey) - 1)
    mean = uniform_filter1d(strip.grey[rows, np.arange(len(start))].mean(axis=0), along, mode="nearest")
    return np.log(np.maximum(mean, 0.0) + 0.01)


def past_penumbra(strip: StraightStrip, edge: ApexLine, line: ShoulderLine, blur_px: float, px_per_mm: float) -> ApexLine:
    """The apex moved to the far end of a penumbra that runs into it: by as much as it is softer than the photo and the line behind it,
    where the bevel is darker than its lane. A brighter bevel steps the other way, and its shadow moves nothing.

    Parameters are those of `shadow_taken`.
    """
    # Of an enlarged photo a line's blur is what its px were enlarged by, more or less of it by where the line lies among them.
    if edge.sigma_px is None or not np.isfinite(edge.row).any() or strip.enlarged > 1:
        return edge
    # Only where the line has a step of its own to tell its blur by.
    told = _darker_behind(strip, edge, line, blur_px) & ((edge.flags & int(StationFlag.CLIPPED | StationFlag.BRIDGED)) == 0)
    if not told.any():
        return edge
    columns = _SLOWLY_MM * px_per_mm / strip.column_px
    focus = np.maximum(gaussian_filter1d(np.nan_to_num(line.sigma_px, nan=blur_px), columns, mode="nearest"), blur_px)
    # What most of a stretch says, for one column's blur is good to a half.
    more = median_filter(np.where(told, edge.sigma_px**2 - focus**2, 0.0), 4 * round(columns) + 1, mode="nearest")
    excess = np.sqrt(np.maximum(more, 0.0))
    if not excess.any():
        return edge
    alone = np.clip((_APART - excess / focus) / (_APART - _ONE_LINE), 0.0, 1.0)
    shadow = np.clip((_SKEWED - _skewness(strip, edge, blur_px, columns)) / (2.0 * _SKEWED), 0.0, 1.0)
    excess = gaussian_filter1d(alone * shadow * excess, columns, mode="nearest")
    moved = _BEHIND * excess
    flags = np.where(moved > TOLD_PX, edge.flags | int(StationFlag.SHADOW), edge.flags)
    return replace(edge, row=edge.row + moved, systematic_px=np.hypot(edge.systematic_px, _BEHIND_U * excess), flags=flags, moved=moved)


def _skewness(strip: StraightStrip, edge: ApexLine, blur_px: float, columns: float) -> np.ndarray:
    """(S,) skewness of the fall of light across the edge, rows toward the blade counted up, means over so many `columns` along it."""
    reach = int(np.ceil(2.5 * max(edge.blur_px, blur_px))) + 1
    row = np.arange(-reach, reach + 1)
    y = (bridged(edge.row) + row[:, None]).astype(np.float32)
    x = np.broadcast_to(np.arange(y.shape[1], dtype=np.float32), y.shape).copy()
    light = cv2.remap(strip.grey, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    light = gaussian_filter1d(light, columns, axis=1, mode="nearest")
    fall, at = np.maximum(light[:-1] - light[1:], 0.0), (row[:-1] + 0.5)[:, None]
    total = np.maximum(fall.sum(axis=0), 1e-9)
    middle = (fall * at).sum(axis=0) / total
    second, third = ((fall * (at - middle) ** n).sum(axis=0) / total for n in (2, 3))
    return third / np.maximum(second, 1e-6) ** 1.5


def _darker_behind(strip: StraightStrip, edge: ApexLine, line: ShoulderLine, blur_px: float) -> np.ndarray:
    """(S,) whether the bevel is darker than the lane beside the edge."""
    first, soft = bridged(edge.row), 2.5 * max(edge.blur_px, blur_px)
    width = np.maximum(np.nan_to_num(line.row - edge.row, nan=0.0), 0.0)
    lane, bevel = _light(strip, first - soft - 4, 4), _light(strip, first + np.minimum(soft, 0.4 * width), 4)
    return (bevel < lane - _CLEARLY_DARKER) & np.isfinite(line.row)
