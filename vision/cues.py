"""Two cues for one line, each with its own uncertainty: where the brightness steps, and where the bevel's grind lines end. Arrays only."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

# Rows of one column repeat each other further than `grain` allows for (noise reduction, JPEG): its likelihood is believed by its root.
_TEMPER = 4.0
# Whole rows, and lines that a blur draws out beyond their end or a rounding darkens before it: a row either way.
_ROW_PX = 1.0
# How far from the line taken the lines' end is looked for: the blur and the windows of the line's own fit. Farther off it is another line.
REACH_ROWS = 8
# A place elsewhere explains the lines better from a likelihood ratio of a hundred on (natural log).
_NO_BETTER = 4.6
# A place spread over more rows than the search's own reach on either side could as well be none.
_SURE_PX = 3.0
# Two cues that differ by more than this many of their joint standard uncertainties speak of different lines.
DISAGREE = 2.0
# From three on there is no doubt of it, and a mean of the two would be neither.
_NEITHER = 3.0


@dataclass(frozen=True, eq=False)
class LineEnd:
    """Where grind lines end, C blocks of columns.

    Attributes
    ----------
    row : (C,) float
        Rows from the apex.
    u : (C,) float
        Standard uncertainty, rows; infinite where there are no lines to tell by.
    sure : (C,) bool
        Whether lines surely end here and no place farther off explains them better.
    """

    row: np.ndarray
    u: np.ndarray
    sure: np.ndarray


def line_end(short: np.ndarray, trust: np.ndarray, row: np.ndarray) -> LineEnd:
    """Mean and spread of the posterior over the rows near a line.

    Parameters
    ----------
    short : (W, C) float
        Log likelihood that the lines end behind row w, up to a constant of each column (`vision.grain.Grain.short`).
    trust : (C,) float
        0..1: whether there are lines at all.
    row : (C,) float
        The line taken so far, rows from the apex.
    """
    offsets = np.arange(-REACH_ROWS, REACH_ROWS + 1)
    at = np.rint(row).astype(int) + offsets[:, None]
    inside = (at >= 0) & (at < len(short))
    said = np.where(inside, short[np.clip(at, 0, len(short) - 1), np.arange(len(row))], -np.inf)
    with np.errstate(invalid="ignore"):
        chance = np.exp((said - said.max(axis=0)) / _TEMPER)
    chance = np.nan_to_num(chance)
    total = np.maximum(chance.sum(axis=0), 1e-12)
    # Lines that end behind row w end half a row after its centre.
    place = np.where(inside, at + 0.5, 0.0)
    mean = (chance * place).sum(axis=0) / total
    spread = np.sqrt((chance * (place - mean) ** 2).sum(axis=0) / total)
    doubt = np.where((trust > 0) & inside.any(axis=0), np.maximum(trust, 1e-6), 0.0)
    with np.errstate(divide="ignore"):
        u = np.hypot(spread, _ROW_PX) / doubt
    return LineEnd(mean, u, (trust >= 1.0) & (said.max(axis=0) >= -_NO_BETTER) & (u <= _SURE_PX))


def weigh(row: np.ndarray, u: np.ndarray, other: np.ndarray, other_u: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Weighted mean of two values of one quantity, its uncertainty, and by how many joint uncertainties they differ; all (S,).

    Where they differ by more than their uncertainties explain, the mean's uncertainty grows by that ratio (Birge, Phys. Rev. 40, 207,
    1932), and the first value comes to stand alone. A value with infinite uncertainty counts for nothing.
    """
    known = np.isfinite(other_u) & np.isfinite(other)
    variance = np.where(known, np.square(np.where(known, other_u, 1.0)), np.inf)
    share = np.where(known, np.square(u) / (np.square(u) + variance), 0.0)
    apart = np.where(known, other - row, 0.0)
    ratio = np.where(known, np.abs(apart) / np.maximum(np.hypot(u, np.where(known, other_u, 0.0)), 1e-9), 0.0)
    one_line = np.clip((_NEITHER - ratio) / (_NEITHER - DISAGREE), 0.0, 1.0)
    joint = np.maximum(u * np.sqrt(1.0 - share) * np.maximum(ratio, 1.0), (1.0 - one_line) * u)
    return row + one_line * share * apart, joint, ratio
