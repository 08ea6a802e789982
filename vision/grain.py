"""Grind lines as a cue: a bevel's lines run on from row to row up to the shoulder and stop there, whatever the light does.

Arrays only. A row's pattern along the edge (its departures from the local mean) is compared with the pattern of the rows before it,
sheared to the direction of the lines. On one ground face it goes on; past the shoulder another face has other lines.
Reflections, lines along the edge and stains change a row's mean and leave its pattern alone.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from scipy.ndimage import minimum_filter1d

from vision.paths import run_on, smooth_along
from vision.threads import in_parallel, slices

# Grind lines are a few hundredths of a mm wide (belts and stones of 120-1000 grit; common practice, no source): changes along the edge
# slower than this are light, not lines (mm, standard deviation).
_LINES_MM = 0.12
# Length along the edge over which a pattern is recognised: some forty lines (mm, standard deviation).
ALONG_MM = 0.8
# Slants tried, px a row: grind lines lean up to 35 degrees from square to the edge.
_SLANTS = np.linspace(-0.7, 0.7, 15)
# Lines are followed over this many rows to tell their slant: one column in so many.
_FARTHEST_APART = 40
# A bevel shows on 8 rows at least (`vision.checks`), less the blur at either end: so many of the first rows are surely its own.
_FIRST_ROWS = 5
# Rows moved at a time.
_ROWS_AT_A_TIME = 64
# Columns worked on at a time: their pictures stay in the processor's cache.
_RUN = 1024
# Neighbouring samples repeat each other: demosaicking and blur leave about one independent one in this many, per direction.
REPEATS = 2.5
# Likelihood (natural log) that a pattern must gain before it is believed, and at which it is believed wholly: one in a hundred, in ten
# thousand.
_DOUBTED, _BELIEVED = 4.6, 9.2


@dataclass(frozen=True, eq=False)
class Grain:
    """Where the bevel's grind lines end.

    Attributes
    ----------
    short : (W, C) float
        By how much (natural log of likelihood, 0 at the best row) an end at row w from the apex is less likely, block c.
    trust : (C,) float
        0..1: whether there are lines at all to tell by.
    slant : float
        Direction of the lines, columns a row.
    """

    short: np.ndarray
    trust: np.ndarray
    slant: float


def grain(
    grey: np.ndarray,
    apex: np.ndarray,
    blur_px: float,
    columns_per_mm: float,
    block: int,
    valid: np.ndarray | None = None,
    enlarged: int = 1,
    column_px: int = 1,
) -> Grain:
    """Where the bevel's grind lines end.

    Parameters
    ----------
    grey : (R, S) float
        Straight strip, linear light.
    apex : (S,) float
        Row of the apex.
    blur_px : float
        One standard deviation, rows.
    columns_per_mm : float
    block : int
        Columns folded into one in the answer.
    valid : (R, S) bool, optional
        What the photo shows; the rest has no pattern.
    enlarged : int
        Samples per px of the photo's file, per direction: interpolated ones repeat each other.
    column_px : int
        Photo px to a column.
    """
    return ends_of(pattern_along(grey, apex, columns_per_mm, valid), blur_px, columns_per_mm, block, enlarged, column_px)


def ends_of(pattern: np.ndarray, blur_px: float, columns_per_mm: float, block: int, enlarged: int = 1, column_px: int = 1) -> Grain:
    """As `grain`, of a pattern (W, S) from `pattern_along`."""
    repeats = repeated(enlarged, column_px)
    # One blur radius from the apex 84 % of the light is the bevel's: of a hairline no row can be spared.
    first = int(np.ceil(blur_px))
    slants = _SLANTS / column_px
    slant = _slant(pattern, first, blur_px, slants)
    along = max(ALONG_MM * columns_per_mm / block, 2.0)
    gap = int(np.ceil(1.5 * blur_px)) + 1
    upright = _sheared(pattern, slant)[first:]
    on = run_on(_gain(upright, gap, along, block, repeats))
    begun = _begun(upright, gap, along, block, repeats)
    # A picture of the whole strip: gone before the next one.
    del upright
    # The cheek may have lines of its own, with a slant of its own: what it gains by them counts for an end before it.
    other = _slant(pattern[::-1], 0, blur_px, slants)
    back = run_on(_gain(_sheared(pattern[::-1], other), gap, along, block, repeats))[::-1]
    reach = len(pattern)
    total = np.zeros((reach, on.shape[1]), np.float32)
    total[first:] = on
    for w in range(reach):
        # Row w was moved by the slant: bring its blocks back.
        _turn(total[w], round(slant * w / block), total[w])
        _turn(back[w], round(other * (reach - 1 - w) / block), back[w])
    most = total.max(axis=0)
    back = back * believed(back.max(axis=0))
    total[:-1] += back[1:]
    short = total - total.max(axis=0)
    trust = believed(most)
    # One edge is ground in one way all along: what most of it says.
    strange = _from_the_apex(begun, short, (first, slant), block) < 0.5
    return Grain(short, trust * (strange[trust >= 1.0].mean() <= 0.5) if (trust >= 1.0).any() else trust, slant)


def _begun(pattern: np.ndarray, gap: int, along: float, block: int, repeats: float) -> np.ndarray:
    """(W, C) log likelihood, summed from the apex on, that rows carry the pattern of the very first ones; 0 as far as these reach.

    The pattern of a few rows holds noise of its own, so that how much of it a row carries is free (and at least nothing): half a unit is
    what that freedom gains by chance.
    """
    out = np.zeros((len(pattern), pattern.shape[1] // block), np.float32)
    start = _FIRST_ROWS + gap
    if len(pattern) <= start:
        return out

    def pair(part: slice) -> tuple[np.ndarray, np.ndarray]:
        own = pattern[start:, part]
        return np.broadcast_to(pattern[:_FIRST_ROWS, part].mean(axis=0), own.shape), own

    both, energy, power = _products(pair, out.shape[1], along, block)
    share = np.maximum(both, 0.0) ** 2 / np.maximum(energy * power, 1e-12)
    samples = along * np.sqrt(4.0 * np.pi) * block / repeats
    out[start:] = np.clip(-0.5 * samples * np.log1p(-np.minimum(share, 0.99)) - 0.5, -3.0, 3.0)
    return run_on(out)


def _from_the_apex(begun: np.ndarray, short: np.ndarray, sheared: tuple[int, float], block: int) -> np.ndarray:
    """(C,) 0..1: whether the pattern that ends at the best row is the one that began at the apex.

    Behind a hairline without lines of its own a cheek's pattern goes on from row to row as well: no bevel's lines. Where the best row lies
    within the first ones there is nothing to tell by, and no doubt. `sheared`: first row of `begun`, and its slant.
    """
    first, slant = sheared
    ends, at = short.argmax(axis=0), np.arange(short.shape[1])
    row = np.clip(ends - first, 0, len(begun) - 1)
    # Upright columns: the block at row `ends` was moved by the slant.
    column = (at - np.rint(slant * ends / block).astype(int)) % begun.shape[1]
    said = begun[row, column]
    # Rows that lose again what others gained carry it no longer: tall specks of a cheek go on from row to row as lines do.
    lost = np.maximum.accumulate(begun, axis=0)[row, column] - said
    known = row >= np.argmax(begun.any(axis=1)) + _FIRST_ROWS if begun.any() else np.zeros(len(at), bool)
    return np.where(known, np.minimum(believed(said), 1.0 - believed(lost)), 1.0)


def repeated(enlarged: int, column_px: int) -> float:
    """Samples to an independent one: rows, and columns of so many px."""
    return REPEATS * enlarged * max(REPEATS * enlarged / column_px, 1.0)


def believed(most: np.ndarray) -> np.ndarray:
    """0..1 of a gain in likelihood (natural log)."""
    return np.clip((most - _DOUBTED) / (_BELIEVED - _DOUBTED), 0.0, 1.0)


def pattern_along(grey: np.ndarray, apex: np.ndarray, columns_per_mm: float, valid: np.ndarray | None = None) -> np.ndarray:
    """(W, S) departures from the local mean along the edge, over that mean; row w lies w px from the apex."""
    reach = int(len(grey) - np.ceil(apex.max()))
    x, start = np.arange(grey.shape[1], dtype=np.float32), np.round(apex).astype(np.float32)
    light = np.empty((reach, grey.shape[1]), np.float32)
    # Run by run: the places of a whole strip's cells would be two more pictures in memory.
    for part in slices(reach, _ROWS_AT_A_TIME):
        y = start + np.arange(part.start, part.stop, dtype=np.float32)[:, None]
        # Whole rows: the nearest cell is the cell itself; past the last one it goes on.
        light[part] = cv2.remap(grey, np.broadcast_to(x, y.shape), y, cv2.INTER_NEAREST, borderMode=cv2.BORDER_REPLICATE)
    sigma = _LINES_MM * columns_per_mm
    if valid is None or valid.all():
        return _without_ends(_departures(light, sigma), sigma)
    # Past the photo's border nothing is known: neither a level nor a line. Only as far as levels reach does it matter.
    reach_px, out = int(4.0 * sigma) + 1, np.empty_like(light)
    shown = valid.all(axis=0)
    away = minimum_filter1d(shown.astype(np.uint8), 2 * reach_px + 1, mode="nearest") > 0
    for columns in _runs(away):
        wide = slice(max(columns.start - reach_px, 0), columns.stop + reach_px)
        inner = slice(columns.start - wide.start, columns.stop - wide.start)
        seen = None
        if not shown[wide].all():
            mask = np.ascontiguousarray(valid[:, wide], np.float32)
            y = start[wide] + np.arange(reach, dtype=np.float32)[:, None]
            seen = cv2.remap(mask, np.broadcast_to(x[wide] - wide.start, y.shape), y, cv2.INTER_NEAREST)
        out[:, columns] = _departures(np.ascontiguousarray(light[:, wide]), sigma, seen)[:, inner]
    return out


def _without_ends(pattern: np.ndarray, sigma: float) -> np.ndarray:
    """The pattern, blank where a level has neighbours on one side only: light that changes along the edge would be a line in every row."""
    blank = min(int(3.0 * sigma), pattern.shape[1] // 2)
    pattern[:, :blank] = pattern[:, pattern.shape[1] - blank :] = 0.0
    return pattern


def _runs(shown: np.ndarray) -> list[slice]:
    """Slices of columns (S,) that are alike."""
    ends = np.flatnonzero(np.diff(shown)) + 1
    return [slice(int(a), int(b)) for a, b in zip(np.r_[0, ends], np.r_[ends, len(shown)], strict=True)]


def _departures(light: np.ndarray, sigma: float, seen: np.ndarray | None = None) -> np.ndarray:
    """(W, S) departures from the local mean along the rows, over that mean; none where nothing is `seen` (W, S, 0..1)."""

    def smooth(picture: np.ndarray) -> np.ndarray:
        return cv2.GaussianBlur(picture, (2 * int(3.0 * sigma) + 1, 1), sigmaX=sigma, borderType=cv2.BORDER_REPLICATE)

    level = smooth(light) if seen is None else smooth(light * seen) / np.maximum(smooth(seen), 1e-3)
    np.maximum(level, 1e-3, out=level)
    # Glints count like bright lines, not by their height.
    out = np.divide(light, level, out=level)
    out -= 1.0
    np.clip(out, -0.5, 0.5, out=out)
    return out if seen is None else out * seen


def _slant(pattern: np.ndarray, first: int, blur_px: float, slants: np.ndarray) -> float:
    """The slant, columns a row, at which rows agree best: over a few rows apart any of `slants`, then over more ever finer ones."""
    apart = max(int(np.ceil(3.0 * blur_px)), 4)
    tried, best = slants, 0.0
    while True:
        part = pattern[first : first + 3 * apart]
        if len(part) <= 1.5 * apart:
            return best
        shifts = [round(s * apart) for s in tried]
        gain = {k: _alike(part[:-apart], part[apart:], k) for k in sorted(set(shifts))}
        if apart > _FARTHEST_APART or max(gain.values()) <= 0.0:
            return best
        # The middle of the slants that this many rows do not tell apart.
        most = max(gain, key=lambda k: gain[k])
        best = float(np.mean([s for s, k in zip(tried, shifts, strict=True) if k == most]))
        apart *= 2
        tried = best + np.linspace(-2.0, 2.0, 9) / apart


def _alike(one: np.ndarray, other: np.ndarray, by: int) -> float:
    """Mean product of one picture and another that is turned `by` columns to the left."""
    by %= one.shape[1]
    ends = ((one[:, : one.shape[1] - by], other[:, by:]), (one[:, one.shape[1] - by :], other[:, :by]))
    return sum(float(np.einsum("rs,rs->r", a, b).sum(dtype=np.float64)) for a, b in ends) / one.size


def _sheared(pattern: np.ndarray, slant: float) -> np.ndarray:
    """(W, S) with the lines brought upright: row w moved by ``-slant * w`` columns."""
    out = np.empty_like(pattern)
    for w, row in enumerate(pattern):
        _turn(row, -round(slant * w), out[w])
    return out


def _turn(row: np.ndarray, by: int, out: np.ndarray) -> None:
    """`np.roll(row, by)` into `out`, at a fraction of its overhead; `out` may be `row` itself."""
    by %= len(row)
    if by == 0:
        out[:] = row
        return
    end = row[len(row) - by :].copy()
    out[by:] = row[: len(row) - by].copy()
    out[:by] = end


def _gain(pattern: np.ndarray, gap: int, along: float, block: int, repeats: float) -> np.ndarray:
    """(W, C) log likelihood that row w carries the mean pattern of the rows before it, over that it carries none of it."""
    reach, columns = pattern.shape
    first = gap + 3
    gain = np.zeros((reach, columns // block), np.float32)
    if reach <= first:
        return gain
    counted = np.arange(first - gap, reach - gap, dtype=np.float32)[:, None]

    def pair(part: slice) -> tuple[np.ndarray, np.ndarray]:
        piece = pattern[:, part]
        # Row w - gap - 1 of the running sum holds w - gap rows.
        usual = run_on(piece[: reach - gap - 1].copy())[first - gap - 1 :]
        usual /= counted
        return usual, piece[first:]

    both, energy, power = _products(pair, columns // block, along, block)
    noise = np.maximum(power - np.maximum(both, 0.0), 1e-7)
    # So many independent samples does one row of a window hold.
    samples = along * np.sqrt(4.0 * np.pi) * block / repeats
    gain[first:] = np.clip((2.0 * both - energy) / (2.0 * noise) * samples, -3.0, 3.0)
    return gain


def _products(pair: Callable[[slice], tuple[np.ndarray, np.ndarray]], blocks: int, along: float, block: int) -> list[np.ndarray]:
    """Three (W, C) means of products, smoothed along the edge: of two pictures, the first's square, and the second's.

    `pair` gives both (W, S) for a run of columns; no product of a whole strip is held.
    """

    def of(part: slice) -> list[np.ndarray]:
        usual, own = pair(part)
        product = np.empty(own.shape, own.dtype)
        return [folded(np.multiply(a, b, out=product), block) for a, b in ((usual, own), (usual, usual), (own, own))]

    parts = in_parallel(of, slices(blocks * block, _RUN // block * block))
    return [smooth_along(np.concatenate(p, axis=1), along) for p in zip(*parts, strict=True)]


def folded(product: np.ndarray, block: int) -> np.ndarray:
    """(W, C) means of blocks of columns of (W, S), S a multiple of `block`."""
    return cv2.resize(product, (product.shape[1] // block, len(product)), interpolation=cv2.INTER_AREA)
