"""Random effects: several figures, each with its uncertainty, that may differ by more than their uncertainties. Arrays only."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import stats
from scipy.optimize import brentq
from scipy.special import ndtr


@dataclass(frozen=True)
class Consensus:
    """Mean with its standard uncertainty and the spread between the figures (a standard deviation), in the figures' unit.

    `weights` (N,) add up to one.
    """

    mean: float
    u: float
    spread: float
    weights: np.ndarray


def dersimonian_laird(x: np.ndarray, u: np.ndarray) -> float:
    """Spread between figures by DerSimonian and Laird, from the moment of Q (as in Kacker 2004, Metrologia 41, 132).

    Parameters
    ----------
    x, u : (N,) float
        Figures and their standard uncertainties, N >= 2.
    """
    w = 1.0 / u**2
    mean = float(w @ x / w.sum())
    q = float(w @ (x - mean) ** 2)
    spare = w.sum() - (w @ w) / w.sum()
    return math.sqrt(max(0.0, (q - (len(x) - 1)) / spare))


def paule_mandel(x: np.ndarray, u: np.ndarray) -> float:
    """Spread between figures by Paule and Mandel: the one at which Q equals its expectation N - 1; 0 where Q is below it already.

    Q falls with the spread, so halving an interval cannot miss it.
    """
    low, high = 0.0, max(float(np.ptp(x)), 1e-300)
    if _q(x, u, low) <= len(x) - 1:
        return 0.0
    while _q(x, u, high) > len(x) - 1:
        high *= 2.0
    # 60 halvings leave 1e-18 of the range: nothing that a float could tell.
    for _ in range(60):
        middle = (low + high) / 2.0
        low, high = (middle, high) if _q(x, u, middle) > len(x) - 1 else (low, middle)
    return (low + high) / 2.0


def combine(x: np.ndarray, u: np.ndarray, spread: float) -> Consensus:
    """Weighted mean with the spread known: weights 1 / (u^2 + spread^2)."""
    w = 1.0 / (u**2 + spread**2)
    return Consensus(float(w @ x / w.sum()), 1.0 / math.sqrt(w.sum()), spread, w / w.sum())


def next_figure(x: np.ndarray, u: np.ndarray, common: float = 0.0) -> tuple[float, float]:
    """Interval that holds the next one with 95 %, N >= 2.

    The spread is hardly known from a few figures, and an estimate of it is often 0 where it is not: an interval built on the
    estimate held 0.90 of the next ones instead of 0.95. So every spread counts by how well it explains the figures, with the
    prior that depends on no scale (Jeffreys' prior of the random-effects model: Bodnar, Link and Elster 2016, Bayesian Analysis
    11, 25). Where measuring costs nothing this is the textbook interval by Student's t of N - 1.

    Parameters
    ----------
    common : float
        Standard uncertainty that all the figures share.
    """
    scale = max(float(np.ptp(x)), float(u.min()))
    # Evenly spaced in log(spread): three decades either side leave less than 0.001 of the weight outside.
    spreads = scale * np.logspace(-3.0, 3.0, 361)
    v = u**2 + spreads[:, None] ** 2
    total = (1.0 / v).sum(axis=1)
    means = (x / v).sum(axis=1) / total
    log_fit = -0.5 * (np.log(v).sum(axis=1) + np.log(total) + ((x - means[:, None]) ** 2 / v).sum(axis=1))
    prior = spreads * np.sqrt((1.0 / v**2).sum(axis=1))
    weight = np.exp(log_fit - log_fit.max()) * prior * spreads
    weight /= weight.sum()
    sigma = np.sqrt(spreads**2 + 1.0 / total + common**2)

    def beyond(value: float, share: float) -> float:
        return float(weight @ ndtr((value - means) / sigma)) - share

    far = 1e4 * scale + 10.0 * common
    low, high = (brentq(beyond, x.min() - far, x.max() + far, args=(share,)) for share in (0.025, 0.975))
    return float(low), float(high)


def t_factor(n: int) -> float:
    """Student's t for 95 %, two-sided, of n figures; 2 for a single one, whose uncertainty is not had from the figures."""
    return float(stats.t.ppf(0.975, n - 1)) if n > 1 else 2.0


def e_n(x: float, u_x: float, y: float, u_y: float) -> float:
    """``|x - y| / sqrt(U_x^2 + U_y^2)`` with U = 2 u: above 1 two figures disagree (ISO 13528)."""
    return abs(x - y) / (2.0 * math.hypot(u_x, u_y))


def _q(x: np.ndarray, u: np.ndarray, spread: float) -> float:
    w = 1.0 / (u**2 + spread**2)
    return float(w @ (x - w @ x / w.sum()) ** 2)
