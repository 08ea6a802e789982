"""How much the two faces on either side of a row differ: brightness, colour, texture. Evidence for the shoulder search.

Windows grow with the distance from the apex, so that a hairline and a broad bevel are judged alike.
"""

from __future__ import annotations

from dataclasses import dataclass
from weakref import WeakKeyDictionary

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter1d

from vision.grain import Grain
from vision.straighten import StraightStrip
from vision.threads import in_parallel, slices

# Columns of blocks judged at a time: few enough to stay in the processor's cache.
_COLUMNS_AT_A_TIME = 128
# Columns averaged before the search.
BLOCK_COLUMNS = 8
# Light below this share of full scale is noise on any phone; keeps logarithms finite.
_DARK = 0.01
# What one and the same ground face varies by anyway: brightness (log), colour (log ratio, twice).
_FACE_FLOOR = np.array([0.03, 0.01, 0.01])
# The same for texture: contrast along and across the edge (log of energy), slant of the grind lines (-1..1).
_TEXTURE_FLOOR = np.array([0.25, 0.25, 0.1])
# Two colour ratios share what they see: the pair weighs as much as brightness; so do the three of texture.
_WEIGHT = np.array([1.0, 0.5, 0.5])
_TEXTURE_WEIGHT = np.array([0.7, 0.7, 0.6])
# Rows on either side of a candidate over which the step of each single column is taken.
_COLUMN_ROWS = 4
# Rows beyond a candidate that tell what steps the cheek makes by itself: several grind lines at macro scale.
_CHEEK_ROWS = 40


# The features of the strips that somebody still holds, with the blur they were taken at.
_KNOWN: WeakKeyDictionary[StraightStrip, tuple[float, tuple[np.ndarray, np.ndarray, np.ndarray]]] = WeakKeyDictionary()


@dataclass(frozen=True, eq=False)
class Evidence:
    """Evidence by distance from the apex.

    Attributes
    ----------
    score : (W, C) float
        Row w is w px into the blade from the apex, column c a block of columns; 0 = the faces are alike.
    allowed : (W, C) bool
        Far enough from the apex not to be the apex itself.
    column : (C,) float
        Strip column of each block's centre.
    lines : Grain or None
        Where grind lines end, of one photo.
    """

    score: np.ndarray
    allowed: np.ndarray
    column: np.ndarray
    lines: Grain | None = None


def face_evidence(strip: StraightStrip, apex: np.ndarray, blur_px: float) -> Evidence:
    """Evidence that one face ends and another begins.

    Parameters
    ----------
    strip : StraightStrip
    apex : (S,) float
        Row of the apex in every column.
    blur_px : float
        Blur of the photo, one standard deviation.
    """
    features, valid, column = block_features(strip, blur_px)
    start = np.interp(column, np.arange(len(apex)), apex)
    reach = int(len(strip.linear) - np.ceil(start.max()))
    rows = np.clip(start + np.arange(reach)[:, None], 0, len(strip.linear) - 1.001)
    low = rows.astype(np.intp)
    part = (rows - low)[..., None]
    blocks = np.arange(len(column))
    shifted = features[low, blocks] * (1 - part) + features[low + 1, blocks] * part
    inside = valid[low, blocks]
    # Past the border the last rows go on, so that the border itself is no step.
    last = np.maximum.accumulate(np.where(inside, np.arange(reach)[:, None], 0), axis=0)
    shifted = shifted[last, blocks]
    # Light smoothing along the edge: 0.1 mm at macro scale, short beside any waviness.
    shifted = gaussian_filter1d(shifted, 1.5, axis=1, mode="nearest")
    score = np.empty(inside.shape)

    def judge(part: slice) -> None:
        some = np.ascontiguousarray(shifted[:, part])
        wide = _wide(some, blur_px)
        # A sharp line says where, not whether: a scratch or reflection between two stretches of one face must not win.
        score[:, part] = wide + np.minimum(_sharp(some, blur_px), wide) + np.minimum(_single(some[..., 6], blur_px), wide)

    in_parallel(judge, slices(score.shape[1], _COLUMNS_AT_A_TIME))
    least = int(np.ceil(2.0 * blur_px + 3.0))
    row = np.arange(reach)
    allowed = np.broadcast_to(((row >= least) & (row < reach - least))[:, None], score.shape).copy()
    # The shoulder may leave the photo: beyond the border there is no evidence, and the path keeps to its trend.
    score[~inside] = 0.0
    return Evidence(score, allowed, column)


def block_features(strip: StraightStrip, blur_px: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(R, C, 7) log brightness, two log colour ratios, structure tensor (along, across, mixed), energy of the single
    columns' steps; (R, C) valid; (C,) centres. All read-only: the search and the checks ask for the same ones."""
    known = _KNOWN.get(strip)
    if known is None or known[0] != blur_px:
        found = _block_features(strip, blur_px)
        for picture in found:
            picture.setflags(write=False)
        known = _KNOWN[strip] = blur_px, found
    return known[1]


def _block_features(strip: StraightStrip, blur_px: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rows, columns = strip.valid.shape
    count = max(columns // BLOCK_COLUMNS, 1)
    used = min(count * BLOCK_COLUMNS, columns)

    def blocked(picture: np.ndarray) -> np.ndarray:
        return cv2.resize(picture[:, :used], (count, rows), interpolation=cv2.INTER_AREA)

    grey = cv2.transform(strip.linear, np.full((1, 3), 1 / 3, np.float32))
    rgb = np.log(np.maximum(blocked(strip.linear), 0.0) + _DARK)
    mean = np.maximum(blocked(grey), 0.0) + _DARK
    smooth = cv2.GaussianBlur(grey, (0, 0), max(blur_px, 0.7))
    down, along = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, scale=0.125), cv2.Sobel(smooth, cv2.CV_32F, 1, 0, scale=0.125)
    # Structure tensor: how strong the grind lines are and which way they run. Over the light, because photon noise
    # grows with it: a bright face must not look textured for being bright.
    texture = in_parallel(lambda pair: blocked(pair[0] * pair[1]) / mean, [(along, along), (down, down), (along, down)])
    single = blocked(_column_step(grey, blur_px) ** 2)
    features = np.stack([np.log(mean), rgb[..., 0] - rgb[..., 1], rgb[..., 2] - rgb[..., 1], *texture, single], axis=2)
    centre = (np.arange(count) + 0.5) * (used / count) - 0.5
    return features, blocked(strip.valid.astype(np.float32)) > 0.5, centre


def _column_step(grey: np.ndarray, blur_px: float) -> np.ndarray:
    """(R, S) step of each column across each row: mean of a few rows after it less that of a few before."""
    gap = int(np.ceil(blur_px))
    kernel = np.zeros(2 * (gap + _COLUMN_ROWS) + 1, np.float32)
    kernel[:_COLUMN_ROWS], kernel[-_COLUMN_ROWS:] = -1 / _COLUMN_ROWS, 1 / _COLUMN_ROWS
    slim = cv2.GaussianBlur(grey, (0, 0), sigmaX=max(blur_px, 0.7), sigmaY=0.01)
    return cv2.sepFilter2D(slim, cv2.CV_32F, np.ones(1, np.float32), kernel, borderType=cv2.BORDER_REPLICATE)


def _single(energy: np.ndarray, blur_px: float) -> np.ndarray:
    """Energy of the steps of single columns, whatever their sign, against what is usual beyond them.

    Grind lines that stop, bright and dark ones side by side, show here though their mean shows no step.
    """
    usual = _usual(energy[..., None], 2 * (int(np.ceil(blur_px)) + _COLUMN_ROWS))[..., 0]
    return np.log(np.maximum(energy / np.maximum(usual, 1e-9), 1.0))


def _usual(energy: np.ndarray, beyond: int) -> np.ndarray:
    """Twice the mean step energy of the next rows into the blade: what the cheek's own lines reach now and then."""
    row = np.arange(len(energy))
    return 2.0 * _between(_running(energy), None, row + beyond, row + beyond + _CHEEK_ROWS)[0]


def _wide(features: np.ndarray, blur_px: float) -> np.ndarray:
    """How much the faces differ: log(1 + d'^2), d' the difference over what one face varies by, summed over features."""
    row = np.arange(len(features))
    gap = int(np.ceil(1.5 * blur_px)) + 1
    apex_gap = int(np.ceil(2.0 * blur_px)) + 1
    span = np.clip((0.6 * (row - gap - apex_gap)).astype(int), 2, 60)
    # The bevel is one face from the apex on; of the cheek, as much as tells its nature.
    whole = np.maximum(row - gap - apex_gap, 2)
    ends = (row - gap - whole, row - gap), (row + gap + 1, row + gap + 1 + span)
    level, tensor = features[..., :3], features[..., 3:6]
    total, square = _running(level), _running(level**2)
    before, after = (_between(total, square, *e) for e in ends)
    spread = before[1] + after[1] + 2 * _FACE_FLOOR**2
    # JPEG keeps colour at half resolution: the lane's leaks three px farther across the apex than its light does.
    leak = np.clip((row - gap - apex_gap - 3) / 4, 0.0, 1.0)[:, None, None] * np.array([0.0, 1.0, 1.0]) + np.array([1.0, 0.0, 0.0])
    # Matrix products: a reduction over three channels is many times slower.
    evidence = (np.log1p((after[0] - before[0]) ** 2 / spread) @ (_WEIGHT * leak)[:, 0, :, None])[..., 0]
    # Texture is compared as a face's mean: single lines scatter too much to be compared row by row. The square root,
    # unlike a logarithm, still tells a pure face from one with a few rows of the next.
    total = _running(texture(tensor))
    # The tensor reaches a blur and two px farther than the light: keep the step's own energy out of both sides.
    clear = gap + int(np.ceil(1.5 * blur_px)) + 2
    near = (row - clear - span, row - clear), (row + clear + 1, row + clear + 1 + span)
    one, two = (_between(total, None, *e)[0] for e in near)
    # A face of two or three rows says little about its light, one of ten little about its texture.
    enough = _trust(row - clear - apex_gap, 10.0) * _trust(len(row) - row - clear, 10.0)
    # Beyond eight times its usual scatter a texture is no more different: such figures come from a step inside.
    differ = np.sqrt(1 + np.minimum((two - one) ** 2 / (2 * _TEXTURE_FLOOR**2), 64.0)) - 1
    evidence = evidence * (span / (span + 2.0))[:, None] + (differ @ _TEXTURE_WEIGHT) * enough[:, None]
    return evidence * _trust(len(row) - row - gap, 2.0)[:, None]


def _trust(rows: np.ndarray, half: float) -> np.ndarray:
    """Weight of a face of which so many rows are seen: one half at `half` rows."""
    seen = np.maximum(rows, 0.0)
    return seen / (seen + half)


def texture(tensor: np.ndarray) -> np.ndarray:
    """Log energies along and across, and the slant, of structure tensors (..., 3).

    Logarithms before any mean: the step at a face's end is a few rows of huge energy and must not pass for its texture.
    """
    along, across, mixed = np.moveaxis(tensor, -1, 0)
    return np.stack([np.log(along + 1e-7), np.log(across + 1e-7), 2 * mixed / (along + across + 1e-7)], axis=-1)


def _sharp(features: np.ndarray, blur_px: float) -> np.ndarray:
    """The step in brightness and colour at the scale of the blur, against the usual steps beyond it.

    A reflection's boundary on a curved face is soft; grind lines along the edge make many small steps.
    """
    reach = len(features)
    gap = int(np.ceil(1.5 * blur_px))
    row = np.arange(reach)
    three = features[..., :3]
    total = _running(three)
    step = _between(total, None, row + gap + 1, row + gap + 4)[0] - _between(total, None, row - gap - 3, row - gap)[0]
    usual = _usual(step**2, 2 * gap + 4)
    floor = _FACE_FLOOR**2
    return np.log1p(step**2 / (usual + floor)) @ _WEIGHT


def _running(values: np.ndarray) -> np.ndarray:
    total = np.zeros((len(values) + 1, *values.shape[1:]))
    # Row by row: numpy's own cumsum goes down one column after the other, across the memory.
    for row, value in enumerate(values):
        np.add(total[row], value, out=total[row + 1])
    return total


def _between(total: np.ndarray, square: np.ndarray | None, start: np.ndarray, stop: np.ndarray) -> tuple[np.ndarray, np.ndarray | float]:
    """Mean and variance of rows ``start <= r < stop``, cut at the picture's ends (at least one row)."""
    last = len(total) - 1
    start = np.clip(start, 0, last - 1)
    stop = np.clip(stop, start + 1, last)
    count = (stop - start)[:, None, None]
    mean = (total[stop] - total[start]) / count
    if square is None:
        return mean, 0.0
    return mean, np.maximum((square[stop] - square[start]) / count - mean**2, 0.0)
