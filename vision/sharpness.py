"""How sharp lines along a straight strip are: what of a step happens within the photo's own blur. Arrays only.

A shadow's penumbra spreads over many px, an edge in focus over a few.
"""

from __future__ import annotations

import cv2
import numpy as np

from vision.noise import code_of_light, least_colour_step, least_light_step, noise_of
from vision.sheet import DARK, LOG_FEATURES
from vision.straighten import BLOCK_COLUMNS, StraightStrip
from vision.threads import side_by_side

# Rows behind the near windows that tell a step from a slope: two thirds of the narrowest bevel's.
_BEHIND_ROWS = 3
# Colour at half resolution in blocks of eight (ITU-T T.81, and how phones use it).
_COLOUR_BLOCK = 16
# JPEG's blocks of eight ring (ITU-T T.81): drawn edges of 10 to 80 codes saved at qualities 65 to 95 leave ripples of up to 0.075 of their
# mean step within the block, and up to 0.36 of what their columns vary by, but no more than 1.5 codes of it.
_BLOCK, _RIPPLE, _VARIED_RIPPLE, _RIPPLE_CODES = 8, 0.09, 0.36, 1.5
# Borders of penumbras reach 6-9 sigma on fine paper; at this share of it they stay below the limit, edges of dark steel do not.
_SHADOW_DOUBT = 0.6
# What varies along the edge over more blocks than these may be the light (a shadow whose border runs askew). Contrasts that differ by less
# than this (log of a variance) are one surface's.
_WAVES_BLOCKS, _LEAST_ONSET = 5, 0.1


def colours(strip: StraightStrip) -> tuple[np.ndarray, np.ndarray]:
    """(R, C, 3) log brightness and two log colour ratios of blocks of columns; (R, C) valid."""
    log = np.log(np.maximum(strip.blocks, 0) + np.float32(DARK))
    count = strip.blocks.shape[1]
    # Eight bytes of one block at a time, all of them true.
    valid = np.ascontiguousarray(strip.valid[:, : count * BLOCK_COLUMNS]).view(np.uint64) == np.uint64(0x0101010101010101)
    return cv2.transform(log, LOG_FEATURES), valid


def sharpness(strip: StraightStrip, blur_px: float, px_per_mm: float, lane_rows: int) -> np.ndarray:
    """(R, C) strength 0..1, by blocks of columns, of lines as sharp as the blur, against the noise of the first `lane_rows`."""
    features, valid = colours(strip)
    steps = grey_steps(strip, blur_px)
    along = short_means(px_per_mm, strip.column_px)
    # Along a drawn line an edge may run askew to the rows: its own step varies along them.
    return sharpness_of_blocks((features, valid, steps), blur_px, lane_rows, along, strip.enlarged, level=False)


def short_means(px_per_mm: float, column_px: int) -> tuple[float, int]:
    """Blocks over which a line is looked for while its course is unknown: means over some px (standard deviation), variances over a mm."""
    return 1.0 / column_px, max(round(px_per_mm / column_px / BLOCK_COLUMNS), 3)


def grey_steps(strip: StraightStrip, blur_px: float) -> tuple[np.ndarray, ...]:
    """Four (R, C): mean and mean square of the single columns' steps in each block, within 1.5 and within 5 blur radii."""
    rows, count = len(strip.valid), strip.valid.shape[1] // BLOCK_COLUMNS
    green = cv2.extractChannel(strip.linear, 1)
    # Two px to a sample at the least: neighbours hold the same noise (demosaicking).
    samples = count * BLOCK_COLUMNS // (2 if strip.column_px == 1 else 1)
    grey = cv2.resize(green[:, : count * BLOCK_COLUMNS], (samples, rows), interpolation=cv2.INTER_AREA)
    out = []
    for gap in gaps(blur_px):
        step = _apart(grey, gap)
        out += [cv2.resize(v, (count, rows), interpolation=cv2.INTER_AREA) for v in (step, step * step)]
    return tuple(out)


def gaps(blur_px: float) -> tuple[int, int]:
    """Rows on either side within which an edge in focus happens, and within which a penumbra does."""
    return int(np.ceil(1.5 * blur_px)), int(np.ceil(5.0 * blur_px)) + 2


def sharpness_of_blocks(
    blocks: tuple[np.ndarray, np.ndarray, tuple[np.ndarray, ...]],
    blur_px: float,
    lane_rows: int,
    along: tuple[float, int],
    enlarged: int,
    *,
    level: bool = True,
) -> np.ndarray:
    """(R, C) strength 0..1 of lines that are as sharp as the blur.

    `blocks`: what `colours` and `grey_steps` gave; `along`: blocks over which means (standard deviation of a Gaussian) and
    variances (a whole window) are taken; `level`: whether the edge runs along the rows, so that where a pattern begins is a line of them.
    """
    features, valid, steps = blocks
    near, far = gaps(blur_px)
    lane = slice(far, max(lane_rows, far + 4))
    # As scipy's Gaussian filter, cut at four standard deviations.
    kernel = cv2.getGaussianKernel(2 * int(4 * along[0] + 0.5) + 1, along[0], cv2.CV_32F)

    known = features[lane][valid[lane]]
    bright = float(np.exp(known[:, 0].mean())) if len(known) else 1.0
    # As a share of the light.
    ripple = _RIPPLE_CODES * code_of_light(bright)

    def mean_step() -> np.ndarray:
        smooth = cv2.sepFilter2D(features, -1, kernel, np.ones(1, np.float32), borderType=cv2.BORDER_REPLICATE)
        sharp = _sharpness_of(np.ascontiguousarray(smooth[..., 0]), near, far)
        limits = _least_step((features, valid), lane, near, bright), sharp, enlarged
        return _mean_step(_apart(smooth, near), _apart(smooth, far), valid, lane, limits)

    evidence, varied, begins = side_by_side(
        mean_step,
        lambda: _sign_free_step(steps, along[1], (lane, valid), (ripple * bright, enlarged)),
        lambda: _onset(np.ascontiguousarray(features[..., 0]), along[1], (lane, valid), (near, far), ripple) if level else None,
    )
    evidence += varied
    if begins is not None:
        evidence += begins
    out = evidence / (evidence + 64.0)
    inside = valid & np.roll(valid, far, axis=0) & np.roll(valid, -far, axis=0)
    out[~inside] = 0
    out[: far + 2] = 0
    out[-far - 2 :] = 0
    return out


def _least_step(blocks: tuple[np.ndarray, np.ndarray], lane: slice, gap: int, bright: float) -> np.ndarray:
    """(3,) steps of brightness and two colours (log) below which none is told, beside the lane's own; `bright`: its light."""
    features, valid = blocks
    rows = slice(0, lane.stop + gap + 3)
    steps = _apart(features[rows], gap)[lane][valid[lane]].T.copy()
    light, colour = least_light_step(steps[0], bright, 0.003), least_colour_step(steps[1:], 0.0015)
    return np.array([light, colour, colour])


def _sharpness_of(light: np.ndarray, near: int, far: int) -> np.ndarray:
    """(R, C) 0..1: how much of a step in brightness is one as sharp as the blur, and not part of a slope.

    A shadow's slope comes from the lane, or goes on into the blade; next to an edge both cancel each other in what changes within 5 blur
    radii on both sides. A hairline's shoulder follows its apex within those 5, but not within the next rows.
    """
    mean = cv2.blur(light, (1, 3), borderType=cv2.BORDER_REPLICATE)
    reach = near + 1
    step = np.abs(_between(mean, reach, reach))

    def share(before: int, after: int) -> np.ndarray:
        wide = np.abs(_between(mean, before, after))
        part = step / np.maximum(np.maximum(wide, step), np.float32(1e-9))
        # Of a straight slope the near windows' distance over that of the wide ones; an edge in focus gives 0.87 and more.
        slope = np.float32(2 * reach / (before + after) + 0.05)
        return np.clip((part - slope) / (np.float32(0.85) - slope), 0.0, 1.0)

    both = np.maximum(share(far + 1, far + 1), share(reach, reach + max(_BEHIND_ROWS, reach)))
    return np.minimum(both, share(far + 1, reach))


def _between(mean: np.ndarray, before: int, after: int) -> np.ndarray:
    """(R, C) by how much it changes from `before` rows before each row to `after` rows behind it; 0 near the ends."""
    out = np.zeros_like(mean)
    out[before : len(mean) - after] = mean[before + after :] - mean[: -before - after]
    return out


def _mean_step(
    small: np.ndarray, large: np.ndarray, valid: np.ndarray, lane: slice, limits: tuple[np.ndarray, np.ndarray, int]
) -> np.ndarray:
    """(R, C) squared significance of steps (R, C, 3) in the mean of a block, from their size within 1.5 and within 5 blur radii.

    `limits`: what `_least_step` and `_sharpness_of` gave, and the rows of a px of the file.
    """
    least, sharp, enlarged = limits
    known = valid[lane]
    # Along contiguous rows: across them a median is several times slower.
    scale = noise_of(small[lane][known].T.copy())
    # Products of small matrices throughout: a reduction over three channels is many times slower.
    z = cv2.transform(small, np.diag(1 / (scale + least)).astype(np.float32))
    # A cast shadow darkens and keeps the colour: darkening alone counts for less than brightening or a change of colour.
    z[..., 0] *= np.where(small[..., 0] < 0, np.float32(_SHADOW_DOUBT), np.float32(1.0))
    square = np.square(z, out=z)
    # How much of the change within 5 blur radii falls within 1.5: an erf of the photo's blur gives 0.87 and more, a ramp as long as 10
    # blur radii 0.4.
    part, whole = np.abs(small), np.abs(large)
    np.maximum(whole, part, out=whole)
    part /= np.maximum(whole, np.float32(1e-9), out=whole)
    bright = _at_most(square[..., 0] * _no_ripple(np.abs(small[..., 0]), _RIPPLE, _BLOCK * enlarged), sharp)
    tint = square[..., 1] + square[..., 2]
    share = (square[..., 1] * part[..., 1] + square[..., 2] * part[..., 2]) / np.maximum(tint, np.float32(1e-9))
    # JPEG keeps colour in blocks: beside a step in brightness, where colour changes is no line of its own.
    line = bright / (bright + np.float32(64.0))
    beside = cv2.dilate(line, np.ones((_COLOUR_BLOCK * enlarged + 1, 1), np.uint8)) - line
    return bright + _at_most(tint, _sharp(share)) * (np.float32(1.0) - beside)


def _no_ripple(step: np.ndarray, ripple: float, block: int) -> np.ndarray:
    """(R, C) 0..1: 0 where a step (R, C) is no more than a `ripple`'s share of the largest one within a block's rows."""
    largest = cv2.dilate(step, np.ones((2 * block + 1, 1), np.uint8))
    return np.clip(step / np.maximum(largest, np.float32(1e-9)) / np.float32(ripple) - np.float32(1.0), 0.0, 1.0)


def _sharp(share: np.ndarray) -> np.ndarray:
    """0..1 from the share of a step that falls within 1.5 blur radii on either side."""
    return np.clip((share - np.float32(0.45)) / np.float32(0.25), 0.0, 1.0)


def _at_most(evidence: np.ndarray, sharp: np.ndarray) -> np.ndarray:
    """Evidence (R, C) whose strength is no more than its sharpness (R, C), 0..1: however clear a ramp is, it is no edge.

    A photo of little noise shows a shadow's slope at hundreds of sigma; of that a tenth would still be a line.
    """
    rest = np.float32(64.0) + evidence * (np.float32(1.0) - sharp)
    evidence *= sharp
    evidence *= np.float32(64.0)
    return np.divide(evidence, rest, out=evidence)


def _sign_free_step(steps: tuple[np.ndarray, ...], along: int, bare: tuple[slice, np.ndarray], jpeg: tuple[float, int]) -> np.ndarray:
    """(R, C) squared significance of steps whose sign changes along the edge: grind lines brighter and darker than the lane.

    The variance of the columns' own steps along a millimetre is compared with the lane's; `bare`: its rows, and what is valid (R, C);
    `jpeg`: the most that ripples vary by, linear light, and the rows of a px of the file.
    """
    (lane, valid), (ripple, enlarged) = bare, jpeg
    # Without the part common to all columns: a shadow's border is alike all along, and the mean has its own test.
    varied = [cv2.blur(square, (along, 1)) - cv2.blur(mean, (along, 1)) ** 2 for mean, square in (steps[:2], steps[2:])]
    own = [np.median(v[lane][valid[lane]]) if valid[lane].any() else np.inf for v in varied]
    share = (varied[0] - own[0]) / np.maximum(np.maximum(varied[1] - own[1], varied[0] - own[0]), 1e-12)
    # Variances: the share of a step of the photo's blur is 0.87 squared, of a long ramp 0.4 squared.
    excess = np.maximum(varied[0] / max(own[0], 1e-12) - 1.0, 0.0)
    # Four times the lane's own variance counts like a step of 8 sigma: paper grain and noise stay within a factor of two.
    own_step = np.sqrt(np.maximum(varied[0] - own[0], 0.0)).astype(np.float32)
    # One channel repeats what coarse colour does.
    excess *= np.maximum(_no_ripple(own_step, _VARIED_RIPPLE, _COLOUR_BLOCK * enlarged), np.clip(own_step / ripple - 1.0, 0.0, 1.0))
    return _at_most(64.0 / 3.0 * excess, np.clip((share - 0.2) / 0.3, 0.0, 1.0))


def _onset(bright: np.ndarray, along: int, bare: tuple[slice, np.ndarray], reach: tuple[int, int], ripple: float) -> np.ndarray:
    """(R, C) squared significance of where a pattern along the edge begins: grind lines, whatever their direction.

    Lines across the edge step at it and go on from row to row. Skewed ones step in every row of the bevel, and the edge is where they
    begin. `bright` (R, C): log light of blocks; `along`, `bare` as in `_sign_free_step`; `reach`: rows of an edge in focus and of a
    penumbra (`gaps`); `ripple`: the most that ripples vary by (log).
    """
    (lane, valid), (near, far) = bare, reach
    # Of what lies outside the photo nothing varies: means there are those of what is seen.
    seen = valid.astype(np.float32)
    share = np.maximum(cv2.blur(seen, (_WAVES_BLOCKS, 1), borderType=cv2.BORDER_REPLICATE), np.float32(1e-3))
    shown = bright * seen
    waves = (bright - cv2.blur(shown, (_WAVES_BLOCKS, 1), borderType=cv2.BORDER_REPLICATE) / share) * seen
    count = np.maximum(cv2.blur(seen, (along, 1), borderType=cv2.BORDER_REPLICATE), np.float32(1e-3))
    power = cv2.blur(waves * waves, (along, 1), borderType=cv2.BORDER_REPLICATE) / count + np.float32(ripple * ripple)
    # A shadow begins nothing: as a share of the light noise grows in it, but by no more than the light falls.
    darker = np.maximum(-_apart(cv2.blur(shown, (along, 1), borderType=cv2.BORDER_REPLICATE) / count, near), 0.0)
    step = _apart(np.log(power), near)
    own = noise_of(step[lane][valid[lane]][None])[0] if valid[lane].any() else np.inf
    evidence = np.square(np.maximum(step - 2.0 * darker, 0.0) / np.float32(own + _LEAST_ONSET))
    # A pattern that comes into focus or fades in begins nowhere.
    part, whole = _apart(power, near), _apart(power, far)
    return _at_most(evidence, _sharp(part / np.maximum(np.maximum(whole, part), np.float32(1e-12))))


def _apart(smooth: np.ndarray, gap: int) -> np.ndarray:
    """Means of three rows, `gap` rows beyond each row less `gap` rows before it."""
    mean = cv2.blur(smooth, (1, 3), borderType=cv2.BORDER_REPLICATE)
    rows, reach = len(mean), gap + 1
    if rows <= 2 * reach:
        return np.roll(mean, -reach, axis=0) - np.roll(mean, reach, axis=0)
    out = np.empty_like(mean)
    np.subtract(mean[2 * reach :], mean[: -2 * reach], out=out[reach:-reach])
    # The ends, which are not used, take the other end's rows.
    np.subtract(mean[reach : 2 * reach], mean[-reach:], out=out[:reach])
    np.subtract(mean[:reach], mean[rows - 2 * reach : rows - reach], out=out[-reach:])
    return out
