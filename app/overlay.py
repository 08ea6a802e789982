"""The photo at full resolution with both lines, for the eye to judge.

Lines are one pixel wide and not smoothed, so that no pixel of the edge is hidden by its own mark. Apex and shoulder differ in
colour (blue against orange, told apart by every common colour vision) and in their station ticks; flagged stretches are dashed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import cv2
import numpy as np

from vision.flags import StationFlag
from vision.results import Measurement, PhotoRecord

# Okabe and Ito's blue and orange, made lighter so that they stand out on dark coatings too.
APEX_RGB = (0, 140, 255)
SHOULDER_RGB = (255, 120, 0)
# Carried over or set by a person: on record, yet no reason to doubt the line's place.
UNDOUBTED = int(StationFlag.BY_HAND)
# What flags and remarks mean stands beside the picture, in this file.
_FLAGS_IN = "profile.csv"
# Numbers beside the ticks: this high on the blade, and no lower than this in the picture or on paper. 1.8 mm is a capital of 7 point type.
_NUMBER_MM, _NUMBER_PX, _PRINTED_NUMBER_MM = 0.55, 10.0, 1.8
_NUMBERED_MM = 5
# Three digits are 2.7 times as wide as high; numbers that stand closer than this many of their heights run into each other.
_NUMBER_HEIGHTS = 3.2
_DASH_PX = 9.0
_DOT_PX = 6.0


def draw(
    rgb: np.ndarray,
    measurement: Measurement,
    index: int,
    *,
    reduce: float = 1.0,
    margin_mm: float | None = None,
    px_per_printed_mm: float | None = None,
) -> np.ndarray:
    """Copy of one photo with its lines, station ticks and a legend.

    Parameters
    ----------
    rgb : (H, W, 3) uint8
        The upright photo.
    measurement : Measurement
    index : int
        Which of the measurement's photos it is.
    reduce : float
        At most 1: size of the copy to size of the photo. The lines are drawn after the reduction, one pixel wide.
    margin_mm : float or None
        Crop to the lines and this much around them.
    px_per_printed_mm : float or None
        For paper: px of the copy to a millimetre of the page. The numbers are then legible there, and name and key, else in a
        corner, are left to the page (`key`).

    Returns
    -------
    (h, w, 3) uint8
    """
    record = measurement.photos[index]
    if rgb.shape != (record.height_px, record.width_px, 3) or rgb.dtype != np.uint8:
        expected = (record.height_px, record.width_px, 3)
        raise ValueError(f"rgb must be {expected} uint8, got {rgb.shape} {rgb.dtype}")
    if not 0.0 < reduce <= 1.0:
        raise ValueError(f"reduce must lie in (0, 1], got {reduce}")
    w = measurement.widths_of(index)
    mine = w.photo == index
    apex, shoulder, position = w.apex_px[mine], w.shoulder_px[mine], w.position_mm[mine]
    doubtful = _doubtful(measurement, index)
    left, top, right, bottom = _window(apex, shoulder, margin_mm, record)
    out = np.ascontiguousarray(rgb[top:bottom, left:right]).copy()
    if reduce < 1.0:
        size = (max(1, round(out.shape[1] * reduce)), max(1, round(out.shape[0] * reduce)))
        k = np.array([size[0] / out.shape[1], size[1] / out.shape[0]])
        out = cv2.resize(out, size, interpolation=cv2.INTER_AREA)
    else:
        k = np.ones(2)
    # Pixel centres keep their place (design.md section 2).
    apex, shoulder = ((p - (left, top) + 0.5) * k - 0.5 for p in (apex, shoulder))
    least_px = _NUMBER_PX if px_per_printed_mm is None else _PRINTED_NUMBER_MM * px_per_printed_mm
    _ticks(out, apex, shoulder, position, (record.px_per_mm * float(k[0]), least_px))
    _line(out, shoulder, doubtful, SHOULDER_RGB)
    _line(out, apex, doubtful, APEX_RGB)
    for line in (a.line_px for a in measurement.alternatives if a.photo == index):
        _dots(out, (line - (left, top) + 0.5) * k - 0.5)
    if px_per_printed_mm is None:
        _legend(out, record.name, key(measurement, (index,), _FLAGS_IN))
    return out


def key(measurement: Measurement, photos: Sequence[int], flags_in: str) -> list[tuple[str, tuple[int, int, int] | None]]:
    """What the lines of these photos mean, each with its colour; `flags_in` says where the flags are explained."""
    rows: list[tuple[str, tuple[int, int, int] | None]] = [("apex; a tick every mm", APEX_RGB), ("shoulder", SHOULDER_RGB)]
    if any(_doubtful(measurement, i).any() for i in photos):
        rows.append((f"dashed: flagged, see {flags_in}", None))
    if any(a.photo in photos for a in measurement.alternatives):
        rows.append(("dotted: what else could be the shoulder", None))
    return rows


def size_px(measurement: Measurement, index: int, margin_mm: float | None = None) -> tuple[int, int]:
    """Width and height of what `draw` shows of one photo, before any reduction, px."""
    w = measurement.widths_of(index)
    mine = w.photo == index
    left, top, right, bottom = _window(w.apex_px[mine], w.shoulder_px[mine], margin_mm, measurement.photos[index])
    return int(right - left), int(bottom - top)


def _doubtful(measurement: Measurement, index: int) -> np.ndarray:
    w = measurement.widths_of(index)
    return (w.flags[w.photo == index] & ~UNDOUBTED) != 0


def _window(apex: np.ndarray, shoulder: np.ndarray, margin_mm: float | None, record: PhotoRecord) -> tuple[int, int, int, int]:
    points = np.vstack([apex, shoulder])
    points = points[np.isfinite(points).all(axis=1)]
    if margin_mm is None or not len(points) or not math.isfinite(record.px_per_mm):
        return 0, 0, record.width_px, record.height_px
    low = np.floor(points.min(axis=0) - margin_mm * record.px_per_mm).astype(int)
    high = np.ceil(points.max(axis=0) + margin_mm * record.px_per_mm).astype(int) + 1
    return max(low[0], 0), max(low[1], 0), min(high[0], record.width_px), min(high[1], record.height_px)


def _line(image: np.ndarray, points_px: np.ndarray, doubtful: np.ndarray, colour: tuple[int, int, int]) -> None:
    known = np.isfinite(points_px).all(axis=1)
    travelled = 0.0
    for i in range(len(points_px) - 1):
        if not (known[i] and known[i + 1]):
            continue
        start, end = points_px[i], points_px[i + 1]
        length = float(np.hypot(*(end - start)))
        pieces = _dashes(travelled, length) if doubtful[i] or doubtful[i + 1] else ((0.0, 1.0),)
        travelled += length
        for a, b in pieces:
            _stroke(image, start + a * (end - start), start + b * (end - start), colour)


def _dots(image: np.ndarray, points_px: np.ndarray) -> None:
    """A faint dotted line: one pixel in six, half the shoulder's colour and half the photo's."""
    steps = np.linalg.norm(np.diff(points_px, axis=0), axis=1)
    arc = np.concatenate([[0.0], np.cumsum(steps)])
    at = np.arange(0.0, arc[-1], _DOT_PX)
    x, y = (np.rint(np.interp(at, arc, points_px[:, i])).astype(int) for i in (0, 1))
    inside = (x >= 0) & (y >= 0) & (x < image.shape[1]) & (y < image.shape[0])
    image[y[inside], x[inside]] = image[y[inside], x[inside]] // 2 + np.array(SHOULDER_RGB, np.uint8) // 2


def _dashes(travelled: float, length: float) -> list[tuple[float, float]]:
    """Shares of one segment that are drawn, so that the dash pattern runs on across segments."""
    if length <= 0.0:
        return []
    out, period = [], 2.0 * _DASH_PX
    for k in range(math.floor(travelled / period), math.floor((travelled + length) / period) + 1):
        a, b = max(k * period, travelled), min(k * period + _DASH_PX, travelled + length)
        if b > a:
            out.append(((a - travelled) / length, (b - travelled) / length))
    return out


def _stroke(image: np.ndarray, start: np.ndarray, end: np.ndarray, colour: tuple[int, int, int], thickness: int = 1) -> None:
    a, b = (tuple(int(v) for v in np.rint(p)) for p in (start, end))
    cv2.line(image, a, b, colour, thickness, cv2.LINE_8)


def _ticks(image: np.ndarray, apex: np.ndarray, shoulder: np.ndarray, position: np.ndarray, scale: tuple[float, float]) -> None:
    """A tick every mm on the cheek, numbered every 5 mm: clear of the bevel and of the numbers printed in the lane.

    `scale` is px per mm and the least height of a number, px.
    """
    px_per_mm, least_px = scale
    known = np.isfinite(apex).all(axis=1)
    if known.sum() < 2 or not math.isfinite(px_per_mm):
        return
    across = shoulder - apex
    inward = np.nanmedian(across, axis=0) if np.isfinite(across).any() else np.array([0.0, -px_per_mm])
    # Where the shoulder is unknown the bevel is taken as wide as elsewhere, for the place of a mark only.
    breadth = np.where(np.isfinite(across).all(axis=1), np.hypot(*across.T), float(np.hypot(*inward)))
    order = np.flatnonzero(known)[np.argsort(position[known])]
    places, course = position[order], np.column_stack([apex, breadth])[order]

    def at(mm: float) -> np.ndarray:
        return np.array([np.interp(mm, places, course[:, k]) for k in range(3)])

    number_px = max(_NUMBER_MM * px_per_mm, min(least_px, _NUMBERED_MM * px_per_mm / _NUMBER_HEIGHTS))
    for mm in range(math.ceil(places[0]), math.floor(places[-1]) + 1):
        x, y, wide = at(mm)
        ahead = at(mm + 0.5)[:2] - at(mm - 0.5)[:2]
        normal = np.array([-ahead[1], ahead[0]]) / max(float(np.hypot(*ahead)), 1e-9)
        normal = normal if normal @ inward >= 0 else -normal
        foot = np.array([x, y]) + (wide + 0.3 * px_per_mm) * normal
        long = mm % _NUMBERED_MM == 0
        _stroke(image, foot, foot + (0.8 if long else 0.4) * px_per_mm * normal, APEX_RGB)
        if long:
            _text(image, str(mm), foot + 1.025 * px_per_mm * normal, normal, number_px)


def _text(image: np.ndarray, text: str, foot: np.ndarray, normal: np.ndarray, height_px: float) -> None:
    """A number beyond `foot`, in the direction of `normal`."""
    scale = height_px / 22.0
    thick = max(1, round(1.4 * scale))
    (width, height), _ = cv2.getTextSize(text, cv2.FONT_HERSHEY_SIMPLEX, scale, thick)
    centre = foot + 0.5 * float(np.abs(normal) @ (width, height)) * normal
    corner = np.array([centre[0] - width / 2, centre[1] + height / 2]).astype(int)
    # A white rim keeps the number legible on a dark lane.
    rim = max(1, round(2 * scale))
    for dx, dy in ((-1, -1), (-1, 1), (1, -1), (1, 1), (0, -1), (0, 1), (-1, 0), (1, 0)):
        place = (int(corner[0] + rim * dx), int(corner[1] + rim * dy))
        cv2.putText(image, text, place, cv2.FONT_HERSHEY_SIMPLEX, scale, (255, 255, 255), thick, cv2.LINE_AA)
    cv2.putText(image, text, (int(corner[0]), int(corner[1])), cv2.FONT_HERSHEY_SIMPLEX, scale, (0, 0, 0), thick, cv2.LINE_AA)


def _legend(image: np.ndarray, name: str, lines: list[tuple[str, tuple[int, int, int] | None]]) -> None:
    """Photo name and key in the upper left corner, on a plain ground."""
    # OpenCV's built-in letters are not those of every script; a name in another keeps its place with question marks.
    rows = [(name.encode("ascii", "replace").decode(), None), *lines]
    scale = max(0.5, image.shape[1] / 2800.0)
    step, pad = round(34 * scale), round(12 * scale)
    thick = max(1, round(1.6 * scale))
    widths = [cv2.getTextSize(text, cv2.FONT_HERSHEY_SIMPLEX, scale, thick)[0][0] for text, _ in rows]
    right = 2 * pad + max(width + (round(60 * scale) if colour else 0) for width, (_, colour) in zip(widths, rows, strict=True))
    cv2.rectangle(image, (0, 0), (min(right, image.shape[1] - 1), step * len(rows) + pad), (255, 255, 255), -1)
    for k, (text, colour) in enumerate(rows):
        y, x = step * (k + 1) - pad // 3, pad
        if colour:
            cv2.line(image, (pad, y - pad // 2), (pad + round(46 * scale), y - pad // 2), colour, max(2, thick), cv2.LINE_8)
            x += round(60 * scale)
        cv2.putText(image, text, (x, y), cv2.FONT_HERSHEY_SIMPLEX, scale, (0, 0, 0), thick, cv2.LINE_AA)
