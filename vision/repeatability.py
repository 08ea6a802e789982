"""How repeatable a person's own method is: several results of each of several photos (or sessions), one-way analysis of variance."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from vision.errors import DeclarationError


@dataclass(frozen=True)
class Components:
    """Within and between components of one-way analysis of variance.

    Attributes
    ----------
    groups, total : int
        Number of groups and of values.
    mean : float
    ms_between, ms_within, f : float
        Mean squares and their ratio; `f` is infinite when values never differ within a group but groups do, NaN when nothing differs.
    within : float
        Standard deviation of one result within a group (repeatability).
    between : float
        Standard deviation of the groups themselves; 0 when the groups differ no more than chance.
    mean_u : float
        Standard uncertainty of `mean` from this spread alone (it holds no common error of scale, angle or caliper).
    """

    groups: int
    total: int
    mean: float
    ms_between: float
    ms_within: float
    f: float
    within: float
    between: float
    mean_u: float

    @property
    def one_result_u(self) -> float:
        """Standard deviation of one result of one new group: what to use in a band for a single measurement."""
        return math.hypot(self.within, self.between)


def components(groups: Sequence[Sequence[float]]) -> Components:
    """One-way analysis of variance with random groups, unequal sizes allowed (method of moments).

    Parameters
    ----------
    groups : sequence of sequences of float
        Results by photo or session, one unit.

    Raises
    ------
    DeclarationError
        Fewer than two groups, an empty one, a value that is not finite, or no group with a repeat.
    """
    data = [np.asarray(g, float) for g in groups]
    sizes = np.array([g.size for g in data])
    if len(data) < 2 or (sizes < 1).any() or sizes.sum() <= len(data):
        text = "it needs two groups or more, none of them empty, and a repeat in one at least"
        raise DeclarationError(f"repeatability study with group sizes {sizes.tolist()}", text, "measure again and add the results")
    values = np.concatenate(data)
    if not np.isfinite(values).all():
        raise DeclarationError("repeatability study with a missing value", "every result must be a number", "leave the missing one out")
    n, k = int(sizes.sum()), len(data)
    # Work on deviations: constant leading digits would otherwise eat the small differences.
    shift = float(values[0])
    data = [g - shift for g in data]
    means = np.array([g.mean() for g in data])
    grand = float(np.concatenate(data).mean())
    ms_between = float((sizes * (means - grand) ** 2).sum()) / (k - 1)
    ms_within = float(sum(((g - m) ** 2).sum() for g, m in zip(data, means, strict=True))) / (n - k)
    f = ms_between / ms_within if ms_within > 0 else (math.inf if ms_between > 0 else math.nan)
    effective = (n - float((sizes**2).sum()) / n) / (k - 1)
    between2 = max((ms_between - ms_within) / effective, 0.0)
    mean_u = math.sqrt(between2 * float((sizes**2).sum()) / n**2 + ms_within / n)
    return Components(k, n, shift + grand, ms_between, ms_within, f, math.sqrt(ms_within), math.sqrt(between2), mean_u)
