"""Corner and reach of a rounding from what several lights show: arrays alone."""

import numpy as np
import pytest

from vision.reach import corner_and_reach, toward_bright

PX_PER_MM = 66.0
NOISE = np.full(3, 0.06)
KNOWN = np.full(3, 0.08)


def found_by(offset=(0.0, 0.0, 0.0), ratio=(1.1, 0.5, 0.8), extra=(0.0, 0.0, 0.0), burnt=(False, False, False)):
    """Corner, its standard uncertainty and the reach (px) for three lights."""
    return corner_and_reach(np.array(offset), np.array(ratio), (np.array(extra), KNOWN, np.array(burnt)), NOISE, PX_PER_MM)


@pytest.mark.parametrize("ratio", [-2.5, -0.7, -0.01, 0.0, 0.4, 1.0, 3.0])
def test_the_middle_of_the_light_is_where_it_has_fallen_by_half(ratio):
    u = float(toward_bright(np.array([ratio]))[0])
    fallen = np.exp(-ratio * (u + 1.0) / 2.0)
    assert fallen == pytest.approx((1.0 + np.exp(-ratio)) / 2.0, abs=1e-6)


def test_corner_and_its_uncertainty_hold_on_lights_drawn_from_the_model():
    """Simulated lights by the model's own physics: the corner is within two of its standard uncertainties in about 95 % of cases."""
    rng, off = np.random.default_rng(8), []
    for _ in range(300):
        reach, share = PX_PER_MM * np.exp(rng.uniform(np.log(0.002), np.log(0.12))), rng.uniform()
        finish = rng.uniform() < 0.25
        ratio = rng.normal(rng.normal(0.0, np.hypot(0.5, 1.5) if finish else 0.5), np.exp(rng.uniform(np.log(0.3), np.log(3.0))), 3)
        least = np.abs(toward_bright(ratio))
        lean = np.sign(ratio) * (least + (1 - least) * (1 - np.sqrt(rng.uniform(size=3))))
        lean = rng.uniform(-0.5, 0.5, 3) if finish else lean
        offset = 50.0 - reach * lean + rng.normal(0, np.hypot(0.13 * reach / np.abs(ratio), NOISE))
        fall = ((0.5 if finish else 1.0) * share * reach) ** 2 / 3.0
        extra = rng.normal(fall, np.hypot(KNOWN, 0.5 * fall))
        corner, u, _ = found_by(offset, ratio, extra)
        off.append((corner - 50.0) / u)
    assert 0.92 < np.mean(np.abs(off) < 2.0) < 0.99
    assert 0.8 < np.sqrt(np.mean(np.square(off))) < 1.25


def test_sharp_lights_that_agree_keep_their_line_and_soft_ones_are_taken_farther():
    sharp, u_sharp, _ = found_by()
    soft, u_soft, reach = found_by(extra=(1.0, 1.2, 1.1))
    assert abs(sharp) < 0.5
    assert soft > sharp + 0.3
    assert u_sharp < u_soft
    assert reach > np.sqrt(3.0 * 1.0), "a change is no longer than the rounding it happens in"


def test_a_ratio_that_no_lamp_changes_is_the_finish_s():
    seen = {"offset": (0.0, 0.1, 0.1), "extra": (0.1, 0.1, 0.1)}
    turn, _, _ = found_by(ratio=(1.2, 0.7, 0.9), **seen)
    finish, u, _ = found_by(ratio=(2.6, 2.4, 2.5), **seen)
    moves, _, _ = found_by(ratio=(4.2, 1.0, 2.3), **seen)
    assert abs(finish) < min(turn, u)
    assert abs(finish) < 0.5 * moves, "as large on the mean, but the lamp's doing"


def test_a_burnt_line_is_at_least_as_long_as_it_shows():
    plain, _, short = found_by(extra=(0.5, 0.5, 0.5))
    cut, _, long = found_by(extra=(0.5, 0.5, 0.5), burnt=(True, True, False))
    assert long > short
    assert cut > plain
    # A line that shows no length at all forbids nothing when it is burnt, and much when it is not.
    assert found_by(burnt=(True, True, True))[2] > 1.5 * found_by()[2]


def test_a_brighter_cheek_moves_the_corner_the_other_way():
    one, _, _ = found_by(extra=(1.0, 1.0, 1.0))
    other, _, _ = found_by(ratio=(-1.1, -0.5, -0.8), extra=(1.0, 1.0, 1.0))
    assert other == pytest.approx(-one, abs=1e-6)


def test_without_any_light_nothing_is_known():
    nan = np.full(2, np.nan)
    assert corner_and_reach(nan, nan, (nan, nan, nan), nan, PX_PER_MM) == (0.0, 0.06 * PX_PER_MM, 0.0)
