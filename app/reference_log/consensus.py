"""Random effects: several figures, each with its uncertainty, that may differ by more than their uncertainties. Arrays only."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq
from scipy.special import ndtr, ndtri, stdtrit


@dataclass(frozen=True)
class Consensus:
    """Mean with its standard uncertainty and the spread between the figures (a standard deviation), in the figures' unit.

    `weights` (N,) add up to one.
    """

    mean: float
    u: float
    spread: float
    weights: np.ndarray


@dataclass(frozen=True)
class Shared:
    """Errors that figures have in common, such as that of the one caliper they were read with.

    A common error moves its figures together, so it explains no difference between them: counted as if each figure had its own, it
    would hide the spread between the knives.

    Attributes
    ----------
    group : (N,) int
        Figures of one number share one error; groups are independent of each other.
    u : (N,) float
        Its standard uncertainty, a part of each figure's own; equal within a group.
    """

    group: np.ndarray
    u: np.ndarray


def dersimonian_laird(x: np.ndarray, u: np.ndarray, shared: Shared | None = None) -> float:
    """Spread between figures by DerSimonian and Laird, from the moment of Q (as in Kacker 2004, Metrologia 41, 132).

    Parameters
    ----------
    x, u : (N,) float
        Figures and their standard uncertainties, N >= 2.
    shared : Shared, optional
        Which errors they have in common; without it every figure is independent.
    """
    # E[Q] = N - 1 + spread^2 (tr W - 1'W^2 1 / 1'W1), W the inverse of the covariance without spread.
    m = _moments(x, u, shared, np.zeros(1))
    spare = m.trace[0] - m.square[0] / m.total[0]
    return math.sqrt(max(0.0, (m.q[0] - (len(x) - 1)) / spare))


def paule_mandel(x: np.ndarray, u: np.ndarray, shared: Shared | None = None) -> float:
    """Spread between figures by Paule and Mandel: the one at which Q equals its expectation N - 1; 0 where Q is below it already.

    Q falls with the spread, so there is one root at most. Every `u` is more than 0.
    """

    def above(spread: float) -> float:
        return float(_moments(x, u, shared, np.array([spread])).q[0]) - (len(x) - 1)

    high = max(float(np.ptp(x)), 1e-300)
    if above(0.0) <= 0.0:
        return 0.0
    while above(high) > 0.0:
        high *= 2.0
    return float(brentq(above, 0.0, high, xtol=1e-15 * high))


def combine(x: np.ndarray, u: np.ndarray, spread: float, shared: Shared | None = None) -> Consensus:
    """Weighted mean with the spread known; without shared errors the weights are 1 / (u^2 + spread^2)."""
    m = _moments(x, u, shared, np.array([spread]))
    return Consensus(float(m.mean[0]), 1.0 / math.sqrt(m.total[0]), spread, m.weights[0])


def intervals(x: np.ndarray, u: np.ndarray, shared: Shared | None = None, further: float = 0.0) -> tuple[tuple[float, float], ...]:
    """95 % intervals of the mean, and of the next one, N >= 2.

    The spread is hardly known from a few figures, and an estimate of it is often 0 where it is not: an interval built on the
    estimate held 0.90 of the next ones instead of 0.95. So every spread counts by how well it explains the figures, with the
    prior that depends on no scale (Jeffreys' prior of the random-effects model: Bodnar, Link and Elster 2016, Bayesian Analysis
    11, 25). Where measuring costs nothing these are the textbook intervals by Student's t of N - 1.

    Parameters
    ----------
    further : float
        Standard uncertainty that all the figures share beyond `shared`.
    """
    scale = max(float(np.ptp(x)), float(u.min()))
    # Evenly spaced in log(spread): three decades either side leave less than 0.001 of the weight outside.
    spreads = scale * np.logspace(-3.0, 3.0, 361)
    m = _moments(x, u, shared, spreads)
    log_fit = -0.5 * (m.log_det + np.log(m.total) + m.q)
    weight = np.exp(log_fit - log_fit.max()) * spreads * np.sqrt(m.trace_of_square) * spreads
    weight /= weight.sum()
    far = 1e4 * max(scale, float(u.max())) + 10.0 * further

    def held(sigma: np.ndarray) -> tuple[float, float]:
        def beyond(value: float, share: float) -> float:
            return float(weight @ ndtr((value - m.mean) / sigma)) - share

        low, high = (brentq(beyond, x.min() - far, x.max() + far, args=(share,)) for share in (0.025, 0.975))
        return float(low), float(high)

    of_mean = 1.0 / m.total + further**2
    return held(np.sqrt(of_mean)), held(np.sqrt(of_mean + spreads**2))


def t_factor(freedom: int) -> float:
    """Student's t for 95 %, two-sided."""
    return float(stdtrit(freedom, 0.975))


def e_n(x: float, u_x: float, y: float, u_y: float, chosen_of: int = 1) -> float:
    """``|x - y| / sqrt(U_x^2 + U_y^2)`` with U = 2 u: above 1 two figures disagree (ISO 13528).

    Of a pair chosen for its difference among several, U = k u with the k that leaves the largest of so many honest differences
    the chance that k = 2 leaves one (Bonferroni): 2.61 for 5, 3.05 for 20.
    """
    k = -float(ndtri(ndtr(-2.0) / chosen_of))
    return abs(x - y) / (k * math.hypot(u_x, u_y))


@dataclass(frozen=True)
class _Moments:
    """For each of M spreads: sums over V^-1, V being the figures' covariance. All (M,) but `weights` (M, N)."""

    mean: np.ndarray
    total: np.ndarray
    q: np.ndarray
    log_det: np.ndarray
    trace: np.ndarray
    trace_of_square: np.ndarray
    square: np.ndarray
    weights: np.ndarray


def _moments(x: np.ndarray, u: np.ndarray, shared: Shared | None, spreads: np.ndarray) -> _Moments:
    # V is diagonal but for one constant a group, so its inverse is in closed form (Sherman and Morrison): no matrix is made.
    n = len(x)
    shared = shared or Shared(np.arange(n), np.zeros(n))
    order = np.argsort(shared.group, kind="stable")
    first = np.concatenate(([True], np.diff(shared.group[order]) != 0))
    starts, group = np.flatnonzero(first), np.cumsum(first) - 1
    # A figure whose whole uncertainty is shared still needs a weight among its group: a thousandth stands for what it has of its own.
    own = np.maximum(u**2 - shared.u**2, (1e-3 * u) ** 2)[order]
    common, x = shared.u[order][starts] ** 2, x[order]

    def grouped(values: np.ndarray) -> np.ndarray:
        return np.add.reduceat(values, starts, axis=1)

    p = 1.0 / (own + spreads[:, None] ** 2)
    a, p2 = grouped(p), p**2
    left = 1.0 / (1.0 + common * a)
    means = grouped(p * x) / a
    total = (a * left).sum(axis=1)
    mean = (a * left * means).sum(axis=1) / total
    q = (p * (x - means[:, group]) ** 2).sum(axis=1) + (a * left * (means - mean[:, None]) ** 2).sum(axis=1)
    # Diagonal and square sum of V^-1 without differences of large numbers: where nearly all of an uncertainty is shared, those leave
    # less than nothing. What is 1 - common p left is also (1 + common (the group's others)) left.
    others = np.maximum(a[:, group] - p, 0.0)
    diagonal = p * (1.0 + common[group] * others) * left[:, group]
    beside = (common * left) ** 2 * np.maximum(grouped(p2) ** 2 - grouped(p2**2), 0.0)
    weights = np.empty_like(p)
    weights[:, order] = p * left[:, group] / total[:, None]
    return _Moments(
        mean, total, q, np.log1p(common * a).sum(axis=1) - np.log(p).sum(axis=1), diagonal.sum(axis=1),
        (diagonal**2).sum(axis=1) + beside.sum(axis=1),
        (grouped(p2) * left**2).sum(axis=1), weights,
    )  # fmt: skip
