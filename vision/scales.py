"""The scale of a photo without the strip: as declared, from two points a known length apart, or from the ticks of a steel rule."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter1d

from vision.errors import DeclarationError, PhotoRefused
from vision.hints import DeclaredScale, check_place, pointing_px
from vision.photo import Photo

_SQRT3 = math.sqrt(3.0)
# Samples a px along the drawn line: finer than any tick's edge.
_PER_PX = 2
# Rows averaged across the line: ticks cross it, dirt does not.
_ACROSS_PX = 2
# Ticks closer than this run into one another in a photo; fewer of them show no clear period.
_LEAST_PERIOD_PX, _LEAST_TICKS = 4.0, 8
# Half of a rule's picture must repeat with the tick spacing: texture, lettering and noise reach a third (tests).
_LEAST_LIKENESS = 0.5
# Half-millimetre ticks are shorter than the others, so a line that grazes them repeats less well at half the period than at the whole.
_AS_GOOD = 0.75
# A tick found farther than this share of the spacing from its place is something else.
_OFF_BEAT = 0.25
# Ticks of one kind differ by ink and light, at random; every second one fainter by a twentieth, and by far more than their scatter
# allows for (the standard error of a difference of means, five times), is another kind: half-millimetre ticks that a line grazes.
_FAINTER, _SIGMAS = 0.05, 5.0
# EC class I steel rule: 0.1 + 0.1 L mm over L metres, rounded up (Directive 73/362/EEC as given in reference-values.md).
_RULE_MM, _RULE_MM_PER_M = 0.1, 0.1


def declared_scale(px_per_mm: float, tolerance_percent: float) -> DeclaredScale:
    """A scale that the person states, rectangular within its tolerance; raises `DeclarationError`."""
    _check_tolerance(f"{tolerance_percent:g}", tolerance_percent)
    return DeclaredScale(
        px_per_mm, tolerance_percent / 100 / _SQRT3, f"declared, {px_per_mm:g} px per mm to within {tolerance_percent:g} %"
    )


def between_points(
    points_px: tuple[tuple[float, float], tuple[float, float]], length_mm: float, tolerance_mm: float, size_px: tuple[int, int]
) -> DeclaredScale:
    """From two points and the length between them.

    Parameters
    ----------
    points_px : two (x, y)
    length_mm, tolerance_mm : float
        The length and how far off it may be (rectangular).
    size_px : (int, int)
        Width and height of the photo: each point is off by up to `pointing_px` of it, rectangular.

    Raises
    ------
    DeclarationError
        A point lies outside the photo, they lie too close together, or the length or its tolerance is impossible.
    """
    for x, y in points_px:
        check_place(f"--scale-between {x:g},{y:g}", (x, y), "the photo", size_px)
    apart = math.dist(*points_px)
    reach = pointing_px(size_px)
    if not (math.isfinite(length_mm) and 0.1 <= length_mm <= 1000.0):
        raise DeclarationError(f"--scale-between ... {length_mm:g}", "the length must lie between 0.1 and 1000 mm", "check it and its unit")
    if apart < 20 * reach:
        rule = f"they are {apart:.0f} px apart, and pointing is good to {reach:.0f} px: the scale would be off by 4 % and more"
        raise DeclarationError("the two points of --scale-between", rule, "point at a longer length")
    _check_tolerance(f"of {tolerance_mm:g} mm", tolerance_mm)
    u = math.hypot(math.sqrt(2.0) * reach / _SQRT3 / apart, tolerance_mm / _SQRT3 / length_mm)
    return DeclaredScale(apart / length_mm, u, f"two points {apart:.0f} px apart, declared as {length_mm:g} ± {tolerance_mm:g} mm")


def _check_tolerance(said: str, tolerance: float) -> None:
    """No ruler, eye or printer gives a scale that is exactly right."""
    if not (math.isfinite(tolerance) and tolerance > 0):
        rule = "it must be more than zero: a scale that is exactly right does not exist"
        raise DeclarationError(f"--scale-tolerance {said}", rule, "say how far off the scale may be")


@dataclass(frozen=True)
class Ticks:
    """Evenly spaced ticks: `count` of them spanned, `spacing_px` apart, its standard uncertainty, how much the spacing grows from
    the first to the last as a share of itself, and whether every second one is of another kind."""

    count: int
    spacing_px: float
    u_px: float
    growth: float
    two_kinds: bool


def rule_scale(photo: Photo, ends_px: tuple[tuple[float, float], tuple[float, float]], spacing_mm: float = 1.0) -> DeclaredScale:
    """From the ticks of a steel rule along a line drawn across them.

    Raises
    ------
    DeclarationError
        The line leaves the photo, or the spacing is impossible.
    PhotoRefused
        No clear period along the line, or ticks of two kinds by turns.
    """
    if not (math.isfinite(spacing_mm) and 0.05 <= spacing_mm <= 50.0):
        raise DeclarationError(f"--scale-rule ... {spacing_mm:g}", "ticks stand 0.05 to 50 mm apart", "check the spacing and its unit")
    for x, y in ends_px:
        if not (0 <= x <= photo.width_px - 1 and 0 <= y <= photo.height_px - 1):
            raise DeclarationError(f"--scale-rule {x:g},{y:g}", f"it lies outside {photo.name}", "draw the line within the photo")
    found = find_ticks(_profile(photo, ends_px))
    if found is None:
        raise PhotoRefused(
            f"{photo.name}: the line along the rule",
            f"no clear, even spacing of {_LEAST_TICKS} ticks or more was found along it",
            "draw it straight across the ticks, along the rule's length and clear of its figures, where they are sharp",
        )
    if found.two_kinds:
        raise PhotoRefused(
            f"{photo.name}: the line along the rule",
            "every second tick along it is fainter: which of them stand as far apart as declared is not clear",
            "draw it where only the longer ticks reach, or where all are alike, and give the spacing of those it crosses",
        )
    length = (found.count - 1) * spacing_mm
    limit = _RULE_MM + _RULE_MM_PER_M * math.ceil(length / 1000.0)
    u = math.sqrt((found.u_px / found.spacing_px) ** 2 + (limit / _SQRT3 / length) ** 2 + (found.growth / 2 / _SQRT3) ** 2)
    source = f"{found.count} ticks of a rule, {found.spacing_px:.2f} px apart, taken as {spacing_mm:g} mm (EC class I)"
    return DeclaredScale(found.spacing_px / spacing_mm, u, source)


def _profile(photo: Photo, ends_px: tuple[tuple[float, float], tuple[float, float]]) -> np.ndarray:
    """(N,) light along the line, `_PER_PX` samples a px, means over a few px across it."""
    (x0, y0), (x1, y1) = ends_px
    length = math.dist(*ends_px)
    if length < _LEAST_TICKS * _LEAST_PERIOD_PX:
        raise DeclarationError(
            "the line of --scale-rule", f"it is only {length:.0f} px long", f"draw it across {_LEAST_TICKS} ticks or more"
        )
    t = np.arange(0.0, length, 1.0 / _PER_PX)
    along, across = np.array([x1 - x0, y1 - y0]) / length, np.array([y0 - y1, x1 - x0]) / length
    offsets = np.arange(-_ACROSS_PX, _ACROSS_PX + 1)
    x = (x0 + t * along[0] + offsets[:, None] * across[0]).astype(np.float32)
    y = (y0 + t * along[1] + offsets[:, None] * across[1]).astype(np.float32)
    # Cut out first: remap takes no picture wider than 32767 px.
    left, top = max(int(x.min()) - 2, 0), max(int(y.min()) - 2, 0)
    part = photo.linear((slice(top, int(y.max()) + 3), slice(left, int(x.max()) + 3))).mean(axis=2)
    rows = [cv2.remap(part, x[:, s : s + 30000] - left, y[:, s : s + 30000] - top, cv2.INTER_CUBIC) for s in range(0, len(t), 30000)]
    return np.concatenate([r.mean(axis=0) for r in rows])


def find_ticks(light: np.ndarray) -> Ticks | None:
    """The even spacing along a profile, from all ticks at once; None when there is no clear one.

    Parameters
    ----------
    light : (N,) float
        `_PER_PX` samples a px.
    """
    period = _period(light)
    if period is None:
        return None
    level = light - gaussian_filter1d(light, period, mode="nearest")
    # Dark ticks on bright steel, or bright on dark: the narrow ones are the ticks.
    ticks = level if float(np.mean(level**3)) > 0 else -level
    ticks = gaussian_filter1d(ticks, max(period / 20, 1.0), mode="nearest")
    at = _centres(ticks, period)
    for _ in range(6):
        if len(at) < _LEAST_TICKS:
            return None
        k = _numbered(at, period)
        spacing, start = np.polyfit(k, at, 1)
        off = np.abs(at - start - spacing * k)
        period = float(spacing)
        if (keep := off < _OFF_BEAT * period).all():
            break
        at = at[keep]
    count = int(k[-1] - k[0]) + 1
    # Two thirds of the places must hold a tick, or the beat is a coincidence.
    if len(at) < max(_LEAST_TICKS, 2 * count / 3) or not (off < _OFF_BEAT * period).all():
        return None
    curve, covariance = np.polyfit(k - k.mean(), at, 2, cov=True)
    growth = 2 * float(curve[0]) * (count - 1) / float(curve[1])
    two_kinds = _by_turns(ticks, at, k, period)
    return Ticks(count, float(curve[1]) / _PER_PX, math.sqrt(float(covariance[1, 1])) / _PER_PX, growth, two_kinds)


def _by_turns(ticks: np.ndarray, at: np.ndarray, k: np.ndarray, period: float) -> bool:
    """Whether every second tick is clearly fainter than those beside it."""
    # By their area, which does not hang on where a tick's middle falls between the pixels.
    middle = np.linspace(-period / 4, period / 4, 33)
    light, around = (np.interp(at[:, None] + d, np.arange(len(ticks)), ticks) for d in (middle, 2 * middle))
    height = light.mean(axis=1) - around.min(axis=1)
    # Against the neighbours' mean: light that changes along the rule cancels.
    inner = (np.diff(k)[:-1] == 1) & (np.diff(k)[1:] == 1)
    against = (height[1:-1] / ((height[:-2] + height[2:]) / 2) - 1)[inner]
    odd, even = (against[k[1:-1][inner] % 2 == turn] for turn in (1, 0))
    if min(len(odd), len(even)) < 3:
        return False
    apart = abs(float(odd.mean() - even.mean())) / 2
    error = math.hypot(odd.std(ddof=1) / math.sqrt(len(odd)), even.std(ddof=1) / math.sqrt(len(even))) / 2
    return apart > max(_FAINTER, _SIGMAS * error)


def _period(light: np.ndarray) -> float | None:
    """Samples after which the profile repeats: the shortest lag that is nearly as good as the best one."""
    rough = light - gaussian_filter1d(light, len(light) / 8, mode="nearest")
    n = len(rough)
    power = np.abs(np.fft.rfft(rough, 2 * n)) ** 2
    share = np.fft.irfft(power)[:n]
    count = np.arange(n, 0, -1)
    if share[0] <= 0:
        return None
    # Each lag over the samples that it compares; beyond half the line too few are left.
    likeness = (share / count / (share[0] / n))[: n // 2]
    low = int(_LEAST_PERIOD_PX * _PER_PX)
    inner = likeness[1:-1]
    peak = np.flatnonzero((inner >= likeness[:-2]) & (inner > likeness[2:])) + 1
    peak = peak[peak >= low]
    if not len(peak) or likeness[peak].max() < _LEAST_LIKENESS:
        return None
    return float(peak[likeness[peak] >= _AS_GOOD * likeness[peak].max()][0])


def _centres(ticks: np.ndarray, period: float) -> np.ndarray:
    """Sub-sample places of the maxima that stand above half of the usual one, half a period apart at least."""
    inner = ticks[1:-1]
    top = np.flatnonzero((inner >= ticks[:-2]) & (inner > ticks[2:])) + 1
    if not len(top):
        return np.zeros(0)
    high = np.sort(ticks[top])[::-1][: max(int(len(ticks) / period), 1)]
    top = top[ticks[top] > 0.4 * np.median(high)]
    out: list[float] = []
    half = max(int(period / 4), 2)
    for i in top[np.argsort(-ticks[top])]:
        if all(abs(i - o) > 0.5 * period for o in out) and half <= i < len(ticks) - half:
            near = np.arange(i - half, i + half + 1)
            weight = np.maximum(ticks[near] - 0.3 * ticks[i], 0.0)
            out.append(float((weight * near).sum() / weight.sum()))
    return np.sort(np.array(out))


def _numbered(at: np.ndarray, period: float) -> np.ndarray:
    """Whole numbers of the ticks, counted on from one to the next so that a spacing slightly off does not add up."""
    return np.concatenate([[0.0], np.cumsum(np.maximum(np.rint(np.diff(at) / period), 1.0))])
