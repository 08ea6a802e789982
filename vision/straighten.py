"""The photo resampled along the apex: a column each photo px or few of arc, rows normal to the edge, in linear light."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING

import cv2
import numpy as np

from vision.threads import in_parallel, slices

if TYPE_CHECKING:
    from vision.photo import Photo

# Columns resampled at a time: bounds the crop that is held as float, however the edge crosses the photo.
_CHUNK_COLUMNS = 512
# Rows mixed or averaged at a time.
_CHUNK_ROWS = 64
# Columns averaged before a search.
BLOCK_COLUMNS = 8
# Of detail with a period of two columns a Gaussian blur lets exp(-pi^2 sigma^2 / 2 d^2) through: a ninth where a column is 1.5 blurs wide,
# less than a third where whole px make it 2.
_COLUMN_BLURS = 1.5
# The lines are smoothed along the edge over 0.07 mm: two columns at least to each standard deviation.
_COLUMN_MM = 0.035
# JPEG ringing pulls burnt-out pixels a few codes below the top, so "burnt out" starts 1 % short of it.
_BURNT_FRACTION = 0.99


@dataclass(frozen=True, eq=False)
class StraightStrip:
    """A strip of the photo, straightened along the apex.

    Attributes
    ----------
    linear : (R, S, 3) float32
        RGB in linear light, 0..1. Row 0 lies farthest out on the lane; rows grow into the blade.
    clipped : (R, S) bool
        A channel is burnt out, or all are at black.
    row_of_apex : float
        Row of the curve along which the photo was straightened.
    base_px, normal_px : (S, 2) float
        Photo px of that curve, and the unit normals into the blade:
        ``photo = base_px[s] + (row - row_of_apex) * normal_px[s]``.
    valid : (R, S) bool
        Inside the photo.
    enlarged : int
        How many rows and columns one px of the file takes up (`vision.finer`): so wide are JPEG's blocks, and so far samples repeat.
    column_px : int
        Photo px of arc to a column, whose mean it holds.
    """

    linear: np.ndarray
    clipped: np.ndarray
    row_of_apex: float
    base_px: np.ndarray
    normal_px: np.ndarray
    valid: np.ndarray
    enlarged: int = 1
    column_px: int = 1

    @cached_property
    def grey(self) -> np.ndarray:
        """(R, S) float32 mean of the three channels. Read-only."""
        grey = self.mixed(np.full(3, 1 / 3))
        grey.setflags(write=False)
        return grey

    def mixed(self, mix: np.ndarray) -> np.ndarray:
        """(R, S) float32 sum of the three channels, weighed by `mix` (3,)."""
        out, weights = np.empty(self.valid.shape, np.float32), mix.astype(np.float32)[None]

        def fill(part: slice) -> None:
            out[part] = cv2.transform(self.linear[part], weights)

        in_parallel(fill, slices(len(out), _CHUNK_ROWS))
        return out

    @cached_property
    def blocks(self) -> np.ndarray:
        """(R, C, 3) float32 means of whole blocks of `BLOCK_COLUMNS` columns. Read-only."""
        rows, columns = self.valid.shape
        count = max(columns // BLOCK_COLUMNS, 1)
        blocks, used = np.empty((rows, count, 3), np.float32), min(count * BLOCK_COLUMNS, columns)

        def fill(part: slice) -> None:
            high = min(part.stop, rows) - part.start
            blocks[part] = cv2.resize(self.linear[part, :used], (count, high), interpolation=cv2.INTER_AREA)

        in_parallel(fill, slices(rows, _CHUNK_ROWS))
        blocks.setflags(write=False)
        return blocks

    def to_photo(self, rows: np.ndarray, columns: np.ndarray | None = None) -> np.ndarray:
        """Photo px (N, 2) of the points at `rows` (N,) and `columns` (N,) (every column in order when None)."""
        rows = np.asarray(rows, float)
        if columns is None:
            base, normal = self.base_px, self.normal_px
        else:
            at = np.asarray(columns, float)
            grid = np.arange(len(self.base_px))
            base = np.column_stack([np.interp(at, grid, self.base_px[:, i]) for i in (0, 1)])
            normal = np.column_stack([np.interp(at, grid, self.normal_px[:, i]) for i in (0, 1)])
        return base + (rows - self.row_of_apex)[:, None] * normal

    def from_photo(self, px: np.ndarray) -> np.ndarray:
        """(N, 2) column (whole) and row of photo px (N, 2): on the normal of the nearest point of the curve."""
        px = np.asarray(px, float).reshape(-1, 2)
        column = np.array([np.argmin(((self.base_px - p) ** 2).sum(axis=1)) for p in px], int)
        row = self.row_of_apex + ((px - self.base_px[column]) * self.normal_px[column]).sum(axis=1)
        return np.column_stack([column, row])


def from_behind(strip: StraightStrip) -> StraightStrip:
    """The same strip with its rows in reverse, from the blade to the lane."""
    linear, clipped, valid = (np.ascontiguousarray(a[::-1]) for a in (strip.linear, strip.clipped, strip.valid))
    return replace(
        strip, linear=linear, clipped=clipped, valid=valid, row_of_apex=len(valid) - 1 - strip.row_of_apex, normal_px=-strip.normal_px
    )


def srgb_to_linear_table(levels: int) -> np.ndarray:
    """Linear light 0..1 of each code ``0..levels-1`` (IEC 61966-2-1), float32."""
    code = np.linspace(0.0, 1.0, levels)
    return np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4).astype(np.float32)


def widest_column_px(blur_px: float, px_per_mm: float, enlarged: int = 1) -> int:
    """Photo px of arc to a column, so that what the blur (one standard deviation) leaves of detail along the edge is kept; one in an
    enlarged photo, whose px repeat each other."""
    return 1 if enlarged > 1 else max(min(round(_COLUMN_BLURS * blur_px), int(_COLUMN_MM * px_per_mm)), 1)


def straighten(
    photo: Photo, curve_px: np.ndarray, inward_px: np.ndarray, rows_lane: int, rows_blade: int, column_px: int = 1
) -> StraightStrip:
    """Resample `photo` along a curve.

    Parameters
    ----------
    photo : Photo
        Its ``pixels`` are read: (H, W, 3) RGB, uint8 or uint16, sRGB codes.
    curve_px : (S, 2) float
        The coarse apex, sampled every photo px of arc.
    inward_px : (S, 2) float
        Unit normals pointing into the blade.
    rows_lane, rows_blade : int
        Rows kept before and after the curve.
    column_px : int
        Points of the curve to a column; those left over at its end are left out.

    Returns
    -------
    StraightStrip
        ``rows_lane + rows_blade + 1`` rows; ``row_of_apex == rows_lane``.
    """
    pixels = photo.pixels
    curve = np.asarray(curve_px, float)
    normal = np.asarray(inward_px, float)
    if curve.ndim != 2 or curve.shape[1] != 2 or normal.shape != curve.shape:
        raise ValueError(f"curve_px and inward_px must both be (S, 2), got {curve.shape} and {normal.shape}")
    offsets = np.arange(-rows_lane, rows_blade + 1, dtype=float)
    column_px = min(column_px, max(len(curve), 1))
    rows, columns = len(offsets), len(curve) // column_px
    linear = np.zeros((rows, columns, 3), np.float32)
    clipped = np.zeros((rows, columns), bool)
    height, width = pixels.shape[:2]
    valid = np.zeros((rows, columns), bool)
    table = srgb_to_linear_table(65536 if pixels.dtype == np.uint16 else 256)

    def fill(part: slice) -> None:
        points = slice(part.start * column_px, part.stop * column_px)
        x, y = (_on_normals(offsets, curve[points, i], normal[points, i]) for i in (0, 1))
        inside = (x >= 0) & (y >= 0) & (x <= width - 1) & (y <= height - 1)
        if not inside.any():
            return
        light = linear[:, part] if column_px == 1 else np.empty((*x.shape, 3), np.float32)
        spoilt = _resample(pixels, x, y, table, light)
        if column_px > 1:
            # Halfway between two px is their mean, and several times as fast.
            how = cv2.INTER_LINEAR if column_px == 2 else cv2.INTER_AREA
            cv2.resize(light, (part.stop - part.start, rows), dst=linear[:, part], interpolation=how)
            spoilt, inside = _any_of(spoilt, column_px), ~_any_of(~inside, column_px)
        clipped[:, part], valid[:, part] = spoilt & inside, inside
        if not inside.all():
            linear[:, part][~inside] = 0.0

    in_parallel(fill, slices(columns, _CHUNK_COLUMNS // column_px))
    base, inward = (_means_of(each, column_px) for each in (curve, normal))
    return StraightStrip(linear, clipped, float(rows_lane), base, inward, valid, photo.enlarged, column_px)


def _any_of(mask: np.ndarray, every: int) -> np.ndarray:
    """(R, S) whether any of `every` columns of (R, S * every) is true."""
    return np.logical_or.reduce([mask[:, c::every] for c in range(every)])


def _means_of(points: np.ndarray, every: int) -> np.ndarray:
    """(S, 2) means of `every` points or normals (N, 2), which turn by nothing to speak of; those left over at the end left out."""
    return points if every == 1 else points[: len(points) // every * every].reshape(-1, every, 2).mean(axis=1)


def _on_normals(offsets: np.ndarray, base: np.ndarray, normal: np.ndarray) -> np.ndarray:
    """(R, S) float32 coordinates of the points `offsets` (R,) along the normals."""
    at = offsets[:, None] * normal
    at += base
    return at.astype(np.float32)


def _resample(pixels: np.ndarray, x: np.ndarray, y: np.ndarray, table: np.ndarray, out: np.ndarray) -> np.ndarray:
    """Bicubic samples in linear light at (x, y) into `out`; returns where a burnt-out or black pixel took part."""
    height, width = pixels.shape[:2]
    # Two px beyond the samples: the reach of the bicubic kernel.
    left, right = (int(np.clip(v, 0, width)) for v in (np.floor(x.min()) - 2, np.ceil(x.max()) + 3))
    top, bottom = (int(np.clip(v, 0, height)) for v in (np.floor(y.min()) - 2, np.ceil(y.max()) + 3))
    crop = pixels[top:bottom, left:right]
    if crop.ndim == 2:
        crop = np.repeat(crop[..., None], 3, axis=2)
    crop = np.ascontiguousarray(crop)
    light = cv2.LUT(crop, table) if crop.dtype == np.uint8 else table[crop]
    brightest = len(table) - 1
    # Whole pictures of one channel: a reduction over three channels is many times slower.
    red, green, blue = cv2.split(crop)
    largest = cv2.max(cv2.max(red, green), blue)
    spoilt = (largest >= _BURNT_FRACTION * brightest) | (largest <= (1 - _BURNT_FRACTION) / 2 * brightest)
    x -= left
    y -= top
    cv2.remap(light, x, y, cv2.INTER_CUBIC, dst=out, borderMode=cv2.BORDER_REPLICATE)
    if not spoilt.any():
        return np.zeros(x.shape, bool)
    mask = cv2.remap(255 * spoilt.view(np.uint8), x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    # A quarter of a neighbouring burnt pixel is enough to bend a sample.
    return mask >= 64
