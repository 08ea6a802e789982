"""A step's promised uncertainty is the one that measuring anew with that step gives."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from vision.declared import Caliper, Reading
from vision.narrow import narrowing
from vision.thickness import estimate, length_weights


def _case(blades, seed=3, **facts):
    widths, declared, _ = blades.blade(np.random.default_rng(seed), blades.Scene(readings=2))
    declared = replace(declared, **facts)
    return widths, declared, estimate(widths, declared)


def _mean_u(fit) -> float:
    return fit.mean(fit.measured).u_mm


def _of(found, kind):
    return next(s for s in found.steps if s.kind == kind)


def test_present_uncertainty_is_the_fits_own(blades) -> None:
    _, _, fit = _case(blades)
    found = narrowing(fit, fit.measured)
    assert found.main_u_mm == pytest.approx(_mean_u(fit), rel=1e-9)


def test_two_more_readings_leave_what_reading_there_leaves(blades) -> None:
    widths, declared, fit = _case(blades)
    step = _of(narrowing(fit, fit.measured), "readings")
    assert len(step.places_mm) == 2
    assert step.places_mm[1] - step.places_mm[0] >= 2.0
    # Read just what is expected there, so that the point about which the model is linear stays.
    more = tuple(Reading(p, float(np.interp(p, widths.position_mm, fit.profile.thickness_mm))) for p in step.places_mm)
    again = estimate(widths, replace(declared, readings=declared.readings + more))
    assert step.main_u_mm == pytest.approx(_mean_u(again), rel=0.01)
    assert step.main_u_mm < _mean_u(fit)


def test_readings_near_the_tip_narrow_the_tip_more_than_readings_for_the_mean(blades) -> None:
    widths, declared, fit = _case(blades, readings=(Reading(8.0, 0.5), Reading(12.0, 0.5)))
    found = narrowing(fit, fit.measured)
    tip = _of(found, "readings-tip")
    assert min(tip.places_mm) > widths.position_mm.max() - 11.0
    more = tuple(Reading(p, float(np.interp(p, widths.position_mm, fit.profile.thickness_mm))) for p in tip.places_mm)
    again = estimate(widths, replace(declared, readings=declared.readings + more))
    assert tip.tip_u_mm == pytest.approx(again.mean(widths.position_mm >= widths.position_mm.max() - 1.0).u_mm, rel=0.01)
    assert tip.tip_u_mm < 0.9 * found.tip_u_mm


def test_half_the_angles_tolerance_leaves_what_declaring_it_leaves(blades) -> None:
    widths, declared, fit = _case(blades, readings=())
    step = _of(narrowing(fit, fit.measured), "angle")
    again = estimate(widths, replace(declared, angle_tolerance_deg=declared.angle_tolerance_deg / 2))
    assert step.main_u_mm == pytest.approx(_mean_u(again), rel=1e-6)
    assert (step.from_tolerance, step.to_tolerance) == (2.0, 1.0)


def test_a_better_caliper_leaves_what_using_it_leaves(blades) -> None:
    widths, declared, fit = _case(blades)
    step = _of(narrowing(fit, fit.measured), "caliper")
    # Only the error common to all readings is halved; the step stays.
    again = estimate(widths, replace(declared, caliper=Caliper(0.015, 0.01)))
    assert step.main_u_mm == pytest.approx(_mean_u(again), rel=0.01)


def test_without_readings_no_caliper_is_blamed_and_readings_come_first(blades) -> None:
    _, _, fit = _case(blades, readings=())
    found = narrowing(fit, fit.measured)
    assert "caliper" not in [s.kind for s in found.steps]
    assert found.steps[0].kind.startswith("readings")
    worth = [(s.main_u_mm / found.main_u_mm, s.tip_u_mm / found.tip_u_mm) for s in found.steps]
    assert all(min(pair) < 0.97 for pair in worth)
    assert [sum(p) for p in worth] == sorted(sum(p) for p in worth)


def test_one_reading_by_the_closed_form(blades) -> None:
    # One prior variance s^2 and readings of noise n^2 at one place: s^2 n^2 / (s^2 + n^2); source: reference-values, Gaussian process.
    # Here the angle alone is unknown, by far, so that T is one number times it.
    widths, declared, _ = blades.blade(np.random.default_rng(1), blades.Scene(drift_deg=0.0, waviness=0.0, local_u=1e-6, readings=0))
    still = replace(widths, systematic_u_mm={}, local_u_mm=np.full(widths.width_mm.size, 1e-7))
    fit = estimate(still, replace(declared, readings=(), angle_tolerance_deg=20.0))
    found = narrowing(fit, fit.measured)
    step = _of(found, "readings")
    s2, common, each = found.main_u_mm**2, 0.03 / math.sqrt(3), math.hypot(0.01 / math.sqrt(12), 0.01 / math.sqrt(3))
    n2 = common**2 + each**2 / 2
    # The angle's change along the edge (0.75 degrees) is left over beside the common part of 5.8 degrees.
    assert step.main_u_mm == pytest.approx(math.sqrt(s2 * n2 / (s2 + n2)), rel=0.12)


def test_a_stretch_without_a_measured_station_is_refused(blades) -> None:
    _, _, fit = _case(blades)
    with pytest.raises(ValueError, match="no measured station"):
        narrowing(fit, np.zeros(fit.measured.size, bool))


def test_weights_are_those_of_the_headline(blades) -> None:
    _, _, fit = _case(blades)
    half = fit.measured & (fit.position_mm < 30.0)
    value, cov = fit.functional(length_weights(fit.arc_mm, half))
    assert np.isfinite(value).all()
    assert narrowing(fit, half).main_u_mm == pytest.approx(float(np.sqrt(cov[0, 0])))
