"""Random effects against published values and an independent library."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.meta_analysis import combine_effects

from app.reference_log import consensus

# Kacker 2004, Metrologia 41, 132, as shipped in statsmodels' test_meta.py.
X = np.array([61.00, 61.40, 62.21, 62.30, 62.34, 62.60, 62.70, 62.84, 65.90])
U = np.sqrt([0.2025, 1.21, 0.09, 0.2025, 0.3844, 0.5625, 0.0676, 0.0225, 1.8225])


def test_paule_mandel_gives_kackers_figures() -> None:
    spread = consensus.paule_mandel(X, U)
    c = consensus.combine(X, U, spread)
    assert (spread, c.mean, c.u) == (pytest.approx(0.8399, abs=5e-5), pytest.approx(62.40762, abs=5e-6), pytest.approx(0.33803, abs=5e-6))


def test_dersimonian_laird_gives_kackers_figures() -> None:
    spread = consensus.dersimonian_laird(X, U)
    c = consensus.combine(X, U, spread)
    # The paper prints 0.5359; 0.53670 is the exact value from the same data.
    assert (spread, c.mean, c.u) == (pytest.approx(0.53670, abs=5e-6), pytest.approx(62.39014, abs=5e-6), pytest.approx(0.24575, abs=5e-6))


def test_without_spread_the_mean_is_kackers_fixed_effect() -> None:
    c = consensus.combine(X, U, 0.0)
    assert (c.mean, c.u) == (pytest.approx(62.58340, abs=5e-6), pytest.approx(0.10785, abs=5e-6))


@pytest.mark.parametrize("seed", range(8))
def test_agrees_with_statsmodels(seed: int) -> None:
    random = np.random.default_rng(seed)
    n = int(random.integers(2, 30))
    u = random.uniform(5.0, 50.0, n)
    x = 400.0 + random.normal(0.0, 30.0, n) + random.normal(0.0, u)
    # A tolerance of 1e-12 is below rounding, and there statsmodels takes a hair below zero for "no spread".
    theirs = combine_effects(x, u**2, method_re="iterated", atol=1e-9)
    assert consensus.paule_mandel(x, u) ** 2 == pytest.approx(max(0.0, theirs.tau2), rel=1e-6, abs=1e-6)
    chi2 = combine_effects(x, u**2, method_re="chi2")
    assert consensus.dersimonian_laird(x, u) ** 2 == pytest.approx(max(0.0, chi2.tau2), rel=1e-9, abs=1e-9)
    mine = consensus.combine(x, u, math.sqrt(max(0.0, chi2.tau2)))
    assert mine.mean == pytest.approx(chi2.mean_effect_re, rel=1e-9)


def test_figures_closer_than_their_uncertainty_have_no_spread() -> None:
    x, u = np.array([0.40, 0.41, 0.405]), np.full(3, 0.02)
    assert consensus.paule_mandel(x, u) == consensus.dersimonian_laird(x, u) == 0.0


def test_intervals_match_the_textbook_where_measuring_costs_nothing() -> None:
    # Without measurement error: mean +- t(n - 1) s / sqrt(n), and for the next one sqrt(1 + 1/n) in place of sqrt(1/n).
    x = np.array([0.31, 0.35, 0.36, 0.41, 0.44])
    of_mean, of_next = consensus.intervals(x, np.full(5, 1e-6))
    for found, factor in ((of_mean, math.sqrt(1 / 5)), (of_next, math.sqrt(1 + 1 / 5))):
        half = stats.t.ppf(0.975, 4) * x.std(ddof=1) * factor
        assert found == (pytest.approx(x.mean() - half, abs=5e-4), pytest.approx(x.mean() + half, abs=5e-4))


@pytest.mark.parametrize(
    ("n", "spread", "u"), [(2, 0.04, 0.02), (3, 0.04, 0.02), (5, 0.04, 0.02), (10, 0.04, 0.02), (5, 0.02, 0.02), (20, 0.05, 0.01)]
)
def test_next_one_lies_inside_about_as_often_as_stated(n: int, spread: float, u: float) -> None:
    random = np.random.default_rng(7)
    inside, trials = 0, 600
    for _ in range(trials):
        x = 0.4 + random.normal(0, spread, n) + random.normal(0, u, n)
        low, high = consensus.intervals(x, np.full(n, u))[1]
        inside += low <= 0.4 + random.normal(0, spread) <= high
    print(f"n {n}, spread {spread}, u {u}: {inside / trials:.3f}")
    # Three standard deviations of a share of 0.95 in 600 trials are 0.027.
    assert inside / trials >= 0.95 - 0.027


@pytest.mark.parametrize("seed", range(4))
def test_shared_errors_as_by_plain_linear_algebra(seed: int) -> None:
    random = np.random.default_rng(seed)
    n = 9
    group = random.integers(0, 3, n)
    shared = consensus.Shared(group, np.array([0.010, 0.017, 0.0])[group])
    u, x = np.hypot(shared.u, random.uniform(0.003, 0.02, n)), 0.4 + random.normal(0.0, 0.04, n)

    def covariance(spread: float) -> np.ndarray:
        return np.diag(u**2 - shared.u**2 + spread**2) + np.where(group[:, None] == group, np.outer(shared.u, shared.u), 0.0)

    def residual(spread: float) -> float:
        w = np.linalg.inv(covariance(spread))
        mean = (w @ x).sum() / w.sum()
        return (x - mean) @ w @ (x - mean)

    w = np.linalg.inv(covariance(0.03))
    c = consensus.combine(x, u, 0.03, shared)
    assert (c.mean, c.u) == (pytest.approx((w @ x).sum() / w.sum()), pytest.approx(1 / math.sqrt(w.sum())))
    assert c.weights == pytest.approx(w.sum(axis=0) / w.sum())
    assert residual(consensus.paule_mandel(x, u, shared)) == pytest.approx(n - 1, rel=1e-6)
    # DerSimonian and Laird: E[Q] = n - 1 + spread^2 (tr W - 1'W^2 1 / 1'W1), by the same W.
    w = np.linalg.inv(covariance(0.0))
    moment = (residual(0.0) - (n - 1)) / (np.trace(w) - (w @ w).sum() / w.sum())
    assert consensus.dersimonian_laird(x, u, shared) ** 2 == pytest.approx(max(0.0, moment))
    # What the intervals weigh: determinant and trace of the square.
    m = consensus._moments(x, u, shared, np.array([0.03]))
    assert m.log_det[0] == pytest.approx(np.linalg.slogdet(covariance(0.03))[1])
    inverse = np.linalg.inv(covariance(0.03))
    assert m.trace_of_square[0] == pytest.approx(np.trace(inverse @ inverse))


def test_intervals_of_uncertainties_that_are_worlds_apart_or_wholly_shared() -> None:
    # Nothing here may be had as a difference of large numbers, nor sought in a range that misses it.
    random = np.random.default_rng(2)
    for _ in range(60):
        n = int(random.integers(2, 12))
        u, group = 10.0 ** random.uniform(-6.0, 0.0, n), np.zeros(n, int)
        x = 0.4 + random.choice([0.0, 1e-5, 0.05]) * random.normal(0.0, 1.0, n)
        for share in (0.0, 0.999, 1.0):
            shared = consensus.Shared(group, np.full(n, share * u.min()))
            of_mean, of_next = consensus.intervals(x, u, shared)
            mean = consensus.combine(x, u, consensus.paule_mandel(x, u, shared), shared).mean
            assert of_next[0] <= of_mean[0] <= mean <= of_mean[1] <= of_next[1]


@pytest.mark.parametrize(("n", "people"), [(4, 1), (20, 1), (8, 2)])
def test_one_calipers_error_does_not_pass_for_sameness_of_knives(n: int, people: int) -> None:
    # Counted as each knife's own, the caliper's error hid half of this spread, and the interval held 0.90 of the next ones.
    random = np.random.default_rng(11)
    limit, own, spread, trials = 0.03, 0.003, 0.02, 300
    group = np.arange(n) % people
    shared = consensus.Shared(group, np.full(n, limit / math.sqrt(3)))
    u = np.hypot(shared.u, own)
    found, next_in, mean_in = [], 0, 0
    for _ in range(trials):
        x = 0.4 + random.normal(0, spread, n) + random.uniform(-limit, limit, people)[group] + random.normal(0, own, n)
        of_mean, of_next = consensus.intervals(x, u, shared)
        mean_in += of_mean[0] <= 0.4 <= of_mean[1]
        next_in += of_next[0] <= 0.4 + random.normal(0, spread) <= of_next[1]
        found.append(consensus.paule_mandel(x, u, shared))
    # The root mean square of an estimate from n - people degrees of freedom, to three standard deviations over the trials.
    assert math.sqrt(np.mean(np.square(found))) == pytest.approx(spread, rel=3 / math.sqrt(2 * trials * (n - people)))
    assert min(next_in, mean_in) / trials >= 0.95 - 3 * math.sqrt(0.95 * 0.05 / trials)


def test_e_n_of_two_figures() -> None:
    # By hand: 0.05 / (2 * sqrt(0.015^2 + 0.020^2)) = 0.05 / 0.05.
    assert consensus.e_n(0.45, 0.015, 0.40, 0.020) == pytest.approx(1.0)
    # The largest of twenty: the normal curve leaves 0.0455 / 20 outside of 3.052 (tables).
    assert consensus.e_n(0.45, 0.015, 0.40, 0.020, chosen_of=20) == pytest.approx(2 / 3.052, rel=1e-3)
