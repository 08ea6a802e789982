"""How often the declared angle is doubted, rightly and wrongly, and what the band does meanwhile: simulated blades with known truth."""

import numpy as np
import pytest

from vision.crosscheck import settle
from vision.sources import Face


def doubted(blades, count, **more):
    """Share of blades whose declared angle is doubted, and of stations whose true thickness lies in the band shown."""
    rng, scene = np.random.default_rng(41), blades.Scene(step_mm=1.5, **more)
    said, held = [], []
    for _ in range(count):
        widths, declared, truth = blades.blade(rng, scene)
        fit, _, found = settle((Face(widths, declared),))
        said.append(any(n.code == "angle-off" for n in found))
        held.append(np.mean((fit.profile.low_mm <= truth) & (truth <= fit.profile.high_mm)))
    return float(np.mean(said)), float(np.mean(held))


@pytest.mark.parametrize(
    "more", [{}, {"gaussian": True}, {"readings": 1}, {"readings": 12}, {"tolerance_deg": 0.0}, {"tolerance_deg": 6.0}]
)
def test_a_declared_angle_within_its_tolerance_is_left_in_peace(blades, more):
    said, _ = doubted(blades, 300, **more)
    assert said <= 0.05


def test_a_declared_angle_that_is_off_is_found_the_more_surely_the_farther_off(blades):
    # Degrees of the included angle beyond the declared +- 2 (rectangular, so the whole error is that much wider). One standard
    # uncertainty of the comparison is 2 degrees: caliper 1.0, tolerance 1.15, change along the edge 1.3.
    curve = {off: doubted(blades, 150, off_deg=off) for off in (2.0, 4.0, 6.0, 8.0, 10.0)}
    least = {2.0: 0.08, 4.0: 0.35, 6.0: 0.70, 8.0: 0.93, 10.0: 0.99}
    assert all(curve[off][0] >= share for off, share in least.items())
    # Before it is found, the band knows that this stretch does not go with the declaration.
    assert all(held >= 0.87 for _, held in curve.values())


def test_an_angle_too_large_is_found_as_well(blades):
    said, held = doubted(blades, 200, off_deg=-8.0)
    assert said >= 0.95
    assert held >= 0.90
