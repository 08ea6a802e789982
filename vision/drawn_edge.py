"""Without the strip: the coarse apex near a line that a person drew along the edge, and how sharp the photo is there."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter1d, median_filter

from vision.contrast import contrast_channel
from vision.course import robust_local, robust_polynomial
from vision.errors import DeclarationError, EdgeNotFound
from vision.hints import Hints, LineKind, pointing_px
from vision.lane import ApexCurve
from vision.lines import steered
from vision.paths import best_path
from vision.photo import Photo
from vision.sharpness import sharpness
from vision.steering import DRAWN, WIDER, LineGuide, along_px, guide_on, off_line
from vision.steps import StepModel, fit_steps
from vision.straighten import BLOCK_COLUMNS, StraightStrip, straighten

# Blurs that are tried (px, one standard deviation): from a sharp picture to one enlarged or out of focus.
_BLURS_PX = (1.0, 2.0, 4.0)
# Pointed at so well at both its ends, a line of ten times that has its direction to 8 degrees.
_LEAST_POINTING = 10.0
# The edge runs along the whole drawn line; straw, moss and fibres before it do not. A chip or a glint may hide a tenth of it.
_WHOLE = 0.9
# A path through noise picks its maxima, z = 4 and a strength of 0.22 in the median; z = 6 is a line.
_CLEAR = 0.36
# Straightness costs a sixth of a clear line's strength a row and block: a hand that is right here and off by its reach there makes an edge
# slope by several rows a block.
_STEP_COST = 0.15
# Rows beyond the search that the windows of the widest blur need.
_MARGIN_ROWS = 28
# Normals are smoothed over this many px.
_SMOOTH_PX = 16.0
# Columns of the search: each then averages over a few stalks of whatever lies behind the blade.
_BLOCKS = 40
# A belly within one frame, told from a search's jumps.
_COURSE_DEGREE = 4
# Share of the drawn line (standard deviation) over which a course is smoothed: straw before an edge is shorter.
_LOCAL = 1 / 12
# A blur tried that is not the edge's own loses either the step (too wide a window) or its share (too narrow).
_CLEARLY_BETTER = 0.02


@dataclass(frozen=True, eq=False)
class DrawnEdge:
    """Coarse apex, blur of the edge (px, one standard deviation), and how far into the blade the bevel may reach (px)."""

    curve: ApexCurve
    blur_px: float
    depth_px: float


def blade_side(hints: Hints, photo: Photo) -> np.ndarray:
    """(2,) px direction from the drawn line into the blade.

    Raises
    ------
    DeclarationError
        No line was drawn, nobody said on which side of it the blade lies, or that is not clear.
    """
    if len(hints.along_px) < 2:
        rule = "without the printed strip nothing says where to look for the edge"
        raise DeclarationError("a declared scale without --along", rule, "draw a line along the edge: --along X,Y X,Y ...")
    inside = [*([hints.cheek_px] if hints.cheek_px else []), *hints.points_of(LineKind.SHOULDER)]
    if not inside:
        rule = "the blade may lie on either side of the drawn line"
        raise DeclarationError("--along without --cheek", rule, "point at the blade beyond the bevel: --cheek X,Y")
    line = along_px(hints.along_px)
    unit = (line[-1] - line[0]) / np.linalg.norm(line[-1] - line[0])
    normal = np.array([-unit[1], unit[0]])
    sides = [float((np.array(p) - line[np.argmin(((line - p) ** 2).sum(axis=1))]) @ normal) for p in inside]
    if max(sides) > 0 > min(sides):
        raise DeclarationError("--cheek and shoulder guides", "they lie on different sides of the drawn line", "point again")
    clear = pointing_px((photo.width_px, photo.height_px), photo.enlarged)
    if min(map(abs, sides)) <= clear:
        rule = f"it lies within {clear:.0f} px of the drawn line, so it does not say on which side the blade is"
        raise DeclarationError("--cheek" if hints.cheek_px else "the shoulder guide", rule, "point well inside the blade")
    return normal * np.sign(sides[0])


def find_drawn(photo: Photo, hints: Hints, px_per_mm: float) -> DrawnEdge:
    """The line near the drawn one that runs along all of it.

    Raises
    ------
    EdgeNotFound
        When none does.
    DeclarationError
        As `blade_side`, and for a guide point too far from the drawn line.
    """
    toward = blade_side(hints, photo)
    reach = pointing_px((photo.width_px, photo.height_px), photo.enlarged)
    base, half = along_px(hints.along_px), round(DRAWN * reach)
    if len(base) < _LEAST_POINTING * reach:
        why = f"it is {len(base) / photo.enlarged:.0f} px long, too short to show how the edge runs"
        raise DeclarationError("the line drawn along the edge (--along)", why, "draw it along all of the edge that the photo shows")
    best: tuple[float, np.ndarray, float] | None = None
    for blur in _BLURS_PX:
        curve, strength = base, 0.0
        # First near the drawn line; then about the smooth course of that answer, where longer means outshine straw and moss.
        for half_rows in (half, half // 2, half // 4):
            around = curve, _normals(curve, toward, 3 * _SMOOTH_PX)
            curve, strength = _searched(photo, hints, around, (half_rows, reach, blur, px_per_mm), whole=half_rows == half)
        if best is None or strength > best[0] + _CLEARLY_BETTER:
            best = strength, curve, blur
    strength, curve, blur = best  # type: ignore[misc]
    if strength < _CLEAR:
        raise EdgeNotFound(
            photo.name,
            f"within {half} px of the drawn line no line runs along it that could be an edge",
            "draw it closer along the edge, over a stretch where the edge is sharp and stands out",
        )
    normal = _normals(curve, toward, _SMOOTH_PX)
    strip = straighten(photo, curve, normal, _MARGIN_ROWS, _MARGIN_ROWS)
    blur = edge_blur(strip, np.full(len(curve), strip.row_of_apex), blur)
    return DrawnEdge(ApexCurve(curve, normal), blur, _depth(curve, hints))


def _depth(curve: np.ndarray, hints: Hints) -> float:
    """How far behind a curve (S, 2) the bevel may reach, px: up to the point on the cheek, or somewhat beyond the guided shoulder."""
    cheek = off_line(curve, [hints.cheek_px]) if hints.cheek_px else np.zeros(0)
    # A guide tells the shoulder in one place; elsewhere the bevel may be half as wide again.
    shoulder = WIDER * off_line(curve, hints.points_of(LineKind.SHOULDER))
    return float(max([*cheek, *shoulder]))


def _searched(
    photo: Photo, hints: Hints, base: tuple[np.ndarray, np.ndarray], how: tuple[int, float, float, float], *, whole: bool
) -> tuple[np.ndarray, float]:
    """One search within `half` rows of a curve: the smooth course of what was found, px, and its median strength.

    With `whole` the course is one bend; else it follows the line found, which a hand's corners and a tip's bend leave on either side.
    """
    (curve, normal), (half, reach, blur, px_per_mm) = base, how
    strip = straighten(photo, curve, normal, half + 2 * _MARGIN_ROWS, half + _MARGIN_ROWS)
    thin = _thinned(strip, max(len(curve) // (BLOCK_COLUMNS * _BLOCKS), 1))
    columns = (np.arange(thin.valid.shape[1] // BLOCK_COLUMNS) + 0.5) * BLOCK_COLUMNS * len(curve) / thin.valid.shape[1] - 0.5
    start = int(strip.row_of_apex) - half
    guide = guide_on(strip, hints, LineKind.APEX, np.full(len(curve), strip.row_of_apex), (px_per_mm, reach))
    barred = None if guide is None else guide.barred((2 * half + 1, len(columns)), columns, start)
    near = sharpness(thin, blur, px_per_mm * thin.valid.shape[1] / len(curve), start)[start : start + 2 * half + 1]
    near = steered(near, barred)
    row = _whole_line(near, barred, int(np.ceil(2.0 * blur)) + 3)
    strength = near[row, np.arange(len(row))]
    smooth = robust_polynomial(row.astype(float), _COURSE_DEGREE) if whole else robust_local(row, _LOCAL * len(row), strength)
    course = smooth + start
    found = strip.to_photo(np.interp(np.arange(len(curve)), columns, course))
    return along_px([tuple(p) for p in found]), float(np.median(strength))


def settle(strip: StraightStrip, blur_px: float, reach: tuple[float, float], guide: LineGuide | None) -> np.ndarray:
    """(S,) row of the apex to a px or two, near the coarse curve; `reach` is px per mm and the reach of a hand, px."""
    half = round(max(reach[1], 3.0 * blur_px + 3.0))
    columns = (np.arange(strip.valid.shape[1] // BLOCK_COLUMNS) + 0.5) * BLOCK_COLUMNS - 0.5
    start = int(strip.row_of_apex) - half
    barred = None if guide is None else guide.barred((2 * half + 1, len(columns)), columns, start)
    near = sharpness(strip, blur_px, reach[0], start)[start : start + 2 * half + 1]
    row = _whole_line(steered(near, barred), barred, int(np.ceil(2.0 * blur_px)) + 3)
    return np.interp(np.arange(strip.valid.shape[1]), columns, median_filter(row.astype(float), 5, mode="nearest") + start)


def _whole_line(strength: np.ndarray, barred: np.ndarray | None, clear: int) -> np.ndarray:
    """Row (C,) of the line that runs along all columns; of several, the first from the lane's side, where the apex is.

    What lies behind a blade is no blank lane: its lines are many, and strong, but short. So crossing one costs nothing here.
    """
    row = best_path(-strength, 3, _STEP_COST, barred, through=False).row
    for _ in range(3):
        later = np.arange(len(strength))[:, None] > row - clear
        try:
            before = best_path(-strength, 3, _STEP_COST, later if barred is None else later | barred, through=False).row
        except ValueError:
            break
        if (strength[before, np.arange(len(before))] >= _CLEAR).mean() < _WHOLE:
            break
        row = before
    return row


def _thinned(strip: StraightStrip, every: int) -> StraightStrip:
    """The strip with means of `every` columns for each."""
    if every == 1:
        return strip
    rows, count = len(strip.valid), strip.valid.shape[1] // every
    used = count * every
    linear = cv2.resize(strip.linear[:, :used], (count, rows), interpolation=cv2.INTER_AREA)
    valid, clipped = (p[:, :used].reshape(rows, count, every) for p in (strip.valid, strip.clipped))
    middle = np.arange(count) * every + every // 2
    return StraightStrip(linear, clipped.any(axis=2), strip.row_of_apex, strip.base_px[middle], strip.normal_px[middle], valid.all(axis=2))


def edge_blur(strip: StraightStrip, course: np.ndarray, first_px: float) -> float:
    """Blur of the edge from fits with the blur free: without the strip's squares, what the photo's own is taken as."""
    value = contrast_channel(strip, course, first_px)
    half = 4.0 * first_px + 4.0
    model = StepModel(half, first_px, 0.7, pool_px=16.0, travel_px=half / 2, iterations=6, bin_columns=4)
    fit = fit_steps(value, course, model, strip.valid, strip.clipped)
    step = np.abs(fit.levels[-1] - fit.levels[0])
    clear = np.isfinite(fit.position[0]) & (step > 3.0 * fit.residual)
    return float(np.median(fit.sigma[clear])) if clear.sum() > 20 else first_px


def _normals(curve: np.ndarray, toward: np.ndarray, smooth_px: float) -> np.ndarray:
    """(S, 2) unit normals of a curve, on the side of `toward`."""
    tangent = gaussian_filter1d(np.gradient(curve, axis=0), smooth_px, axis=0, mode="nearest")
    normal = np.column_stack([-tangent[:, 1], tangent[:, 0]])
    normal *= np.sign(np.median(normal @ toward))
    return normal / np.linalg.norm(normal, axis=1)[:, None]
