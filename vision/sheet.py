"""A reduced view of the sheet at the edge's height: lane and blade on a grid of mm, the printed ink marked."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np

from calibration_targets.strip import SCALE_HEIGHT_MM, scale_ink
from vision.camera import Camera
from vision.errors import EdgeNotFound
from vision.photo import Photo
from vision.straighten import srgb_to_linear_table
from vision.threads import in_parallel, slices

# Photo px per px of the sheet view: a bevel of 8 px is still two of them.
REDUCE = 4
# Light below this share of full scale is noise on any phone; keeps logarithms finite.
DARK = 0.01
# The strip's ink bleeds and blurs this far into the lane (mm).
_STRIP_MARGIN_MM = 0.35
# The lane whose noise is the measure of a line, from where the search starts (mm): paper, or what lies behind its border.
LANE_MM = (0.05, 1.05)
# Lines shorter than this are ticks, figures or specks, not an edge (mm).
TICK_MM = 3.5
# As products of small matrices: a reduction over three channels is many times slower.
_THIRDS = np.full((1, 3), 1 / 3, np.float32)
# Of the logarithms of R, G and B: brightness, R/G, B/G.
LOG_FEATURES = np.array([[1 / 3, 1 / 3, 1 / 3], [1, -1, 0], [0, -1, 1]], np.float32)
# Rows worked on at a time.
_ROWS_AT_A_TIME = 64
# Farthest edge from the strip that is searched: beyond it height and tilt errors swamp the width (mm).
_FARTHEST_MM = 60.0


@dataclass(frozen=True, eq=False)
class SheetView:
    """The reduced photo resampled on a grid of the sheet at the edge's height.

    Attributes
    ----------
    features : (R, C, 3) float32
        log brightness, log R/G, log B/G in linear light; row r lies at Y = r * mm, column c at X = x0_mm + c * mm.
    valid, ink : (R, C) bool
        Inside the photo; on or close to the printed scale.
    x0_mm, mm : float
    shift : (C,) int
        Row r of column c stands for the sheet's row ``r + shift[c]``.
    start : (C,) int
        Rows of the sheet before this one are not searched.
    barred : (R, C) bool or None
        Where guide points forbid the apex.
    """

    features: np.ndarray
    valid: np.ndarray
    ink: np.ndarray
    x0_mm: float
    mm: float
    shift: np.ndarray
    start: np.ndarray
    barred: np.ndarray | None = None

    def rows(self, first: int, end: int) -> SheetView:
        """Rows ``first <= r < end`` alone, without a copy."""
        part = slice(max(first, 0), max(end, 0))
        barred = None if self.barred is None else self.barred[part]
        shown = self.features[part], self.valid[part], self.ink[part]
        return SheetView(*shown, self.x0_mm, self.mm, self.shift + part.start, self.start, barred)


def reduced(photo: Photo) -> np.ndarray:
    """(H / 4, W / 4, 3) float32 linear light of the photo on a scale of 1 to `REDUCE`."""
    height, width = photo.pixels.shape[:2]
    small = cv2.resize(photo.pixels, (max(width // REDUCE, 1), max(height // REDUCE, 1)), interpolation=cv2.INTER_AREA)
    table = srgb_to_linear_table(65536 if small.dtype == np.uint16 else 256)
    return cv2.LUT(small, table) if small.dtype == np.uint8 else table[small]


def sheet_view(
    photo: Photo, camera: Camera, height_mm: float, bar_scale: tuple[float, float] = (1.0, 1.0), small: np.ndarray | None = None
) -> SheetView:
    """Reduced view of the lane and what lies beyond it, X along the columns, Y down the rows; printed ink is marked.

    `small` is what `reduced` gives, where it is there already.
    """
    height, width = photo.pixels.shape[:2]
    small = reduced(photo) if small is None else small
    mm = REDUCE / camera.px_per_mm
    x0, x1, y1 = _extent(camera, (width, height), height_mm)
    columns, rows = int((x1 - x0) / mm) + 1, int(y1 / mm) + 1
    xs, ys = x0 + mm * np.arange(columns), mm * np.arange(rows)

    def seen(px: np.ndarray) -> np.ndarray:
        return (px + 0.5) * (small.shape[1] / width, small.shape[0] / height) - 0.5

    x, y = _smooth_map(lambda at: seen(camera.project(np.column_stack([at, np.full(len(at), height_mm)]))), xs, ys)
    linear = cv2.remap(small, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    valid = (x >= 0.5) & (y >= 0.5) & (x <= small.shape[1] - 1.5) & (y <= small.shape[0] - 1.5)
    # Ink lies on the sheet, not at the edge's height.
    near = int((ys < 2 * SCALE_HEIGHT_MM + abs(height_mm)).sum())
    ink = np.zeros((rows, columns), bool)

    def on_sheet(at: np.ndarray) -> np.ndarray:
        return camera.to_height(camera.project(np.column_stack([at, np.full(len(at), height_mm)])), 0.0)[:, :2] / bar_scale

    printed_x, printed_y = _smooth_map(on_sheet, xs, ys[:near])
    ink[:near] = scale_ink(printed_x, printed_y)
    # Only the rows near the scale, and as far beyond as the marking of dark cells reaches.
    ink[:near] &= _narrow_and_dark(cv2.transform(linear[: near + 2], _THIRDS), mm)[:near]
    # Seen past a high edge, the strip stands elsewhere than at Y = 0 of the edge's plane.
    start = np.maximum((printed_y < _STRIP_MARGIN_MM).sum(axis=0), round(_STRIP_MARGIN_MM / mm))
    return SheetView(_features(linear), valid, ink, float(x0), float(mm), np.zeros(columns, int), start)


def _smooth_map(function: Callable[[np.ndarray], np.ndarray], xs: np.ndarray, ys: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Two (R, C) float32 pictures of a smooth map of the plane, taken at every 16th point and interpolated.

    Perspective bends by less than 0.01 px over 16 px of the reduced photo.
    """
    # In single precision: 1e-4 px of the photo.
    weights = [(nodes, weight.astype(np.float32)) for nodes, weight in (_linear_weights(len(v)) for v in (xs, ys))]
    nodes = np.stack(np.meshgrid(xs[weights[0][0]], ys[weights[1][0]]), axis=-1)
    values = function(nodes.reshape(-1, 2)).reshape(*nodes.shape[:2], 2).astype(np.float32)
    return tuple(weights[1][1] @ (values[..., i] @ weights[0][1].T) for i in (0, 1))  # type: ignore[return-value]


def _linear_weights(n: int) -> tuple[np.ndarray, np.ndarray]:
    """Indices (K,) of the nodes among n points, and the (n, K) weights that interpolate linearly between them."""
    nodes = np.unique(np.append(np.arange(0, n, 16), n - 1))
    return nodes, np.column_stack([np.interp(np.arange(n), nodes, e) for e in np.eye(len(nodes))])


def _narrow_and_dark(bright: np.ndarray, mm: float) -> np.ndarray:
    """(R, C) bool: a fifth or more darker than what lies beside it along the edge within 0.6 mm, and the rim of that."""
    level = cv2.morphologyEx(bright, cv2.MORPH_CLOSE, np.ones((1, max(round(1.2 / mm), 3)), np.uint8))
    return cv2.dilate((bright < 0.8 * level).astype(np.uint8), np.ones((5, 5), np.uint8)).astype(bool)


def _extent(camera: Camera, size: tuple[int, int], height_mm: float) -> tuple[float, float, float]:
    """X from and to, and Y to, of what the photo shows at the edge's height, mm."""
    sheet = camera.to_height(_border(*size), height_mm)
    y1 = min(float(np.nanmax(sheet[:, 1])), _FARTHEST_MM)
    if y1 < _STRIP_MARGIN_MM + LANE_MM[1]:
        shown = f"it shows only {max(y1, 0):.1f} mm beyond the strip"
        raise EdgeNotFound("the photo", shown, "take it so that strip, lane and blade are all in the frame")
    return float(np.nanmin(sheet[:, 0])), float(np.nanmax(sheet[:, 0])), y1


def _features(linear: np.ndarray) -> np.ndarray:
    """(R, C, 3) log brightness and two log colour ratios."""
    out = np.empty_like(linear)

    def fill(part: slice) -> None:
        light = np.maximum(linear[part], 0)
        light += DARK
        cv2.transform(np.log(light, out=light), LOG_FEATURES, dst=out[part])

    in_parallel(fill, slices(len(linear), _ROWS_AT_A_TIME))
    return out


def unevenness(view: SheetView, along_mm: float) -> np.ndarray:
    """(R, C) log contrast along the edge, the printed ink left out.

    Grind lines make a bevel uneven along the edge even where its mean brightness is the paper's.
    """
    bright = cv2.extractChannel(view.features, 0)
    n = max(round(along_mm / view.mm), 3)
    # Ink lies near the strip only: beyond its last row the weights are all one.
    printed = np.flatnonzero(view.ink.any(axis=1))
    inked = int(printed[-1]) + 1 if len(printed) else 0
    paper = 1.0 - view.ink[:inked].astype(np.float32)

    def mean(picture: np.ndarray, columns: int) -> np.ndarray:
        total = cv2.blur(picture, (columns, 1))
        if inked:
            total[:inked] /= np.maximum(cv2.blur(paper, (columns, 1)), 1e-3)
        return total

    shown = bright.copy()
    shown[:inked] *= paper
    square = bright - mean(shown, 9)
    square *= square
    square[:inked] *= paper
    spread = mean(square, n)
    spread += 1e-6
    np.log(spread, out=spread)
    spread *= 0.5
    return spread


def _border(width: int, height: int) -> np.ndarray:
    """Points along the photo's border, px."""
    t = np.linspace(0, 1, 9)
    right, bottom = width - 1.0, height - 1.0
    sides = [np.c_[t * right, 0 * t], np.c_[t * right, 0 * t + bottom], np.c_[0 * t, t * bottom], np.c_[0 * t + right, t * bottom]]
    return np.concatenate(sides)
