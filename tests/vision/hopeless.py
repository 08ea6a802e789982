"""Drawn photos that hold no measurement: no blade, no bevel, no sharpness. `photo` draws the one of a name."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import cv2
import numpy as np
from scipy import fft

from calibration_targets.strip import STRIP, draw_raster
from vision.photo import Photo, open_photo

PX_PER_MM = 60.0
LENGTH_MM, DEPTH_MM, STRIP_AT_MM = 24.0, 23.0, 13.0
WHITE, GREY, DARK = (0.7, 0.7, 0.68), (0.3, 0.3, 0.31), (0.05, 0.05, 0.052)
WOOD, CARD, BLUE, STEEL = (0.33, 0.20, 0.11), (0.5, 0.42, 0.28), (0.08, 0.14, 0.42), (0.42, 0.41, 0.4)


class Canvas:
    """A sheet with the strip, on which things are laid; `y` and `x` are the sheet's mm of each pixel."""

    def __init__(self, lane=WHITE, seed: int = 1) -> None:
        height, width = round(DEPTH_MM * PX_PER_MM), round(LENGTH_MM * PX_PER_MM)
        self.rng = np.random.default_rng(seed)
        self.x = np.broadcast_to(np.arange(width) / PX_PER_MM, (height, width))
        self.y = np.broadcast_to(STRIP_AT_MM - np.arange(height)[:, None] / PX_PER_MM, (height, width))
        self.light = np.ones((height, width, 3), np.float32) * np.asarray(lane, np.float32)
        top = round(STRIP_AT_MM * PX_PER_MM)
        part = _strip_light()[: height - top, :width]
        self.light[top : top + len(part)] = part[..., None]

    def cover(self, above: np.ndarray, colour) -> Canvas:
        """Lay a surface where `above` (mm, signed distance to its border) is positive."""
        share = np.clip(above * PX_PER_MM + 0.5, 0, 1).astype(np.float32)[..., None]
        self.light += share * (np.asarray(colour, np.float32) - self.light)
        return self

    def shade(self, factor: np.ndarray) -> Canvas:
        """Light times `factor` beyond the strip, the strip left as it is."""
        self.light *= np.where(self.y > 0.3, factor, 1.0).astype(np.float32)[..., None]
        return self

    def grain(self, share: float, along_mm: float, across_mm: float) -> np.ndarray:
        """(H, W) unit-mean pattern with the given lengths."""
        # By its spectrum, since a kernel as long as the picture takes seconds.
        down, along = fft.fftfreq(self.x.shape[0])[:, None] * across_mm, fft.rfftfreq(self.x.shape[1]) * along_mm
        bell = np.exp(-2 * (np.pi * PX_PER_MM) ** 2 * (down**2 + along**2))
        noise = fft.irfft2(fft.rfft2(self.rng.standard_normal(self.x.shape)) * bell, self.x.shape)
        return (1.0 + share * noise / noise.std()).astype(np.float32)

    def photo(self, name: str, blur_px: float = 1.1, noise: float = 0.004, kernel: np.ndarray | None = None) -> Photo:
        """The canvas seen through a lens: blurred, with noise, as a lossless file."""
        picture = cv2.GaussianBlur(self.light, (0, 0), blur_px)
        if kernel is not None:
            picture = cv2.filter2D(picture, -1, kernel / kernel.sum(), borderType=cv2.BORDER_REPLICATE)
        grain = self.rng.standard_normal(picture.shape).astype(np.float32)
        v = np.clip(picture + noise * grain * np.sqrt(np.maximum(picture, 0.02)), 0, 1)
        srgb = np.where(v <= 0.0031308, 12.92 * v, 1.055 * v ** (1 / 2.4) - 0.055)
        pixels = np.round(255 * srgb).astype(np.uint8)
        png = cv2.imencode(".png", np.ascontiguousarray(pixels[..., ::-1]), [cv2.IMWRITE_PNG_COMPRESSION, 0])
        return open_photo(png[1].tobytes(), f"{name}.png")


@cache
def _strip_light() -> np.ndarray:
    """(H, W) float32 linear light of the whole printed strip."""
    return 0.04 + 0.66 * (draw_raster(STRIP, PX_PER_MM).astype(np.float32) / 255)


def _blade(c: Canvas, width_mm: float = 0.9, edge_mm: float = 4.5, bevel=(0.5, 0.48, 0.52), cheek=(0.2, 0.2, 0.21)) -> Canvas:
    lines = 1.0 + 0.05 * c.rng.standard_normal((1, c.x.shape[1], 1))
    return c.cover(c.y - edge_mm, np.asarray(bevel) * lines).cover(c.y - edge_mm - width_mm, cheek)


def _motion(length_px: float, angle_deg: float) -> np.ndarray:
    half = int(np.ceil(length_px / 2)) + 1
    kernel = np.zeros((2 * half + 1, 2 * half + 1), np.float32)
    t = np.linspace(-length_px / 2, length_px / 2, 400)
    for dx, dy in zip(t * np.cos(np.radians(angle_deg)), t * np.sin(np.radians(angle_deg)), strict=True):
        kernel[round(half + dy), round(half + dx)] += 1
    return kernel


def _rod(c: Canvas, base, shine: float, radius_mm: float = 3.0) -> Canvas:
    """A rod along the edge with a highlight: brightness follows the slope of a cylinder."""
    s = np.clip((c.y - 4.5 - radius_mm) / radius_mm, -1, 1)
    slope = np.arcsin(s)
    light = 0.25 + 0.75 * np.cos(slope) + shine * np.exp(-0.5 * ((slope + 0.5) / 0.12) ** 2)
    on = np.minimum(c.y - 4.5, 4.5 + 2 * radius_mm - c.y)
    return c.cover(on, np.asarray(base) * light[..., None])


def _ruler(c: Canvas, tick_mm: float = 1.0) -> Canvas:
    c.cover(c.y - 4.5, np.asarray(STEEL) * c.grain(0.03, 2.0, 0.02)[..., None])
    near = np.abs((c.x / tick_mm + 0.5) % 1 - 0.5) * tick_mm
    number = np.round(c.x / tick_mm).astype(int)
    tall = np.where(number % 10 == 0, 6.0, np.where(number % 5 == 0, 4.5, 3.0))
    tick = np.minimum(0.06 - near, np.minimum(c.y - 4.55, 4.5 + tall - c.y))
    return c.cover(tick, (0.03, 0.03, 0.03))


def _wood(c: Canvas) -> np.ndarray:
    return np.asarray(WOOD) * c.grain(0.15, 8.0, 0.08)[..., None]


def _bar(along_mm: float = 2.0, across_mm: float = 0.02, lane=WHITE) -> Canvas:
    c = Canvas(lane)
    return c.cover(c.y - 4.5, np.asarray(STEEL) * c.grain(0.05, along_mm, across_mm)[..., None])


def _contact_shadow(c: Canvas, share: float, reach_mm: float) -> Canvas:
    return c.shade(1.0 - share * np.exp(-np.maximum(5.0 - c.y, 0) / reach_mm) * (c.y < 5))


def _cloth(c: Canvas) -> Canvas:
    return c.cover(c.y - 4.5 - 0.3 * np.sin(c.x), np.asarray((0.3, 0.1, 0.1)) * c.grain(0.2, 0.15, 0.15)[..., None])


def _scratched(c: Canvas) -> Canvas:
    return c.cover(0.03 - np.abs(c.y - 5.6 - 0.03 * c.x), (0.6, 0.6, 0.6))


_SCENES: dict[str, Callable[[], Canvas]] = {
    "empty-white": Canvas,
    "empty-grey": lambda: Canvas(GREY),
    "empty-dark": lambda: Canvas(DARK),
    "empty-wood": lambda: (c := Canvas()).cover(c.y - 1.0, _wood(c)),
    "shadow-border": lambda: (c := Canvas()).shade(1.0 - 0.5 / (1 + np.exp(-(c.y - 5.0) / 0.4))),
    "shadow-band": lambda: (c := Canvas()).shade(1.0 - 0.4 * np.exp(-(((c.y - 6.0) / 1.0) ** 2))),
    "card-edge": lambda: (c := Canvas()).cover(c.y - 5.0, CARD),
    "card-with-shadow": lambda: (c := _contact_shadow(Canvas(), 0.4, 0.3)).cover(c.y - 5.0, CARD),
    "paper-on-paper": lambda: (c := _contact_shadow(Canvas(), 0.15, 0.15)).cover(c.y - 5.0, (0.72, 0.72, 0.7)),
    "paper-on-wood": lambda: (c := Canvas()).cover(c.y - 3.0, _wood(c)).cover(c.y - 7.0, WHITE),
    "wood-board": lambda: (c := Canvas()).cover(c.y - 5.0 - 0.02 * c.x, _wood(c)),
    "pencil-line": lambda: (c := Canvas()).cover(0.12 - np.abs(c.y - 5.0 - 0.01 * c.x), DARK),
    "two-pencil-lines": lambda: (c := Canvas()).cover(0.12 - np.abs(c.y - 5.0), DARK).cover(0.12 - np.abs(c.y - 6.2), DARK),
    "tape": lambda: (c := Canvas()).cover(np.minimum(c.y - 5.0, 11.0 - c.y), (0.45, 0.43, 0.38)),
    "steel-bar": _bar,
    "steel-bar-across": lambda: _bar(0.02, 2.0),
    "mirror-bar": lambda: (c := Canvas(GREY)).cover(c.y - 4.5, (0.75, 0.75, 0.76)),
    "scratched-bar": lambda: _scratched(_bar()),
    "steel-rule": lambda: _ruler(Canvas()),
    "steel-rule-half": lambda: _ruler(Canvas(GREY), 0.5),
    "steel-rod": lambda: _rod(Canvas(), STEEL, 1.2),
    "pen": lambda: _rod(Canvas(), BLUE, 2.0, 4.0),
    "white-rod": lambda: _rod(Canvas(GREY), (0.6, 0.6, 0.6), 0.4),
    "cloth": lambda: _cloth(Canvas()),
    "blade-defocused": lambda: _blade(Canvas()),
    "blade-defocused-narrow": lambda: _blade(Canvas(), 0.3),
    "blade-shaken-across": lambda: _blade(Canvas()),
    "blade-shaken-slantwise": lambda: _blade(Canvas()),
    "blade-soft-behind-sharp-strip": lambda: _soft_blade(),
    "two-blades": lambda: _two_blades(),
    "hairline": lambda: _blade(Canvas(), 0.03),
}
_LENS: dict[str, dict] = {
    "blade-defocused": {"blur_px": 14.0},
    "blade-defocused-narrow": {"blur_px": 8.0},
    "blade-shaken-across": {"kernel": _motion(70, 90)},
    "blade-shaken-slantwise": {"kernel": _motion(90, 50)},
}
NAMES = tuple(_SCENES)


def photo(name: str) -> Photo:
    """The hopeless photo of this name."""
    return _SCENES[name]().photo(name, **_LENS.get(name, {}))


def _two_blades() -> Canvas:
    """One blade to the left, another to the right, 2.5 mm farther back."""
    c = _blade(Canvas())
    other = _blade(Canvas(), edge_mm=7.0)
    c.light = np.where((c.x < 12.0)[..., None], c.light, other.light)
    return c


def _soft_blade() -> Canvas:
    """The strip sharp, the blade far out of focus."""
    c, sharp = _blade(Canvas()), Canvas()
    soft = cv2.GaussianBlur(c.light, (0, 0), 16.0)
    share = np.clip((c.y - 1.2) / 0.8, 0, 1)[..., None]
    c.light = (1 - share) * sharp.light + share * soft
    return c
