"""Where a figure's uncertainty comes from: independent rows that add up in quadrature to the total (JCGM 100, 5.1)."""

from __future__ import annotations

import math

import numpy as np

from vision.gaussian import Array
from vision.results import Budget, BudgetRow
from vision.thickness import ThicknessFit, length_weights


def budget(fit: ThicknessFit, mask: np.ndarray) -> Budget:
    """Budget of the mean thickness over the stations of `mask` (N,), after conditioning on the readings.

    The estimate is linear in independent sources, so each row is exactly coefficient times standard uncertainty; readings shrink the
    coefficients of what they tell about and bring their own rows. Rows run from the largest contribution down.

    Raises
    ------
    ValueError
        No station of `mask` was measured.
    """
    weights = length_weights(fit.arc_mm, mask & fit.measured)
    if not np.isfinite(weights).all():
        raise ValueError("no measured station in the stretch: a budget needs one at least")
    return budget_of(fit, weights)


def budget_of(fit: ThicknessFit, weights: Array) -> Budget:
    """The same for any linear functional with `weights` (N,)."""
    rows = [BudgetRow(c.source, c.u, c.unit, c.sensitivity, c.mm) for c in fit.contributions(weights)]
    rows.sort(key=lambda r: -r.contribution_mm)
    return Budget(tuple(rows), math.sqrt(math.fsum(r.contribution_mm**2 for r in rows)))
