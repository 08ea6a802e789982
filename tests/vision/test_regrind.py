import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vision.errors import DeclarationError
from vision.regrind import angle_for_width, least_apex_back_mm, regrind, regrind_u_mm


def drawn(width, angle_deg, cheek_deg, new_deg, back):
    """Independent check: draw both half sections finely and look where the ground line leaves the old outline."""
    a, b, c = (math.radians(v) for v in (angle_deg, new_deg, cheek_deg))
    depth, half = width * math.cos(a), width * math.sin(a)

    def outline(d):
        return min(d * math.tan(a), half + (d - depth) * math.tan(c)) if d >= 0 else 0.0

    low, high = back + 1e-9, 200.0
    # Ground metal is where the new line lies inside the old outline; the shoulder is where they cross.
    for _ in range(200):
        mid = (low + high) / 2
        low, high = (mid, high) if (mid - back) * math.tan(b) < outline(mid) else (low, mid)
    y = (low - back) * math.tan(b)
    return math.hypot(low - back, y), 2 * y


@pytest.mark.parametrize(
    ("angle", "cheek", "new", "back"),
    [(20, 3, 15, 0.0), (20, 3, 15, 0.1), (15, 2, 15, 0.3), (15, 2, 20, 0.4), (15, 2, 20, 0.05), (18, 0, 12, 0.2), (15, 3, 25, 0.01)],
)
def test_against_drawn_sections(angle, cheek, new, back):
    after = regrind(np.array([0.9]), np.array([float(angle)]), cheek, new_angle_deg=new, apex_back_mm=back)
    width, thickness = drawn(0.9, angle, cheek, new, back)
    assert after.width_mm[0] == pytest.approx(width, abs=1e-9)
    assert after.thickness_mm[0] == pytest.approx(thickness, abs=1e-9)


def test_larger_angle_keeps_the_shoulder_and_takes_the_apex_back():
    w, a = np.array([1.0, 0.8]), np.array([15.0, 15.5])
    after = regrind(w, a, 3.0, new_angle_deg=20.0)
    np.testing.assert_allclose(after.thickness_mm, 2 * w * np.sin(np.radians(a)), rtol=1e-12)
    np.testing.assert_allclose(after.apex_back_mm, least_apex_back_mm(w, a, 20.0), rtol=1e-12)
    assert after.full.all()
    assert (after.apex_back_mm > 0).all()


def test_nothing_changes_when_nothing_is_ground():
    after = regrind(np.array([1.0, math.nan]), np.array([15.0, math.nan]), 3.0)
    assert after.width_mm[0] == pytest.approx(1.0, abs=1e-12)
    assert math.isnan(after.width_mm[1])
    assert not after.full[1]


def test_a_second_bevel_is_told_from_a_full_one():
    after = regrind(np.array([1.0]), np.array([15.0]), 3.0, new_angle_deg=20.0, apex_back_mm=0.02)
    assert not after.full[0]
    assert after.width_mm[0] < 0.2


@given(st.floats(0.2, 3), st.floats(10, 30), st.floats(0, 5), st.floats(0.3, 3.0))
def test_wanted_width_comes_back(width, angle, cheek, ratio):
    wanted = width * ratio
    new = angle_for_width(np.array([width]), np.array([angle]), cheek, wanted)[0]
    if not math.isfinite(new) or new >= 80 or new <= cheek + 0.5:
        # No angle: the wanted bevel is narrower than half the thickness, or so wide that it runs up the cheek.
        assert wanted <= width * math.sin(math.radians(80)) or new <= cheek + 0.5 or wanted < width
        return
    after = regrind(np.array([width]), np.array([angle]), cheek, new_angle_deg=float(new))
    assert after.width_mm[0] == pytest.approx(wanted, rel=1e-9)


def test_uncertainty_is_the_numeric_derivative():
    w, a, c, b, back = 0.9, 18.0, 3.0, 15.0, 0.1
    one = np.array

    def thickness(dt, dc):
        depth, half = w * math.cos(math.radians(a)), w * math.sin(math.radians(a)) + dt / 2
        return regrind(
            one([math.hypot(depth, half)]), one([math.degrees(math.atan2(half, depth))]), c + dc, new_angle_deg=b, apex_back_mm=back
        )

    by_t = (thickness(1e-6, 0).thickness_mm[0] - thickness(-1e-6, 0).thickness_mm[0]) / 2e-6
    by_c = (thickness(0, 1e-6).thickness_mm[0] - thickness(0, -1e-6).thickness_mm[0]) / 2e-6
    after = thickness(0, 0)
    u = regrind_u_mm(after, one([w * math.cos(math.radians(a))]), one([0.012]), (c, 0.3, b))
    assert u[0] == pytest.approx(math.hypot(by_t * 0.012, by_c * 0.3), rel=1e-5)
    kept = regrind(one([w]), one([a]), c, new_angle_deg=25.0)
    assert regrind_u_mm(kept, one([w * math.cos(math.radians(a))]), one([0.012]), (c, 0.3, 25.0))[0] == pytest.approx(0.012)


def test_impossible_grinds_are_refused():
    with pytest.raises(DeclarationError, match="cheek"):
        regrind(np.array([1.0]), np.array([15.0]), 3.0, new_angle_deg=2.0)
    with pytest.raises(DeclarationError, match="not be negative"):
        regrind(np.array([1.0]), np.array([15.0]), 3.0, apex_back_mm=-0.1)
