"""Blurred-step fits against the bound of reference-values.md ("Sub-pixel edges", computed there)."""

import numpy as np
import pytest
from scipy.special import ndtr

from vision.steps import StepModel, _erf_step, fit_steps, step_bound

ROWS = 120


def erf_edge(place, sigma, low=0.2, high=0.5):
    return low + (high - low) * ndtr((np.arange(ROWS)[:, None] - place) / sigma)


def test_step_and_its_slope_are_the_normal_distribution_to_single_precision():
    single = np.linspace(-9, 9, 20001, dtype=np.float32)
    z, (step, slope) = single.astype(float), _erf_step(single)
    # 7.5e-8 of the formula (Abramowitz and Stegun 26.2.17), twice as much of the arithmetic.
    assert np.abs(step - ndtr(z)).max() < 3e-7
    assert np.abs(slope - np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi)).max() < 2e-7


def test_bound_gives_the_published_figures():
    # reference-values.md: sigma 1.5, step/noise 20: 0.125-0.130 px (31 samples).
    assert 0.125 <= step_bound(1 / 20, 1.5, 31) <= 0.130
    assert step_bound(1 / 20, 1.5) == pytest.approx(np.sqrt(3.545 * 1.5) / 20, rel=1e-3)


@pytest.mark.parametrize(("sigma", "ratio", "samples"), [(0.7, 20, 31), (1.5, 20, 31), (3.0, 20, 61), (4.0, 30, 81)])
def test_single_columns_reach_the_bound_without_bias(sigma, ratio, samples):
    rng = np.random.default_rng(7)
    place = 60 + rng.uniform(-0.5, 0.5, 4000)
    values = erf_edge(place, sigma) + rng.normal(0, 0.3 / ratio, (ROWS, 4000))
    model = StepModel((samples - 1) / 2, 1.1 * sigma, sigma_log_sd=1.0, robust=False)
    fit = fit_steps(values, place + rng.uniform(-1, 1, 4000), model)
    error = fit.position[0] - place
    bound = step_bound(1 / ratio, sigma, samples)
    assert 0.9 * bound < np.std(error) < 1.1 * bound
    # The mean of 4000 columns is itself uncertain by bound / sqrt(4000).
    assert abs(np.mean(error)) < 0.005 + 2 * bound / np.sqrt(4000)
    assert np.median(fit.u) == pytest.approx(np.std(error), rel=0.15)


def test_noise_free_edges_are_exact():
    place = 60 + np.linspace(-0.5, 0.5, 50)
    fit = fit_steps(erf_edge(place, 1.3), np.full(50, 60.3), StepModel(12, 1.1, 1.0, iterations=20))
    assert np.abs(fit.position[0] - place).max() < 1e-4
    assert fit.low == pytest.approx(0.2, abs=1e-4)
    assert fit.high == pytest.approx(0.5, abs=1e-4)
    assert fit.sigma == pytest.approx(1.3, abs=1e-3)


def test_pooling_divides_by_the_root_of_the_columns_and_keeps_waviness():
    rng = np.random.default_rng(3)
    column = np.arange(6000)
    # 1.5 mm waves at 100 px/mm; pooled over a standard deviation of 0.07 mm.
    wave = 1.0 * np.sin(2 * np.pi * column / 150)
    place = 60.2 + wave
    values = erf_edge(place, 1.5) + rng.normal(0, 0.06, (ROWS, 6000))
    fit = fit_steps(values, np.full(6000, 60.0), StepModel(15, 1.5, 0.5, pool_px=7.0, robust=False))
    error = fit.position[0] - place
    alone = step_bound(0.2, 1.5, 31)
    assert np.std(error) < 1.25 * alone / np.sqrt(2.459 * 7)
    assert np.dot(fit.position[0] - 60.2, wave) / np.dot(wave, wave) == pytest.approx(1.0, abs=0.03)
    assert np.median(fit.u) == pytest.approx(np.std(error), rel=0.3)


def test_levels_may_change_sign_from_column_to_column():
    # Grind lines: bright and dark columns side by side, no step in the mean; the place is common.
    rng = np.random.default_rng(5)
    high = 0.35 + 0.15 * rng.choice([-1, 1], 2000)
    values = erf_edge(60.37, 1.4, 0.35, high) + rng.normal(0, 0.01, (ROWS, 2000))
    fit = fit_steps(values, np.full(2000, 61.0), StepModel(12, 1.4, 0.3, pool_px=10.0))
    assert np.abs(fit.position[0] - 60.37)[20:-20].max() < 0.1
    assert np.std(fit.position[0] - 60.37) < 0.05


def test_two_steps_of_a_hairline_do_not_pull_each_other():
    rng = np.random.default_rng(11)
    first = 50 + rng.uniform(-0.5, 0.5, 3000)
    second = first + 8
    rows = np.arange(ROWS)[:, None]
    values = 0.4 + 0.4 * ndtr((rows - first) / 1.2) - 0.5 * ndtr((rows - second) / 1.2) + rng.normal(0, 0.01, (ROWS, 3000))
    both = fit_steps(values, np.array([first + 0.7, second - 0.7]), StepModel(9, 1.2, 0.1))
    alone = fit_steps(values, first + 0.7, StepModel(9, 1.2, 0.1, robust=False))
    assert np.abs((both.position - [first, second]).mean(axis=1)).max() < 0.005
    assert both.u.max() < 0.1
    assert abs((alone.position[0] - first).mean()) > 0.05


def test_clipped_side_does_not_move_the_step():
    rng = np.random.default_rng(13)
    place = 60 + rng.uniform(-0.5, 0.5, 3000)
    values = erf_edge(place, 1.5, 0.1, 1.6) + rng.normal(0, 0.01, (ROWS, 3000))
    clipped = values > 0.98
    values = np.minimum(values, 1.0)
    told = fit_steps(values, place + 0.5, StepModel(12, 1.5, 0.05), clipped=clipped)
    untold = fit_steps(values, place + 0.5, StepModel(12, 1.5, 0.05))
    assert abs(np.mean(told.position[0] - place)) < 0.05
    assert abs(np.mean(untold.position[0] - place)) > 0.3


def test_glints_are_down_weighted():
    rng = np.random.default_rng(17)
    values = erf_edge(60.25, 1.5) + rng.normal(0, 0.01, (ROWS, 2000))
    at = rng.integers(0, 2000, 300)
    values[57, at] += 0.15
    bias = {}
    for robust in (True, False):
        fit = fit_steps(values, np.full(2000, 60.0), StepModel(12, 1.5, 0.3, robust=robust))
        bias[robust] = abs(np.mean((fit.position[0] - 60.25)[at]))
    assert bias[True] < 0.5 * bias[False]
    assert bias[False] > 0.02


def test_halo_shows_as_overshoot():
    plain = erf_edge(np.full(50, 60.0), 1.2)
    # Unsharp mask: what is added back is the difference to a wider blur.
    halo = plain + 0.8 * (plain - erf_edge(np.full(50, 60.0), 2.5))
    model = StepModel(12, 1.2, 0.3)
    assert np.median(fit_steps(halo, np.full(50, 60.0), model).overshoot) > 0.01
    assert abs(np.median(fit_steps(plain, np.full(50, 60.0), model).overshoot)) < 1e-3


def test_unknown_columns_are_nan_and_shapes_are_checked():
    centre = np.array([60.0, np.nan, 60.0])
    fit = fit_steps(erf_edge(np.full(3, 60.0), 1.2), centre, StepModel(10, 1.2))
    assert np.isnan(fit.position[0]).tolist() == [False, True, False]
    nowhere = fit_steps(erf_edge(np.full(3, 60.0), 1.2), np.full(3, 60.0), StepModel(10, 1.2), usable=np.zeros((ROWS, 3), bool))
    assert np.isnan(nowhere.position).all()
    with pytest.raises(ValueError, match="centre must be"):
        fit_steps(np.zeros((ROWS, 3)), np.zeros(4), StepModel(10, 1.2))
