"""What both lines share: the mix of colours that shows a step best, and how much of it is burnt out."""

from __future__ import annotations

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter1d

from vision.straighten import StraightStrip


def contrast_channel(strip: StraightStrip, line: np.ndarray, blur_px: float) -> np.ndarray:
    """(R, S) the mix of R, G and B that shows the step best: most step energy for its noise, whatever the sign."""
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
    energy = step.T @ step
    vector = np.linalg.eigh(np.linalg.solve(np.linalg.cholesky(cov), energy) @ np.linalg.inv(np.linalg.cholesky(cov)).T)[1][:, -1]
    mix = np.linalg.solve(np.linalg.cholesky(cov).T, vector)
    return cv2.transform(strip.linear, (mix / np.abs(mix).sum()).astype(np.float32)[None])


def burnt_share(strip: StraightStrip, row: np.ndarray, blur_px: float) -> np.ndarray:
    """(S,) share of burnt samples on the worse side, 1-5 px + blur from the line."""
    columns = np.arange(len(row))
    top = len(strip.clipped) - 1
    sides = []
    for sign in (-1, 1):
        offsets = sign * (np.arange(1, 6) + blur_px)
        at = np.clip(np.round(np.nan_to_num(row) + offsets[:, None]).astype(int), 0, top)
        sides.append(strip.clipped[at, columns].mean(axis=0))
    return gaussian_filter1d(np.maximum(*sides), 3.0, mode="nearest")
