"""As many rows of the blade as the bevel needs: a strip is straightened for a common bevel, and once more where it is a wide one.

A bevel widens toward its tip where the edge thickens. Where its shoulder comes near the last row of the strip, faces are told by too
little cheek, and farther along the edge by none. Only a shoulder that was found leads on: where none lies within a common bevel's width,
the next line up the blade may as well end its whole grind, and a person points at it.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from vision.reading import Reading, Sought, View, read
from vision.straighten import StraightStrip

# A shoulder this far down the rows behind the apex (share of them) has little cheek behind it, and rises farther along the edge.
_FILLED = 0.6
# Along less of the edge (mm) a line that far down may be chance.
_LEAST_WIDE_MM = 1.0
# As many rows more at a time, and the most (mm): no bevel is ground wider in one plane (common practice, no source).
_MORE, _DEEPEST_MM = 1.5, 16.0


def read_deep(sought: Sought) -> tuple[Sought, Reading]:
    """What `vision.reading.read` gives with as many rows behind the apex as the bevel needs, and what was sought then."""
    reading = read(sought)
    # Along a drawn line the search itself says how far off the shoulder may lie.
    if math.isfinite(sought.view.depth_px):
        return sought, reading
    while view := deepened(sought.view, reading.strip, reading.line.row - reading.edge.row):
        sought = replace(sought, view=view)
        reading = read(sought)
    return sought, reading


def deepened(view: View, strip: StraightStrip, width_rows: np.ndarray) -> View | None:
    """The view with more rows behind the apex, where a bevel (S,) rows wide fills those of a `strip` and the photo shows more of the
    blade there; None where there are enough of them."""
    filled = (np.nan_to_num(width_rows) > _FILLED * view.rows[1]) & strip.valid[-1]
    more = int(min(_MORE * view.rows[1], _DEEPEST_MM * view.scale))
    if filled.sum() * strip.column_px < _LEAST_WIDE_MM * view.scale or more <= view.rows[1]:
        return None
    return replace(view, rows=(view.rows[0], more))
