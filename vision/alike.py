"""Whether the two sides of the second line are two faces: in the means of both sides, and in the step at the line itself."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import gaussian_filter1d

# What one ground face varies by: brightness (log), two colour ratios (log), contrast along the edge (log of energy). As in `faces`.
FACE_FLOOR = np.array([0.03, 0.01, 0.01, 0.25])
# Rows on either side over which a step is taken: as many as the shoulder's search takes of single columns.
_STEP_ROWS = 4
# Noise of the means of blocks and a millimetre, below which a step is none: brightness, colours (log).
_STEP_FLOOR = np.array([0.003, 0.0015, 0.0015])
# Faces that differ by less than this many times what one varies by have no share to speak of.
_TELLING = 5.0
# Of a step at a line, the share that the faces' means must differ by: a scratch's goes back, light that falls off across a face takes or
# adds some.
STAYS = 0.5
# Share of the edge (standard deviation) along which a difference lasts.
_SLOW = 1 / 8
# At least so many rows of the cheek are looked at for steps of its own.
_CHEEK_ROWS = 60


def difference(bevel: np.ndarray, cheek: np.ndarray) -> float:
    """Median difference of features (N, 4) along the edge in units of one face's own variation, less where it does not last.

    Bevel and cheek differ one way for long, as light changes slowly; streaks of one face differ now this way, now that.
    """
    apart = (cheek - bevel) / FACE_FLOOR
    return float(np.median(np.linalg.norm(apart, axis=1)) * _lasting(apart))


def lasting_step(
    features: np.ndarray, valid: np.ndarray, lines: tuple[np.ndarray, np.ndarray], sigma_px: float, apart: np.ndarray
) -> float:
    """Step across the second line in units of the steps across all lines parallel to it; NaN where there are too few to tell.

    `difference` takes what a face varies by as given; here the photo's own faces tell it, so that a faint shoulder between two even faces
    counts. A scratch steps as sharply and goes back: a step counts in full where half of it stays. Streaks are as strong elsewhere.

    Parameters
    ----------
    features : (R, C, 3) float
        Log brightness and two colour ratios in blocks of columns, smoothed along a millimetre.
    valid : (R, C) bool
    lines : two (C,) float
        Rows of apex and second line.
    sigma_px : float
        Blur of the second line, one standard deviation.
    apart : (C, 3) float
        By how much the whole faces differ.
    """
    first, second = lines
    gap, (rows, blocks) = int(np.ceil(1.5 * sigma_px)), valid.shape
    step = _steps(features, gap)
    depth = max(int(np.median(second - first)), _CHEEK_ROWS)
    offsets = np.arange(-int(second.max() - first.min()), depth)
    at = np.rint(second).astype(int) + offsets[:, None]
    beyond = np.clip(at + gap + _STEP_ROWS, 0, rows - 1)
    # Windows clear of the apex, inside the photo.
    seen = (at - 2 * gap - _STEP_ROWS > first) & (at + gap + _STEP_ROWS < rows - 1) & valid[beyond, np.arange(blocks)]
    values = step[np.clip(at, 0, rows - 1), np.arange(blocks)]
    others = seen & (np.abs(offsets) > 2 * gap + _STEP_ROWS)[:, None]
    line = np.searchsorted(offsets, 0)
    known = seen[line] & (others.sum(axis=0) >= 2 * _STEP_ROWS)
    if known.sum() < 2:
        return float("nan")
    usual = np.sqrt((values**2 * others[..., None]).sum(axis=0) / np.maximum(others.sum(axis=0), 1)[:, None]) + _STEP_FLOOR
    own = values[line][known] / usual[known]
    # Light may turn the difference round along the edge, slowly, and the step with it.
    mean, wide = (gaussian_filter1d(each, _SLOW * len(own), axis=0, mode="nearest") for each in (own, apart[known] / usual[known]))
    stays = float(np.clip((wide * mean).sum() / max(float((mean * mean).sum()), 1e-9), 0.0, 1.0))
    return float(np.median(np.linalg.norm(own, axis=1)) * _lasting(own) * min(stays / STAYS, 1.0))


def step_share(features: np.ndarray, line: np.ndarray, gap: int, apart: np.ndarray) -> float:
    """How much of the difference of two faces happens at the line between them; NaN where they hardly differ.

    A corner is a step; light that falls off over something round is a slope, and any line across it has a part of the difference only.

    Parameters
    ----------
    features : (R, C, 3) float
        As for `lasting_step`.
    line : (C,) float
    gap : int
        Rows on either side of the line that its own blur covers.
    apart : (C, 3) float
        By how much the faces differ.
    """
    wide = np.linalg.norm(apart / FACE_FLOOR[:3], axis=1)
    if np.median(wide) < _TELLING:
        return float("nan")
    row, blocks = np.rint(line).astype(int), np.arange(len(line))

    def mean(first: int) -> np.ndarray:
        rows = np.clip(row + first + np.arange(_STEP_ROWS)[:, None], 0, len(features) - 1)
        return features[rows, blocks].mean(axis=0)

    step = np.linalg.norm((mean(gap + 1) - mean(-gap - _STEP_ROWS)) / FACE_FLOOR[:3], axis=1)
    return float(np.median(step) / np.median(wide))


def share_that_stays(features: np.ndarray, lines: tuple[np.ndarray, ...], sigma_px: float, smooth: float) -> np.ndarray:
    """(C,) share of the step at the second of two lines by which the middle of what lies before it differs from what lies as far behind it:
    of two faces all, of a streak none. 1 where there is no step to speak of.

    Parameters
    ----------
    features : (R, 3, C) float
        Log brightness and two colour ratios in blocks of columns.
    lines : two (C,) float
        Rows.
    sigma_px : float
        Blur of the photo, one standard deviation.
    smooth : float
        Standard deviation of the means along the edge, blocks.
    """
    first, second = (np.rint(line).astype(int) for line in lines)
    gap, blocks, width = int(np.ceil(1.5 * sigma_px)) + 1, np.arange(features.shape[2]), np.maximum(second - first, 2 * _STEP_ROWS)

    def mean(start: np.ndarray, count: int) -> np.ndarray:
        rows = np.clip(start + np.arange(count)[:, None], 0, len(features) - 1)
        return gaussian_filter1d(features[rows, :, blocks].mean(axis=0), smooth, axis=0, mode="nearest") / FACE_FLOOR[:3]

    count = max(int(np.median(width)) // 2, _STEP_ROWS)
    step = mean(second + gap + 1, _STEP_ROWS) - mean(second - gap - _STEP_ROWS, _STEP_ROWS)
    far = mean(second + width, count) - mean((first + second - count) // 2, count)
    size = (step**2).sum(axis=1)
    return np.where(size > 1.0, (step * far).sum(axis=1) / np.maximum(size, 1e-9), 1.0)


def _lasting(apart: np.ndarray) -> float:
    """0..1: how much of differences (N, F), in units of what one face varies by, lasts along the edge.

    A lamp that is mirrored here in one face and there in the other turns the difference round slowly, streaks do from place to place: of
    those, means over twice the length keep half of the power; of what lasts they keep all.
    """
    long, short = (gaussian_filter1d(apart, length * len(apart), axis=0, mode="nearest") for length in (_SLOW, _SLOW / 2))
    rest = np.maximum((apart - long).std(axis=0), 1.0)
    power = np.maximum(2.0 * (long**2).mean(axis=0) - (short**2).mean(axis=0), 0.0)
    return min(float(np.sqrt((power / rest**2).sum())), 1.0)


def _steps(features: np.ndarray, gap: int) -> np.ndarray:
    """(R, C, F) mean of `_STEP_ROWS` rows, `gap` rows beyond each row, less that of as many before it; cut at the ends."""
    rows = np.arange(len(features))
    total = np.concatenate([np.zeros((1, *features.shape[1:])), np.cumsum(features, axis=0)])

    def mean(start: np.ndarray) -> np.ndarray:
        start = np.clip(start, 0, len(features) - 1)
        stop = np.clip(start + _STEP_ROWS, 1, len(features))
        return (total[stop] - total[start]) / (stop - start)[:, None, None]

    return mean(rows + gap + 1) - mean(rows - gap - _STEP_ROWS)
