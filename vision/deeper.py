"""As many rows of the blade as the bevel needs: a strip is straightened for a common bevel, and once more where it is a wide one.

A bevel widens toward its tip where the edge thickens. Where its shoulder comes near the last row of the strip, faces are told by too
little cheek, and farther along the edge by none. A shoulder that was found leads on, and must be found again: another line up the blade,
the end of its whole grind or a reflection's border, is named and not taken.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from vision.flags import StationFlag
from vision.reading import Reading, Sought, View, read, stations
from vision.shoulder import ShoulderLine
from vision.straighten import StraightStrip

# A shoulder this far down the rows behind the apex (share of them) has less than a millimetre of cheek behind it in the common strip. More
# than what a guide point leaves (`steering.WIDER`).
_FILLED = 0.7
# Along less of the edge (mm) a line that far down may be chance.
_LEAST_WIDE_MM = 1.0
# As many rows more at a time, and the most that is looked at (mm).
_MORE, _DEEPEST_MM = 1.5, 16.0
# The same line is found again to this many px where it is sure, and along so much of that.
_SAME_PX, _MOSTLY = 4.0, 0.5
# What makes a column no witness for a reading.
UNSURE = int(StationFlag.LOW_CONTRAST | StationFlag.BRIDGED | StationFlag.RIVAL_LINE)


def read_deep(sought: Sought, *, known: bool = False) -> tuple[Sought, Reading]:
    """What `vision.reading.read` gives with as many rows behind the apex as the bevel needs, and what was sought then."""
    reading = read(sought, known=known)
    # Along a drawn line the search itself says how far off the shoulder may lie.
    if math.isfinite(sought.view.depth_px):
        return sought, reading
    while view := deepened(sought.view, reading.strip, reading.line.row - reading.edge.row):
        further = replace(sought, view=view)
        again = read(further, known=known)
        if not same_line(reading.line, _width(reading), _width(again)):
            line = named_beside(reading.line, reading.edge.row, _width(again))
            return sought, replace(reading, line=line, lines=stations(reading.strip, reading.edge, line, view.scale))
        sought, reading = further, again
    return sought, reading


def deepened(view: View, strip: StraightStrip, width_rows: np.ndarray) -> View | None:
    """The view with more rows behind the apex, where a bevel (S,) rows wide fills those of a `strip` and the photo shows more of the
    blade there; None where there are enough of them."""
    rows = len(strip.valid) - 1 - round(strip.row_of_apex)
    filled = (np.nan_to_num(width_rows) > _FILLED * rows) & strip.valid[-1]
    more = int(min(_MORE * rows, _DEEPEST_MM * view.scale))
    if filled.sum() * strip.column_px < _LEAST_WIDE_MM * view.scale or more <= rows:
        return None
    return replace(view, rows=(view.rows[0], more))


def same_line(line: ShoulderLine, width: np.ndarray, again: np.ndarray) -> bool:
    """Whether a bevel `width` (S,) rows wide to a `line` is as wide `again` (S,), mostly, where that line is sure and found twice."""
    both = np.isfinite(width) & np.isfinite(again)
    sure = both & ((line.flags & UNSURE) == 0)
    told = sure if sure.any() else both
    return bool((np.abs(again - width)[told] <= _SAME_PX).mean() >= _MOSTLY) if told.any() else True


def _width(reading: Reading) -> np.ndarray:
    return reading.line.row - reading.edge.row


def named_beside(line: ShoulderLine, edge_row: np.ndarray, other: np.ndarray) -> ShoulderLine:
    """A line with another one named, `other` (S,) rows from the edge, where that lies elsewhere: either may be the shoulder."""
    apart = np.isfinite(other) & np.isfinite(line.row) & (np.abs(edge_row + other - line.row) > _SAME_PX)
    row = np.where(apart, edge_row + other, line.rival_row)
    return replace(line, rival_row=row, flags=line.flags | np.where(apart, int(StationFlag.RIVAL_LINE), 0))
