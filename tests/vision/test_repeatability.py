import math
from dataclasses import replace

import numpy as np
import pytest
import statsmodels.api as sm
from statsmodels.formula.api import ols

from tests.conftest import drawn_measurement
from vision.errors import DeclarationError
from vision.hints import DeclaredScale, Hints
from vision.repeatability import _spread, compare_results, components
from vision.results import Measurement


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


def test_a_study_that_says_nothing_is_named_in_words():
    for groups, said in (
        ([[1.0], [2.0]], "2 sessions of 1 result each"),
        ([[1.0, 2.0], []], "2 sessions of 2 and 0 results"),
        ([], "no session"),
    ):
        with pytest.raises(DeclarationError, match=f"repeatability study of {said}: ") as error:
            components(groups)
        assert "[" not in str(error.value)


def photographed(sha256: str, **hints) -> Measurement:
    m = drawn_measurement()
    return replace(m, photos=(replace(m.photos[0], sha256=sha256, hints=Hints(**hints)),))


@pytest.mark.parametrize("sessions", [("", "", ""), ("a", "b", "a"), ("a", "b", "b")])
def test_two_results_of_one_photo_are_refused_whatever_was_declared(sessions):
    """Another angle or reading on the same lines: their scatter says nothing of a second photo."""
    results = [photographed(c * 64) for c in "aba"]
    results[2] = replace(results[2], declared=replace(results[2].declared, included_angle_deg=34.0))
    with pytest.raises(DeclarationError, match=r"mon and wed: both rest on the same photo \(edge-1\.jpg\).*second photo"):
        compare_results(list(zip(sessions, results, strict=True)), ["mon", "tue", "wed"])
    assert compare_results([("", m) for m in results[:2]]).results == 2


def test_a_photo_without_the_strip_has_no_place_in_a_study():
    snapshot = photographed("b" * 64, along_px=((0.0, 1.0), (2.0, 3.0)), scale=DeclaredScale(40.0, 0.01, "a rule"))
    with pytest.raises(DeclarationError, match=r"result 2: it was measured without the strip.*drawn line"):
        compare_results([("", photographed("a" * 64)), ("", snapshot)])


def test_no_spread_at_all_is_not_a_number():
    assert math.isnan(components([[1.0, 1.0], [1.0, 1.0]]).f)
    assert math.isinf(components([[1.0, 1.0], [2.0, 2.0]]).f)


@pytest.mark.parametrize(("groups", "repeats", "ratio"), [(2, 2, 2.0), (2, 5, 3.0), (2, 10, 3.0), (3, 2, 2.0), (5, 3, 2.0)])
def test_small_studies_give_a_band_that_still_covers(groups, repeats, ratio):
    """500 studies of known spread (to 1 %): twice `band_u` holds one new result, twice `one_result_u` does not.

    By effective degrees of freedom 88 to 90 % of two sessions of five or ten were held.
    """
    rng = np.random.default_rng(5)
    n, held, naive = 500, 0, 0
    for _ in range(n):
        data = 0.003 * ratio * rng.standard_normal((groups, 1)) + 0.003 * rng.standard_normal((groups, repeats))
        found = components(data.tolist())
        new = abs(0.003 * ratio * rng.standard_normal() + 0.003 * rng.standard_normal())
        held += new <= 2 * found.band_u
        naive += new <= 2 * found.one_result_u
    assert 0.93 <= held / n <= 0.995
    assert naive < held


def test_without_scatter_within_groups_the_band_is_students():
    """Student's t that holds what a normal curve does within two standard deviations: 13.97 and 4.527 (JCGM 100, table G.2)."""
    for groups, t in (([[0.0, 0.0], [1.0, 1.0]], 13.97), ([[0.0, 0.0], [1.0, 1.0], [2.0, 2.0]], 4.527)):
        found = components(groups)
        assert 2 * found.band_u == pytest.approx(t * found.between, rel=0.002)


def test_freedom_of_equal_parts_is_that_of_all_results():
    """Equal mean squares and no between part leave the inner freedom; a pure between part leaves the groups'."""
    assert components([[0.0, 1.0], [0.0, 1.0], [0.0, 1.0]]).freedom == 3.0
    assert components([[0.0, 0.0], [1.0, 1.0], [2.0, 2.0]]).freedom == pytest.approx(2.0)


@pytest.mark.parametrize(("groups", "repeats"), [(2, 2), (2, 5), (5, 3)])
@pytest.mark.parametrize("between", [0.0, 0.006])
def test_ranges_and_mean_hold_what_the_study_was_drawn_from(groups, repeats, between):
    """2,000 studies: 95 % intervals of both standard deviations, twice `mean_band_u` about the mean (2,000 draws: to 0.5 %)."""
    rng = np.random.default_rng(8)
    n, held = 2000, np.zeros(3)
    for _ in range(n):
        data = 0.5 + between * rng.standard_normal((groups, 1)) + 0.003 * rng.standard_normal((groups, repeats))
        found = components(data.tolist())
        (low, high), (low_b, high_b) = found.within_range, found.between_range
        held += [low <= 0.003 <= high, low_b <= between <= high_b, abs(found.mean - 0.5) <= 2 * found.mean_band_u]
    assert (held / n >= 0.935).all(), held / n


def test_two_results_of_one_session_know_a_scatter_by_its_order_alone():
    """One degree of freedom: chi-square's 2.5 and 97.5 % points are 0.000982 and 5.024 (tables), so 0.446 to 31.9 times what is seen;
    Student's t at k = 2 (97.725 %) is 13.97, so twice the mean's uncertainty is 13.97 s / sqrt 2."""
    found = _spread([[0.500, 0.504]])
    s = 0.004 / math.sqrt(2)
    assert found.within == pytest.approx(s)
    assert found.within_range == (pytest.approx(0.446 * s, rel=0.001), pytest.approx(31.9 * s, rel=0.001))
    assert math.isnan(found.between_range[0])
    assert 2 * found.mean_band_u == pytest.approx(13.97 * s / math.sqrt(2), rel=0.001)
