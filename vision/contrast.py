"""What both lines share: the mix of colours that shows a step best, and how much of it is burnt out."""

from __future__ import annotations

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter1d

from vision.straighten import StraightStrip

# Brightness as JPEG keeps it (ITU-R BT.601).
_LUMA = np.array([0.299, 0.587, 0.114])
# The part of a colour step that is where its own smearing leaves it, as a variance: what counts as noise of the colour.
_SMEARED = 0.25


def contrast_channel(strip: StraightStrip, line: np.ndarray, blur_px: float) -> np.ndarray:
    """(R, S) the mix of R, G and B that shows the step best: most step energy for its noise, whatever the sign.

    Where brightness shows the step at all, colour hardly counts: phones smooth it over several px and JPEG keeps it at half the
    resolution, which moves a fitted edge by as much as half a px.
    """
    columns = np.arange(len(line))
    gap, reach = 1.5 * blur_px + 1.0, 3
    rows = len(strip.linear)
    before = [np.clip(np.round(line - gap - k).astype(int), 0, rows - 1) for k in range(reach)]
    after = [np.clip(np.round(line + gap + k).astype(int), 0, rows - 1) for k in range(reach)]
    low = np.stack([strip.linear[r, columns] for r in before])
    high = np.stack([strip.linear[r, columns] for r in after])
    step = gaussian_filter1d(high.mean(axis=0) - low.mean(axis=0), 8.0, axis=0, mode="nearest")
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
    return strip.mixed(mix / np.abs(mix).sum())


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
    return gaussian_filter1d(np.array(sides), 3.0, axis=1, mode="nearest")


def structure_share(strip: StraightStrip, row: np.ndarray, reach: int, along: float) -> np.ndarray:
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
    """
    # Means over half a millimetre: every fourth column tells them.
    columns = np.arange(0, len(row), 4)
    line = row[columns]
    offsets = np.arange(-reach, 6 * reach + 1)
    at = np.round(np.nan_to_num(line)).astype(int) + offsets[:, None]
    cell = np.clip(at, 0, len(strip.valid) - 1), columns
    inside = (at == cell[0]) & np.isfinite(line) & strip.valid[cell]
    light = np.where(inside, strip.linear[cell].mean(axis=2), np.float32(0.0))

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
    usual = np.sqrt((np.where(known, others, 0.0) ** 2).sum(axis=0) / np.maximum(known.sum(axis=0), 1))
    share = np.where(own > 0, np.minimum(usual / np.maximum(own, 1e-9), 1.0), 1.0)
    return np.interp(np.arange(len(row)), columns, share)
