"""Where the border of two finishes is, by how their departures of light go together. Arrays only: W stretches of an edge, T places of the
border, K rows, L lags between rows.

A face shows its finish as departures of light along the edge, as shares of the light. How they go together, within a row (lag 0, its
variance) and between rows, is the face's own. Blurred across a border, each face's part in that follows from the photo's blur and from how
light the faces are on the way: the darker one's is drowned by the brighter one's until far behind the border. So each place of the border
foretells all covariances near it, and is as likely as it foretells them well (Bayes' rule, the scale of the misfit unknown: Jeffreys 1946).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

# Steps of the border's place, and of the sums across the blur, in blurs.
_STEP, _FINE = 0.5, 0.25
# A blur's own correlation ends within four of its radii; what rows farther apart share are lines.
BLUR_ENDS = 4.0
# A face by itself: rows that the blur of the border does not reach (blurs), so many of them as tell its own nearest to it.
CLEAR, OWN_ROWS, LEAST_ROWS = 2.0, 9, 3
# A border may waver or change slowly, by as much as the blur and more (standard deviations, blurs); all alike before they are seen.
_WAVERS = (0.0, 1.0, 2.0)
# Rows within two blurs of each other tell the same.
_BLURS_A_ROW = 2.0
# Noise is alike to this many px after demosaicking and noise reduction.
_NOISE_PX = 0.7
# A hundredth of what the light tells is nothing.
_TELLS = 0.01
# What demosaicking leaves of a line's place (as in `apex`): where light changes fast, departures by it are no finish.
_DEMOSAIC_PX = 0.1
# Sharpening and JPEG leave ripples of about this share of a step beside it (common practice, no source; JPEG at most 0.075, `sharpness`):
# on its dark side they may be more than a finish.
_RIPPLE = 0.01
# Cells (stretches, places, rows, lags) that are held at once: a few megabytes.
_MOST_CELLS = 80_000
# The light of both faces cannot change faster than this (px): a step.
_STEP_PX = 0.05


@dataclass(frozen=True, eq=False)
class Stretches:
    """What is known of W stretches.

    Attributes
    ----------
    seen : (W, K, L) float
        Covariance of the departures in row k and row k + l; NaN beyond the last row.
    light : (W, K) float
        Mean light of each row, linear.
    length_px : (W,) float
        How much longer than the blur the change of light at the line is, one standard deviation.
    light_u_px : (W,) float
        Standard uncertainty of the corner about the place where light changes, row 0.
    """

    seen: np.ndarray
    light: np.ndarray
    length_px: np.ndarray
    light_u_px: np.ndarray

    def part(self, some: slice) -> Stretches:
        """Some of the stretches."""
        return Stretches(self.seen[some], self.light[some], self.length_px[some], self.light_u_px[some])


def border_place(offset: np.ndarray, stretches: Stretches, blur_px: float, most_px: float, noise: float) -> tuple[np.ndarray, np.ndarray]:
    """(W,) where the finish alone puts the border, rows from the line, and its standard deviation, infinite where it tells nothing.

    Of several places those near the line are meant: another line's is the search's business.

    Parameters
    ----------
    offset : (K,) int
        Rows from the line, toward the second face.
    stretches : Stretches
    blur_px : float
        One standard deviation.
    most_px : float
        How far from the line the border may be.
    noise : float
        The most that shot noise may be: variance of light 1, as a share of it.
    """
    places = np.arange(-most_px, most_px + _STEP * blur_px / 2.0, _STEP * blur_px)
    # No row is quieter than the noise.
    noise = min(noise, float(np.nanmin(stretches.seen[:, :, 0] * stretches.light)))
    at_once = max(_MOST_CELLS // (len(places) * stretches.seen[0].size), 1)
    log = np.vstack(
        [
            _log_chances(offset, stretches.part(slice(i, i + at_once)), places, blur_px, noise)
            for i in range(0, len(stretches.seen), at_once)
        ]
    )
    log = log - 0.5 * (places / stretches.light_u_px[:, None]) ** 2
    known = np.isfinite(log).any(axis=1)
    log = np.where(known[:, None], log, 0.0)
    chance = np.exp(log - log.max(axis=1, keepdims=True))
    chance /= chance.sum(axis=1, keepdims=True)
    mean = chance @ places
    variance = (chance * (places - mean[:, None]) ** 2).sum(axis=1) + (_STEP * blur_px) ** 2 / 12.0
    # What the finish adds to what the light's own uncertainty says: the quotient of two normals.
    told = 1.0 / variance - 1.0 / stretches.light_u_px**2
    known &= told > _TELLS / stretches.light_u_px**2
    place = mean / (variance * np.where(known, told, 1.0))
    # Beyond all places looked at is none: the chances were no normal's.
    known &= np.abs(place) <= most_px
    with np.errstate(invalid="ignore"):
        return np.where(known, place, 0.0), np.where(known, told**-0.5, np.inf)


def _log_chances(offset: np.ndarray, stretches: Stretches, places: np.ndarray, blur_px: float, noise: float) -> np.ndarray:
    """(W, T) log of each place's chance by the finish alone, however the border wavers, up to a constant."""
    parts = _parts(offset, stretches, blur_px, places)
    return np.logaddexp.reduce(
        [_log_chance(offset, stretches.seen, parts, places, (blur_px, wavers * blur_px), noise) for wavers in _WAVERS]
    )


@dataclass(frozen=True, eq=False)
class _Parts:
    """What each face adds to the covariances, (W, T, K, L) for the first and the second: its `lines` and its `grain`, as long as the rows
    and shorter than the blur. And what is no finish, (W, K, L): `jitter` of the line itself, `noise` of light, `ripple` of the step."""

    lines: tuple[np.ndarray, np.ndarray]
    grain: tuple[np.ndarray, np.ndarray]
    jitter: np.ndarray
    noise: np.ndarray
    ripple: np.ndarray


def _parts(offset: np.ndarray, stretches: Stretches, blur_px: float, places: np.ndarray) -> _Parts:
    """By the light of both faces without blur: a step as long as the line is beyond it, between the levels beside the line."""
    lags, count = stretches.seen.shape[2], len(offset)
    fine = np.arange(offset[0] - 4.0 * blur_px, offset[-1] + 4.0 * blur_px, _FINE * blur_px)
    level = _levels(offset, stretches, blur_px)
    length = np.maximum(stretches.length_px, _STEP_PX)
    true = level[:, :1] + (level[:, 1:] - level[:, :1]) * ndtr(fine / length[:, None])
    spread = np.exp(-0.5 * ((offset[:, None] - fine) / blur_px) ** 2)
    spread /= spread.sum(axis=1, keepdims=True)
    second = np.minimum(np.arange(count)[:, None] + np.arange(lags), count - 1)
    before = (fine < places[:, None]).astype(float)
    light = true @ spread.T
    both = (light[:, :, None] * light[:, second])[:, None]
    first = (true[:, None] * before) @ spread.T
    rest = light[:, None] - first
    lines = first[..., None] * first[..., second] / both, rest[..., None] * rest[..., second] / both
    pair = (spread[:, None] * spread[second]).reshape(count * lags, -1)
    pair /= pair.sum(axis=1, keepdims=True)
    square = true[:, None] ** 2
    grain = ((square * before) @ pair.T).reshape(*first.shape, lags) / both
    whole = (square @ pair.T).reshape(len(true), 1, count, lags) / both
    slope = np.gradient(np.log(light), axis=1)
    alike = np.exp(-((np.arange(lags) / (2.0 * _NOISE_PX)) ** 2))
    ripple = (_RIPPLE * (level[:, 1] - level[:, 0]))[:, None, None] ** 2 / both[:, 0]
    return _Parts(lines, (grain, whole - grain), slope[:, :, None] * slope[:, second], alike / np.sqrt(both[:, 0]), ripple)


def _levels(offset: np.ndarray, stretches: Stretches, blur_px: float) -> np.ndarray:
    """(W, 2) light of the faces beside the line, clear of its change."""
    out = np.empty((len(stretches.light), 2))
    for i, (light, length) in enumerate(zip(stretches.light, stretches.length_px, strict=True)):
        beside = 3.0 * blur_px + 2.0 * length
        near = offset < -beside, (offset > beside) & (offset < beside + OWN_ROWS)
        out[i] = [np.median(light[n]) if n.any() else light[end] for n, end in zip(near, (0, -1), strict=True)]
    return out


def _log_chance(
    offset: np.ndarray, seen: np.ndarray, parts: _Parts, places: np.ndarray, widths: tuple[float, float], most_noise: float
) -> np.ndarray:
    """(W, T) log of how well each place foretells what is seen, up to a constant; ``widths``: the blur, how far the border wavers, px."""
    blur_px, wavers_px = widths
    exists = np.isfinite(seen[0])
    seen = np.where(exists, seen, 0.0)
    alone = _alone(offset, exists, places, CLEAR * math.hypot(blur_px, wavers_px))
    enough = np.all([a[:, :, 0].sum(axis=1) >= LEAST_ROWS for a in alone], axis=0)
    ends = math.ceil(BLUR_ENDS * blur_px)
    left, noise = seen[:, None].copy(), parts.noise[:, None].copy()
    for rows, lines, grain in zip(alone, parts.lines, parts.grain, strict=True):
        weight = rows / np.maximum(rows.sum(axis=1, keepdims=True), 1)
        lines, grain = (_wavering(part, places, wavers_px) for part in (lines, grain))
        own = np.einsum("tkl,wkl->wtl", weight, seen)
        long = np.clip(own[..., ends:].mean(axis=2, keepdims=True), 0.0, np.maximum(own[..., :1], 0.0))
        long = np.where(np.arange(own.shape[2]) < ends, np.minimum(long, own), own)
        left = left - long[:, :, None] * lines - (own - long)[:, :, None] * grain
        noise = noise - np.einsum("tkl,wkl->wtl", weight, parts.noise)[:, :, None] * grain
    # A row is believed less by what demosaicking, sharpening and JPEG may do to it beside a step.
    trust = 1.0 / (seen[:, :, 0].mean(axis=1)[:, None, None] + _DEMOSAIC_PX**2 * np.abs(parts.jitter) + parts.ripple)
    trust = np.where(exists, trust / trust.max(axis=(1, 2), keepdims=True), 0.0)
    misfit = _misfit(left * trust[:, None], parts.jitter * trust, noise * trust[:, None], most_noise)
    told = len(offset) / (_BLURS_A_ROW * blur_px)
    return np.where(enough, -0.5 * told * np.log(misfit), -np.inf)


def _alone(offset: np.ndarray, exists: np.ndarray, places: np.ndarray, clear: float) -> tuple[np.ndarray, np.ndarray]:
    """(T, K, L) pairs of rows on one face alone: clear of the border and of the line where light changes."""
    last = offset[:, None] + np.arange(exists.shape[1])
    low, high = np.minimum(places, 0.0)[:, None, None] - clear, np.maximum(places, 0.0)[:, None, None] + clear
    first = offset[:, None]
    return exists & (last <= low) & (last > low - OWN_ROWS), exists & (first >= high) & (first < high + OWN_ROWS)


def _wavering(part: np.ndarray, places: np.ndarray, wavers_px: float) -> np.ndarray:
    """(W, T, K, L) mean of `part` (W, T, K, L) over the places that a border wavers to about each."""
    if not wavers_px:
        return part
    shares = np.exp(-0.5 * ((places[:, None] - places) / wavers_px) ** 2)
    return np.einsum("ts,wskl->wtkl", shares / shares.sum(axis=1, keepdims=True), part, optimize=True)


def _misfit(left: np.ndarray, jitter: np.ndarray, noise: np.ndarray, most_noise: float) -> np.ndarray:
    """(W, T) least squares of `left` (W, T, K, L) less as much `jitter` (W, K, L) and `noise` (W, T, K, L) as serves, none below none."""

    def dot(a: np.ndarray, b: np.ndarray) -> np.ndarray:
        return np.einsum("wtkl,wtkl->wt", a, b)

    whole, bb, b = dot(left, left), dot(noise, noise) + 1e-300, dot(left, noise)
    a, ab = (np.einsum("wtkl,wkl->wt", v, jitter) for v in (left, noise))
    aa = np.einsum("wkl,wkl->w", jitter, jitter)[:, None] + 1e-300
    det = np.maximum(aa * bb - ab**2, 1e-9 * aa * bb)
    # The least lies within what is allowed or on its border: without noise, with as much as serves alone or beside jitter.
    out = np.full(whole.shape, np.inf)
    for share in (np.zeros_like(b), np.clip(b / bb, 0.0, most_noise), np.clip((b * aa - a * ab) / det, 0.0, most_noise)):
        by = np.maximum((a - share * ab) / aa, 0.0)
        out = np.minimum(out, whole - 2.0 * (by * a + share * b) + by**2 * aa + 2.0 * by * share * ab + share**2 * bb)
    return np.maximum(out, 1e-9 * whole)
