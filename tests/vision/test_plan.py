"""The next grind of a measurement: closed form against drawn triangles, uncertainty against Monte Carlo."""

import math
from dataclasses import replace

import numpy as np
import pytest

from vision import plan as plans
from vision.errors import DeclarationError
from vision.plan import Request
from vision.results import Figure, OtherSide, Stretch, ThicknessProfile, Zones

WIDTH, ANGLE, CHEEK = 0.9, 15.0, 3.0


@pytest.fixture
def flat(blades, measurement):
    """A flat edge 0.9 mm wide at 15 degrees a side, its thickness good to 10 um, its widths to 4 um and a common 3 um."""
    x = np.arange(0.0, 30.0, 0.1)
    widths = blades.profile(x, np.full(x.size, WIDTH), local_u=0.0, systematic={"line": np.full(x.size, 0.005)})
    t = np.full(x.size, 2 * WIDTH * math.sin(math.radians(ANGLE)))
    u = np.full(x.size, 0.010)
    profile = ThicknessProfile(t, u, t - 2 * u, t + 2 * u, np.full(x.size, ANGLE), np.full(x.size, 0.3), True)
    mean = Figure(float(t[0]), 0.010)
    zones = Zones(Stretch("main", 0.0, 29.9, mean), None, mean, mean, mean)
    return replace(measurement, widths=widths, thickness=profile, zones=zones)


def one_row(flat, **asked):
    (row,) = plans.plan(flat, Request(cheek_deg=CHEEK, **asked)).rows
    return row


def test_a_larger_angle_keeps_the_shoulder(flat):
    row = one_row(flat, new_included_deg=36.0)
    assert row.thickness.value_mm == pytest.approx(row.thickness_now.value_mm)
    assert row.width.value_mm == pytest.approx(WIDTH * math.sin(math.radians(15)) / math.sin(math.radians(18)))
    d = WIDTH * math.cos(math.radians(15)) - row.width.value_mm * math.cos(math.radians(18))
    assert row.apex_back.value_mm == pytest.approx(d)
    assert row.included_deg == (pytest.approx(36.0), 0.0)
    assert row.full_share == 1.0
    # T is T whatever the angle.
    assert row.thickness.u_mm == pytest.approx(0.010, rel=1e-6)


def test_a_section_that_cannot_be_had_on_one_side_is_not_twice_as_sure(flat):
    """Half of T is 0.233 mm, of T + 2u 0.243: no angle makes a bevel 0.236 mm wide then."""
    easy, hard = (one_row(flat, bevel_width_mm=w) for w in (0.245, 0.236))
    assert easy.included_deg[1] > 0
    assert easy.apex_back.u_mm > 0
    assert math.isnan(hard.included_deg[1])
    assert math.isnan(hard.apex_back.u_mm)
    assert hard.included_deg[0] > easy.included_deg[0]


def test_taking_the_apex_back_climbs_the_cheek(flat):
    """Similar triangles: half a thickness grows by x tan a tan c / (tan a - tan c)."""
    row = one_row(flat, take_back_mm=0.2)
    a, c = (math.tan(math.radians(v)) for v in (ANGLE, CHEEK))
    assert row.thickness.value_mm - row.thickness_now.value_mm == pytest.approx(2 * 0.2 * a * c / (a - c))
    assert row.apex_back == Figure(pytest.approx(0.2), 0.0)
    assert row.width.u_mm >= 0.9 * row.width_now.u_mm


def test_a_wanted_width_is_met_and_its_angle_said(flat):
    for wanted in (0.7, 1.3):
        made = plans.plan(flat, Request(bevel_width_mm=wanted, cheek_deg=CHEEK))
        (row,) = made.rows
        assert row.width == Figure(pytest.approx(wanted), 0.0)
        again = one_row(flat, new_included_deg=row.included_deg[0])
        assert again.width.value_mm == pytest.approx(wanted, rel=1e-6)
        assert again.thickness.value_mm == pytest.approx(row.thickness.value_mm, rel=1e-6)
        assert again.apex_back.value_mm == pytest.approx(row.apex_back.value_mm, abs=1e-9)
        assert row.included_deg[1] > 0
        assert np.isfinite(made.thickness_mm).all()


@pytest.mark.parametrize("asked", [{"new_included_deg": 24.0}, {"new_included_deg": 36.0}, {"take_back_mm": 0.3}, {"bevel_width_mm": 1.2}])
@pytest.mark.parametrize("by_readings", [True, False])
def test_uncertainty_covers_monte_carlo(flat, asked, by_readings):
    """2,000 edges drawn from the uncertainties (JCGM 101), T found either way: no band is narrower than they scatter."""
    row = one_row(flat, **asked)
    rng = np.random.default_rng(7)
    n = 2000
    depth = WIDTH * math.cos(math.radians(ANGLE))
    d = depth + 0.005 * math.cos(math.radians(ANGLE)) * rng.standard_normal(n)
    t0 = row.thickness_now.value_mm
    if by_readings:
        t = t0 + 0.010 * rng.standard_normal(n)
    else:
        rest = math.sqrt(0.010**2 - (t0 / depth * 0.005 * math.cos(math.radians(ANGLE))) ** 2)
        t = t0 * d / depth + rest * rng.standard_normal(n)
    cheeks = CHEEK + 0.5 / math.sqrt(3) * rng.standard_normal(n)
    rows = [plans._grind(plans._State(t[i : i + 1], d[i : i + 1], cheeks[i]), Request(cheek_deg=CHEEK, **asked)) for i in range(n)]
    for name, figure in (("thickness", row.thickness), ("width", row.width), ("back", row.apex_back)):
        scatter = float(np.std([getattr(r, name)[0] for r in rows]))
        # Least x is cut off at 0, where scatter is one-sided; 2,000 draws know a spread to 1.6 %.
        assert scatter <= 1.06 * figure.u_mm + 1e-9, name


def test_whether_the_apex_goes_back_at_all_is_as_uncertain_as_the_present_angle(flat):
    """Asked for the present angle itself, half of 2,000 edges drawn need the apex taken back: "stays where it is" had been said of it."""
    for asked in (29.5, 30.0, 30.3):
        row = one_row(flat, new_included_deg=asked)
        rng = np.random.default_rng(9)
        d = WIDTH * math.cos(math.radians(ANGLE)) + 0.005 * math.cos(math.radians(ANGLE)) * rng.standard_normal(2000)
        t = row.thickness_now.value_mm + 0.010 * rng.standard_normal(2000)
        back = np.maximum(d - t / 2 / math.tan(math.radians(asked / 2)), 0.0)
        assert np.mean(np.abs(back - row.apex_back.value_mm) <= 2 * row.apex_back.u_mm) >= 0.95, asked


def test_what_grinding_nothing_leaves_is_what_is_there(flat):
    """The result's widths are worked out with the declared angle; at the angle found the same section is a little wider."""
    t = flat.thickness
    found = ANGLE + 0.8
    at_found = replace(t, angle_per_side_deg=np.full(t.thickness_mm.size, found))
    row = one_row(replace(flat, thickness=at_found), take_back_mm=0.0)
    assert row.width_now.value_mm == pytest.approx(row.width.value_mm, rel=1e-12)
    assert row.width_now.value_mm == pytest.approx(row.thickness_now.value_mm / 2 / math.sin(math.radians(found)))
    assert row.thickness.value_mm == pytest.approx(row.thickness_now.value_mm, rel=1e-12)
    with pytest.raises(DeclarationError, match="nothing would be ground"):
        one_row(flat, new_included_deg=34.0, take_back_mm=0.0)


def test_the_tip_is_where_the_result_took_it(measurement):
    """What was left out beyond it is no part of it."""
    rise = replace(measurement.zones.rise, end_mm=27.0)
    (_, tip) = plans.plan(replace(measurement, zones=replace(measurement.zones, rise=rise)), Request(new_included_deg=34.0)).rows
    assert (tip.start_mm, tip.end_mm) == (26.0, 27.0)


def test_undeclared_cheek_is_said_and_costs(flat):
    made = plans.plan(flat, Request(take_back_mm=0.3))
    assert not made.cheek_declared
    assert made.cheek_deg[0] == 3.0
    assert made.rows[0].thickness.u_mm > one_row(flat, take_back_mm=0.3).thickness.u_mm


def test_a_small_second_bevel_is_told(flat):
    row = one_row(flat, new_included_deg=40.0, take_back_mm=0.02)
    assert row.full_share == 0.0
    assert row.thickness.value_mm < 0.1
    assert row.thickness.u_mm > 0


def test_stretches_and_tip_have_rows(measurement):
    names = [r.name for r in plans.plan(measurement, Request(new_included_deg=34.0)).rows]
    assert names == ["main stretch", "tip, last 1 mm"]
    made = plans.plan(measurement, Request(new_included_deg=34.0))
    gap = ~np.isfinite(measurement.widths.width_mm)
    assert np.isnan(made.thickness_mm[gap]).all()
    assert np.isfinite(made.thickness_mm[~gap]).all()


@pytest.mark.parametrize(
    "asked",
    [{}, {"new_included_deg": 30.0, "bevel_width_mm": 1.0}, {"new_included_deg": 2.0}, {"take_back_mm": -0.1}, {"take_back_mm": math.nan},
     {"bevel_width_mm": 0.0}, {"new_included_deg": 30.0, "cheek_deg": 40.0}],
)  # fmt: skip
def test_impossible_requests_are_refused(asked):
    with pytest.raises(DeclarationError):
        Request(**asked)


def test_edges_that_cannot_be_planned_for(flat):
    with pytest.raises(DeclarationError, match="headline"):
        plans.plan(replace(flat, zones=None), Request(take_back_mm=0.1))
    with pytest.raises(DeclarationError, match="symmetric"):
        plans.plan(replace(flat, other=OtherSide(flat.declared, flat.widths, (4.0, 5.0))), Request(take_back_mm=0.1))
    with pytest.raises(DeclarationError, match="exceed the cheek"):
        plans.plan(flat, Request(new_included_deg=5.0, cheek_deg=3.0))
    with pytest.raises(DeclarationError, match="no angle"):
        plans.plan(flat, Request(bevel_width_mm=0.2))


def test_now_and_after_are_taken_over_the_same_stations(measurement):
    """A larger angle keeps the shoulder, so thickness must not change at a tip that is still rising."""
    for row in plans.plan(measurement, Request(new_included_deg=36.0)).rows:
        assert row.thickness.value_mm == pytest.approx(row.thickness_now.value_mm, rel=1e-12)
