"""Whether what lies between two lines is the lane in shadow. Arrays only: (R, S) light, S columns along the edge.

A shadow takes light away and leaves the surface: paper, card and cloth keep their grain in it, as a share of their light, and the photo's
own noise grows. Only another surface is smoother than the lane.
"""

from __future__ import annotations

import cv2
import numpy as np
from scipy.ndimage import median_filter

from vision.sheet import DARK

# What is left of the picture without waves longer than some px is grain (and noise).
_FINE_PX = 2.0
# Rows of the lane before the first line that show its grain, and rows beside a line that its blur and halo spoil.
_LANE_ROWS, _CLEAR_ROWS, _CLEAR_BLURS = 40, 5, 3.0
# Of grain along the edge a line lets a fifteenth through so many blur radii away.
_NARROW_BLURS = 1.5
# Stretches along the edge, each with its own light; fewer cells than these tell no grain, nor does a grain below half a code of a bright
# surface.
_STRETCHES, _LEAST_CELLS, _LEAST_GRAIN = 20, 200, 0.004
# A phone's smoothing follows brightness: in shadows it takes up to a quarter of the grain (common practice, no source).
_SMOOTHER = 2 / 3


def smoother_than_lane(
    grey: np.ndarray, valid: np.ndarray, first: np.ndarray, second: np.ndarray, blur_px: float, *, narrow: bool = False, column_px: int = 1
) -> np.ndarray:
    """(S,) where the surface between two lines has clearly less grain than the lane before the first: there it is no shadow on it.

    Parameters
    ----------
    grey : (R, S) float
        Linear light, 0..1.
    valid : (R, S) bool
    first, second : (S,) float
        Rows of the two lines.
    blur_px : float
        Blur of the photo, one standard deviation.
    narrow : bool
        Grain along the edge alone: the steps of lines that are followed leave none of it, and few rows beside them are spoilt.
    column_px : int
        Photo px to a column.
    """
    clear = int(np.ceil(_NARROW_BLURS * blur_px)) + 1 if narrow else int(np.ceil(_CLEAR_BLURS * blur_px)) + _CLEAR_ROWS
    low, high = max(int(first.min()) - clear - _LANE_ROWS, 0), min(int(second.max()) + 1, len(grey))
    smoother = np.zeros(grey.shape[1], bool)
    if not (second - first > 2 * clear).any():
        return smoother
    log = np.log(np.maximum(grey[low:high], 0.0) + np.float32(DARK))
    # A hundredth of a row is none.
    fine = np.abs(log - cv2.GaussianBlur(log, (0, 0), sigmaX=_FINE_PX / column_px, sigmaY=0.01 if narrow else _FINE_PX))
    rows, seen = np.arange(low, high)[:, None], valid[low:high]
    lane = seen & (rows < first - clear) & (rows >= first - clear - _LANE_ROWS)
    band = seen & (rows > first + clear) & (rows < second - clear)
    parts = np.array_split(np.arange(grey.shape[1]), _STRETCHES)
    share = np.array([_share(fine[:, p], lane[:, p], band[:, p]) for p in parts])
    # One stretch alone is a scratch or a speck.
    told = median_filter((share < _SMOOTHER).astype(np.uint8), 3, mode="nearest") > 0
    for part, yes in zip(parts, told, strict=True):
        smoother[part] = yes
    return smoother


def _share(fine: np.ndarray, lane: np.ndarray, band: np.ndarray) -> float:
    """Grain of the band over that of the lane; infinite where one of them does not tell it."""
    if min(lane.sum(), band.sum()) < _LEAST_CELLS:
        return float("inf")
    grain = float(np.median(fine[lane]))
    return float(np.median(fine[band])) / grain if 1.4826 * grain > _LEAST_GRAIN else float("inf")
