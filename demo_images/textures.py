"""What surfaces look like: grind lines as tiles of slopes, paper, cloth, wood, and the printed strip. Arrays only.

Tiles are periodic (made by filtering white noise in the frequency domain), so that a face of any length can repeat them.
"""

from __future__ import annotations

import zlib
from functools import lru_cache

import cv2
import numpy as np
from PIL import Image, ImageDraw, ImageFont
from scipy.fft import irfft2, rfft2

from calibration_targets.strip import STRIP
from demo_images.scene import Finish, Mark, Target

CELL_MM = (STRIP.square_mm - STRIP.marker_mm) / 2  # squares, borders and marker bits of this strip all lie on one lattice
SHEET_PX_PER_MM = 120  # 45 px a cell: finer than the photo's own pixels (about 95 a mm)


def seed_of(*parts: object) -> int:
    """A stable seed from names and numbers (Python's own ``hash`` changes from run to run)."""
    return zlib.crc32(repr(parts).encode())


def periodic_noise(shape: tuple[int, int], sigma_px: tuple[float, float], seed: int) -> np.ndarray:
    """(rows, columns) float32 periodic Gaussian field of zero mean and unit rms, correlated over ``sigma_px`` (rows, columns)."""
    white = np.random.default_rng(seed).standard_normal(shape, dtype=np.float32)
    fy, fx = np.fft.fftfreq(shape[0])[:, None], np.fft.rfftfreq(shape[1])[None, :]
    gain = np.exp(-2 * np.pi**2 * ((fy * sigma_px[0]) ** 2 + (fx * sigma_px[1]) ** 2)).astype(np.float32)
    field = irfft2(rfft2(white) * gain, s=shape).astype(np.float32)
    return (field - field.mean()) / field.std()


def finish_tile(finish: Finish, seed: int) -> tuple[np.ndarray, np.ndarray, tuple[float, float]]:
    """One tile of a finish, columns along its lines and rows across them.

    Returns
    -------
    slopes : (rows, columns, 2) float32
        Slope along and across the lines.
    reflectance : (rows, columns, 3) float32
    size_mm : (along, across)
    """
    isotropic = finish.length_mm < 4 * finish.spacing_mm
    along, across = (24.0, 24.0) if isotropic else (40.0, 24.0)
    rows = int(across * (60 if isotropic else 170))
    columns = int(along * min(60, max(10, 6 / finish.length_mm)))
    per_mm = columns / along, rows / across
    slope = np.zeros((rows, columns), np.float32)
    # Grit comes in sizes: three generations of lines, each coarser and rarer.
    for i, (scale, weight) in enumerate(((0.6, 0.6), (1.0, 0.7), (2.6, 0.45))):
        sigma = (max(0.6, finish.spacing_mm * scale * per_mm[1] / 2), max(0.6, finish.length_mm * scale * per_mm[0] / 2))
        noise = periodic_noise((rows, columns), sigma, seed_of("lines", seed, i))
        slope += weight * ((1 - finish.deep) * noise + finish.deep * 0.35 * noise * np.abs(noise) ** 1.6)
    slope *= finish.slope_rms / slope.std()
    sigma = (max(0.6, finish.spacing_mm * 2 * per_mm[1]), max(0.6, finish.length_mm * per_mm[0] / 2))
    mottle = 1 + finish.mottle * periodic_noise((rows, columns), sigma, seed_of("mottle", seed))
    along_slope = slope.T if isotropic and rows == columns else 0.12 * np.roll(slope, columns // 3, axis=1)
    reflectance = np.clip(mottle, 0.2, 1.6)[..., None] * np.array(finish.reflectance, np.float32)
    return np.stack([along_slope, slope], axis=-1), np.clip(reflectance, 0.0, 0.98).astype(np.float32), (along, across)


def normal_map(slopes: np.ndarray) -> np.ndarray:
    """(rows, columns, 3) float32 tangent-space normals coded 0 to 1."""
    normal = np.concatenate([-slopes, np.ones((*slopes.shape[:2], 1), np.float32)], axis=-1)
    normal /= np.linalg.norm(normal, axis=-1, keepdims=True)
    return (normal + 1) / 2


def strip_cells() -> np.ndarray:
    """(40, 384) uint8 of the whole strip, one value a cell, first row nearest the edge."""
    per_square = round(STRIP.square_mm / CELL_MM)
    shape = (STRIP.columns * per_square * 10, STRIP.rows * per_square * 10)
    return STRIP.charuco().generateImage(shape, marginSize=0)[5::10, 5::10]


def _tiled(tile: np.ndarray, x_mm: np.ndarray, y_mm: np.ndarray, per_mm: float) -> np.ndarray:
    columns = np.floor(x_mm * per_mm).astype(int) % tile.shape[1]
    rows = np.floor(y_mm * per_mm).astype(int) % tile.shape[0]
    return tile[np.ix_(rows, columns)]


@lru_cache(maxsize=16)  # 6 MB each
def grain(kind: str, seed: int) -> tuple[np.ndarray, float]:
    """(1200, 1200) float32 tile of relative brightness about 1 and its px per mm."""
    if kind == "wood":
        fibre = periodic_noise((1200, 1200), (1.2, 60), seed_of("fibre", seed))
        ring = periodic_noise((1200, 1200), (14, 260), seed_of("ring", seed))
        pore = np.clip(periodic_noise((1200, 1200), (0.9, 14), seed_of("pore", seed)) - 1.6, 0, None)
        return np.clip(1 + 0.10 * fibre + 0.22 * np.sin(3.1 * ring) - 0.45 * pore, 0.15, 1.8), 30.0
    if kind == "cloth":
        y, x = np.mgrid[0:1200, 0:1200] / 30.0
        weave = np.sin(2 * np.pi * x * 2.5) * np.sin(2 * np.pi * y * 2.5)
        return np.clip(1 + 0.18 * weave + 0.10 * periodic_noise((1200, 1200), (3, 3), seed_of("cloth", seed)), 0.2, 1.8), 30.0
    fibre = periodic_noise((1200, 1200), (2.0, 2.0), seed_of("paper", seed))
    fine = periodic_noise((1200, 1200), (0.7, 0.7), seed_of("paper fine", seed))
    cloud = periodic_noise((1200, 1200), (25, 25), seed_of("paper cloud", seed))
    return 1 + 0.014 * fibre + 0.012 * fine + 0.008 * cloud, 30.0


@lru_cache(maxsize=2)  # two thirds of a small picture's time went into making the same sheet again; 150 MB each
def sheet_texture(target: Target, x_range: tuple[float, float], y_range: tuple[float, float], px_per_mm: float) -> np.ndarray:
    """(rows, columns, 3) float32 reflectance of the sheet; first row at the greatest Y; ranges in true mm."""
    columns = round((x_range[1] - x_range[0]) * px_per_mm)
    rows = round((y_range[1] - y_range[0]) * px_per_mm)
    x = x_range[0] + (np.arange(columns) + 0.5) / px_per_mm
    y = y_range[1] - (np.arange(rows) + 0.5) / px_per_mm
    fibres, per_mm = grain("paper", target.seed)
    paper = _tiled(fibres, x, y, per_mm).astype(np.float32)
    cells = np.pad((strip_cells() > 127).astype(np.float32), 1, constant_values=1.0)
    across = _coverage(x, 1 / px_per_mm, cells.shape[1], CELL_MM * target.print_scale[0])
    down = _coverage(-y, 1 / px_per_mm, cells.shape[0], CELL_MM * target.print_scale[1])
    white = down @ cells @ across.T
    white *= _scale_marks(target, x, y)
    white = cv2.GaussianBlur(white, (0, 0), 0.008 * px_per_mm)  # toner spreads by about 8 um (from memory)
    toner, per_mm = grain("paper", target.seed + 1)
    ink = target.ink * (1 + 4 * (_tiled(toner, x, y, per_mm) - 1))
    image = (white * paper)[..., None] * np.array(target.paper, np.float32) + ((1 - white) * ink)[..., None].astype(np.float32)
    if target.lane_kind != "paper" or target.lane != target.paper:
        lane, per_mm = grain(target.lane_kind, target.seed + 2)
        outside = y > target.lane_from_mm
        image[outside] = _tiled(lane, x, y[outside], per_mm)[..., None] * np.array(target.lane, np.float32)
    return np.clip(image, 0.005, 0.95).astype(np.float32)


def _coverage(centre_mm: np.ndarray, texel_mm: float, cells: int, cell_mm: float) -> np.ndarray:
    """(texels, cells) float32 share of each texel that lies in each cell; the outer cells reach to infinity.

    Rounding to whole texels instead would move every edge of the strip by up to half a texel (0.4 px of the photo).
    """
    edges = (np.arange(cells + 1) - 1) * cell_mm
    edges[0], edges[-1] = -1e6, 1e6
    low, high = centre_mm[:, None] - texel_mm / 2, centre_mm[:, None] + texel_mm / 2
    overlap = np.minimum(high, edges[None, 1:]) - np.maximum(low, edges[None, :-1])
    return (np.clip(overlap, 0, None) / texel_mm).astype(np.float32)


def _scale_marks(target: Target, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """(rows, columns) float32, 0 where the numbered mm scale beside the strip is printed (laid out as on the printed sheet)."""
    marks = np.ones((y.size, x.size), np.float32)
    printed = x / target.print_scale[0]
    nearest = np.round(printed)
    on_tick = (np.abs(printed - nearest) < 0.06) & (nearest >= 0) & (nearest <= STRIP.length_mm)
    for every, height in ((1, 0.65), (5, 0.95), (10, 1.15)):
        rows = (y > 0.35) & (y < 0.35 + height)
        marks[np.ix_(rows, on_tick & (nearest % every == 0))] = 0.0
    per_mm = 1 / (x[1] - x[0])
    board = Image.new("L", (x.size, y.size), 255)
    draw, font = ImageDraw.Draw(board), ImageFont.load_default(size=1.83 * per_mm)
    for number in range(0, int(STRIP.length_mm) + 1, 10):
        at = (number * target.print_scale[0] - x[0]) * per_mm, (y[0] - 1.68) * per_mm
        draw.text(at, str(number), fill=0, font=font, anchor="ms", stroke_width=0.025 * per_mm, stroke_fill=0)
    return marks * (np.asarray(board, np.float32) / 255)


def strokes(mark: Mark, px_per_mm: float = 60.0) -> np.ndarray:
    """(rows, columns) float32, 1 on the etched strokes; first row nearest the edge; empty along its border."""
    length, height = mark.size_mm
    rows, columns = round(height * px_per_mm), round(length * px_per_mm)
    board, rng = np.zeros((rows, columns), np.uint8), np.random.default_rng(mark.seed)
    pen, cell = max(2, round(0.13 * rows)), round(0.75 * rows)
    for left in range(pen, columns - cell, cell):
        # Letters of no alphabet: three strokes between places on a lattice of three by three, now and then an arc.
        at = rng.integers(0, 3, (4, 2)) * np.array([0.28 * cell, 0.4 * rows]) + np.array([left + pen, 0.1 * rows])
        cv2.polylines(board, [np.round(at).astype(np.int32)], False, 255, pen, cv2.LINE_AA)
        if rng.random() < 0.4:
            middle = (round(left + 0.4 * cell), rows // 2)
            cv2.ellipse(board, middle, (round(0.25 * cell), round(0.3 * rows)), 0, 40, 320, 255, pen, cv2.LINE_AA)
    border = max(2, rows // 25)
    board[:border], board[-border:], board[:, :border], board[:, -border:] = 0, 0, 0, 0
    return board.astype(np.float32) / 255
