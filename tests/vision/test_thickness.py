import math
from dataclasses import replace

import numpy as np
import pytest

from vision.crosscheck import settle
from vision.declared import Caliper, Declared, Lie, Reading
from vision.errors import DeclarationError
from vision.gaussian import condition, local_covariance, smooth_factor
from vision.sources import CaliperModel, Face, doubt_apart, misplaced_u_mm
from vision.thickness import estimate, estimate_faces, face_angles, length_weights


def flat(blades, width=1.0, n=200, **more):
    x = np.linspace(6.0, 46.0, n)
    return blades.profile(x, np.full(n, width), **more)


def test_no_reading_gives_handbook_thickness_and_band(blades):
    # Handbook trigonometry: w = 1.000 mm, 15 degrees a side: T = 0.51764 mm.
    fit = estimate(flat(blades, local_u=0.0), Declared(included_angle_deg=30.0, angle_tolerance_deg=2.0))
    np.testing.assert_allclose(fit.profile.thickness_mm, 0.51764, atol=5e-6)
    u_deg = math.hypot(2.0 / math.sqrt(3) / 2, 0.75)
    np.testing.assert_allclose(fit.profile.u_mm, 2 / math.cos(math.radians(15)) * math.radians(u_deg), rtol=1e-6)
    np.testing.assert_allclose(fit.profile.high_mm - fit.profile.low_mm, 4 * fit.profile.u_mm, rtol=1e-9)
    assert not fit.profile.fused


def test_a_reading_where_the_line_is_right_says_little_of_where_it_is_in_doubt(blades):
    """Whether the right line was taken is a question for each stretch anew; what a clear line leaves is the photo's."""
    x = np.linspace(6.0, 46.0, 400)
    u = np.where(x < 26.0, 0.01, 0.2)
    width = blades.profile(x, np.full(400, 1.0), local_u=0.0, systematic={"shoulder line": u})
    declared = Declared(included_angle_deg=30.0, angle_tolerance_deg=0.0)
    alone = estimate(width, declared).profile.u_mm
    # A photo without readings: every station keeps what its width has.
    two_sin, drift = 2 * math.sin(math.radians(15)), 2 / math.cos(math.radians(15)) * math.radians(0.75)
    np.testing.assert_allclose(alone, np.hypot(two_sin * u, drift), rtol=1e-6)
    exact = Caliper(accuracy_mm=0.001, resolution_mm=0.001)
    read = replace(declared, readings=tuple(Reading(float(p), 0.518) for p in (10, 14, 18, 22)), caliper=exact)
    told = estimate(width, read).profile.u_mm
    assert told[x < 22].max() < 0.01
    # As one unknown it would have been known to 0.01 mm all along; half of its variance is the photo's, and told.
    far = x > 36
    assert (told[far] > 0.65 * alone[far]).all()
    # What is clear all along stays one unknown, which readings tell everywhere.
    clear = blades.profile(x, np.full(400, 1.0), local_u=0.0, systematic={"shoulder line": np.full(400, 0.02)})
    assert estimate(clear, read).profile.u_mm[200] < 0.01 < estimate(clear, declared).profile.u_mm[200]


def test_parts_of_a_doubt_add_up_to_it():
    shift = np.array([-0.3, -0.01, 0.0, 0.02, 0.05, 0.4])
    for name in ("shoulder line", "apex line, photo 2", "shoulder line, other side"):
        whole, apart = doubt_apart(name, shift)
        np.testing.assert_allclose(whole**2 + apart**2, shift**2, rtol=1e-12)
        assert (np.sign(whole) == np.sign(shift)).all()
        assert (apart[np.abs(shift) <= 0.02] == 0).all()
    whole, apart = doubt_apart("edge height", shift)
    assert (whole == shift).all()
    assert not apart.any()


def test_unmeasured_stations_stay_nan_and_take_no_weight(blades):
    w = flat(blades)
    width = w.width_mm.copy()
    width[50:60] = math.nan
    fit = estimate(replace(w, width_mm=width), Declared(included_angle_deg=30.0, readings=(Reading(20.0, 0.5),)))
    assert np.isnan(fit.profile.thickness_mm[50:60]).all()
    assert np.isfinite(np.delete(fit.profile.thickness_mm, np.s_[50:60])).all()
    with pytest.raises(ValueError, match="not measured"):
        fit.functional(np.ones(200) / 200)
    assert math.isnan(fit.mean(np.arange(200) == 55).value_mm)


def test_nothing_measured_gives_nan(blades):
    w = flat(blades)
    fit = estimate(replace(w, width_mm=np.full(200, math.nan)), Declared(included_angle_deg=30.0, readings=(Reading(20.0, 0.5),)))
    assert np.isnan(fit.profile.thickness_mm).all()
    assert fit.unused == (Reading(20.0, 0.5),)


def test_conditioning_closed_form():
    # One prior variance s^2, one reading of noise n^2 at the same place (reference-values.md, closed form).
    s, n, mu, y = 0.03, 0.02, 0.5, 0.56
    rows = local_covariance(np.zeros(1), np.ones(1), 0.0, np.zeros(1, int))
    got = condition(np.array([mu]), np.array([[s]]), 0.0 * rows, rows, (np.array([y]), np.array([[n**2]])))
    assert got.posterior_mean[0] == pytest.approx(mu + s**2 / (s**2 + n**2) * (y - mu), abs=1e-15)
    assert got.posterior_u[0] ** 2 == pytest.approx(s**2 * n**2 / (s**2 + n**2), abs=1e-15)


def test_smooth_factor_reproduces_the_kernel():
    x = np.sort(np.random.default_rng(3).uniform(0, 120, 400))
    f = smooth_factor(x, 30.0)
    np.testing.assert_allclose(f @ f.T, np.exp(-0.5 * ((x[:, None] - x) / 30.0) ** 2), atol=1e-10)
    assert f.shape[1] < 25


def test_many_readings_never_beat_the_common_caliper_error(blades):
    # 50 readings of one caliper: its common 0.0173 mm stays; with the angle all but unknown it is the floor.
    readings = tuple(Reading(float(p), 0.51) for p in np.linspace(8, 44, 50))
    fit = estimate(flat(blades), Declared(included_angle_deg=30.0, angle_tolerance_deg=20.0, readings=readings))
    u = fit.mean(np.ones(200, bool)).u_mm
    assert 0.0165 < u < 0.0180
    alone = CaliperModel.of(Declared(included_angle_deg=30.0))
    # Caliper: rectangular +- 0.03 mm, u = 0.01732 mm, the step within it (ISO 13385-1 / DIN 862, reference-values.md): the step of
    # 0.01 mm, u = 0.00289 mm, counts once; seating comes on top.
    assert math.hypot(alone.common_mm, 0.01 / math.sqrt(12)) == pytest.approx(0.01732, abs=5e-6)
    assert math.hypot(alone.common_mm, alone.random_mm) == pytest.approx(math.hypot(0.03, 0.01) / math.sqrt(3), rel=1e-12)
    coarse = CaliperModel.of(Declared(included_angle_deg=30.0, caliper=Caliper(0.01, 0.1)))
    assert coarse.common_mm == pytest.approx(0.1 / math.sqrt(12))


def test_readings_that_a_coarse_display_rounds_alike_do_not_average_their_rounding(blades):
    # True 0.455, shown as 0.5 at all fifteen places by a display of 0.1 mm in a caliper without any other error.
    t = 0.455
    w = flat(blades, width=t / 2 / math.tan(math.radians(15)) / math.cos(math.radians(18)), local_u=0.002)
    readings = tuple(Reading(float(p), 0.5) for p in np.linspace(8, 44, 15))
    fit = estimate(w, Declared(included_angle_deg=None, caliper=Caliper(0.03, 0.1), readings=readings))
    mean = fit.mean(np.ones(200, bool))
    assert abs(mean.value_mm - t) <= 2 * mean.u_mm


def test_a_place_read_by_eye_costs_what_the_edge_differs_by_around_it():
    x = np.arange(0.0, 40.0, 0.05)
    # A straight slope s: s times 0.5 mm / sqrt 3, anywhere.
    np.testing.assert_allclose(misplaced_u_mm(x, 0.4 + 0.02 * x, np.array([3.0, 20.0])), 0.02 * 0.5 / math.sqrt(3), rtol=0.002)
    # On the crest of a wave of 0.01 mm over 3 mm there is no slope: rms of 0.01 (1 - cos kd), by the integral over d.
    k = 2 * math.pi / 3
    square = 1.5 - 2 * math.sin(k / 2) / (k / 2) + math.sin(k) / (2 * k)
    np.testing.assert_allclose(misplaced_u_mm(x, 0.5 + 0.01 * np.cos(k * x), np.array([3.0])), 0.01 * math.sqrt(square), rtol=0.01)
    assert misplaced_u_mm(np.array([5.0]), np.array([0.5]), np.array([5.0])) == 0.0


@pytest.mark.parametrize("half", [8.0, 30.0])
def test_a_place_costs_the_same_whether_or_not_the_angle_was_declared(blades, half):
    """By the thickness at 18 degrees a side, which stands in for an undeclared angle, it had cost 2.4 times as much, or half."""
    x, a = np.arange(6.0, 48.0, 0.1), math.radians(half)
    thickness = 0.5 + 0.01 * np.cos(2 * np.pi * x / 1.5)
    readings = tuple(Reading(float(x[i]), float(thickness[i])) for i in (60, 200, 340))
    seen = thickness / 2 / math.tan(a)

    def placement(included):
        stand_in = math.radians(18.0 if included is None else included / 2)
        w = blades.profile(x, seen / math.cos(stand_in), local_u=0.001)
        return estimate(w, Declared(included_angle_deg=included, readings=readings)).placement_mm

    np.testing.assert_allclose(placement(None), placement(2 * half), rtol=0.02)


@pytest.mark.parametrize("beyond", [0.0, 0.8])
def test_a_place_at_or_beyond_the_end_costs_what_the_edge_would_go_on_by(beyond):
    # Held against the end station: a slope s leaves s (beyond + d), d rectangular within 0.5 mm; it had cost nothing beyond the end.
    x = np.arange(0.0, 40.0, 0.05)
    got = misplaced_u_mm(x[::-1], (0.4 + 0.02 * x)[::-1], np.array([-beyond, x[-1] + beyond]))
    np.testing.assert_allclose(got, 0.02 * math.hypot(beyond, 0.5 / math.sqrt(3)), rtol=0.002)


def test_a_reading_just_beyond_a_rising_edge_leaves_the_band_around_the_truth(blades):
    """A micrometer 0.9 mm beyond the last station of an edge that rises by 0.05 mm a millimetre reads 0.045 mm more than the end has."""
    x = np.arange(6.0, 40.0, 0.1)
    t = 0.5 + 0.05 * np.maximum(x - 30.0, 0.0)
    w = blades.profile(x, t / 2 / math.sin(math.radians(15)), local_u=0.001)
    beyond = Reading(x[-1] + 0.9, float(t[-1] + 0.045))
    fit = estimate(w, Declared(included_angle_deg=30.0, caliper=Caliper(0.004, 0.001), readings=(beyond,)))
    assert np.mean((fit.profile.low_mm <= t) & (t <= fit.profile.high_mm)) == 1.0


def test_set_aside_and_far_readings_do_not_enter(blades):
    w, base = flat(blades), Declared(included_angle_deg=30.0, readings=(Reading(20.0, 0.50),))
    more = replace(base, readings=(*base.readings, Reading(30.0, 0.9, set_aside=True), Reading(90.0, 0.9)))
    one, other = estimate(w, base), estimate(w, more)
    np.testing.assert_array_equal(one.profile.thickness_mm, other.profile.thickness_mm)
    assert [r.position_mm for r in other.unused] == [90.0]


def test_angle_found_without_a_declared_one(blades):
    # True angle 16.2 a side, caliper good to 2 um: the angle comes back within its own band.
    x = np.linspace(6, 46, 200)
    # Without a declared angle widths are measured as of 18 degrees a side.
    seen = math.cos(math.radians(16.2)) / math.cos(math.radians(18.0))
    w = blades.profile(x, np.full(200, seen), local_u=0.001)
    t = 2 * math.sin(math.radians(16.2))
    fine = Caliper(accuracy_mm=0.002, resolution_mm=0.001)
    fit = estimate(w, Declared(included_angle_deg=None, caliper=fine, readings=tuple(Reading(p, t) for p in (10.0, 20.0, 30.0, 40.0))))
    angle, u = fit.angle_deg(length_weights(fit.arc_mm, fit.measured))
    assert angle == pytest.approx(16.2, abs=0.02)
    assert u < 0.15
    with pytest.raises(DeclarationError, match="--angle"):
        estimate(w, Declared(included_angle_deg=None))
    with pytest.raises(DeclarationError, match="--caliper"):
        estimate(w, Declared(included_angle_deg=None, readings=(Reading(90.0, 0.5),)))


@pytest.mark.parametrize("lie", [Lie.LEVEL, Lie.CHEEK_DOWN])
def test_widths_at_the_angle_found_are_those_of_the_drawn_face(blades, lie):
    # T = 2 w sin a: a face of 1.000 mm at 13 degrees, seen as cos(13 + c) of it, was worked out with 18 degrees.
    c = math.radians(3) if lie is Lie.CHEEK_DOWN else 0.0
    x = np.linspace(6, 46, 200)
    taken_mm = math.cos(math.radians(13) + c) / math.cos(math.radians(18) + c)
    t = 2 * math.sin(math.radians(13))
    fine = Caliper(accuracy_mm=0.001, resolution_mm=0.0005)
    at = tuple(Reading(p, t) for p in (8.0, 14.0, 20.0, 26.0, 32.0, 38.0, 44.0))
    declared = Declared(included_angle_deg=None, caliper=fine, readings=at, lie=lie, cheek_angle_deg=3.0)
    face = Face(blades.profile(x, np.full(200, taken_mm), local_u=0.0005, systematic={"height": np.full(200, 0.002)}), declared)
    fit = estimate_faces((face,))
    [(angle, u)] = face_angles(fit)
    assert math.degrees(angle) == pytest.approx(13.0, abs=0.3)
    found = face.at_angle(angle, u)
    ratio = math.cos(math.radians(13) + c) / math.cos(angle + c)
    np.testing.assert_allclose(found.width_mm, ratio, rtol=1e-9)
    np.testing.assert_allclose(found.systematic_u_mm["height"], 0.002 * ratio / taken_mm, rtol=1e-9)
    np.testing.assert_allclose(
        2 * found.width_mm * np.sin(np.radians(fit.profile.angle_per_side_deg)), fit.profile.thickness_mm, rtol=0.002
    )
    # The angle's part of the width's uncertainty shrinks from 10 degrees' to what is left and its change along the edge.
    assert found.angle_u_rad == pytest.approx(math.hypot(u, math.radians(0.75)), rel=1e-12)
    assert u < math.radians(1.0)


def test_second_order_term_is_below_a_tenth_of_a_micrometre_a_degree():
    w, a = 0.5 / 2 / math.sin(math.radians(15)), math.radians(15)
    d = math.radians(1.0)
    assert abs(2 * w * math.cos(a) * (math.tan(a + d) - math.tan(a) - d / math.cos(a) ** 2)) < 2e-4


def test_readings_that_move_the_angle_far_are_taken_anew(blades):
    x = np.linspace(6, 46, 200)
    t = 2 * math.sin(math.radians(30.0))
    seen = math.cos(math.radians(30.0)) / math.cos(math.radians(18.0))
    fine = Caliper(accuracy_mm=0.001, resolution_mm=0.0005)
    at = tuple(Reading(p, t) for p in (8.0, 14.0, 20.0, 26.0, 32.0, 38.0, 44.0))
    fit = estimate(blades.profile(x, np.full(200, seen), local_u=0.0005), Declared(included_angle_deg=None, caliper=fine, readings=at))
    np.testing.assert_allclose(fit.profile.thickness_mm, t, atol=0.0005)
    np.testing.assert_allclose(fit.profile.angle_per_side_deg, 30.0, atol=0.05)


def test_mean_of_many_stations_keeps_the_common_part(blades):
    shared = {"scale": np.full(200, 0.01)}
    fit = estimate(flat(blades, systematic=shared, local_u=0.005), Declared(included_angle_deg=30.0, angle_tolerance_deg=0.0))
    u = fit.mean(np.ones(200, bool)).u_mm
    assert u >= 2 * math.sin(math.radians(15)) * 0.01


def test_local_noise_averages_as_its_correlation_length_says(blades):
    # Analytic: a mean over L of noise with Gaussian correlation l has variance u^2 sqrt(2 pi) l / L for L >> l.
    fit = estimate(flat(blades, local_u=0.01, length=0.5, n=801), Declared(included_angle_deg=30.0))
    rows = {c.source: c for c in fit.contributions(length_weights(fit.arc_mm, fit.measured))}
    expected = 2 * math.sin(math.radians(15)) * 0.01 * math.sqrt(math.sqrt(2 * math.pi) * 0.5 / 40.0)
    assert rows["line fits, random along the edge"].mm == pytest.approx(expected, rel=0.02)


def test_two_faces_add_up_and_unequal_shoulders_are_carried_up_the_cheek(blades):
    left, right = flat(blades, width=1.0, local_u=0.0), flat(blades, width=1.2, local_u=0.0)
    dl = Declared(included_angle_deg=30.0, angle_tolerance_deg=1.0, cheek_angle_deg=3.0)
    dr = Declared(included_angle_deg=34.0, angle_tolerance_deg=1.0, cheek_angle_deg=3.0)
    fit = estimate_faces((Face(left, dl, 1.0, "left"), Face(right, dr, 1.0, "right")))
    # Drawn section: depths 1.0 cos 15 and 1.2 cos 17; the left shoulder climbs its cheek to the right one's depth.
    depth = 1.2 * math.cos(math.radians(17)) - math.cos(math.radians(15))
    expected = math.sin(math.radians(15)) + 1.2 * math.sin(math.radians(17)) + math.tan(math.radians(3)) * depth
    np.testing.assert_allclose(fit.profile.thickness_mm, expected, atol=1e-12)
    same = estimate_faces((Face(left, dl, 1.0, "left"), Face(left, dl, 1.0, "right")))
    np.testing.assert_allclose(same.profile.thickness_mm, estimate(left, dl).profile.thickness_mm, atol=1e-12)


@pytest.mark.parametrize("lie", [Lie.LEVEL, Lie.CHEEK_DOWN])
def test_the_angle_moves_widths_as_the_seen_width_says(blades, lie):
    # A level blade: T = 2 p tan a, u(angle) = 1 deg at p = 1 mm: u(T) = 0.0374 mm (reference-values.md); cheek-down p = w cos(a + c).
    a, c = math.radians(15), math.radians(4) if lie is Lie.CHEEK_DOWN else 0.0
    p, h = 1.0, 1e-6
    x = np.linspace(6, 46, 50)
    d = Declared(included_angle_deg=30.0, angle_tolerance_deg=2 * math.sqrt(3), lie=lie, cheek_angle_deg=4.0)
    fit = estimate(blades.profile(x, np.full(50, p / math.cos(a + c)), local_u=0.0), d)
    row = next(k for k in fit.contributions(np.full(50, 0.02)) if k.source == "angle per side, declared")
    slope = (math.sin(a + h) / math.cos(a + c + h) - math.sin(a - h) / math.cos(a + c - h)) * p / h
    assert row.u == pytest.approx(1.0)
    assert row.mm == pytest.approx(slope * math.radians(1), rel=1e-6)
    if lie is Lie.LEVEL:
        assert row.mm == pytest.approx(0.0374, abs=5e-5)


def test_the_profiles_own_slope_is_used(blades):
    x = np.linspace(6, 46, 50)
    w = blades.profile(x, np.ones(50), local_u=0.0)
    squarely = replace(w, width_per_rad_mm=np.full(50, math.tan(math.radians(15))))
    d = Declared(included_angle_deg=30.0, readings=(Reading(20.0, 0.53),))
    np.testing.assert_allclose(estimate(squarely, d).profile.thickness_mm, estimate(w, d).profile.thickness_mm, atol=1e-12)
    tilted = replace(w, width_per_rad_mm=np.full(50, math.tan(math.radians(20))))
    assert (estimate(tilted, replace(d, readings=())).profile.u_mm > estimate(w, replace(d, readings=())).profile.u_mm).all()


def test_the_undeclared_angle_is_the_one_widths_are_measured_with():
    from vision import bevel, sources

    assert bevel.Pose.of(Declared(included_angle_deg=None)).half_angle == math.radians(sources.UNDECLARED_ANGLE_DEG[0])


def coverage(blades, scene, count=1000):
    rng = np.random.default_rng(11)
    inside, half = [], []
    for _ in range(count):
        widths, declared, truth = blades.blade(rng, scene)
        # As shown: what does not go together widens the band.
        p = settle((Face(widths, declared),))[0].profile
        inside.append(np.mean((p.low_mm <= truth) & (truth <= p.high_mm)))
        half.append(np.median(p.high_mm - p.low_mm) / 2)
    return float(np.mean(inside)), float(np.median(half))


def test_band_covers_95_percent_when_its_assumptions_hold(blades):
    share, half = coverage(blades, blades.Scene(step_mm=0.6, gaussian=True))
    assert 0.94 <= share <= 0.97
    assert half <= 0.035


def test_band_covers_no_less_when_errors_are_rectangular_as_declared(blades):
    # Rectangular errors have no tails, so a k = 2 band holds a little more than 95 %, yet not so much that it says nothing.
    share, half = coverage(blades, blades.Scene(step_mm=0.6))
    assert 0.945 <= share <= 0.97
    assert half <= 0.033


def test_band_covers_90_percent_when_the_angle_drifts_two_degrees(blades):
    # Two degrees a side from heel to tip, the declared angle being the heel's (the person's tolerance still on top).
    share, _ = coverage(blades, blades.Scene(step_mm=0.6, drift_deg=0.0, toward_tip_deg=2.0))
    assert share >= 0.90


def test_five_thousand_stations_stay_fast(blades):
    import time

    x = np.linspace(0, 140, 5000)
    readings = tuple(Reading(float(p), 0.5) for p in np.linspace(5, 135, 50))
    w = blades.profile(x, np.ones(5000), systematic={"a": np.full(5000, 0.003)})
    began = time.perf_counter()
    fit = estimate(w, Declared(included_angle_deg=30.0, readings=readings))
    fit.mean(fit.measured)
    # Seconds would mean that a 5000 x 5000 matrix was factorised.
    assert time.perf_counter() - began < 3.0
