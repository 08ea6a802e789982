"""Where a rounded corner is, by what several lights show of it. Arrays only: P lights, S columns along the edge.

Over a rounding the surface turns evenly from one face's direction to the other's. A fit takes the middle of the change of *light*, which
lies somewhere within the rounding: lights that differ say how far it reaches. Corner and reach are estimated together (`vision.reach`):
no light alone can, all of them can.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter1d

from vision.flags import StationFlag
from vision.reach import corner_and_reach
from vision.shoulder import ROUNDING_UM, ShoulderLine
from vision.straighten import StraightStrip

# A uniform spread over +-t has the standard deviation t / sqrt 3.
_ROOT3 = np.sqrt(3.0)
# Focus and halo leave the blur of two lines in one photo alike to this share.
_BLUR_ALIKE = 0.05
# Lamps stand alike to stretches of this length (standard deviation, mm).
_STRETCH_MM = 3.0
# Demosaicking leaves this of any line (as in `apex`).
_LEAST_PX = 0.1
_DARK = 0.01
# Lamps that stand alike leave the ratio of both faces' light alike to what shot noise and codes make of a stretch's mean (log).
_SAME_LIGHT = 0.05
# Poses from the strip and pooled fits bring two photos' lines together to this.
_AGREE_PX = 0.04
# Standard deviation of a mean from its own scatter: what covers 68.27 % with two and more degrees of freedom (JCGM 100, table G.2).
_STUDENT = {3: 1.32, 4: 1.20, 5: 1.14, 6: 1.11}


@dataclass(frozen=True, eq=False)
class Light:
    """One light's word on the line, (S,) each: its random standard uncertainty, the systematic one that is not rounding (rival lines,
    clipping), px; log ratio of bevel over cheek; the line's variance beyond the photo's blur with its uncertainty, px^2; and 1 where a side
    is burnt out, else 0."""

    u_px: np.ndarray
    other_px: np.ndarray
    log_ratio: np.ndarray
    extra_px2: np.ndarray
    extra_u_px2: np.ndarray
    burnt: np.ndarray


@dataclass(frozen=True, eq=False)
class Place:
    """The common line, (S,) each: row, random and systematic standard uncertainty, NaN where no light shows it."""

    row: np.ndarray
    u_px: np.ndarray
    systematic_px: np.ndarray


@dataclass(frozen=True, eq=False)
class Corner:
    """The corner, the reach of its rounding to either side, the lights' root mean square scatter about the corner, px, and whether all
    photos show one and the same light."""

    place: Place
    reach_px: float
    spread_px: float
    alike: bool = False


def seen(strip: StraightStrip, line: ShoulderLine, blur_px: tuple[float, float], px_per_mm: float) -> Light:
    """What one photo says of the shoulder `line` that was fitted in it; `blur_px` is that of its edge and that of the strip's squares.

    Phones sharpen and smooth a strong line otherwise than a weak one, and ink spreads: a line without a rounding may be as soft as either.
    """
    blur_px, squares_px = blur_px
    columns = np.arange(len(line.row))
    known = np.isfinite(line.row)
    row = np.interp(columns, columns[known], line.row[known]) if known.any() else np.zeros(len(columns))
    clear = np.ceil(3.0 * np.clip(np.nan_to_num(line.sigma_px, nan=blur_px), blur_px, 4.0 * blur_px)) + 1.0
    sides = []
    for sign in (-1, 1):
        at = np.round(row + sign * (clear + np.arange(5)[:, None])).astype(int)
        light = strip.linear[np.clip(at, 0, len(strip.linear) - 1), columns].mean(axis=(0, 2))
        sides.append(gaussian_filter1d(light, 2.0 * line.pool if np.isfinite(line.pool) else 8.0, mode="nearest"))
    ratio = np.log((np.maximum(sides[0], 0) + _DARK) / (np.maximum(sides[1], 0) + _DARK))
    reach = _ROOT3 * np.sqrt(np.maximum(np.nan_to_num(line.sigma_px) ** 2 - blur_px**2, 0.0))
    rounding = (1e-3 * ROUNDING_UM * px_per_mm) ** 2 + (0.5 * reach / _ROOT3) ** 2
    other = np.sqrt(np.maximum(np.nan_to_num(line.systematic_px) ** 2 - rounding, 0.0))
    extra = line.sigma_px**2 - (blur_px**2 + squares_px**2) / 2.0
    either = abs(blur_px**2 - squares_px**2) / np.sqrt(12.0)
    extra_u = np.hypot(2.0 * _BLUR_ALIKE * line.sigma_px**2, either)
    burnt = ((line.flags & int(StationFlag.CLIPPED)) > 0).astype(float)
    return Light(line.u_px, other, ratio, np.where(known, extra, np.nan), extra_u, burnt)


def corner(rows: np.ndarray, lights: Sequence[Light], px_per_mm: float, column_px: int = 1) -> Corner:
    """The corner from the rows (P, S) at which the lights show it, a column each so many px.

    A light errs alike over a stretch of the edge, so each stretch has one offset a light; within it the rows are averaged by their random
    uncertainty, and the systematic one is the posterior's.
    """
    random = np.array([np.hypot(np.nan_to_num(v.u_px), _LEAST_PX) for v in lights])
    weight = np.where(np.isfinite(rows), 1.0 / random**2, 0.0)
    columns_per_mm = px_per_mm / column_px
    every = max(int(columns_per_mm), 1)
    at = np.arange(every // 2, rows.shape[1], every)
    along = _STRETCH_MM * columns_per_mm
    middle = (weight * np.nan_to_num(rows)).sum(axis=0) / np.maximum(weight.sum(axis=0), 1e-12)
    offset = _stretches(rows - middle, weight, along)
    ratio = _stretches(np.array([v.log_ratio for v in lights]), weight, along)
    spread = [_stretches(np.array(v), weight, along) for v in zip(*((w.extra_px2, w.extra_u_px2, w.burnt) for w in lights), strict=True)]
    noise = np.sqrt(_stretches(np.array([v.other_px**2 for v in lights]), weight, along) + _AGREE_PX**2)
    group = _same_lights(ratio)
    alike = bool(np.isfinite(ratio).all(axis=0).any()) and len(lights) > 1 and int(group.max()) == 0
    # Photos of one light are one word on the corner, not several.
    several = 0 < int(group.max()) < len(lights) - 1
    said = [_of_groups(v, group) if several else v for v in (offset, ratio, *spread, noise)]
    found = [corner_and_reach(v[0], v[1], (v[2], v[3], v[4] > 0.5), v[5], px_per_mm) for v in ([a[:, k] for a in said] for k in at)]
    found = np.array(found).reshape(-1, 3)
    columns = np.arange(rows.shape[1])
    shift, u_shift, reach = (np.interp(columns, at, found[:, i]) for i in range(3))
    levelled = rows - np.where(np.isfinite(offset), offset, 0.0)
    row = (weight * np.nan_to_num(levelled)).sum(axis=0) / np.maximum(weight.sum(axis=0), 1e-12) + shift
    u = 1.0 / np.sqrt(np.maximum(weight.sum(axis=0), 1e-12))
    nothing = ~np.isfinite(rows).any(axis=0)
    place = Place(*(np.where(nothing, np.nan, v) for v in (row, u, np.hypot(u_shift, _LEAST_PX))))
    offset = offset[:, np.isfinite(offset).any(axis=0)]
    apart = offset - np.nanmean(offset, axis=0) if offset.size else np.zeros((1, 1))
    return Corner(place, float(np.median(reach)), float(np.sqrt(np.nanmean(apart**2))), alike)


def _same_lights(ratio: np.ndarray) -> np.ndarray:
    """(P,) number, from 0 on, of the light that each photo shows, by the log ratios (P, S) of both faces: exposure leaves a ratio alone, a
    lamp that was moved does not."""
    count = len(ratio)
    group = np.arange(count)
    both = ratio[:, np.isfinite(ratio).all(axis=0)]
    for i in range(count):
        for j in range(i):
            if both.shape[1] and np.median(np.abs(both[i] - both[j])) < _SAME_LIGHT:
                group[group == group[i]] = group[j]
    return np.unique(group, return_inverse=True)[1]


def _of_groups(values: np.ndarray, group: np.ndarray) -> np.ndarray:
    """(G, S) means of the photos' values (P, S) over those of one light, NaN where none of them has one."""
    known = np.isfinite(values)
    members = (group == np.arange(group.max() + 1)[:, None]).astype(float)
    count = members @ known
    return np.where(count > 0, members @ np.where(known, values, 0.0) / np.maximum(count, 1.0), np.nan)


def _stretches(values: np.ndarray, weight: np.ndarray, along: float) -> np.ndarray:
    """(P, S) weighted means of values (P, S) along the edge; NaN where a light shows nothing near."""
    weight = np.where(np.isfinite(values), weight, 0.0)
    total = gaussian_filter1d(weight, along, axis=1, mode="nearest")
    mean = gaussian_filter1d(weight * np.nan_to_num(values), along, axis=1, mode="nearest")
    return np.where(total > 1e-6 * max(float(weight.max()), 1e-12), mean / np.maximum(total, 1e-12), np.nan)


def centre(rows: np.ndarray, random: np.ndarray, systematic: np.ndarray) -> Place:
    """Robust weighted mean (S,) of rows (P, S), NaN where a light shows nothing; its uncertainty from their scatter where that is more than
    their own say together."""
    known = np.isfinite(rows)
    count = known.sum(axis=0)
    weight = _weights(rows, random, systematic)
    total = np.maximum(weight.sum(axis=0), 1e-12)
    filled = np.where(known, rows, 0.0)
    row = (weight * filled).sum(axis=0) / total
    u = np.sqrt((weight**2 * np.where(known, random, 0.0) ** 2).sum(axis=0)) / total
    scatter = np.sqrt((weight * np.where(known, filled - row, 0.0) ** 2).sum(axis=0) / total)
    scatter = np.sqrt(gaussian_filter1d(scatter**2, 20.0, mode="nearest"))
    own = np.sqrt((weight**2 * np.where(known, systematic, 0.0) ** 2).sum(axis=0)) / total
    student = np.array([_STUDENT.get(int(c), 1.0) for c in np.minimum(count, 6)])
    by_scatter = student * scatter / np.sqrt(np.maximum(count - 1, 1))
    # What all lights share (sharpening, a tone curve, one lamp) makes no scatter.
    together = np.hypot(np.maximum(own, np.where(count >= 3, by_scatter, scatter)), _LEAST_PX)
    nothing = count == 0
    return Place(*(np.where(nothing, np.nan, v) for v in (row, u, together)))


def _weights(rows: np.ndarray, random: np.ndarray, systematic: np.ndarray) -> np.ndarray:
    """(P, S) inverse variances, less for a light that stands apart from the others by more than they claim (Cauchy)."""
    known = np.isfinite(rows)
    variance = np.where(known, np.nan_to_num(random) ** 2 + np.nan_to_num(systematic) ** 2 + _LEAST_PX**2, np.inf)
    base = 1.0 / variance
    filled = np.where(known, rows, 0.0)
    middle = _weighted_median(rows, base)
    weight = base
    for _ in range(3):
        weight = base / (1.0 + np.where(known, (filled - middle) ** 2, 0.0) / variance)
        weight = np.where(known, weight, 0.0)
        middle = (weight * filled).sum(axis=0) / np.maximum(weight.sum(axis=0), 1e-12)
    return weight


def _weighted_median(rows: np.ndarray, weight: np.ndarray) -> np.ndarray:
    order = np.argsort(np.where(np.isfinite(rows), rows, np.inf), axis=0)
    sorted_rows, sorted_weight = np.take_along_axis(rows, order, 0), np.take_along_axis(weight, order, 0)
    share = np.cumsum(sorted_weight, axis=0) - 0.5 * sorted_weight
    at = np.argmax(share >= 0.5 * sorted_weight.sum(axis=0), axis=0)
    # Of two equals, the lower would be taken; their mean favours neither, and the weights that follow start from it.
    return np.nan_to_num(np.take_along_axis(sorted_rows, at[None], 0)[0])
