"""How much the two faces on either side of a row differ: brightness, colour, texture. Evidence for the shoulder search.

Windows grow with the distance from the apex, so that a hairline and a broad bevel are judged alike.
"""

from __future__ import annotations

from dataclasses import dataclass
from weakref import WeakKeyDictionary

import cv2
import numpy as np

from vision.grain import Grain
from vision.paths import run_on
from vision.straighten import BLOCK_COLUMNS, StraightStrip
from vision.threads import in_parallel, slices

# Blocks judged at a time, and blocks whose own columns are looked at: few enough to stay in the processor's cache.
_COLUMNS_AT_A_TIME, _BLOCKS_AT_A_TIME = 64, 64
# Smoothing along the edge, blocks of single px: standard deviation, and where it is cut off.
_SMOOTH_BLOCKS, _SMOOTH_REACH = 1.5, 6
# Light below this share of full scale is noise on any phone; keeps logarithms finite.
_DARK = 0.01
# Energy of no texture at all: far below that of any noise.
_NO_TEXTURE = 1e-7
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
    rough : (W, C) float or None
        What speaks against a row because a smooth bevel has ended before it, in units of the score: it helps to choose the line, and says
        nothing of what else it could be.
    """

    score: np.ndarray
    allowed: np.ndarray
    column: np.ndarray
    lines: Grain | None = None
    rough: np.ndarray | None = None


def face_evidence(strip: StraightStrip, apex: np.ndarray, blur_px: float, every: int = 1) -> Evidence:
    """Evidence that one face ends and another begins.

    Parameters
    ----------
    strip : StraightStrip
    apex : (S,) float
        Row of the apex in every column.
    blur_px : float
        Blur of the photo, one standard deviation.
    every : int
        Of the blocks of columns only each so-manieth is looked at: for what runs on for millimetres.
    """
    features, valid, column = (picture[..., ::every] for picture in block_features(strip, blur_px))
    start = np.interp(column, np.arange(len(apex)), apex)
    reach = int(len(strip.linear) - np.ceil(start.max()))
    shifted, inside = _from_the_apex(features, valid, start, reach)
    # Light smoothing along the edge: 0.1 mm at macro scale, short beside any waviness.
    kernel = cv2.getGaussianKernel(2 * _SMOOTH_REACH + 1, _SMOOTH_BLOCKS / strip.column_px, cv2.CV_32F)
    lines = shifted.reshape(-1, shifted.shape[2])
    shifted = cv2.sepFilter2D(lines, -1, kernel, np.ones(1, np.float32), borderType=cv2.BORDER_REPLICATE).reshape(shifted.shape)
    score = np.empty(inside.shape)

    def judge(part: slice) -> None:
        score[:, part] = _score(np.ascontiguousarray(shifted[..., part]), blur_px, strip.enlarged)

    in_parallel(judge, slices(score.shape[1], _COLUMNS_AT_A_TIME))
    least = int(np.ceil(2.0 * blur_px + 3.0))
    row = np.arange(reach)
    allowed = np.broadcast_to(((row >= least) & (row < reach - least))[:, None], score.shape).copy()
    # The shoulder may leave the photo: beyond the border there is no evidence, and the path keeps to its trend.
    score[~inside] = 0.0
    return Evidence(score, allowed, column)


def _from_the_apex(features: np.ndarray, valid: np.ndarray, start: np.ndarray, reach: int) -> tuple[np.ndarray, np.ndarray]:
    """(W, 7, C) features `reach` rows from the apex (`start` (C,)) on, and (W, C) whether the photo shows them."""
    whole = np.floor(start).astype(np.float32)
    x = np.broadcast_to(np.arange(len(start), dtype=np.float32), (reach + 1, len(start)))
    y = whole + np.arange(reach + 1, dtype=np.float32)[:, None]
    part = start.astype(np.float32) - whole
    shifted = np.empty((reach, features.shape[1], len(start)), np.float32)
    for k in range(features.shape[1]):
        # Whole rows: the nearest cell is the cell itself. Then on to the fraction of a row that is left, the same all the way down.
        seen = cv2.remap(features[:, k], x, y, cv2.INTER_NEAREST, borderMode=cv2.BORDER_REPLICATE)
        np.add(seen[:-1] * (1 - part), seen[1:] * part, out=shifted[:, k])
    inside = cv2.remap(valid.view(np.uint8), x[:-1], y[:-1], cv2.INTER_NEAREST, borderMode=cv2.BORDER_REPLICATE).view(bool)
    # Past the border the last rows go on, so that the border itself is no step.
    ends = np.flatnonzero(~inside.all(axis=0))
    last = np.maximum.accumulate(np.where(inside[:, ends], np.arange(reach)[:, None], 0), axis=0)
    shifted[..., ends] = np.take_along_axis(shifted[..., ends], last[:, None], axis=0)
    return shifted, inside


def block_features(strip: StraightStrip, blur_px: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(R, 7, C) log brightness, two log colour ratios, structure tensor (along, across, mixed), energy of the single
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
    count = strip.blocks.shape[1]
    used = min(count * BLOCK_COLUMNS, columns)
    features = np.empty((rows, 7, count), np.float32)
    mean = np.maximum(cv2.transform(strip.blocks, np.full((1, 3), 1 / 3, np.float32)), 0.0) + np.float32(_DARK)
    red, green, blue = cv2.split(np.log(np.maximum(strip.blocks, 0.0) + np.float32(_DARK)))
    np.log(mean, out=features[:, 0])
    np.subtract(red, green, out=features[:, 1])
    np.subtract(blue, green, out=features[:, 2])

    def fill(part: slice) -> None:
        features[:, 3:, part] = _patterns(strip.grey, part, used // count, (blur_px, strip.column_px))

    in_parallel(fill, slices(count, _BLOCKS_AT_A_TIME))
    # How strong the grind lines are and which way they run. Over the light, because photon noise grows with it: a bright face must
    # not look textured for being bright.
    features[:, 3:6] /= mean[:, None]
    centre = (np.arange(count) + 0.5) * (used / count) - 0.5
    shown = cv2.resize(strip.valid[:, :used].astype(np.float32), (count, rows), interpolation=cv2.INTER_AREA) > 0.5
    return features, shown, centre


def _patterns(grey: np.ndarray, blocks: slice, size: int, scale: tuple[float, int]) -> np.ndarray:
    """(R, 4, C) structure tensor (along, across, mixed) and energy of the single columns' steps, means of some blocks of `size` columns;
    `scale`: the blur, and px to a column."""
    (blur_px, wide) = scale
    sigma = max(blur_px, 0.7)
    # A Gaussian reaches 4 standard deviations, Sobel's operator a column more.
    aside = int(np.ceil(4.0 * sigma)) + 2
    first, end = blocks.start * size, blocks.stop * size
    left = max(first - aside, 0)
    piece = np.ascontiguousarray(grey[:, left : end + aside])
    smooth = cv2.GaussianBlur(piece, (0, 0), sigmaX=sigma / wide, sigmaY=sigma)
    # Slopes a px.
    down, along = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, scale=0.125), cv2.Sobel(smooth, cv2.CV_32F, 1, 0, scale=0.125 / wide)
    step = _column_step(piece, blur_px, wide)
    out = np.empty((len(grey), 4, blocks.stop - blocks.start), np.float32)
    for k, (one, other) in enumerate(((along, along), (down, down), (along, down), (step, step))):
        product = (one * other)[:, first - left : end - left]
        out[:, k] = cv2.resize(product, (out.shape[2], len(grey)), interpolation=cv2.INTER_AREA)
    return out


def _column_step(grey: np.ndarray, blur_px: float, wide: int) -> np.ndarray:
    """(R, S) step of each column across each row: mean of a few rows after it less that of a few before."""
    gap = int(np.ceil(blur_px))
    kernel = np.zeros(2 * (gap + _COLUMN_ROWS) + 1, np.float32)
    kernel[:_COLUMN_ROWS], kernel[-_COLUMN_ROWS:] = -1 / _COLUMN_ROWS, 1 / _COLUMN_ROWS
    slim = cv2.GaussianBlur(grey, (0, 0), sigmaX=max(blur_px, 0.7) / wide, sigmaY=0.01)
    return cv2.sepFilter2D(slim, cv2.CV_32F, np.ones(1, np.float32), kernel, borderType=cv2.BORDER_REPLICATE)


def _score(features: np.ndarray, blur_px: float, enlarged: int) -> np.ndarray:
    """(W, C) evidence of some columns' features (W, 7, C), `enlarged` rows a px of the file."""
    # Sums from the apex down to each row: light, its square, texture, energy of the single columns' steps.
    total = np.empty((len(features) + 1, 10, features.shape[2]))
    total[0] = 0.0
    total[1:, :3] = features[:, :3]
    np.square(total[1:, :3], out=total[1:, 3:6])
    total[1:, 6:9] = texture(features[:, 3:6])
    total[1:, 9] = features[:, 6]
    run_on(total)
    wide = _wide(total, blur_px, enlarged)
    # A sharp line says where, not whether: a scratch or reflection between two stretches of one face must not win.
    return wide + np.minimum(_sharp(total[:, :3], blur_px), wide) + np.minimum(_single(features[:, 6], total[:, 9:], blur_px), wide)


def _single(energy: np.ndarray, total: np.ndarray, blur_px: float) -> np.ndarray:
    """Energy (W, C) of the steps of single columns, whatever their sign, against what is usual beyond them; `total` (W + 1, 1, C) its sums.

    Grind lines that stop, bright and dark ones side by side, show here though their mean shows no step.
    """
    usual = _usual(total, 2 * (int(np.ceil(blur_px)) + _COLUMN_ROWS))[:, 0]
    return np.log(np.maximum(energy / np.maximum(usual, 1e-9), 1.0).astype(np.float32))


def _usual(total: np.ndarray, beyond: int) -> np.ndarray:
    """Twice the mean step energy of the next rows into the blade: what the cheek's own lines reach now and then."""
    row = np.arange(len(total) - 1)
    return 2.0 * _between(total, row + beyond, row + beyond + _CHEEK_ROWS)


def _wide(total: np.ndarray, blur_px: float, enlarged: int) -> np.ndarray:
    """(W, C) how much the faces differ, from sums (W + 1, 9 or more, C) of light, its square, and texture.

    log(1 + d'^2), d' the difference over what one face varies by, summed over features.
    """
    row = np.arange(len(total) - 1)
    gap = int(np.ceil(1.5 * blur_px)) + 1
    apex_gap = int(np.ceil(2.0 * blur_px)) + 1
    span = np.clip((0.6 * (row - gap - apex_gap)).astype(int), 2, 60)
    # The bevel is one face from the apex on; of the cheek, as much as tells its nature.
    whole = np.maximum(row - gap - apex_gap, 2)
    before, after = (_between(total[:, :6], *e) for e in ((row - gap - whole, row - gap), (row + gap + 1, row + gap + 1 + span)))
    spread = 2 * _FACE_FLOOR[:, None] ** 2 + sum(np.maximum(m[:, 3:] - m[:, :3] ** 2, 0.0) for m in (before, after))
    # JPEG keeps colour at half resolution: the lane's leaks three px farther across the apex than its light does.
    leak = np.clip((row - gap - apex_gap - 3 * enlarged) / (4 * enlarged), 0.0, 1.0)[:, None] * np.array([0.0, 1.0, 1.0]) + np.array(
        [1.0, 0.0, 0.0]
    )
    evidence = _weighed(_log1p((after[:, :3] - before[:, :3]) ** 2 / spread), _WEIGHT * leak)
    # The tensor reaches a blur and two px farther than the light: keep the step's own energy out of both sides.
    clear = gap + int(np.ceil(1.5 * blur_px)) + 2
    # Texture is compared as a face's mean: single lines scatter too much to be compared row by row. The square root,
    # unlike a logarithm, still tells a pure face from one with a few rows of the next.
    near = (row - clear - span, row - clear), (row + clear + 1, row + clear + 1 + span)
    one, two = (_between(total[:, 6:9], *e) for e in near)
    # A face of two or three rows says little about its light, one of ten little about its texture.
    enough = _trust(row - clear - apex_gap, 10.0) * _trust(len(row) - row - clear, 10.0)
    # Beyond eight times its usual scatter a texture is no more different: such figures come from a step inside.
    differ = np.sqrt(1 + np.minimum((two - one) ** 2 / (2 * _TEXTURE_FLOOR[:, None] ** 2), 64.0)) - 1
    evidence = evidence * (span / (span + 2.0))[:, None] + _weighed(differ, _TEXTURE_WEIGHT * enough[:, None])
    return evidence * _trust(len(row) - row - gap, 2.0)[:, None]


def _log1p(values: np.ndarray) -> np.ndarray:
    """log(1 + values) in single precision, for which processors have an instruction: good to 1e-7."""
    return np.log((1.0 + values).astype(np.float32))


def _weighed(features: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """(W, C) sums of features (W, F, C), weighed row by row (W, F)."""
    return np.matmul(weight[:, None, :], features)[:, 0]


def _trust(rows: np.ndarray, half: float) -> np.ndarray:
    """Weight of a face of which so many rows are seen: one half at `half` rows."""
    seen = np.maximum(rows, 0.0)
    return seen / (seen + half)


def texture(tensor: np.ndarray) -> np.ndarray:
    """Log energies along and across, and the slant, of structure tensors (R, 3, C).

    Logarithms before any mean: the step at a face's end is a few rows of huge energy and must not pass for its texture.
    """
    out = np.empty_like(tensor)
    np.log(tensor[:, :2] + np.float32(_NO_TEXTURE), out=out[:, :2])
    np.divide(2 * tensor[:, 2], tensor[:, 0] + tensor[:, 1] + np.float32(_NO_TEXTURE), out=out[:, 2])
    return out


def _sharp(total: np.ndarray, blur_px: float) -> np.ndarray:
    """(W, C) the step in brightness and colour at the scale of the blur, against the usual steps beyond it, from their sums (W + 1, 3, C).

    A reflection's boundary on a curved face is soft; grind lines along the edge make many small steps.
    """
    gap = int(np.ceil(1.5 * blur_px))
    row = np.arange(len(total) - 1)
    square = np.zeros(total.shape)
    np.subtract(_between(total, row + gap + 1, row + gap + 4), _between(total, row - gap - 3, row - gap), out=square[1:])
    step = np.square(square[1:], out=square[1:]).copy()
    usual = _usual(run_on(square), 2 * gap + 4)
    return _weighed(_log1p(step / (usual + _FACE_FLOOR[:, None] ** 2)), np.broadcast_to(_WEIGHT, (len(row), 3)))


def _between(total: np.ndarray, start: np.ndarray, stop: np.ndarray) -> np.ndarray:
    """(W, F, C) means of rows ``start <= r < stop`` of what the sums (W + 1, F, C) are of, cut at the picture's ends (at least one row)."""
    last = len(total) - 1
    start = np.clip(start, 0, last - 1)
    stop = np.clip(stop, start + 1, last)
    mean = total[stop]
    mean -= total[start]
    mean *= (1.0 / (stop - start))[:, None, None]
    return mean
