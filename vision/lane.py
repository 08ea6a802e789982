"""Where the blank lane ends: the coarse apex, on a reduced view of the sheet.

Method (design.md sections 6 and 10): the lane is blank, so going from the strip toward the blade the first connected line
along the edge is the apex. Light may change slowly over the lane (contact shadow, lamp): that is no line. The printed scale
is known and left out; where the strip's paper was cut and glued, its border is told from the apex by what lies between.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter1d, maximum_filter1d, median_filter

from calibration_targets.strip import SCALE_HEIGHT_MM
from vision.camera import Camera
from vision.course import best_course, robust_local, without_jumps
from vision.errors import DeclarationError, EdgeNotFound
from vision.hints import Hints, LineKind, pointing_px
from vision.lines import LEAST_STRENGTH, first_line, long_lines, steered, strength_along
from vision.noise import noise_of
from vision.paper import DECIDED, paper_border, possible_cut
from vision.photo import Photo
from vision.sheet import LANE_MM, REDUCE, TICK_MM, SheetView, sheet_view, unevenness
from vision.steering import DRAWN, along_px
from vision.threads import side_by_side, slices

# Steps below these are paper grain and uneven light: brightness and colours (log), contrast (log).
_LEAST_STEP = np.array([0.004, 0.002, 0.002, 0.1])
# The second look ends this far beyond the first answer: apex and shoulder behind a card's border, or a misjudged shadow (mm).
_BEYOND_MM = 8.0
# A guide forbids other rows this far to either side of it along the edge (mm), and the less the farther, since an edge may slope by
# 45 degrees to the strip at a tip.
_GUIDED_MM, _GUIDE_SLOPE = 0.5, 1.0
# Evidence that a path gives up where it leaves the edge's smooth course by this much or more (mm): an angular tip, whose line is
# sure, still leaves it; a jump over to the shoulder for want of a sure apex does not.
_OFF_COURSE, _OFF_COURSE_MM = 0.2, 0.6
# Of the smooth course: long beside the wobble of a path, short enough to keep within 0.3 mm of the corner of an angular tip.
_STEADY_MM = 2.0
# How far a view is looked at before the rest of it (an edge along the lane; a belly that climbs as far again), how far from the end of
# that a line must keep, and along how much of it a path may do otherwise by chance (mm).
_NEAR_MM, _INSIDE_MM, _ODD_MM = (7.0, 14.0), 1.0, 1.0
# Courses whose support is told at a time.
_AT_ONCE = 32
# Farther off (mm) than this the fine search, which looks 0.3 mm back, may no longer find the line; z = 16 is no shadow's slope.
_CORNER_MM, _SURELY = 0.2, 0.8
# Means along a line once its course is known (mm): long beside the grain of paper, short beside any bend left.
_LONG_MM = 0.5
# Columns folded into one for the path through a flattened view.
_THIN = 4
# Clear of a cut's blur and of the paper's own shadow (mm).
_CLEAR_OF_CUT_MM = 0.3
_FEW_ROWS = 64
# Weights of the rows about each in the difference of two means.
_ITSELF, _TWO_ROWS = np.ones(1, np.float32), np.array([-0.5, -0.5, 0.0, 0.5, 0.5], np.float32)
# Rows beside one that its steps look at, and some.
_LOOKED_AT = 8
# As far behind the coarse curve the fine search still finds a sharper line (mm).
_APART_MM = 0.5
# z = 4: a line this weak in the median column is the lane's own grain.
_LEAST_SUPPORT = 0.2
# z = 2.7: more than a path through the lane's grain alone finds in its median column (2.3), enough beside other evidence.
_FAINT_SUPPORT = 0.1
# Cells that tell the lane's own steps to a hundredth (of a median: 1.25 / sqrt(N)); more of them, neighbours of one mean, tell no more.
_ENOUGH = 10_000


@dataclass(frozen=True, eq=False)
class ApexCurve:
    """Coarse apex in the photo.

    Attributes
    ----------
    curve_px, inward_px : (S, 2) float
        Points one photo px of arc apart from the heel side, and unit normals into the blade.
    path_mm : (N, 2) float or None
        X and Y on the sheet of the connected line itself, jumps and all, before it was smoothed into the curve.
    lane_from_mm : float
        Where on the sheet (Y) the lane before it begins: beyond the printed scale, or at the border of the strip's paper that was passed.
    behind : ApexCurve or None
        The next line, where this one may as well be the border of the strip's paper and that one the apex.
    border : bool
        Whether this one may as well be the border of the strip's paper, and no line lies behind it.
    """

    curve_px: np.ndarray
    inward_px: np.ndarray
    path_mm: np.ndarray | None = None
    lane_from_mm: float = SCALE_HEIGHT_MM
    behind: ApexCurve | None = None
    border: bool = False


def find_apex(
    photo: Photo,
    camera: Camera,
    height_mm: float,
    bar_scale: tuple[float, float] = (1.0, 1.0),
    hints: Hints | None = None,
    small: np.ndarray | None = None,
) -> ApexCurve:
    """Coarse apex curve, good to a few photo px; where `hints` say where the apex runs, the search keeps to it.

    `small` is the photo as `sheet.reduced` gives it, where it is there already.

    Raises
    ------
    EdgeNotFound
        When no connected line ends the lane.
    DeclarationError
        A guide point or drawn line that cannot be the apex.
    """
    hints = hints or Hints()
    view = _hinted(sheet_view(photo, camera, height_mm, bar_scale, small), camera, height_mm, photo, hints)
    found, behind = _first_line(view, bool(hints.points_of(LineKind.APEX) or hints.along_px))
    strength = found.strength
    if np.median(strength) < _LEAST_SUPPORT and hints.guides:
        rule = "no line along the edge could be the apex as they put it: one may lie on the lane side, or on the wrong line"
        raise DeclarationError(f"guide points {', '.join(map(str, hints.guides))}", rule, "look at each again, or point at the apex too")
    if np.median(strength) < _LEAST_SUPPORT:
        raise EdgeNotFound(
            photo.name,
            "beyond the strip no line runs along the frame that could be an edge",
            "lay the blade so that its edge runs along the strip within the frame, and turn the lamp until it stands out",
        )
    next_curve = None if behind is None else _curve(view, behind, camera, height_mm)
    return replace(_curve(view, found, camera, height_mm), behind=next_curve)


def _curve(view: SheetView, line: _Line, camera: Camera, height_mm: float) -> ApexCurve:
    path_mm = np.column_stack([view.x0_mm + view.mm * np.arange(len(line.path)), view.mm * line.path])
    return replace(_to_photo(view, line.row, camera, height_mm), path_mm=path_mm, lane_from_mm=line.lane_from_mm, border=line.border)


def _hinted(view: SheetView, camera: Camera, height_mm: float, photo: Photo, hints: Hints) -> SheetView:
    """The view with what the person's points and line forbid."""
    if not hints.guides and not hints.along_px:
        return view
    rows, columns = view.valid.shape
    across, along = np.arange(rows)[:, None], np.arange(columns)
    reach = pointing_px((photo.width_px, photo.height_px), photo.enlarged) / REDUCE + 1.0

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


def line_strength(view: SheetView, along_mm: float, scale: np.ndarray | None = None) -> np.ndarray:
    """(R, C) sharpness of a line through each cell, 0..1, whatever its sign: steps against the lane's own steps.

    `along_mm` is the length averaged along the rows: short while the edge's course is unknown, for where a belly climbs
    a long mean would smear the line. `scale` (4,) are the lane's own steps where the view does not show the lane.
    """
    step, uneven = _mean_steps(view, along_mm)
    scale = _own_steps(view, step, uneven) if scale is None else scale
    per_step = ((scale + _LEAST_STEP) ** -2.0).astype(np.float32)
    z2 = cv2.transform(np.square(step, out=step), per_step[None, :3])
    z2 += per_step[3] * np.square(uneven, out=uneven)
    z2 *= view.valid & ~view.ink & (np.arange(len(z2))[:, None] >= view.start - view.shift)
    # 8 sigma: of a million cells none reaches it by noise.
    return np.divide(z2, z2 + np.float32(64.0), out=z2)


def _mean_steps(view: SheetView, along_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """(R, C, 3) steps of brightness and two colours, (R, C) of unevenness, averaged along the rows."""
    n = max(round(along_mm / view.mm), 3)

    def light() -> np.ndarray:
        return _steps(cv2.blur(view.features, (n, 1), borderType=cv2.BORDER_REPLICATE))

    def contrast() -> np.ndarray:
        return _steps(unevenness(view, 2 * along_mm))

    # A few rows are done sooner than handed over.
    step, uneven = side_by_side(light, contrast) if len(view.valid) > _FEW_ROWS else (light(), contrast())
    return step, uneven


def _own_steps(view: SheetView, step: np.ndarray, uneven: np.ndarray) -> np.ndarray:
    """(4,) robust standard deviation of the lane's own steps."""
    start = view.start - view.shift
    # Of the lane's rows alone: most of a view is blade.
    first, end = (int(np.clip(row, 0, len(step))) for row in (start.min() + LANE_MM[0] / view.mm, start.max() + LANE_MM[1] / view.mm + 2))
    from_start = np.float32(view.mm) * (np.arange(first, end, dtype=np.float32)[:, None] - start.astype(np.float32))
    lane = view.valid[first:end] & ~view.ink[first:end] & (from_start > LANE_MM[0]) & (from_start < LANE_MM[1])
    at = np.flatnonzero(lane)
    at = at[:: max(len(at) // _ENOUGH, 1)]
    # Along contiguous rows: across them a median is several times slower.
    steps = np.vstack([step[first:end].reshape(-1, 3)[at].T, uneven[first:end].ravel()[at]])
    return noise_of(steps) if len(at) else np.zeros(4)


def _steps(smooth: np.ndarray) -> np.ndarray:
    """Difference of the means of two rows on either side of each row's lower border."""
    step = cv2.sepFilter2D(smooth, -1, _ITSELF, _TWO_ROWS, borderType=cv2.BORDER_REPLICATE)
    step[:2], step[-3:] = 0.0, 0.0
    return step


@dataclass(frozen=True, eq=False)
class _Line:
    """A connected line of a sheet view, by columns: smooth `row` (C,), `strength` there (C,), whole rows of its `path` (C,); and where the
    lane before it begins; `border` as in `ApexCurve`."""

    row: np.ndarray
    strength: np.ndarray
    path: np.ndarray
    lane_from_mm: float = SCALE_HEIGHT_MM
    border: bool = False

    def steady(self, mm: float) -> _Line:
        """Without specks."""
        row = median_filter(self.row.astype(float), 9, mode="nearest")
        return replace(self, row=row, strength=gaussian_filter1d(self.strength, 0.5 / mm, mode="nearest"))


def _first_line(view: SheetView, told: bool) -> tuple[_Line, _Line | None]:
    """The apex as the first connected line beyond the lane, and the next one where that may be it instead; `told` when a person pointed
    at it."""
    line, other = _search(view), None
    # Whoever points at the apex has told it from the paper's border.
    cut = None if told else possible_cut(view, line.row)
    if cut is not None:
        # The same search once more behind the line, and a third for what would be the shoulder then.
        second = replace(_search_behind(view, cut), lane_from_mm=view.mm * float(cut.max()) + _CLEAR_OF_CUT_MM)
        past = _behind(view, second.row, 0.15)
        cues = paper_border(
            view,
            (cut, second.row),
            lambda count: line_strength(view.rows(0, count), 0.12),
            lambda first, end: line_strength(past.rows(first, end), 0.5),
        )
        # A shoulder pointed at lies behind the apex.
        shown = 0.0 if _forbidden(view, second) else float(np.median(second.strength))
        # Behind a cut there is an edge; where no line follows (or a person pointed at the shoulder), the first one is it.
        if cues >= DECIDED and shown >= (_LEAST_SUPPORT if cues == DECIDED else _FAINT_SUPPORT):
            line = second
        # Nearer lines are told apart at full size (`apex.settle`).
        elif abs(cues) < DECIDED and shown >= _LEAST_SUPPORT and view.mm * float(np.median(second.row - cut)) > _APART_MM:
            other = second
        elif abs(cues) < DECIDED and shown < _LEAST_SUPPORT:
            line = replace(line, border=True)
    return line.steady(view.mm), None if other is None else other.steady(view.mm)


def _search_behind(view: SheetView, cut: np.ndarray) -> _Line:
    """The first connected line behind one (C,) that may be a cut."""
    behind = _behind(view, cut, _CLEAR_OF_CUT_MM)
    # And the rows that the first one's steps look at.
    first = max(int(behind.start.min()) - _LOOKED_AT, 0)
    line = _search(behind.rows(first, len(view.features)))
    return replace(line, row=line.row + first, path=line.path + first)


def _forbidden(view: SheetView, line: _Line) -> bool:
    """Whether a line runs where guide points say that the apex cannot."""
    rows = np.clip(np.rint(line.row).astype(int), 0, len(view.features) - 1)
    return view.barred is not None and bool(view.barred[rows, np.arange(len(rows))].any())


def _search(view: SheetView) -> _Line:
    """The first connected line: near the strip, where most edges lie, or else in the whole view.

    First in the sheet's own rows; then about the smooth course of that answer, where longer means along the edge show weaker
    lines, and a detour over to the next line costs more than a gap.
    """
    for reach_mm in _NEAR_MM:
        end = round(int((view.start - view.shift).max()) + reach_mm / view.mm)
        if end >= len(view.features):
            break
        near, last = view.rows(0, end), end - _INSIDE_MM / view.mm
        row, support = _first_look(near)
        # A path's odd jump is mended by the second look, an edge that climbs out of the rows is not.
        if (row >= last).sum() * view.mm >= _ODD_MM:
            continue
        line = _second_look(near, row, support)
        # The first line is the first one however far the view goes on, if it is sure and leaves the rows looked at nowhere.
        if np.median(line.strength) >= LEAST_STRENGTH and line.path.max() < last:
            return line
    return _second_look(view, *_first_look(view))


def _first_look(view: SheetView) -> tuple[np.ndarray, _Support]:
    """Row (C,) of the first line by short means, and what tells how surely lines run along courses."""
    strength = steered(line_strength(view, 0.12), view.barred)
    row, support = side_by_side(
        lambda: first_line(strength, long_lines(strength, round(TICK_MM / view.mm)), 0.2, view.barred), lambda: _supporter(view)
    )
    return row, support


def _second_look(view: SheetView, row: np.ndarray, support: _Support) -> _Line:
    """The first line by long means about the course of the first look's `row` (C,)."""
    for _ in range(2):
        level = without_jumps(row.astype(float))
        # Chips and serrations step by less.
        more = (level,) if np.abs(level - row).max() * view.mm > _OFF_COURSE_MM else ()
        course = best_course(row.astype(float), support, more=more)
        flat, shift = _along(view, course, _BEYOND_MM)
        strength = steered(line_strength(flat, _LONG_MM), flat.barred)
        row = _connected(strength, flat, course - shift) + shift
        if np.abs(row - course).max() < 2.5:
            break
    # At this scale a path wobbles between an apex and its contact shadow; the straightened picture must not.
    found = strength_along(strength, row - shift)
    course = _with_corners(robust_local(row, _STEADY_MM / view.mm, found), row, found, view.mm)
    return _Line(np.clip(course, 0, len(view.features) - 1), found, row)


def _with_corners(course: np.ndarray, path: np.ndarray, found: np.ndarray, mm: float) -> np.ndarray:
    """The course (C,) with the path (C,) itself where it leaves it for long along a line that is surely there (`found` (C,), 0..1)."""
    own = gaussian_filter1d(median_filter(path.astype(float), 9, mode="nearest"), _CORNER_MM / mm, mode="nearest")
    sure = gaussian_filter1d(found, 0.5 / mm, mode="nearest") >= _SURELY
    leaves = (np.abs(own - course) > _CORNER_MM / mm) & sure
    share = gaussian_filter1d(maximum_filter1d(leaves.astype(float), round(1.0 / mm), mode="nearest"), _CORNER_MM / mm, mode="nearest")
    return course + share * (own - course)


def _along(view: SheetView, course: np.ndarray, beyond_mm: float) -> tuple[SheetView, np.ndarray]:
    """The view flattened along a course, to some mm past it, and the shift (C,) <= 0 that did it."""
    shift = np.round(course).astype(int) - round(course.max())
    return _flattened(view, shift, round(course.max() + beyond_mm / view.mm)), shift


_Support = Callable[[Sequence[np.ndarray]], Sequence[float]]


def _supporter(view: SheetView) -> _Support:
    """How surely a line runs along courses (C,) each, 0..1: any line clearly above the lane's noise counts alike."""
    # Of the lane alone, and the rows that its steps look at.
    lane = view.rows(0, int((view.start - view.shift).max() + LANE_MM[1] / view.mm) + _LOOKED_AT)
    scale = _own_steps(lane, *_mean_steps(lane, _LONG_MM))
    # The rows that the steps of five rows about a course look at.
    reach = np.arange(-5, 6)[:, None]

    def support(courses: Sequence[np.ndarray]) -> list[float]:
        out: list[float] = []
        # One below the other: no step of the five rows looks beyond its own. Guide points rule out connected lines, one band's.
        for part in slices(len(courses), _AT_ONCE if view.barred is None else 1):
            bands = _cut_out(view, np.concatenate([np.round(course) + reach for course in courses[part]]))
            strength = steered(line_strength(bands, _LONG_MM, scale), bands.barred).reshape(-1, len(reach), len(view.start))
            out += list(np.minimum(strength[:, 3:8].max(axis=1), LEAST_STRENGTH).mean(axis=1) / LEAST_STRENGTH)
        return out

    return support


def _behind(view: SheetView, row: np.ndarray, clear_mm: float) -> SheetView:
    """The view searched only past a line, clear of its blur and, at a cut, of the paper's own shadow."""
    return replace(view, start=row + max(round(clear_mm / view.mm), 3))


def _flattened(view: SheetView, shift: np.ndarray, reach: int) -> SheetView:
    """The view with column c moved down by ``-shift[c]`` (shift <= 0), so that the edge's course runs along one row."""
    # The course stands `-shift.min()` rows or fewer below its row in the sheet; farther up only the cheek follows.
    return _moved_rows(view, shift, min(len(view.features) - int(shift.min()), reach))


def _moved_rows(view: SheetView, shift: np.ndarray, count: int) -> SheetView:
    """`count` rows of the view, in column c from its row ``shift[c]`` on; what lies beyond its ends is invalid."""
    found = _cut_out(view, np.arange(count)[:, None] + shift)
    return replace(found, shift=view.shift + shift, start=view.start)


def _cut_out(view: SheetView, rows: np.ndarray) -> SheetView:
    """Rows (R, C) of the view, whole numbers by column, as rows of one to be searched from its first; what lies beyond its ends, or before
    where it is searched, is invalid."""
    y = rows.astype(np.float32)
    at = np.broadcast_to(np.arange(y.shape[1], dtype=np.float32), y.shape), y

    def moved(picture: np.ndarray, border: int = cv2.BORDER_CONSTANT) -> np.ndarray:
        # Whole rows: the nearest cell is the cell itself.
        return cv2.remap(picture, *at, cv2.INTER_NEAREST, borderMode=border)

    features = moved(view.features, cv2.BORDER_REPLICATE)
    valid, ink = (moved(p.view(np.uint8)).view(bool) for p in (view.valid, view.ink))
    barred = None
    if view.barred is not None:
        inside = (rows >= 0) & (rows < len(view.features))
        barred = moved(view.barred.view(np.uint8)).view(bool) | (~inside & view.barred.any(axis=0))
    nowhere = np.zeros(y.shape[1], int)
    return SheetView(features, valid & (rows >= view.start - view.shift), ink, view.x0_mm, view.mm, nowhere, nowhere, barred)


def _connected(strength: np.ndarray, view: SheetView, course: np.ndarray) -> np.ndarray:
    """Row (C,) of the first connected line of a flattened view, near its course unless a surer one leaves it."""
    lines = long_lines(strength, round(TICK_MM / view.mm))
    off = np.abs(np.arange(len(strength))[:, None] - course)
    # Any clear line counts alike: a strong shoulder must not draw the path off a weak apex. What leaves the course must be the surer.
    evidence = np.minimum(strength, LEAST_STRENGTH) - np.float32(_OFF_COURSE) * np.minimum(off * (view.mm / _OFF_COURSE_MM), 1.0).astype(
        np.float32
    )
    # The line hardly leaves its row now: every fourth column is enough, each standing for the mean of four.
    columns = strength.shape[1] // _THIN * _THIN
    folded = (len(strength), -1, _THIN)
    barred = None if view.barred is None else view.barred[:, :columns].reshape(folded).all(axis=2)
    mean = cv2.resize(evidence[:, :columns], (columns // _THIN, len(strength)), interpolation=cv2.INTER_AREA)
    most = np.maximum.reduce([lines[:, c:columns:_THIN] for c in range(_THIN)])
    row = first_line(mean, most, 0.6 / _THIN, barred)
    middle = np.arange(0, columns, _THIN) + (_THIN - 1) / 2
    return np.round(np.interp(np.arange(strength.shape[1]), middle, row)).astype(int)


def _to_photo(view: SheetView, rows: np.ndarray, camera: Camera, height_mm: float) -> ApexCurve:
    """The path as a smooth curve in the photo, one point a px of arc."""
    smooth = gaussian_filter1d(rows, 0.4 / view.mm, mode="nearest")
    sheet = np.column_stack([view.x0_mm + view.mm * np.arange(len(rows)), view.mm * smooth, np.full(len(rows), height_mm)])
    px = camera.project(sheet)
    beyond = camera.project(sheet + np.array([0.0, 1.0, 0.0])) - px
    return curve_along(px, beyond)


def curve_along(px: np.ndarray, toward_px: np.ndarray) -> ApexCurve:
    """The curve through photo px (N, 2), one point a px of arc; `toward_px` (N, 2) point into the blade."""
    arc = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(px, axis=0), axis=1))])
    even = np.arange(0, arc[-1])
    curve = np.column_stack([np.interp(even, arc, px[:, i]) for i in (0, 1)])
    tangent = gaussian_filter1d(np.gradient(curve, axis=0), 10, axis=0, mode="nearest")
    normal = np.column_stack([-tangent[:, 1], tangent[:, 0]])
    toward = np.column_stack([np.interp(even, arc, toward_px[:, i]) for i in (0, 1)])
    normal *= np.sign((normal * toward).sum(axis=1))[:, None]
    normal /= np.linalg.norm(normal, axis=1)[:, None]
    return ApexCurve(curve, normal)
