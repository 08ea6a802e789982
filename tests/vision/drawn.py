"""A drawn photo with exact truth: strip, lane, bevel and cheek painted from their geometry, blurred, with noise."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

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
        above = ((y - self.apex_mm(x)) * PX_PER_MM).astype(np.float32)
        # Exact coverage of the pixel by a nearly horizontal border.
        blade, cheek = np.clip(above + 0.5, 0, 1), np.clip(above - (self.seen_width_mm * PX_PER_MM - 0.5), 0, 1)
        lines = (1.0 + self.grind * rng.standard_normal((1, width))).astype(np.float32)
        surfaces = np.array([self.lane, self.bevel, self.cheek], np.float32).T
        picture = cv2.merge([lane + blade * (bevel * lines + cheek * (front - bevel * lines) - lane) for lane, bevel, front in surfaces])
        top = round(14.0 * PX_PER_MM)
        part = strip_light(PX_PER_MM)[: height - top, :width]
        picture[top : top + len(part)] = part[..., None]
        picture = cv2.GaussianBlur(picture, (0, 0), self.blur_px)
        return with_noise(picture, self.noise, rng)

    def photo(self, turns: int = 0, name: str = "drawn.png") -> Photo:
        """As a lossless file, turned by `turns` quarters."""
        return as_photo(np.rot90(codes(self.linear()), turns), name)


# A test draws hundreds of pictures: what follows is made for speed.


@cache
def strip_light(px_per_mm: float) -> np.ndarray:
    """(H, W) float32 linear light of the whole printed strip."""
    light = 0.04 + 0.66 * (draw_raster(STRIP, px_per_mm).astype(np.float32) / 255)
    light.setflags(write=False)
    return light


def with_noise(picture: np.ndarray, noise: float, rng: np.random.Generator) -> np.ndarray:
    """(H, W, 3) float32 light with noise of `noise` times its root, as that of photons."""
    grain = rng.standard_normal(picture.shape).astype(np.float32)
    grain *= np.sqrt(np.maximum(picture, 0.02))
    grain *= np.float32(noise)
    grain += picture
    return grain


@cache
def _srgb_codes() -> np.ndarray:
    v = np.arange(65536) / 65535
    return np.rint(255 * np.where(v <= 0.0031308, 12.92 * v, 1.055 * v ** (1 / 2.4) - 0.055)).astype(np.uint8)


def codes(light: np.ndarray) -> np.ndarray:
    """uint8 sRGB of linear light in 0-1, by a table of 65,536 steps: a fortieth of a code at the darkest."""
    return _srgb_codes()[np.clip(light * np.float32(65535) + np.float32(0.5), 0, 65535).astype(np.uint16)]


def as_photo(pixels: np.ndarray, name: str) -> Photo:
    """(H, W, 3) uint8 RGB as a lossless file, unpacked."""
    png = cv2.imencode(".png", np.ascontiguousarray(pixels[..., ::-1]), [cv2.IMWRITE_PNG_COMPRESSION, 0])
    return open_photo(png[1].tobytes(), name)
