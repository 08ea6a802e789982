"""Guide points on arrays: which cells a search may use near them, and how far their word carries.

A guide says which line is meant, to within the reach of a pointing hand. Near it the search keeps to a corridor; farther off,
other lines merely lose against the guided width or course, less and less.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from vision.errors import DeclarationError
from vision.flags import Note
from vision.hints import Hints, LineKind
from vision.paths import corridor
from vision.straighten import StraightStrip

# Over this much arc to either side the line's course is the guide's: shorter than the waves of a ground edge (1-2 mm, twice).
GUIDED_MM = 1.0
# A bevel keeps its width within some percent over this length (common practice, no source): the guide's word fades over it.
CARRIES_MM = 5.0
# A line drawn "roughly along the edge" may run this many times farther off than a single point (common practice, no source).
DRAWN = 7.0
# What is looked for beside a guided shoulder reaches half as far again: bevels widen along an edge, and some cheek must be seen.
WIDER = 1.5
# An erf fit of a line worth the name is good to a tenth of a px or two.
_NO_LINE_PX = 0.5
# Departure from a guide's own width, as a share, that costs nothing: waviness of the grind (common practice, no source).
_FREE_SHARE = 0.05


@dataclass(frozen=True, eq=False)
class LineGuide:
    """Guide points of one line over the S columns of a straight strip.

    Attributes
    ----------
    row : (S,) float
        The line as placed by hand, NaN farther than `GUIDED_MM` from every point: the search stays within `half_rows` of it.
    half_rows : float
        Reach of a point.
    course : (S,) float or None
        The same carried on over all columns; None where only the corridor counts.
    weight : (S,) float or None
        How much `course` says, 1 at a point, fading with the distance.
    """

    row: np.ndarray
    half_rows: float = 6.0
    course: np.ndarray | None = None
    weight: np.ndarray | None = None

    @property
    def points(self) -> np.ndarray:
        """(S,) True in the columns of the points themselves."""
        return np.zeros(len(self.row), bool) if self.weight is None else self.weight >= 1.0

    def barred(self, shape: tuple[int, int], column: np.ndarray, first_row: np.ndarray | float = 0.0) -> np.ndarray:
        """(R, C) True where the search may not go; row r of the picture is the strip's ``first_row + r``, `column` (C,) its columns."""
        at = np.arange(len(self.row))
        row = np.interp(column, at, self.row) - first_row
        return corridor(shape, np.where(np.isfinite(row), row, 0.0), self.half_rows) & np.isfinite(row)

    def pull(self, shape: tuple[int, int], column: np.ndarray, first_row: np.ndarray | float) -> np.ndarray:
        """(R, C) 0..1: share of a clear line's evidence that leaving the guided course costs, none within its free waviness."""
        if self.course is None or self.weight is None:
            return np.zeros(shape)
        at = np.arange(len(self.row))
        course = np.interp(column, at, self.course) - first_row
        free = _FREE_SHARE * np.abs(course) + self.half_rows
        excess = np.abs(np.arange(shape[0])[:, None] - course) / free - 1.0
        return np.clip(excess, 0.0, 1.0) * np.interp(column, at, self.weight)


def guide_on(strip: StraightStrip, hints: Hints, line: LineKind, about: np.ndarray, reach: tuple[float, float]) -> LineGuide | None:
    """The guide of one line on a straight strip, None where nobody pointed at it.

    Parameters
    ----------
    strip : StraightStrip
    hints : Hints
    line : LineKind
    about : (S,) float
        The coarse apex for the apex, the refined apex for the shoulder; NaN is bridged.
    reach : (float, float)
        Px per mm of arc, and rows that a point may be off.

    Raises
    ------
    DeclarationError
        A point where its line cannot be: on the wrong side of the apex, or past what is searched.
    """
    points = hints.points_of(line)
    known = np.isfinite(about)
    if not points or not known.any():
        return None
    at = np.arange(len(about))
    about = np.interp(at, at[known], about[known])
    placed = _placed(strip, np.array(points))
    out = _past_the_end(strip, placed, reach[0])
    if hints.scale is not None:
        # The drawn line says which stretch is asked for; a point elsewhere on the blade says nothing of it (`left_out` tells).
        placed, points, out = placed[~out], tuple(p for p, o in zip(points, out, strict=True) if not o), out[~out]
        if not points:
            return None
    for (column, row), (x, y), past in zip(placed, points, out, strict=True):
        beyond = row - about[int(np.clip(column, 0, len(about) - 1))]
        if line is LineKind.SHOULDER and beyond < 1.0:
            rule, remedy = (
                "it lies on the lane side of the apex, and the bevel is on the other",
                "point at the shoulder, or at the apex too",
            )
        elif past:
            rule, remedy = "it lies beyond the end of the edge that was searched", "point at the stretch that is measured"
        elif not 0.0 <= row < len(strip.valid):
            rule, remedy = "it lies too far from the edge that was found", "point at the line itself, or at the apex too"
        else:
            continue
        raise DeclarationError(f"guide {line.value}:{x:g},{y:g}", rule, remedy)
    return line_guide(placed, about, reach[0] / strip.column_px, reach[1])


def _past_the_end(strip: StraightStrip, placed: np.ndarray, px_per_mm: float) -> np.ndarray:
    """(N,) whether points placed on the strip (N, 2) lie too far beyond its ends to say anything of it."""
    beyond = CARRIES_MM * px_per_mm / strip.column_px
    return (placed[:, 0] < -beyond) | (placed[:, 0] > len(strip.base_px) - 1 + beyond)


def left_out(strip: StraightStrip, hints: Hints, px_per_mm: float) -> tuple[Note, ...]:
    """A caution where guide points lie off the stretch along which a line was drawn."""
    points = np.array([(g.x_px, g.y_px) for g in hints.guides]).reshape(-1, 2)
    count = int(_past_the_end(strip, _placed(strip, points), px_per_mm).sum())
    if hints.scale is None or not count:
        return ()
    text = f"{count} of {len(points)} guide points lie more than {CARRIES_MM:g} mm beyond the ends of the drawn line and were not used"
    return (Note("guide-left-out", text, "draw the line farther along the edge, or take the points away"),)


def off_line(curve: np.ndarray, points_px: Sequence[tuple[float, float]]) -> np.ndarray:
    """(N,) px by which points lie off a curve (S, 2), carried straight on beyond its ends."""
    off = []
    for point in np.array(points_px, float).reshape(-1, 2):
        nearest = int(np.argmin(((curve - point) ** 2).sum(axis=1)))
        away = point - curve[nearest]
        if nearest in (0, len(curve) - 1):
            along = _tangent(curve, nearest)
            away = away - max(away @ along, 0.0) * along
        off.append(float(np.linalg.norm(away)))
    return np.array(off)


def _tangent(curve: np.ndarray, end: int) -> np.ndarray:
    """(2,) unit direction in which a curve (S, 2) leaves one of its ends, 0 or S - 1."""
    # Several px of arc: the curve's own points are rounded.
    before = end + (1 if end == 0 else -1) * min(8, len(curve) - 1)
    out = curve[end] - curve[before]
    return out / max(float(np.linalg.norm(out)), 1e-9)


def _placed(strip: StraightStrip, points_px: np.ndarray) -> np.ndarray:
    """(N, 2) column and row of photo px (N, 2); beyond an end of the strip columns go on along the edge, so that a point there still
    says how wide the bevel is near the end."""
    placed = strip.from_photo(points_px)
    for end, sign in ((0, -1.0), (len(strip.base_px) - 1, 1.0)):
        here = placed[:, 0] == end
        past = (points_px[here] - strip.base_px[end]) @ _tangent(strip.base_px, end)
        placed[here, 0] += sign * np.maximum(past, 0.0) / strip.column_px
    return placed


def missed(guide: LineGuide | None, row: np.ndarray, u_px: np.ndarray, line: LineKind, enlarged: int = 1) -> tuple[Note, ...]:
    """A caution where the line (S,) that was found passes out of a guide's reach, or none was: the photo shows none there.

    A fit that cannot place its line (`u_px` (S,)) to half a px has found noise. Words give px of the photo's file, which was `enlarged`.
    """
    if guide is None:
        return ()
    at = np.flatnonzero(guide.points)
    off = np.abs(row[at] - guide.row[at])
    lost = int((~((off <= guide.half_rows + 1.0) & (u_px[at] <= _NO_LINE_PX))).sum())
    if not lost:
        return ()
    text = f"at {lost} of {len(at)} guide points for the {line.value} no line was found within {guide.half_rows / enlarged:.0f} px of it"
    return (Note("guide-missed", text, "look at the overlay, and point again or take the guide away"),)


def line_guide(points: np.ndarray, about: np.ndarray, columns_per_mm: float, half_rows: float) -> LineGuide:
    """The guide made of points on a straight strip.

    Parameters
    ----------
    points : (N, 2) float
        Column and row of each.
    about : (S,) float
        The row from which the guided line keeps its distance: the apex for a shoulder, the coarse curve for an apex.
    columns_per_mm : float
    half_rows : float
    """
    at = np.arange(len(about))
    points = points[np.argsort(points[:, 0])]
    offset = points[:, 1] - np.interp(points[:, 0], at, about)
    course = about + np.interp(at, points[:, 0], offset)
    right = np.clip(np.searchsorted(points[:, 0], at), 0, len(points) - 1)
    left = np.maximum(right - 1, 0)
    distance = np.minimum(np.abs(points[right, 0] - at), np.abs(points[left, 0] - at)) / columns_per_mm
    return LineGuide(np.where(distance <= GUIDED_MM, course, np.nan), half_rows, course, np.exp(-((distance / CARRIES_MM) ** 2)))


def along_px(points: Sequence[tuple[float, float]]) -> np.ndarray:
    """(N, 2) points about one px apart on the line drawn through `points`."""
    corner = np.asarray(points, float)
    arc = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(corner, axis=0), axis=1))])
    at = np.linspace(0.0, arc[-1], max(int(arc[-1]) + 1, 2))
    return np.column_stack([np.interp(at, arc, corner[:, i]) for i in (0, 1)])
