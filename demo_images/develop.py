"""From light on the sensor to a phone's JPEG: exposure, mosaic, noise, demosaic, tone, sharpening, EXIF."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
from PIL import Image

from demo_images.scene import Camera

MAKE, MODEL = "Orrin Optical", "Quill 7"  # invented
_STORED_TURN = {1: 0, 3: 2, 6: 1, 8: 3}  # EXIF orientation -> quarter turns (counter-clockwise) from upright to stored


def srgb(linear: np.ndarray) -> np.ndarray:
    """Linear 0-1 to sRGB 0-1 (IEC 61966-2-1)."""
    return np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * np.maximum(linear, 0.0031308) ** (1 / 2.4) - 0.055)


def mosaic(linear: np.ndarray, camera: Camera, rng: np.random.Generator) -> np.ndarray:
    """(H, W) raw of an RGGB sensor, 0-1 after white balance, with shot and read noise; highlights clip."""
    gain = np.array(camera.white_balance) / min(camera.white_balance)
    raw = np.empty(linear.shape[:2], np.float32)
    for row, column, channel in ((0, 0, 0), (0, 1, 1), (1, 0, 1), (1, 1, 2)):
        electrons = linear[row::2, column::2, channel] / gain[channel] * camera.full_well
        noisy = rng.normal(electrons, np.sqrt(np.maximum(electrons, 0) + camera.read_noise**2))
        raw[row::2, column::2] = np.minimum(noisy / camera.full_well, 1.0) * gain[channel]
    return np.clip(raw, 0.0, 1.0)


def demosaic(raw: np.ndarray) -> np.ndarray:
    """(H, W) RGGB raw 0-1 to (H, W, 3) RGB 0-1 by OpenCV's edge-aware method."""
    # OpenCV names a Bayer pattern by the second row's second and third pixels: RGGB is its "BG".
    return cv2.cvtColor(np.round(raw * 65535).astype(np.uint16), cv2.COLOR_BayerBG2RGB_EA).astype(np.float32) / 65535


def _tone(image: np.ndarray, contrast: float) -> np.ndarray:
    return image + contrast * (image * image * (3 - 2 * image) - image)


def _fringed(linear: np.ndarray, fringe: tuple[float, float]) -> np.ndarray:
    """Red and blue magnified about the middle by ``1 + fringe``, as a lens that bends colours differently does."""
    centre = (np.array(linear.shape[1::-1]) - 1) / 2
    out = linear.copy()
    for channel, extra in ((0, fringe[0]), (2, fringe[1])):
        back = 1 / (1 + extra)
        matrix = np.column_stack([np.eye(2) * back, centre * (1 - back)])
        flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
        out[..., channel] = cv2.warpAffine(linear[..., channel], matrix, linear.shape[1::-1], flags=flags, borderMode=cv2.BORDER_REPLICATE)
    return np.maximum(out, 0)


def _moved(linear: np.ndarray, motion_px: tuple[float, float]) -> np.ndarray:
    """Smeared evenly along a straight movement of the picture."""
    half = int(np.ceil(max(map(abs, motion_px)) / 2)) + 1
    kernel = np.zeros((2 * half + 1, 2 * half + 1), np.float32)
    for t in np.linspace(-0.5, 0.5, 16 * half):
        x, y = half + t * motion_px[0], half + t * motion_px[1]
        kernel[round(y), round(x)] += 1
    return cv2.filter2D(linear, -1, kernel / kernel.sum())


def develop(linear: np.ndarray, camera: Camera, seed: int) -> np.ndarray:
    """(H, W, 3) uint8 sRGB of exposed linear light (white = 1)."""
    rng = np.random.default_rng(seed)
    if any(camera.fringe):
        linear = _fringed(linear, camera.fringe)
    if any(camera.motion_px):
        linear = _moved(linear, camera.motion_px)
    if camera.blur_px > 0:
        linear = cv2.GaussianBlur(linear, (0, 0), camera.blur_px)
    image = demosaic(mosaic(linear * np.array(camera.warmth, np.float32), camera, rng))
    image = _tone(srgb(np.clip(image, 0, 1)), camera.contrast).astype(np.float32)
    if camera.denoise > 0:
        luma = cv2.cvtColor(image, cv2.COLOR_RGB2YCrCb)
        luma[..., 1:] = cv2.GaussianBlur(luma[..., 1:], (0, 0), 2.5)  # phones smooth colour noise far more than brightness
        luma[..., 0] += camera.denoise * (cv2.bilateralFilter(luma[..., 0], 5, 0.05, 1.5) - luma[..., 0])
        image = cv2.cvtColor(luma, cv2.COLOR_YCrCb2RGB)
    luma = cv2.cvtColor(image, cv2.COLOR_RGB2GRAY)
    image = image + camera.sharpen * (luma - cv2.GaussianBlur(luma, (0, 0), camera.sharpen_px))[..., None]
    return np.round(np.clip(image, 0, 1) * 255).astype(np.uint8)


def save(image: np.ndarray, camera: Camera, path: Path) -> None:
    """Write the JPEG as the phone would: stored in its own turn, with the EXIF tags that a reader needs."""
    exif = Image.Exif()
    exif[0x010F], exif[0x0110], exif[0x0112] = MAKE, MODEL, camera.orientation
    details = exif.get_ifd(0x8769)
    if camera.exif_focal:
        details[0xA405] = round(camera.focal_px * 43.27 / float(np.hypot(*camera.size)))
    details[0x9003] = "2026:05:17 10:42:00"
    stored = np.ascontiguousarray(np.rot90(image, _STORED_TURN[camera.orientation]))
    Image.fromarray(stored).save(path, quality=camera.jpeg_quality, subsampling=2, exif=exif)
