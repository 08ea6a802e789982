"""Corner and reach of a rounding from what several lights show: arrays alone."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d
from scipy.optimize import OptimizeWarning, curve_fit
from scipy.special import ndtr

from vision.reach import corner_and_reach
from vision.turn import LENGTHS, PLACES, draw, foretold

PX_PER_MM = 66.0
NOISE = np.full(3, 0.06)
KNOWN = np.full(3, 0.08)


def found_by(offset=(0.0, 0.0, 0.0), ratio=(1.1, 0.5, 0.8), extra=(0.0, 0.0, 0.0), burnt=(False, False, False)):
    """Corner, its standard uncertainty and the reach (px) for three lights."""
    return corner_and_reach(np.array(offset), np.array(ratio), (np.array(extra), KNOWN, np.array(burnt)), NOISE, PX_PER_MM)


def photographed(rng, light, reach, blur=1.2):
    """Offset from the corner, log ratio, extra variance (px, px^2) of a drawn light (K,) over +-4 reaches, as a fit finds them; or None."""
    at = np.arange(-4.0 * reach - 8.0, 4.0 * reach + 8.0, 0.25)
    seen = np.interp(at / reach, np.linspace(-4.0, 4.0, len(light)), light)
    ratio = np.log(seen[0] / seen[-1])
    seen = gaussian_filter1d(seen, blur / 0.25, mode="nearest") + rng.normal(0.0, 0.01 * np.ptp(seen), len(at))

    def step(x, place, sigma, low, rise):
        return low + rise * ndtr((x - place) / sigma)

    try:
        (place, sigma, _, rise), _ = curve_fit(step, at, seen, (0.0, np.hypot(blur, reach / 2), seen[0], seen[-1] - seen[0]))
    except (RuntimeError, OptimizeWarning):
        return None
    if abs(place) > 1.5 * reach or abs(ratio) < 0.1:
        return None
    match = np.corrcoef(seen, step(at, place, sigma, 0.0, rise))[0, 1]
    return (place, ratio, sigma**2 - blur**2) if match > 0.8 else None


def test_corner_and_its_uncertainty_hold_on_lights_drawn_at_random_and_fitted():
    """Lights drawn by the physics alone, blurred and fitted: the corner is within two standard uncertainties in 93 % and more."""
    rng, off = np.random.default_rng(8), []
    while len(off) < 150:
        reach, stuff = PX_PER_MM * np.exp(rng.uniform(np.log(0.003), np.log(0.08))), rng.uniform() < 0.25
        found = [photographed(rng, light, reach) for light in draw(rng, 3, stuff, np.linspace(-4.0, 4.0, 401))]
        if None in found:
            continue
        place, ratio, extra = np.array(found).T
        corner, u, _ = found_by(50.0 + place + rng.normal(0, NOISE), ratio, extra + rng.normal(0, KNOWN))
        off.append((corner - 50.0) / u)
    assert np.mean(np.abs(off) < 2.0) > 0.93
    assert 0.6 < np.sqrt(np.mean(np.square(off))) < 1.15


@pytest.mark.parametrize("stuff", [False, True])
@pytest.mark.parametrize("ratio", [-2.5, -0.4, 0.0, 1.0, 3.0])
def test_what_lights_foretell_is_a_chance_and_its_mirror_image_is_as_likely(ratio, stuff):
    chance = foretold(ratio, stuff)
    assert chance.sum() == pytest.approx(1.0)
    np.testing.assert_allclose(chance[::-1], foretold(-ratio, stuff), atol=1e-12)


def test_a_strong_light_leans_to_its_brighter_face_and_a_long_one_has_its_middle_near_the_corner():
    weak, strong = foretold(0.4, False), foretold(2.5, False)
    assert (strong.sum(axis=1) @ PLACES) < (weak.sum(axis=1) @ PLACES) < 0.0
    middle = [float(np.sqrt(strip @ PLACES**2 / strip.sum())) for strip in (weak[:, LENGTHS < 0.05].sum(1), weak[:, LENGTHS > 0.3].sum(1))]
    assert middle[1] < 0.6 * middle[0]


def test_a_change_as_long_as_the_rounding_holds_the_corner_near_its_middle():
    """One light shows the whole turn, one the finish alone and sharp, one half of the turn: the rounding is as long as the longest, and the
    corner lies where all three fit into it, not farther on because the bevel is brighter in all of them."""
    corner, u, reach = found_by(offset=(0.0, 0.5, -1.1), ratio=(1.66, 0.67, 0.52), extra=(1.92, 0.0, 0.85))
    assert -1.0 < corner < 1.0
    assert u < 1.2
    assert 2.0 < reach < 5.0


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
    assert abs(finish) < moves, "as large on the mean, but the lamp's doing"


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
