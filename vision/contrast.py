"""What both lines share: the mix of colours that shows a step best, and how much of it is burnt out."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter1d

from vision.paths import smooth_along
from vision.straighten import StraightStrip

# Brightness as JPEG keeps it (ITU-R BT.601).
_LUMA = np.array([0.299, 0.587, 0.114])
# The part of a colour step that is where its own smearing leaves it, as a variance: what counts as noise of the colour.
_SMEARED = 0.25
# By how much smeared colour may move a line, px (see `contrast_channel`).
SMEARED_PX = 0.5
# A step less than three times those that the faces make by themselves is found among them with doubt (three standard deviations).
LOST_AMONG = 1 / 3
# What a face mirrors changes over so many px or more: several times the windows of the fits (standard deviation).
_STRETCH_PX = 32.0
# Places on either side of a line, each a step's own reach from the next, that tell what steps the faces make by themselves.
_PLACES = 4
# Means over many columns: every fourth one tells them.
_EVERY = 4


@dataclass(frozen=True, eq=False)
class Channel:
    """(R, S) the mix of R, G and B that a line is fitted in, and (S,) where that is a stretch's own, which holds colour."""

    value: np.ndarray
    own: np.ndarray


def contrast_channel(strip: StraightStrip, line: np.ndarray, blur_px: float) -> np.ndarray:
    """(R, S) the mix of R, G and B that shows the step best: most step energy for its noise, whatever the sign.

    Where brightness shows the step at all, colour hardly counts: phones smooth it over several px and JPEG keeps it at half the
    resolution, which moves a fitted edge by as much as half a px.
    """
    return strip.mixed(_photo_mix(strip, line, blur_px))


def contrast_between(strip: StraightStrip, apex: np.ndarray, line: np.ndarray, blur_px: float) -> Channel:
    """As `contrast_channel`, for the line between two faces that may be equally bright along a stretch, in different colours.

    What a polished face mirrors changes along it. Where another mix shows the step more clearly among those that the faces make by
    themselves (grind lines, JPEG), a stretch has that one, if it places the line better, half a px of smeared colour reckoned in.
    """
    mix = _photo_mix(strip, line, blur_px)
    value = strip.mixed(mix)
    at = np.arange(0, len(line), _EVERY)
    better, own = _own_mixes(strip, (at, apex[at], line[at]), blur_px, mix)
    own_at = np.repeat(better, _EVERY)[: len(line)]
    columns = np.flatnonzero(own_at)
    if len(columns):
        # Levels are free in every column, so the mix may change from one to the next.
        value[:, columns] = np.einsum("rsc,sc->rs", strip.linear[:, columns], own[columns // _EVERY])
    return Channel(value, own_at)


def _photo_mix(strip: StraightStrip, line: np.ndarray, blur_px: float) -> np.ndarray:
    """(3,) the mix that shows the step best in the whole photo."""
    columns = np.arange(len(line))
    gap, reach = 1.5 * blur_px + 1.0, 3
    rows = len(strip.linear)
    before = [np.clip(np.round(line - gap - k).astype(int), 0, rows - 1) for k in range(reach)]
    after = [np.clip(np.round(line + gap + k).astype(int), 0, rows - 1) for k in range(reach)]
    low = np.stack([strip.linear[r, columns] for r in before])
    high = np.stack([strip.linear[r, columns] for r in after])
    step = smooth_along((high.mean(axis=0) - low.mean(axis=0))[None], 8.0 / strip.column_px)[0]
    noise = np.concatenate([np.diff(low, axis=1).reshape(-1, 3), np.diff(high, axis=1).reshape(-1, 3)])
    cov = noise.T @ noise / len(noise)
    cov += 0.1 * np.trace(cov) / 3 * np.eye(3) + 1e-10 * np.eye(3)
    chroma = step - (step @ _LUMA)[:, None]
    cov += _SMEARED * chroma.T @ chroma / len(step)
    energy = step.T @ step
    vector = np.linalg.eigh(np.linalg.solve(np.linalg.cholesky(cov), energy) @ np.linalg.inv(np.linalg.cholesky(cov)).T)[1][:, -1]
    mix = np.linalg.solve(np.linalg.cholesky(cov).T, vector)
    # An eigenvector has no sign of its own; what is burnt out must stand above the rest, and levels be shares of full scale.
    mix *= np.copysign(1.0, mix @ _LUMA)
    return mix / np.abs(mix).sum()


def _own_mixes(
    strip: StraightStrip, places: tuple[np.ndarray, np.ndarray, np.ndarray], blur_px: float, mix: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """(N,) whether another mix shows the line in a place, and better than the photo's `mix` (3,) does, and (N, 3) that other one.

    `places`: (N,) column, row of the apex and of the line.
    """
    step, usual, known = _steps_about(strip, places, blur_px)
    along = _STRETCH_PX / strip.column_px / _EVERY
    energy = _along(np.einsum("nc,nd->ncd", step, step), along)
    root = np.linalg.cholesky(usual)
    vector = np.linalg.eigh(np.linalg.solve(root, energy) @ np.linalg.inv(root).swapaxes(1, 2))[1][..., -1]
    own = np.linalg.solve(root.swapaxes(1, 2), vector[..., None])[..., 0]
    own /= np.abs(own).sum(axis=1, keepdims=True)

    def share(mixes: np.ndarray) -> np.ndarray:
        return np.sqrt(_power(mixes, usual) / np.maximum(_power(mixes, energy), 1e-12))

    # A neighbour as strong as the line itself moves a fit by about half of its window's half; weaker ones in proportion.
    moved = 0.5 * (np.ceil(3.0 * blur_px) + 3.0)
    whole, part = share(np.tile(mix, (len(step), 1))), share(own)
    better = (known > 1.0) & (np.hypot(moved * part, SMEARED_PX) < moved * whole) & (part <= LOST_AMONG)
    # Neighbours are averaged: their steps must go the same way.
    return better, own * np.copysign(1.0, np.einsum("nc,nc->n", own, _along(step, along)))[:, None]


def _steps_about(
    strip: StraightStrip, places: tuple[np.ndarray, np.ndarray, np.ndarray], blur_px: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(N, 3) steps across a line, (N, 3, 3) mean squares of those that the faces make by themselves beside it, and from how many rows.

    `places` as for `_own_mixes`.
    """
    at, apex, line = places
    gap = 1.5 * blur_px + 1.0
    apart = 2.0 * (gap + 3.0)

    def step_at(row: np.ndarray) -> np.ndarray:
        mean = [np.mean([_light(strip, row + s * (gap + k), at) for k in range(3)], axis=0) for s in (-1, 1)]
        return smooth_along((mean[1] - mean[0])[None], 2.0 / strip.column_px)[0]

    usual, count = np.zeros((len(at), 3, 3)), np.zeros(len(at))
    for k in (*range(-_PLACES, 0), *range(1, _PLACES + 1)):
        row = line + k * apart
        # The apex and its blur are no part of the face; nor is what lies beyond the strip.
        inside = (row - apart / 2 > apex + 2.0 * blur_px + 1.0) & (row + apart / 2 < len(strip.linear))
        step = step_at(row) * inside[:, None]
        usual += np.einsum("nc,nd->ncd", step, step)
        count += inside
    along = _STRETCH_PX / strip.column_px / _EVERY
    known = _along(count, along)
    usual = _along(usual, along) / np.maximum(known, 1e-6)[:, None, None]
    # Two channels that have always gone together need not do so at the line.
    usual += (0.1 * np.trace(usual, axis1=1, axis2=2)[:, None, None] / 3 + 1e-10) * np.eye(3)
    return step_at(line), usual, known


def _along(values: np.ndarray, places: float) -> np.ndarray:
    """Means over a stretch, so many places long (standard deviation)."""
    return gaussian_filter1d(values, places, axis=0, mode="nearest")


def _light(strip: StraightStrip, row: np.ndarray, column: np.ndarray) -> np.ndarray:
    """(N, 3) light of the cells at whole rows (N,) and columns (N,)."""
    return strip.linear[np.clip(np.rint(row).astype(int), 0, len(strip.linear) - 1), column]


def _power(mix: np.ndarray, square: np.ndarray) -> np.ndarray:
    """(N,) mean squares (N, 3, 3) as a mix (N, 3) sees them."""
    return np.einsum("nc,ncd,nd->n", mix, square, mix)


def burnt_share(strip: StraightStrip, row: np.ndarray, blur_px: float) -> np.ndarray:
    """(S,) share of burnt samples on the worse side, 1-5 px + blur from the line."""
    return burnt_shares(strip, row, blur_px).max(axis=0)


def burnt_shares(strip: StraightStrip, row: np.ndarray, blur_px: float) -> np.ndarray:
    """(2, S) as `burnt_share`, before the line and behind it."""
    columns = np.arange(len(row))
    top = len(strip.clipped) - 1
    sides = []
    for sign in (-1, 1):
        offsets = sign * (np.arange(1, 6) + blur_px)
        at = np.clip(np.round(np.nan_to_num(row) + offsets[:, None]).astype(int), 0, top)
        sides.append(strip.clipped[at, columns].mean(axis=0))
    return smooth_along(np.array(sides), 3.0 / strip.column_px)


def structure_share(
    strip: StraightStrip, row: np.ndarray, reach: int, along: float, value: np.ndarray | None = None, before: np.ndarray | None = None
) -> np.ndarray:
    """(S,) steps that the faces make by themselves over the step at the line, in means along the edge.

    Satin lines run along the edge for millimetres: no averaging along it takes them out, and a fit takes its share of them.

    Parameters
    ----------
    strip : StraightStrip
    row : (S,) float
        The line; NaN counts as no line.
    reach : int
        Rows on either side that a step is taken over, those of the line's own fit.
    along : float
        Standard deviation of the means along the edge, columns.
    value : (R, S) float, optional
        What the line was fitted in, where that is not brightness.
    before : (S,) float, optional
        The face ends at these rows: steps are taken as far as both of their sides lie before them; where none does, the share is 0.
    """
    # Means over half a millimetre: every fourth column tells them.
    columns = np.arange(0, len(row), 4)
    line = row[columns]
    offsets = np.arange(-reach, 6 * reach + 1)
    at = np.round(np.nan_to_num(line)).astype(int) + offsets[:, None]
    cell = np.clip(at, 0, len(strip.valid) - 1), columns
    inside = (at == cell[0]) & np.isfinite(line) & strip.valid[cell]
    light = np.where(inside, strip.linear[cell].mean(axis=2) if value is None else value[cell], np.float32(0.0))

    def averaged(values: np.ndarray) -> np.ndarray:
        return cv2.GaussianBlur(values, (2 * int(along) + 1, 1), sigmaX=along / 4, borderType=cv2.BORDER_REPLICATE)

    weight = averaged(inside.astype(np.float32))
    mean = averaged(light) / np.maximum(weight, 1e-3)
    half = max(reach // 2, 1)
    # Means of half the reach on either side, a row at the line left out.
    total = np.concatenate([np.zeros((1, len(columns))), np.cumsum(mean, axis=0, dtype=float)])
    middle = np.arange(reach, len(offsets) - half - 1)
    step = (total[middle + half + 1] - total[middle + 1] - total[middle] + total[middle - half]) / half
    own, others = np.abs(step[0]), step[reach + half :]
    known = weight[middle[reach + half :]] > 0.5
    if before is not None:
        known &= (at[0] + middle[reach + half :, None] + half + 1) < np.nan_to_num(before[columns])
    usual = np.sqrt((np.where(known, others, 0.0) ** 2).sum(axis=0) / np.maximum(known.sum(axis=0), 1))
    share = np.where(own > 0, np.minimum(usual / np.maximum(own, 1e-9), 1.0), 1.0)
    return np.interp(np.arange(len(row)), columns, share)


def beside_streaks(strip: StraightStrip, row: np.ndarray, before: np.ndarray, blur_px: float, px_per_mm: float) -> np.ndarray:
    """(S,) standard uncertainty, px, of an edge's place `row` (S,) from the bevel's own lines along it; the bevel ends at `before` (S,).

    Lines ground along the edge run beside it for millimetres: no averaging along it takes them out. As at the shoulder, a neighbour as
    strong as the line itself moves a fit by about half of its window's half, weaker ones in proportion (drawn bevels with streaks of 3 to
    8 %: 0.6 and 1.1 times that at 68 %, with blurs of 1.2 and 2.2 px). Told clear of the shoulder's blur; a hairline tells nothing.
    """
    reach = int(np.ceil(3.0 * blur_px)) + 3
    return 0.5 * reach * structure_share(strip, row, reach, px_per_mm / strip.column_px / 2, before=before - 2.0 * blur_px)
