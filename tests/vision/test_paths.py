import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vision.paths import best_path, corridor, rival_path


def brute_force(cost, max_step, step_cost):
    """Cheapest path by trying every one."""
    rows, columns = cost.shape
    best = [(cost[r, 0], r) for r in range(rows)]
    ways = best
    for s in range(1, columns):
        ways = [(c + cost[r, s] + step_cost * abs(r - last), r) for c, last in ways for r in range(rows) if abs(r - last) <= max_step]
    return min(ways)[0]


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000), st.integers(1, 2), st.floats(0, 1))
def test_cost_equals_trying_every_path(seed, max_step, step_cost):
    cost = np.random.default_rng(seed).normal(size=(4, 6))
    path = best_path(cost, max_step, step_cost)
    assert path.cost == pytest.approx(brute_force(cost, max_step, step_cost))
    walked = cost[path.row, np.arange(6)].sum() + step_cost * np.abs(np.diff(path.row)).sum()
    assert walked == pytest.approx(path.cost)
    assert np.abs(np.diff(path.row)).max() <= max_step


def test_follows_a_slanted_line_and_ignores_a_stronger_speck():
    cost = np.zeros((60, 200))
    true = (10 + 0.15 * np.arange(200)).astype(int)
    cost[true, np.arange(200)] = -1.0
    cost[55, 100:103] = -20.0
    assert np.abs(best_path(cost, 1, 0.01).row - true).max() <= 1


def test_through_is_the_price_of_a_detour():
    rng = np.random.default_rng(2)
    cost = rng.uniform(0, 1, (12, 30))
    path = best_path(cost, 1)
    assert path.through[path.row, np.arange(30)] == pytest.approx(0.0, abs=1e-5)
    forced = cost.copy()
    forced[np.arange(12) != 9, 14] = np.inf
    assert path.through[9, 14] == pytest.approx(best_path(forced, 1).cost - path.cost, abs=1e-5)
    assert path.margin(3)[14] == path.through[np.abs(np.arange(12) - path.row[14]) >= 3, 14].min()


def test_rival_keeps_its_distance():
    cost = np.ones((40, 50))
    cost[10], cost[11], cost[30] = 0.0, 0.05, 0.3
    path = best_path(cost)
    rival = rival_path(cost, path.row, 4)
    assert (path.row == 10).all()
    assert (rival.row == 30).all()
    assert rival.cost - path.cost == pytest.approx(15.0)
    assert rival_path(cost[8:12], path.row - 8, 4) is None


def test_guides_steer_and_impossible_ones_are_refused():
    cost = np.ones((40, 50))
    cost[10], cost[30] = 0.0, 0.3
    guided = best_path(cost, forbidden=corridor(cost.shape, np.full(50, 29.0), 3))
    assert (guided.row == 30).all()
    wall = np.zeros(cost.shape, bool)
    wall[:, 20] = True
    with pytest.raises(ValueError, match="no path"):
        best_path(cost, forbidden=wall)
    with pytest.raises(ValueError, match="must be"):
        best_path(np.zeros(3))
