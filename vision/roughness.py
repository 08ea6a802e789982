"""Where a smooth bevel ends and a rougher face begins. Arrays only: W rows from the apex, S columns along the edge.

A face's pattern along the edge (its departures from the local mean) has a power of its own, whatever its light: a polished or finely
stoned bevel keeps next to none of it up to the shoulder, and the cheek's grain, lines or coat begin right there. Only the way from smooth
to rough is believed: a rough face has smooth places (worn, burnt out, in its own shade), a smooth one has no rough ones.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from vision.grain import ALONG_MM, believed, folded, repeated
from vision.paths import run_on, smooth_along
from vision.sheet import DARK
from vision.threads import slices

# Rounding to codes of 8 bits (IEC 61966-2-1, about a power of 2.2), as a variance of shares of the light, times that light: as with
# photons, less light has more of it.
_CODE = (2.2 / 255.0) ** 2 / 12.0
# Blocks of columns squared at a time.
_RUN_BLOCKS = 128
# The energy of one face's texture varies by a quarter from stretch to stretch (natural log, as in `faces`): twice that between two windows
# could be chance, four times is none.
_DOUBTED, _BELIEVED = 0.5, 1.0
# Within so many blurs of a border neither face is itself, nor does the search's path keep closer to a line (`shoulder`).
_CARRIED_BLURS = 2.0
# Rows behind a candidate that tell the rougher face: as many as the bevel has, within what any face needs and the light stays alike.
_LEAST_ROWS, _MOST_ROWS = 6, 60
# Rows of one column repeat each other further than `grain.repeated` allows for, and texture has more great departures than Gaussian
# noise: the likelihood is believed by its root (as in `cues`).
_TEMPER = 4.0


@dataclass(frozen=True, eq=False)
class Roughness:
    """Where a rougher face begins.

    Attributes
    ----------
    short : (W, C) float
        By how much (natural log of likelihood) a beginning at row w from the apex, block c, is less likely than at the best row; 0 before
        that: a cheek may be smooth where it begins.
    trust : (C,) float
        0..1: whether a smooth face and a rougher one are there at all.
    """

    short: np.ndarray
    trust: np.ndarray


def roughness(
    pattern: np.ndarray, light: np.ndarray, blur_px: float, columns_per_mm: float, block: int, enlarged: int = 1, column_px: int = 1
) -> Roughness:
    """Where the power of the pattern grows for good.

    Parameters
    ----------
    pattern : (W, S) float
        Departures from the local mean as shares of it (`vision.grain.pattern_along`), from the apex on.
    light : (W, C) float
        Mean light of the blocks of columns.
    blur_px : float
        One standard deviation, rows.
    columns_per_mm : float
    block : int
        Columns folded into one in the answer.
    enlarged : int
        Samples per px of the photo's file, per direction.
    column_px : int
        Photo px to a column.
    """
    reach, columns = len(pattern), pattern.shape[1] // block
    # Two blur radii from the apex the lane is no part of the pattern any more.
    first = int(np.ceil(2.0 * blur_px)) + 1
    least = first + 2
    nothing = Roughness(np.zeros((reach, columns), np.float32), np.zeros(columns))
    if reach < least + _LEAST_ROWS:
        return nothing
    along = max(ALONG_MM * columns_per_mm / block, 2.0)
    # Run by run: squares of a whole strip would be another picture in memory.
    runs = slices(columns * block, _RUN_BLOCKS * block)
    power = smooth_along(np.concatenate([folded(np.square(pattern[:, part]), block) for part in runs], axis=1), along)
    power = _without_lines(power, blur_px)
    row = np.arange(least, reach - _LEAST_ROWS + 1)
    spans = first, row, np.minimum(row + np.clip(row - first, _LEAST_ROWS, _MOST_ROWS), reach)
    smooth, rough = _means(power, *spans)
    own, other = _means(1.0 / np.maximum(light[:, :columns], DARK), *spans)
    smooth = np.maximum(smooth, _CODE * own)
    # Less light has more noise for its size; what the smooth face has may all be noise.
    rough = np.maximum(rough - smooth * np.maximum(other / own - 1.0, 0.0), smooth)
    before, after = (row - first)[:, None], (spans[2] - row)[:, None]
    both = (before * smooth + after * rough) / (before + after)
    samples = along * np.sqrt(4.0 * np.pi) * block / repeated(enlarged, column_px)
    gain = 0.5 * samples / _TEMPER * ((before + after) * np.log(both) - before * np.log(smooth) - after * np.log(rough))
    rises = np.log(rough / smooth)
    at = np.argmax(gain, axis=0)
    best, rise = (np.take_along_axis(p, at[None], axis=0)[0] for p in (gain, rises))
    short = np.full((reach, columns), -np.inf, np.float32)
    short[row] = gain - best
    short[:least] = short[least]
    short[row[-1] + 1 :] = short[row[-1]]
    # A line among the smooth rows may be the shoulder all the same: a cheek may be smooth where it begins. And a blur carries the cheek's
    # power so far toward the apex: up to there the line's own evidence says where it is.
    carried = int(np.ceil(_CARRIED_BLURS * blur_px))
    short[carried:] = short[: reach - carried].copy()
    short[np.arange(reach)[:, None] < row[at] + carried] = 0.0
    trust = believed(best) * np.clip((rise - _DOUBTED) / (_BELIEVED - _DOUBTED), 0.0, 1.0)
    return Roughness(short, trust)


def _without_lines(power: np.ndarray, blur_px: float) -> np.ndarray:
    """Power (W, C) without what is narrower than a line's own blur: a step that wavers by a part of a row is a pattern of its rows."""
    rows = 2 * int(np.ceil(2.0 * blur_px)) + 1
    return cv2.morphologyEx(power, cv2.MORPH_OPEN, np.ones((rows, 1), np.uint8), borderType=cv2.BORDER_REPLICATE)


def _means(values: np.ndarray, first: int, row: np.ndarray, end: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Two (N, C) of values (W, C): means of rows ``first <= w < row`` and ``row <= w < end``, `row` and `end` (N,)."""
    total = np.zeros((len(values) + 1, values.shape[1]))
    total[1:] = values
    run_on(total)
    return (total[row] - total[first]) / (row - first)[:, None], (total[end] - total[row]) / (end - row)[:, None]
