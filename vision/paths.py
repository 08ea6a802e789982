"""Minimal-cost paths across a cost picture, sums down it and means along it. Arrays only: columns run along the edge, rows across it."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np


@dataclass(frozen=True, eq=False)
class BestPath:
    """The cheapest connected path over all columns, and how nearly another one came.

    Attributes
    ----------
    row : (S,) int
        Row of the path in each column.
    cost : float
        Its total cost.
    through : (R, S) float32
        Cost of the cheapest path *through* each cell, less `cost`: 0 on the path, inf where no path passes. Empty (0, S) when
        it was not asked for.
    """

    row: np.ndarray
    cost: float
    through: np.ndarray

    def margin(self, away_rows: float | np.ndarray) -> np.ndarray:
        """Extra cost (S,) of the best path that passes at least `away_rows` from this one in the given column."""
        rows = np.arange(self.through.shape[0])[:, None]
        far = np.abs(rows - self.row) >= away_rows
        return np.where(far, self.through, np.inf).min(axis=0)


def best_path(
    cost: np.ndarray, max_step: int = 1, step_cost: float = 0.0, forbidden: np.ndarray | None = None, through: bool = True
) -> BestPath:
    """Cheapest path from the first to the last column by dynamic programming.

    Parameters
    ----------
    cost : (R, S) float
        Cost of each cell; any sign.
    max_step : int
        Largest change of row from one column to the next.
    step_cost : float
        Cost of each row of change: straight lines are cheaper than crooked ones.
    forbidden : (R, S) bool, optional
        Cells that no path may use (guides: forbid all but a corridor).
    through : bool
        Whether the cost through every cell is wanted: it doubles the work.

    Raises
    ------
    ValueError
        When no path is left.
    """
    cost = np.asarray(cost, np.float64)
    if cost.ndim != 2 or not cost.size:
        raise ValueError(f"cost must be (R, S) and not empty, got {cost.shape}")
    if forbidden is not None:
        cost = np.where(forbidden, np.inf, cost)
    reached = _sweep(cost, max_step, step_cost)
    total = float(reached[-1].min())
    if not np.isfinite(total):
        raise ValueError("no path crosses the picture: the allowed cells are not connected")
    row = _trace(reached, max_step, step_cost)
    if not through:
        return BestPath(row, total, np.empty((0, cost.shape[1]), np.float32))
    # Min-marginals: the cheapest way to a cell plus the cheapest way on from it.
    inner = slice(max_step, max_step + len(cost))
    forward, backward = reached[:, inner].T, _sweep(cost[:, ::-1], max_step, step_cost)[::-1, inner].T
    with np.errstate(invalid="ignore"):
        extra = forward + backward - cost - total
    extra[~np.isfinite(cost)] = np.inf
    return BestPath(row, total, np.maximum(extra, 0.0).astype(np.float32))


def rival_path(
    cost: np.ndarray, path: np.ndarray, away_rows: float | np.ndarray, max_step: int = 1, step_cost: float = 0.0
) -> BestPath | None:
    """Cheapest path that keeps at least `away_rows` from `path` in every column; None when there is no room for one."""
    rows = np.arange(cost.shape[0])[:, None]
    near = np.abs(rows - np.asarray(path, float)) < away_rows
    try:
        return best_path(cost, max_step, step_cost, forbidden=near, through=False)
    except ValueError:
        return None


def corridor(shape: tuple[int, int], centre: np.ndarray, half_rows: float | np.ndarray) -> np.ndarray:
    """(R, S) bool, True outside `half_rows` of `centre` (S,): the `forbidden` of a guided search."""
    return np.abs(np.arange(shape[0])[:, None] - np.asarray(centre, float)) > half_rows


def run_on(values: np.ndarray) -> np.ndarray:
    """Running sums down the rows, in place."""
    # Row by row: numpy's own cumsum goes down one column after the other, across the memory.
    for before, row in pairwise(values):
        row += before
    return values


def smooth_along(values: np.ndarray, along: float) -> np.ndarray:
    """(W, C) or (W, C, 3) smoothed along the edge, `along` columns of standard deviation, cut at four of them; the ends are repeated."""
    return cv2.GaussianBlur(values, (2 * int(4.0 * along + 0.5) + 1, 1), sigmaX=along, borderType=cv2.BORDER_REPLICATE)


def _sweep(cost: np.ndarray, max_step: int, step_cost: float) -> np.ndarray:
    """(S, R + 2 max_step) cheapest cost of reaching each cell from the left, its own cost included; inf beyond the first and last row."""
    rows, columns = cost.shape
    # Column-major: each step reads and writes one contiguous run.
    reached = np.full((columns, rows + 2 * max_step), np.inf)
    inner = reached[:, max_step : max_step + rows]
    inner[0] = cost[:, 0]
    # Row d of a window is the column before, moved by d - max_step.
    windows = np.lib.stride_tricks.sliding_window_view(reached, rows, axis=1)
    steps = step_cost * np.abs(np.arange(-max_step, max_step + 1.0))[:, None]
    ways, best = np.empty((len(steps), rows)), np.empty(rows)
    for before, own, now in zip(windows[:-1], np.ascontiguousarray(cost.T)[1:], inner[1:], strict=True):
        np.add(before, steps, ways)
        np.minimum.reduce(ways, 0, None, best)
        np.add(best, own, now)
    return reached


def _trace(reached: np.ndarray, max_step: int, step_cost: float) -> np.ndarray:
    """Walk back from the cheapest end."""
    row = np.empty(len(reached), np.intp)
    # In the padded rows of `reached` the window that leads to a row begins at that row's own number.
    here = row[-1] = int(np.argmin(reached[-1])) - max_step
    steps = step_cost * np.abs(np.arange(-max_step, max_step + 1.0))
    width = len(steps)
    for s in range(len(reached) - 2, -1, -1):
        here += int((reached[s, here : here + width] + steps).argmin()) - max_step
        row[s] = here
    return row
