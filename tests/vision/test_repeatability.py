import math

import numpy as np
import pytest
import statsmodels.api as sm
from statsmodels.formula.api import ols

from vision.errors import DeclarationError
from vision.repeatability import components


def test_components_come_back_from_many_groups():
    rng = np.random.default_rng(4)
    groups = [0.5 + 0.02 * rng.standard_normal() + 0.01 * rng.standard_normal(4) for _ in range(4000)]
    c = components(groups)
    assert c.within == pytest.approx(0.01, rel=0.02)
    assert c.between == pytest.approx(0.02, rel=0.03)
    assert c.one_result_u == pytest.approx(math.hypot(0.01, 0.02), rel=0.03)
    assert c.mean_u == pytest.approx(math.sqrt(0.02**2 / 4000 + 0.01**2 / 16000), rel=0.05)


def test_unequal_groups_agree_with_statsmodels():
    import pandas as pd

    groups = [[0.51, 0.52, 0.515], [0.53, 0.54], [0.50, 0.505, 0.51, 0.52]]
    frame = pd.DataFrame([(v, f"g{i}") for i, g in enumerate(groups) for v in g], columns=["t", "g"])
    table = sm.stats.anova_lm(ols("t ~ C(g)", frame).fit())
    c = components(groups)
    assert c.f == pytest.approx(table["F"].iloc[0], rel=1e-9)
    assert c.ms_within == pytest.approx(table["mean_sq"].iloc[1], rel=1e-9)


def test_groups_no_more_apart_than_chance_have_no_between_part():
    c = components([[1.0, 2.0], [1.5, 1.6]])
    assert c.between == 0.0
    assert c.one_result_u == c.within


@pytest.mark.parametrize("groups", [[], [[1.0, 2.0]], [[1.0], [2.0]], [[1.0, 2.0], []], [[1.0, math.nan], [2.0]]])
def test_studies_that_say_nothing_are_refused(groups):
    with pytest.raises(DeclarationError, match="repeatability"):
        components(groups)


def test_no_spread_at_all_is_not_a_number():
    assert math.isnan(components([[1.0, 1.0], [1.0, 1.0]]).f)
    assert math.isinf(components([[1.0, 1.0], [2.0, 2.0]]).f)


@pytest.mark.parametrize(("groups", "repeats"), [(2, 2), (3, 2), (5, 3)])
def test_small_studies_give_a_band_that_still_covers(groups, repeats):
    """5,000 studies of known spread: twice `band_u` holds one new result about 95 % of the time, twice `one_result_u` does not."""
    rng = np.random.default_rng(5)
    n, held, naive = 5000, 0, 0
    for _ in range(n):
        data = 0.006 * rng.standard_normal((groups, 1)) + 0.003 * rng.standard_normal((groups, repeats))
        found = components(data.tolist())
        new = abs(0.006 * rng.standard_normal() + 0.003 * rng.standard_normal())
        held += new <= 2 * found.band_u
        naive += new <= 2 * found.one_result_u
    assert 0.92 <= held / n <= 0.99
    assert naive < held


def test_freedom_of_equal_parts_is_that_of_all_results():
    """Equal mean squares and no between part leave the inner freedom; a pure between part leaves the groups'."""
    assert components([[0.0, 1.0], [0.0, 1.0], [0.0, 1.0]]).freedom == 3.0
    assert components([[0.0, 0.0], [1.0, 1.0], [2.0, 2.0]]).freedom == pytest.approx(2.0)
