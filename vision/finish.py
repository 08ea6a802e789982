"""Where the finish changes from bevel to cheek, beside where the light does. Arrays only: K rows about a line, S columns.

Over a rounded shoulder light ends where the lamp decides; the lines and grain of the grind end where the grind does, whatever the lamp.
Here the finish of both faces near the line is gathered, stretch by stretch; `vision.border` tells where it changes. Light and finish are
two measurements of one corner, each with an uncertainty of its own.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from scipy import fft

from vision.border import BLUR_ENDS, CLEAR, LEAST_ROWS, OWN_ROWS, Stretches, border_place
from vision.cues import DISAGREE, weigh
from vision.flags import StationFlag
from vision.paths import smooth_along
from vision.rounded import centre
from vision.sheet import DARK
from vision.shoulder import ROUNDING_UM, ShoulderLine
from vision.straighten import StraightStrip

# How far from the line the border is looked for: roundings reach up to 50 um (design.md section 10), and the finish changes within half of
# that about the corner; no further than a share of the bevel.
_FARTHEST_MM, _FARTHEST_SHARE = 0.075, 0.4
# Departures are taken from means along the edge of so many blurs: longer waves are shading, not finish.
_MEAN_BLURS = 8.0
# Lags beyond a blur's own correlation, to tell lines by.
_LAGS_BEYOND = 3
# Lamps and grinds stay alike over a centimetre and two (standard deviation, mm). Sums are kept by the millimetre; the border is told
# once in so many.
_STRETCH_MM, _SUM_MM, _EVERY = 6.0, 1.0, 6
# The finish changes within half of the rounding about the corner (as in `turn`; uniform: 0.29 of its reach); of the rounding, `ROUNDING_UM`
# is the standard deviation of where light ends in it (0.58 of the reach).
_WITHIN, _ROUNDINGS = 0.29, 1.73
# On a rounding lines stand out more or less than on their face (its light changes faster with direction), and grain may fade toward a
# border: half a blur, as a standard deviation.
_GROWN = 0.5
# Blurs longer than so many roundings leave less of the finish than of the light.
_BLURRED = 2.0
# Dust and specks are no finish.
_SPECKS = 0.99
# Columns that make a sum worth having.
_LEAST_COLUMNS = 30


@dataclass(frozen=True, eq=False)
class FinishBorder:
    """The border of two finishes along a line, (S,) each, px.

    Attributes
    ----------
    offset_px : (S,) float
        From the line to the border.
    spread_px : (S,) float
        Standard uncertainty of that in this photo, infinite where nothing tells.
    corner_px : (S,) float
        Standard uncertainty of the corner about the border, whatever the photo.
    light_u_px : (S,) float
        Standard uncertainty of the corner about the place where light changes, alike over a stretch.
    """

    offset_px: np.ndarray
    spread_px: np.ndarray
    corner_px: np.ndarray
    light_u_px: np.ndarray


@dataclass(frozen=True, eq=False)
class _Rows:
    """Rows `offset` (K,) from a line in N columns from `first` on: `detail` (K, N), departures as shares of the light; `light` (K, N),
    their means; `there` (N,), whether the column counts."""

    first: int
    offset: np.ndarray
    detail: np.ndarray
    light: np.ndarray
    there: np.ndarray


def with_finish(line: ShoulderLine, border: FinishBorder) -> ShoulderLine:
    """The line moved toward the border by what each is worth; where they speak of different lines, flagged, and the light's alone."""
    # What the light errs by alike over a stretch can be told by the finish there; what it errs by from place to place, and which of two
    # lines it is that ends here, cannot.
    common = border.light_u_px
    others = np.sqrt(np.maximum(line.systematic_px**2 - common**2, 0.0))
    return _weighed(line, common, others, line.row + border.offset_px, np.hypot(border.spread_px, border.corner_px))


def with_finish_of_all(
    line: ShoulderLine, rows: np.ndarray, u_px: np.ndarray, borders: Sequence[FinishBorder], *, alike: bool = False
) -> ShoulderLine:
    """A line that several lights show together, `rows` (P, S) and `u_px` (P, S) that of each, moved toward the border they show.

    The corner lies off the border alike in all of them; where they see it, each errs by itself, but for one and the same light (`alike`).
    """
    told = [np.isfinite(b.spread_px) for b in borders]
    seen = np.array([np.where(t, r + b.offset_px, np.nan) for t, r, b in zip(told, rows, borders, strict=True)])
    place = centre(seen, u_px, np.array([np.where(t, b.spread_px, 0.0) for t, b in zip(told, borders, strict=True)]))
    corner = np.mean([b.corner_px for b in borders], axis=0)
    if alike:
        least = np.min([b.spread_px for b in borders], axis=0)
        corner = np.hypot(corner, np.where(np.isfinite(least), least, 0.0))
    u = np.where(np.isfinite(place.row), np.sqrt(place.u_px**2 + place.systematic_px**2 + corner**2), np.inf)
    return _weighed(line, line.systematic_px, np.zeros(len(u)), place.row, u)


def _weighed(line: ShoulderLine, own: np.ndarray, others: np.ndarray, row: np.ndarray, u: np.ndarray) -> ShoulderLine:
    mean, joint, unlike = weigh(line.row, own, row, u)
    apart = np.isfinite(line.row) & (unlike > DISAGREE)
    known = np.isfinite(line.row) & np.isfinite(row) & np.isfinite(u)
    return replace(
        line,
        row=np.where(known, mean, line.row),
        systematic_px=np.where(known, np.hypot(joint, others), line.systematic_px),
        flags=line.flags | np.where(apart, int(StationFlag.RIVAL_LINE), 0),
        rival_row=np.where(apart & ~np.isfinite(line.rival_row), row, line.rival_row),
    )


def finish_border(strip: StraightStrip, edge_row: np.ndarray, line: ShoulderLine, blur_px: float, px_per_mm: float) -> FinishBorder:
    """Where the finish changes near a shoulder that was found by its light.

    Parameters
    ----------
    strip : StraightStrip
    edge_row : (S,) float
        The apex; NaN where unknown.
    line : ShoulderLine
    blur_px, px_per_mm : float
        Blur of the photo (one standard deviation) and scale at the edge.
    """
    columns = len(line.row)
    nothing = FinishBorder(np.zeros(columns), np.full(columns, np.inf), np.zeros(columns), np.zeros(columns))
    known = np.isfinite(line.row) & np.isfinite(edge_row)
    rounding = ROUNDING_UM * 1e-3 * px_per_mm
    # Px wider than the blur show aliases of the finish.
    if known.sum() < _LEAST_COLUMNS or blur_px > _BLURRED * rounding or strip.enlarged > 1:
        return nothing
    # The narrow tenth of a bevel that widens must not look past its own apex.
    width = float(np.percentile((line.row - edge_row)[known], 10))
    most = min(_FARTHEST_MM * px_per_mm, _FARTHEST_SHARE * width)
    rows = _rows(strip, np.where(_sure(line, known), line.row, np.nan), blur_px, _reach(most, width, blur_px))
    if rows is None:
        return nothing
    columns_per_mm = px_per_mm / strip.column_px
    sums = _sums(rows, math.ceil(BLUR_ENDS * blur_px) + _LAGS_BEYOND, _slant(rows, blur_px), columns_per_mm)
    if not len(sums.at):
        return nothing
    every, at = np.arange(columns), sums.at[min(_EVERY // 2, len(sums.at) - 1) :: _EVERY]
    softness = np.sqrt(np.maximum(np.nan_to_num(line.sigma_px, nan=blur_px) ** 2 - blur_px**2, 0.0))
    length = np.interp(at, every, softness)
    light_u = np.hypot(rounding, 0.5 * length)
    weight = sums.count * np.exp(-0.5 * ((at[:, None] - sums.at) / (_STRETCH_MM * columns_per_mm)) ** 2)
    weight /= weight.sum(axis=1, keepdims=True)
    stretches = Stretches(np.tensordot(weight, sums.covariance, 1), np.exp(weight @ sums.log_light), length, light_u)
    mean, spread = border_place(rows.offset, stretches, blur_px, most, _lane_noise(strip, edge_row, blur_px))
    corner = np.hypot(_WITHIN * _ROUNDINGS * np.maximum(rounding, length), _GROWN * blur_px)
    # Inverses can be interpolated where an uncertainty is infinite.
    told = np.interp(every, at, 1.0 / spread)
    with np.errstate(divide="ignore"):
        return FinishBorder(np.interp(every, at, mean), 1.0 / told, np.interp(every, at, corner), np.interp(every, at, light_u))


def _sure(line: ShoulderLine, known: np.ndarray) -> np.ndarray:
    """(S,) the columns that are pooled: those where no second line is in sight and nobody pointed, if they are half of the `known` ones."""
    doubted = (line.flags & int(StationFlag.RIVAL_LINE | StationFlag.BY_HAND)) > 0
    sure = known & ~doubted
    return sure if 2 * sure.sum() >= known.sum() else known


def _reach(most: float, width: float, blur_px: float) -> tuple[int, int]:
    """Rows kept before and behind the line: all places of the border and a face's own rows beyond, clear of the apex."""
    rows = math.ceil(most + CLEAR * blur_px) + OWN_ROWS
    return min(rows, int(width - 3.0 * blur_px - 1.0)), rows


def _rows(strip: StraightStrip, row: np.ndarray, blur_px: float, reach: tuple[int, int]) -> _Rows | None:
    """The strip about the line `row` (S,), bridged where it is NaN; None where a face has too few rows to be known by."""
    before, behind = reach
    known = np.flatnonzero(np.isfinite(row))
    if before < CLEAR * blur_px + LEAST_ROWS:
        return None
    column = np.arange(known[0], known[-1] + 1)
    line = np.interp(column, known, row[known])
    offset = np.arange(-before, behind + 1)
    y = (line + offset[:, None]).astype(np.float32)
    x = np.broadcast_to(column.astype(np.float32), y.shape)
    light = cv2.remap(np.asarray(strip.grey, np.float32), np.ascontiguousarray(x), y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    inside = (y >= 0).all(axis=0) & (y <= len(strip.valid) - 1).all(axis=0)
    ends = np.clip(np.rint(y[[0, -1]]).astype(int), 0, len(strip.valid) - 1)
    there = inside & strip.valid[ends, column].all(axis=0) & np.isfinite(row[column])
    mean = smooth_along(light, _MEAN_BLURS * blur_px / strip.column_px)
    detail = (light - mean) / (np.maximum(mean, 0.0) + DARK)
    at = int(_SPECKS * (detail.shape[1] - 1))
    most = np.partition(np.abs(detail), at, axis=1)[:, at : at + 1]
    return _Rows(int(known[0]), offset, np.clip(detail, -most, most), np.maximum(mean, 0.0) + DARK, there)


def _lane_noise(strip: StraightStrip, edge_row: np.ndarray, blur_px: float) -> float:
    """The most that shot noise may be by the quietest of the lane's rows (paper may have grain of its own), infinite where none is seen."""
    first = math.ceil(4.0 * blur_px) + 4
    rows = _rows(strip, edge_row - first - OWN_ROWS, blur_px, (OWN_ROWS, OWN_ROWS))
    if rows is None or rows.there.sum() < _LEAST_COLUMNS:
        return math.inf
    return float(np.min((rows.detail[:, rows.there] ** 2).mean(axis=1) * rows.light[:, rows.there].mean(axis=1)))


def _slant(rows: _Rows, blur_px: float) -> float:
    """Columns a row by which the bevel's lines lean: where its rows a few blurs apart are most alike."""
    lag = math.ceil(3.0 * blur_px)
    own = np.flatnonzero(rows.offset <= -lag - 1)
    if not len(own):
        return 0.0
    own, size = own[::2], fft.next_fast_len(rows.detail.shape[1], real=True)
    one, other = (fft.rfft(rows.detail[at] * rows.there, size) for at in (own, own + lag))
    alike = fft.irfft((one.conj() * other).sum(axis=0), size)
    most = min(2 * lag, (rows.detail.shape[1] - 1) // 2)
    shifts = np.arange(-most, most + 1)
    return float(shifts[int(np.argmax(alike[shifts]))]) / lag


@dataclass(frozen=True, eq=False)
class _Sums:
    """By B stretches of the edge: middle column `at` (B,), `covariance` (B, K, L) of row k and row k + l (NaN beyond the last row),
    `log_light` (B, K), columns counted (B,)."""

    at: np.ndarray
    covariance: np.ndarray
    log_light: np.ndarray
    count: np.ndarray


def _sums(rows: _Rows, lags: int, slant: float, columns_per_mm: float) -> _Sums:
    there = rows.there.astype(np.float32)
    start = np.arange(0, len(there), max(int(_SUM_MM * columns_per_mm), _LEAST_COLUMNS))
    count = np.add.reduceat(there, start)
    kept = count >= _LEAST_COLUMNS
    mean = 1.0 / np.maximum(count, 1.0)
    out = np.full((len(start), len(rows.offset), lags), np.nan)
    for lag in range(min(lags, len(rows.offset))):
        other = np.roll(rows.detail[lag:], -round(slant * lag), axis=1)
        other *= there
        other *= rows.detail[: len(other)]
        out[:, : len(other), lag] = (np.add.reduceat(other, start, axis=1) * mean).T
    light = np.add.reduceat(np.log(rows.light) * there, start, axis=1) * mean
    middle = rows.first + start + np.diff(np.append(start, len(there))) / 2.0
    return _Sums(middle[kept], out[kept], light.T[kept], count[kept])
