"""A drawn photo with exact truth: strip, lane, bevel and cheek painted from their geometry, blurred, with noise."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from calibration_targets.strip import STRIP, draw_raster
from vision.photo import Photo, open_photo

PX_PER_MM = 60.0
LENGTH_MM, DEPTH_MM = 30.0, 24.0


@dataclass(frozen=True)
class Drawn:
    """Linear light of each surface, where they lie, and how the picture is taken.

    The view is square and parallel: a camera far away. `edge_mm` is the distance of the apex from the strip's near side.
    """

    seen_width_mm: float = 0.9
    edge_mm: float = 4.5
    rise_mm: float = 0.0
    lane: tuple[float, float, float] = (0.7, 0.7, 0.68)
    bevel: tuple[float, float, float] = (0.5, 0.48, 0.52)
    cheek: tuple[float, float, float] = (0.2, 0.2, 0.21)
    grind: float = 0.0
    blur_px: float = 1.1
    noise: float = 0.004
    seed: int = 1

    def apex_mm(self, x: np.ndarray) -> np.ndarray:
        """Y of the apex above the strip's near side: straight, or a belly rising by `rise_mm` over the length."""
        return self.edge_mm + self.rise_mm * (np.maximum(x - 10.0, 0.0) / (LENGTH_MM - 10.0)) ** 2

    def linear(self) -> np.ndarray:
        """(H, W, 3) linear light; the strip's near side lies 14 mm down, X = 0 at the left border's pixel centre."""
        height, width = round(DEPTH_MM * PX_PER_MM), round(LENGTH_MM * PX_PER_MM)
        x = np.arange(width) / PX_PER_MM
        y = 14.0 - np.arange(height)[:, None] / PX_PER_MM
        rng = np.random.default_rng(self.seed)
        above = (y - self.apex_mm(x)) * PX_PER_MM
        beyond = above - self.seen_width_mm * PX_PER_MM
        # Exact coverage of the pixel by a nearly horizontal border.
        blade, cheek = (np.clip(v + 0.5, 0, 1)[..., None] for v in (above, beyond))
        lines = 1.0 + self.grind * rng.standard_normal((1, width, 1))
        picture = (1 - blade) * np.array(self.lane) + blade * ((1 - cheek) * np.array(self.bevel) * lines + cheek * np.array(self.cheek))
        board = draw_raster(STRIP, PX_PER_MM)
        top = round(14.0 * PX_PER_MM)
        part = board[: height - top, :width].astype(float) / 255.0
        picture[top : top + len(part)] = (0.04 + 0.66 * part)[..., None]
        picture = cv2.GaussianBlur(picture, (0, 0), self.blur_px)
        return picture + self.noise * rng.standard_normal(picture.shape) * np.sqrt(np.maximum(picture, 0.02))

    def photo(self, turns: int = 0, name: str = "drawn.png") -> Photo:
        """As a lossless file, turned by `turns` quarters."""
        v = np.clip(self.linear(), 0, 1)
        srgb = np.where(v <= 0.0031308, 12.92 * v, 1.055 * v ** (1 / 2.4) - 0.055)
        pixels = np.rot90(np.round(255 * srgb).astype(np.uint8), turns)
        return open_photo(cv2.imencode(".png", np.ascontiguousarray(pixels[..., ::-1]))[1].tobytes(), name)
