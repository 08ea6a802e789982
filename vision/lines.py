"""The first connected line across a picture of line strengths. Arrays only: rows run from the lane into the blade."""

from __future__ import annotations

import cv2
import numpy as np
from scipy.ndimage import minimum_filter1d

from vision.paths import best_path, run_on

# z = 6 in the lane's own noise: noise alone makes no connected line of it.
LEAST_STRENGTH = 0.36
# Rows beside a crest that its flank can reach: lines are told apart over windows of that size.
_FLANK_ROWS = 12
_NARROWEST_WITHIN = 31
# Crests so many columns apart are of one line, on either side.
_JOINED_COLUMNS = 2


def long_lines(strength: np.ndarray, least_columns: int) -> np.ndarray:
    """(R, C) strength of ridges that belong to connected lines at least `least_columns` long; 0 elsewhere.

    Ticks and figures of the printed scale, specks and the grain of a tumbled cheek are shorter.
    """
    ridge = strength >= np.maximum(cv2.dilate(strength, np.ones((5, 1), np.uint8)), LEAST_STRENGTH)
    count, label = cv2.connectedComponents(cv2.dilate(ridge.astype(np.uint8), np.ones((3, 2 * _JOINED_COLUMNS + 1), np.uint8)))
    out, crests = np.zeros_like(strength), np.flatnonzero(ridge)
    line, column = label.ravel()[crests], crests % strength.shape[1]
    first, last = np.full(count, strength.shape[1]), np.zeros(count, int)
    np.minimum.at(first, line, np.maximum(column - _JOINED_COLUMNS, 0))
    np.maximum.at(last, line, np.minimum(column + _JOINED_COLUMNS, strength.shape[1] - 1))
    crests = crests[(last - first + 1 >= least_columns)[line]]
    out.ravel()[crests] = strength.ravel()[crests]
    return out


def strength_along(strength: np.ndarray, row: np.ndarray) -> np.ndarray:
    """(C,) greatest strength (R, C) within a row of a path (C,) of whole rows."""
    columns = np.arange(len(row))
    return np.max([strength[np.clip(row + k, 0, len(strength) - 1), columns] for k in (-1, 0, 1)], axis=0)


def steered(strength: np.ndarray, barred: np.ndarray | None) -> np.ndarray:
    """(R, C) strength without the connected lines that guide points rule out.

    A line is ruled out over its whole length when it runs through `barred` (R, C) cells and through no other cell of their columns:
    whoever points at another line says that this one is not meant.
    """
    if barred is None:
        return strength
    ridge = strength >= np.maximum(cv2.dilate(strength, np.ones((5, 1), np.uint8)), LEAST_STRENGTH)
    count, label = cv2.connectedComponents(cv2.dilate(ridge.astype(np.uint8), np.ones((3, 5), np.uint8)))
    # A corridor widens away from its point; what the point says, it says where the corridor is narrowest.
    room = (~barred).sum(axis=0)
    inside = ridge & barred.any(axis=0) & (room <= minimum_filter1d(room, _NARROWEST_WITHIN) + 2)
    out = np.zeros(count, bool)
    out[np.unique(label[inside & barred])] = True
    out[np.unique(label[inside & ~barred])] = False
    out[0] = False
    gone = out[label] & ridge
    # With the crest its flanks go, as far as the strength falls.
    for _ in range(_FLANK_ROWS):
        gone[1:] |= gone[:-1] & (strength[1:] <= strength[:-1])
        gone[:-1] |= gone[1:] & (strength[:-1] <= strength[1:])
    return np.where(gone | barred, 0.0, strength)


def first_line(strength: np.ndarray, lines: np.ndarray, step_cost: float, barred: np.ndarray | None = None) -> np.ndarray:
    """Row (C,) of the first strong connected line, counted from row 0.

    Parameters
    ----------
    strength, lines : (R, C) float
        0..1; `lines` holds the ridges that count when crossed.
    step_cost : float
        Cost of each row of change per column.
    barred : (R, C) bool, optional
        Cells that guide points forbid; where they leave no way across, the path goes its own (the caller says so: `steering.missed`).
    """
    # Crossing a line costs what following the strongest one gains: a weak first line wins over a strong one behind it.
    cost = np.zeros(strength.shape)
    cost[2:] = lines[:-2] > 0
    run_on(cost)
    cost -= strength
    if barred is not None:
        try:
            return best_path(cost, max_step=3, step_cost=step_cost, forbidden=barred & ~barred.all(axis=0), through=False).row
        except ValueError:
            pass
    return best_path(cost, max_step=3, step_cost=step_cost, through=False).row
