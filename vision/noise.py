"""What steps a blank lane makes by itself: its noise, and what JPEG's colour hides of it. Arrays only."""

from __future__ import annotations

import numpy as np

# One code of JPEG's colour is 1.8 codes of red or blue, 2 to 3 % of light in the middle of the scale; with noise of half a code in the
# single pixels, means of a block scatter by ten times the second figure.
_ONE_CODE, _NO_NOISE = 0.025, 0.0003


def noise_of(steps: np.ndarray) -> np.ndarray:
    """(F,) robust standard deviation of steps (F, N): brightness first (log), then two colours (log ratios).

    A small file's colour is even within its blocks and steps between them: its median is that of the blocks' insides, its ninth decile is
    not. Both are the standard deviation where the noise is a Gaussian's.
    """
    sizes = np.abs(steps)
    if not sizes.shape[1]:
        return np.zeros(len(sizes))
    scale = np.median(sizes, axis=1) / 0.6745
    at = int(0.9 * (sizes.shape[1] - 1))
    scale[1:3] = np.maximum(scale[1:3], np.partition(sizes[1:3], at, axis=1)[:, at] / 1.645)
    return scale


def least_light_step(steps: np.ndarray, light: float, usual: float) -> float:
    """The least step (log) of brightness that tells anything: `usual`, or a code of eight bits where the lane's own (N,) show no noise.

    A file with no room for noise keeps each block of eight px at one code, and the next one at another: no mean of many bridges them.
    `light`: the lane's own, linear.
    """
    if not steps.size or np.median(np.abs(steps)) >= _NO_NOISE:
        return usual
    return max(usual, code_of_light(light))


def code_of_light(light: float) -> float:
    """By how much (log) one code of eight bits changes this linear light; the sRGB curve is close to the power 2.2 (IEC 61966-2-1)."""
    return 2.2 / (255.0 * max(light, 1e-3) ** (1 / 2.2))


def colour_is_coarse(steps: np.ndarray) -> bool:
    """Whether steps (2, N) of a lane's colours show no noise: a phone has smoothed it, or a small file has no room for it."""
    return bool(steps.shape[1] > 0 and np.median(np.abs(steps), axis=1).min() < _NO_NOISE)


def least_colour_step(steps: np.ndarray, usual: float) -> float:
    """The least step of colour that tells anything: `usual`, or a code where the lane's own (2, N) are coarse.

    Colour is then constant over whole blocks and changes by a code: with no noise to bridge the codes a mean of many is no better than one.
    """
    return _ONE_CODE if colour_is_coarse(steps) else usual
