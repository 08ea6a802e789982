"""Where the blank lane ends: the coarse apex, on a reduced view of the sheet.

Method (design.md sections 6 and 10): the lane is blank, so going from the strip toward the blade the first connected line
along the edge is the apex. Light may change slowly over the lane (contact shadow, lamp): that is no line. The printed scale
is known and left out; where the strip's paper was cut and glued, its border is told from the apex by what lies between.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter1d, maximum_filter1d, median_filter

from calibration_targets.strip import SCALE_HEIGHT_MM, scale_ink
from vision.camera import Camera
from vision.errors import DeclarationError, EdgeNotFound
from vision.hints import Hints, LineKind, pointing_px
from vision.lines import first_line, long_lines, steered
from vision.photo import Photo
from vision.steering import DRAWN, along_px
from vision.straighten import srgb_to_linear_table

# Photo px per px of the sheet view: a bevel of 8 px is still two of them.
_REDUCE = 4
# Light below this share of full scale is noise on any phone; keeps logarithms finite.
DARK = 0.01
# The strip's ink bleeds and blurs this far into the lane (mm).
_STRIP_MARGIN_MM = 0.35
# The lane whose noise is the measure of a line, from where the search starts (mm): paper, or what lies behind its border.
_LANE_MM = (0.05, 1.05)
# Lines shorter than this are ticks, figures or specks, not an edge (mm).
TICK_MM = 3.5
# Steps below these are paper grain and uneven light: brightness and colours (log), contrast (log).
_LEAST_STEP = np.array([0.004, 0.002, 0.002, 0.1])
# The second look ends this far beyond the first answer: apex and shoulder behind a card's border, or a misjudged shadow (mm).
_BEYOND_MM = 8.0
# Nothing matt is brighter than white paper under the same lamp by more than its uneven light (log).
_BRIGHTER_THAN_PAPER = 0.05
# A guide forbids other rows this far to either side of it along the edge (mm), and the less the farther, since an edge may slope by
# 45 degrees to the strip at a tip.
_GUIDED_MM, _GUIDE_SLOPE = 0.5, 1.0
# Columns folded into one for the path through a flattened view.
_THIN = 4
# z = 4: a line this weak in the median column is the lane's own grain.
_LEAST_SUPPORT = 0.2
# As products of small matrices: a reduction over three channels is many times slower.
_THIRDS = np.full((1, 3), 1 / 3, np.float32)
# Of the logarithms of R, G and B: brightness, R/G, B/G.
LOG_FEATURES = np.array([[1 / 3, 1 / 3, 1 / 3], [1, -1, 0], [0, -1, 1]], np.float32)
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


@dataclass(frozen=True, eq=False)
class ApexCurve:
    """Coarse apex in the photo.

    Attributes
    ----------
    curve_px, inward_px : (S, 2) float
        Points one photo px of arc apart from the heel side, and unit normals into the blade.
    strength : (S,) float
        Sharpness of the line there, 0..1 (0.5 = as strong as the threshold).
    """

    curve_px: np.ndarray
    inward_px: np.ndarray
    strength: np.ndarray


def find_apex(
    photo: Photo, camera: Camera, height_mm: float, bar_scale: tuple[float, float] = (1.0, 1.0), hints: Hints | None = None
) -> ApexCurve:
    """Coarse apex curve, good to a few photo px; where `hints` say where the apex runs, the search keeps to it.

    Raises
    ------
    EdgeNotFound
        When no connected line ends the lane.
    DeclarationError
        A guide point or drawn line that cannot be the apex.
    """
    hints = hints or Hints()
    view = _hinted(sheet_view(photo, camera, height_mm, bar_scale), camera, height_mm, (photo.width_px, photo.height_px), hints)
    rows, strength = _first_line(view, bool(hints.points_of(LineKind.APEX) or hints.along_px))
    if np.median(strength) < _LEAST_SUPPORT and hints.guides:
        rule = "no line along the edge could be the apex as they put it: one may lie on the lane side, or on the wrong line"
        raise DeclarationError(f"guide points {', '.join(map(str, hints.guides))}", rule, "look at each again, or point at the apex too")
    if np.median(strength) < _LEAST_SUPPORT:
        raise EdgeNotFound(
            photo.name,
            "beyond the strip no line runs along the frame that could be an edge",
            "lay the blade so that its edge runs along the strip within the frame, and turn the lamp until it stands out",
        )
    return _to_photo(view, rows, strength, camera, height_mm)


def sheet_view(photo: Photo, camera: Camera, height_mm: float, bar_scale: tuple[float, float] = (1.0, 1.0)) -> SheetView:
    """Reduced view of the lane and what lies beyond it, X along the columns, Y down the rows; printed ink is marked."""
    height, width = photo.pixels.shape[:2]
    small = cv2.resize(photo.pixels, (max(width // _REDUCE, 1), max(height // _REDUCE, 1)), interpolation=cv2.INTER_AREA)
    mm = _REDUCE / camera.px_per_mm
    x0, x1, y1 = _extent(camera, (width, height), height_mm)
    columns, rows = int((x1 - x0) / mm) + 1, int(y1 / mm) + 1
    xs, ys = x0 + mm * np.arange(columns), mm * np.arange(rows)

    def seen(px: np.ndarray) -> np.ndarray:
        return (px + 0.5) * (small.shape[1] / width, small.shape[0] / height) - 0.5

    x, y = _smooth_map(lambda at: seen(camera.project(np.column_stack([at, np.full(len(at), height_mm)]))), xs, ys)
    table = srgb_to_linear_table(65536 if small.dtype == np.uint16 else 256)
    light = cv2.LUT(small, table) if small.dtype == np.uint8 else table[small]
    linear = cv2.remap(light, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
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


def _hinted(view: SheetView, camera: Camera, height_mm: float, size_px: tuple[int, int], hints: Hints) -> SheetView:
    """The view with what the person's points and line forbid."""
    if not hints.guides and not hints.along_px:
        return view
    rows, columns = view.valid.shape
    across, along = np.arange(rows)[:, None], np.arange(columns)
    reach = pointing_px(size_px) / _REDUCE + 1.0

    def cells(px: np.ndarray) -> np.ndarray:
        sheet = camera.to_height(np.asarray(px, float).reshape(-1, 2), height_mm)
        return np.column_stack([sheet[:, 1], sheet[:, 0] - view.x0_mm]) / view.mm

    barred = np.zeros((rows, columns), bool)
    if hints.along_px:
        drawn = cells(along_px(hints.along_px))
        drawn = drawn[np.argsort(drawn[:, 1])]
        course = np.interp(along, drawn[:, 1], drawn[:, 0], left=np.nan, right=np.nan)
        barred |= (np.abs(across - np.nan_to_num(course)) > DRAWN * reach) & np.isfinite(course)
    for guide, (row, column) in zip(hints.guides, cells([(g.x_px, g.y_px) for g in hints.guides]), strict=True):
        if not view.start[np.clip(round(float(column)), 0, columns - 1)] <= row < rows:
            rule = "it lies on the printed strip or beside the lane, where no blade can be"
            raise DeclarationError(f"guide {guide}", rule, f"point at the {guide.line.value} itself, or take the guide away")
        away = np.abs(along - column)
        # The apex passes through its own points, and before those of the shoulder.
        off = np.abs(across - row) - reach if guide.line is LineKind.APEX else across - row + reach
        barred |= (off > _GUIDE_SLOPE * away) & (away <= _GUIDED_MM / view.mm)
    return replace(view, barred=barred)


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
    if y1 < _STRIP_MARGIN_MM + _LANE_MM[1]:
        shown = f"it shows only {max(y1, 0):.1f} mm beyond the strip"
        raise EdgeNotFound("the photo", shown, "take it so that strip, lane and blade are all in the frame")
    return float(np.nanmin(sheet[:, 0])), float(np.nanmax(sheet[:, 0])), y1


def _features(linear: np.ndarray) -> np.ndarray:
    """(R, C, 3) log brightness and two log colour ratios."""
    light = np.maximum(linear, 0)
    light += DARK
    return cv2.transform(np.log(light, out=light), LOG_FEATURES)


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


def line_strength(view: SheetView, along_mm: float) -> np.ndarray:
    """(R, C) sharpness of a line through each cell, 0..1, whatever its sign: steps against the lane's own steps.

    `along_mm` is the length averaged along the rows: short while the edge's course is unknown, for where a belly climbs
    a long mean would smear the line.
    """
    n = max(round(along_mm / view.mm), 3)
    step = _steps(cv2.blur(view.features, (n, 1), borderType=cv2.BORDER_REPLICATE))
    uneven = _steps(unevenness(view, 2 * along_mm))
    seen = view.valid & ~view.ink
    from_start = view.mm * (np.arange(len(seen), dtype=np.float32)[:, None] + (view.shift - view.start).astype(np.float32))
    at = np.flatnonzero(seen & (from_start > _LANE_MM[0]) & (from_start < _LANE_MM[1]))
    lane = np.column_stack([step.reshape(-1, 3)[at], uneven.ravel()[at]])
    scale = np.median(np.abs(lane), axis=0) / 0.6745 if len(at) else np.zeros(4)
    per_step = ((scale + _LEAST_STEP) ** -2.0).astype(np.float32)
    z2 = cv2.transform(np.square(step, out=step), per_step[None, :3])
    z2 += per_step[3] * np.square(uneven, out=uneven)
    seen &= from_start >= 0
    z2 *= seen
    # 8 sigma: of a million cells none reaches it by noise.
    return np.divide(z2, z2 + np.float32(64.0), out=z2)


def _steps(smooth: np.ndarray) -> np.ndarray:
    """Difference of the means of two rows on either side of each row's lower border."""
    pairs = smooth[1:] + smooth[:-1]
    step = np.zeros_like(smooth)
    np.subtract(pairs[3:-1], pairs[:-4], out=step[2:-3])
    step *= 0.5
    return step


def _first_line(view: SheetView, told: bool) -> tuple[np.ndarray, np.ndarray]:
    """Row (C,) of the apex as the first connected line beyond the lane, and its strength; `told` when a person pointed at it."""
    row, strength = _search(view)
    # Whoever points at the apex has told it from the paper's border.
    cut = None if told else _possible_cut(view, row)
    if cut is not None:
        # The same search once more behind the line, and a third for what would be the shoulder then.
        second, second_strength = _search(_behind(view, cut, 0.3))
        third = line_strength(_behind(view, second, 0.15), 0.5)
        # The shoulder that a person pointed at is no second line.
        seen = view.barred is None or np.median(second_strength) >= _LEAST_SUPPORT
        if seen and _paper_border(view, (cut, second), third):
            row, strength = second, second_strength
    row = np.clip(median_filter(row.astype(float), 9, mode="nearest"), 0, len(view.features) - 1)
    return row, gaussian_filter1d(strength, 0.5 / view.mm, mode="nearest")


def _search(view: SheetView) -> tuple[np.ndarray, np.ndarray]:
    """Row (C,) of the first connected line and its strength there.

    First in the sheet's own rows; then about the smooth course of that answer, where longer means along the edge show weaker
    lines, and a detour over to the next line costs more than a gap.
    """
    strength = steered(line_strength(view, 0.12), view.barred)
    row = first_line(strength, long_lines(strength, round(TICK_MM / view.mm)), 0.2, view.barred)
    for _ in range(2):
        course = _smooth_course(row.astype(float))
        shift = np.round(course).astype(int) - round(course.max())
        flat = _flattened(view, shift, round(course.max() + _BEYOND_MM / view.mm))
        strength = steered(line_strength(flat, 0.5), flat.barred)
        row = _connected(strength, flat) + shift
        if np.abs(row - course).max() < 2.5:
            break
    return row, maximum_filter1d(strength, 3, axis=0)[row - shift, np.arange(len(row))]


def _behind(view: SheetView, row: np.ndarray, clear_mm: float) -> SheetView:
    """The view searched only past a line, clear of its blur and, at a cut, of the paper's own shadow."""
    return replace(view, start=row + max(round(clear_mm / view.mm), 3))


def _possible_cut(view: SheetView, row: np.ndarray) -> np.ndarray | None:
    """Row (C,) of the straight line along the strip that most of the path follows, as a cut does; None where there is none.

    None as well where something brighter than paper follows: no card does that.
    """
    line = _smooth_course(row.astype(float), 1)
    slope, level = (line[-1] - line[0]) / len(line), view.mm * float(line.mean())
    if level > SCALE_HEIGHT_MM + 4.0 or abs(slope) > 0.02 or (np.abs(row - line) < 2.0).mean() < 0.5:
        return None
    cut = np.round(line).astype(int)
    bright, columns, last = view.features[..., 0], np.arange(len(row)), len(view.features) - 1
    paper, behind = (np.median(bright[np.clip(cut + d, 0, last), columns]) for d in (-round(0.5 / view.mm) - 1, 4))
    return cut if behind <= paper + _BRIGHTER_THAN_PAPER else None


def _smooth_course(row: np.ndarray, degree: int = 6) -> np.ndarray:
    """(C,) the polynomial that most of the line follows: of degree 6 bellies and recurves fit it, jumps do not."""
    x = np.linspace(-1, 1, len(row))
    weight = np.ones(len(row))
    for _ in range(12):
        course = np.polynomial.chebyshev.chebval(x, np.polynomial.chebyshev.chebfit(x, row, degree, w=weight))
        off = row - course
        # Cauchy weights about the median absolute deviation, a row at least.
        weight = 1 / np.sqrt(1 + (off / max(1.5 * float(np.median(np.abs(off))), 1.0)) ** 2)
    return course


def _flattened(view: SheetView, shift: np.ndarray, reach: int) -> SheetView:
    """The view with column c moved down by ``-shift[c]`` (shift <= 0), so that the edge's course runs along one row."""
    # The course stands `-shift.min()` rows or fewer below its row in the sheet; farther up only the cheek follows.
    last = min(len(view.features) - int(shift.min()), reach)
    rows = np.arange(last, dtype=np.float32)[:, None] + shift.astype(np.float32)
    at = np.broadcast_to(np.arange(len(shift), dtype=np.float32), rows.shape), rows

    def moved(picture: np.ndarray, border: int = cv2.BORDER_CONSTANT) -> np.ndarray:
        # Whole rows: the nearest cell is the cell itself.
        return cv2.remap(picture, *at, cv2.INTER_NEAREST, borderMode=border)

    features = moved(view.features, cv2.BORDER_REPLICATE)
    valid, ink = (moved(p.view(np.uint8)).view(bool) for p in (view.valid, view.ink))
    barred = None
    if view.barred is not None:
        inside = (rows >= 0) & (rows < len(view.features))
        barred = moved(view.barred.view(np.uint8)).view(bool) | (~inside & view.barred.any(axis=0))
    return SheetView(features, valid, ink, view.x0_mm, view.mm, shift, view.start, barred)


def _connected(strength: np.ndarray, view: SheetView) -> np.ndarray:
    """Row (C,) of the first connected line of a flattened view."""
    lines = long_lines(strength, round(TICK_MM / view.mm))
    # The line hardly leaves its row now: every fourth column is enough, each standing for the mean of four.
    columns = strength.shape[1] // _THIN * _THIN
    folded = (len(strength), -1, _THIN)
    barred = None if view.barred is None else view.barred[:, :columns].reshape(folded).all(axis=2)
    mean = cv2.resize(strength[:, :columns], (columns // _THIN, len(strength)), interpolation=cv2.INTER_AREA)
    most = np.maximum.reduce([lines[:, c:columns:_THIN] for c in range(_THIN)])
    row = first_line(mean, most, 0.6 / _THIN, barred)
    middle = np.arange(0, columns, _THIN) + (_THIN - 1) / 2
    return np.round(np.interp(np.arange(strength.shape[1]), middle, row)).astype(int)


def _paper_border(view: SheetView, lines: tuple[np.ndarray, np.ndarray], beyond: np.ndarray) -> bool:
    """Whether the first of two lines is where the strip's paper was cut, the apex being the second.

    Each cue is weak alone; two more for than against decide. `beyond` is the strength of lines past the second.
    """
    first, second = lines
    gap = view.mm * (second - first)
    width = float(np.median(gap))
    rows = np.arange(len(view.features))[:, None]
    shade = max(int(0.15 / view.mm), 3)
    usable = view.valid & ~view.ink
    features = np.dstack([view.features, unevenness(view, 1.0)])
    far = int(1.0 / view.mm)

    def median(low: np.ndarray, high: np.ndarray) -> np.ndarray:
        inside = usable & (rows > low) & (rows < high)
        return np.median(features[inside], axis=0) if inside.sum() > 50 else np.full(4, np.nan)

    paper = median(first - far, first - shade - 1)
    between = median(first + 2, np.maximum(second - shade - 1, first + 4))
    behind = median(second + 2, second + shade + 2)
    shadow_first = median(first - shade, first - 1)[0] - paper[0]
    shadow_second = median(second - shade, second - 1)[0] - between[0]
    third = long_lines(beyond, round(TICK_MM / view.mm))[: int(second.max() + 3.5 / view.mm)].max(axis=0)
    cues = (
        # Steel reflects the lamp that lights the paper, or a bluer sky (log ratio 0.2); card and wood have colours of their own.
        2 * (np.abs(between[1:3] - paper[1:3]).max() > 0.3),
        # Nothing matt is brighter than white paper.
        -3 * (between[0] > paper[0] + _BRIGHTER_THAN_PAPER),
        # The blade shades the surface just before its edge; a cut through flat paper shades nothing.
        _shadow_cue(shadow_first, shadow_second),
        # Apex and shoulder must both lie beyond the cut (a weak shoulder may not show here).
        1 * ((third > 0).mean() > 0.5),
        # A bevel wider than this is rare on a knife, and a bevel's width does not double along a photo, as a lane's does.
        1 * (width > 3.0),
        2 * (np.percentile(gap, 95) > 2.0 * np.percentile(gap, 5) + 0.5),
        # Grind lines make steel uneven along the edge, card and wood are even; in the dark only noise is seen.
        int(behind[3] > between[3] + 0.3) - int(between[3] > paper[3] + 0.5 and between[0] > paper[0] - 1.5),
    )
    return sum(int(c) for c in cues) >= 2


def _to_photo(view: SheetView, rows: np.ndarray, strength: np.ndarray, camera: Camera, height_mm: float) -> ApexCurve:
    """The path as a smooth curve in the photo, one point a px of arc."""
    smooth = gaussian_filter1d(rows, 0.4 / view.mm, mode="nearest")
    sheet = np.column_stack([view.x0_mm + view.mm * np.arange(len(rows)), view.mm * smooth, np.full(len(rows), height_mm)])
    px = camera.project(sheet)
    beyond = camera.project(sheet + np.array([0.0, 1.0, 0.0])) - px
    seg = np.linalg.norm(np.diff(px, axis=0), axis=1)
    arc = np.concatenate([[0], np.cumsum(seg)])
    even = np.arange(0, arc[-1])
    curve = np.column_stack([np.interp(even, arc, px[:, i]) for i in (0, 1)])
    tangent = gaussian_filter1d(np.gradient(curve, axis=0), 10, axis=0, mode="nearest")
    normal = np.column_stack([-tangent[:, 1], tangent[:, 0]])
    toward = np.column_stack([np.interp(even, arc, beyond[:, i]) for i in (0, 1)])
    normal *= np.sign((normal * toward).sum(axis=1))[:, None]
    normal /= np.linalg.norm(normal, axis=1)[:, None]
    return ApexCurve(curve, normal, np.interp(even, arc, strength))


def _shadow_cue(first: float, second: float) -> int:
    """From the darkening (log) just before each line: 2 when only the second one clearly has a contact shadow."""
    if second < first - 0.12 and first > -0.06:
        return 2
    return int(second < first - 0.05) - int(first < second - 0.05)
