import math

import numpy as np
import pytest
import uncertainties

from vision.budget import budget, budget_of
from vision.declared import Declared, Reading
from vision.thickness import estimate, length_weights


def case(blades, readings=True):
    x = np.arange(6.0, 48.0, 0.5)
    systematic = {"height": np.full(x.size, 0.004), "print X": 0.001 * (1 + x / 50)}
    w = blades.profile(x, 1.0 + 0.005 * (x - 6) / 42, systematic=systematic, length=1.0, local_u=0.01)
    at = tuple(Reading(p, 0.52 + 0.0001 * p) for p in (10.0, 18.0, 26.0, 34.0, 42.0)) if readings else ()
    return estimate(w, Declared(included_angle_deg=30.0, angle_tolerance_deg=2.0, readings=at))


@pytest.mark.parametrize("readings", [False, True])
def test_rows_add_up_to_the_total_of_the_posterior(blades, readings):
    fit = case(blades, readings)
    b = budget(fit, fit.measured)
    assert b.total_mm == pytest.approx(fit.mean(fit.measured).u_mm, rel=1e-9)
    assert b.total_mm == pytest.approx(math.sqrt(sum(r.contribution_mm**2 for r in b.rows)), rel=1e-12)
    for r in b.rows:
        assert abs(r.sensitivity_mm_per_unit) * r.u == pytest.approx(r.contribution_mm, abs=1e-15)
    contributions = [r.contribution_mm for r in b.rows]
    assert contributions == sorted(contributions, reverse=True)
    names = {r.source for r in b.rows}
    assert {"height", "print X", "angle per side, declared", "angle per side, change along the edge"} <= names
    assert any("caliper" in n for n in names) == readings


def test_readings_shrink_the_angle_row(blades):
    row = {r: {b.source: b for b in budget(f, f.measured).rows}["angle per side, declared"] for r in (0, 1) if (f := case(blades, bool(r)))}
    assert row[1].contribution_mm < 0.6 * row[0].contribution_mm
    # Without readings: dT/da = 2 p / cos(a)^2 = 2 w / cos a, a = 15 degrees, w about 1.0025 mm.
    assert row[0].sensitivity_mm_per_unit == pytest.approx(2 * 1.0025 / math.cos(math.radians(15)) * math.pi / 180, rel=1e-4)


def test_agrees_with_the_library_uncertainties(blades):
    # uncertainties (PyPI), error_components: the same estimate without readings, differentiated by the library.
    x = np.arange(6.0, 48.0, 0.5)
    fit = estimate(
        blades.profile(x, np.ones(x.size), systematic={"height": np.full(x.size, 0.004)}, local_u=0.0), Declared(included_angle_deg=30.0)
    )
    from uncertainties import ufloat, umath

    height, angle = ufloat(0, 0.004, "height"), ufloat(15, 2 / math.sqrt(3) / 2, "angle")
    t = 2 * (1.0 + height) * math.cos(math.radians(15)) * umath.tan(angle * math.pi / 180)
    assert isinstance(t, uncertainties.core.AffineScalarFunc)
    rows = {r.source: r.contribution_mm for r in budget(fit, fit.measured).rows}
    parts = {v.tag: c for v, c in t.error_components().items()}
    assert rows["height"] == pytest.approx(parts["height"], rel=1e-9)
    assert rows["angle per side, declared"] == pytest.approx(parts["angle"], rel=1e-9)


def test_monte_carlo_of_the_model_agrees_within_3_percent(blades):
    """JCGM 101: draw every source, rebuild T = 2 p tan a without any linearisation, estimate from each draw's own readings."""
    fit = case(blades)
    rng = np.random.default_rng(8)
    x, m = fit.position_mm, 20000
    weights = length_weights(fit.arc_mm, fit.measured)
    w = fit.faces[0].widths
    gain = fit.state.gain(weights[None, :])[0]
    true_angle = math.radians(15) + np.radians(rng.uniform(-1, 1, (m, 1)))
    kernel = np.exp(-0.5 * ((x[:, None] - x) / 30.0) ** 2) + 1e-10 * np.eye(x.size)
    true_angle = true_angle + math.radians(0.75) * rng.standard_normal((m, x.size)) @ np.linalg.cholesky(kernel).T
    error = sum(s[None, :] * rng.standard_normal((m, 1)) for s in w.systematic_u_mm.values())
    local = np.exp(-0.5 * ((x[:, None] - x) / w.local_length_mm) ** 2) + 1e-10 * np.eye(x.size)
    error = error + 0.01 * rng.standard_normal((m, x.size)) @ np.linalg.cholesky(local).T
    truth = 2 * (w.width_mm - error) * math.cos(math.radians(15)) * np.tan(true_angle)
    read = (fit.state.rows @ truth.T).T + rng.uniform(-1, 1, (m, 1)) * math.sqrt(0.03**2 - 0.005**2)
    own = rng.uniform(-0.005, 0.005, (m, 5)) + rng.uniform(-0.01, 0.01, (m, 5))
    read = read + own + rng.uniform(-1, 1, (m, 5)) * math.sqrt(3) * fit.placement_mm
    found = weights @ fit.state.mean + (read - fit.state.rows @ fit.state.mean) @ gain
    spread = float(np.std(found - truth @ weights))
    assert spread == pytest.approx(budget(fit, fit.measured).total_mm, rel=0.03)


def test_empty_stretch_is_misuse(blades):
    fit = case(blades)
    with pytest.raises(ValueError, match="no measured station"):
        budget(fit, np.zeros(fit.measured.size, bool))
    one = np.zeros(fit.measured.size)
    one[3] = 1.0
    assert budget_of(fit, one).total_mm == pytest.approx(fit.profile.u_mm[3], rel=1e-9)
