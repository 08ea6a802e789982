"""The drawn section against handbook trigonometry."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.conftest import drawn_measurement
from vision.errors import DeclarationError
from vision.plan import Request, plan
from vision.section import places, section


def along(outline: np.ndarray, x: float) -> float:
    return float(np.interp(x, *outline.T))


def at(request: Request, place: float = 10.0):
    m = drawn_measurement()
    made = plan(m, request)
    return m, made, section(m, made, place)


def test_present_outline_is_the_measured_section() -> None:
    m, _, s = at(Request(new_included_deg=36.0))
    i = int(np.argmin(np.abs(m.widths.position_mm - 10.0)))
    assert s.position_mm == pytest.approx(10.0)
    assert 2 * s.shoulder_before_mm[1] == pytest.approx(m.thickness.thickness_mm[i])
    run, rise = s.shoulder_before_mm
    assert math.degrees(math.atan2(rise, run)) == pytest.approx(m.thickness.angle_per_side_deg[i])
    (x1, y1), (x2, y2) = s.before_mm[1:]
    assert math.degrees(math.atan2(y2 - y1, x2 - x1)) == pytest.approx(3.0)


@pytest.mark.parametrize(
    "request_", [Request(new_included_deg=24.0), Request(take_back_mm=0.2), Request(new_included_deg=40.0), Request(bevel_width_mm=1.4)]
)
def test_new_shoulder_lies_on_the_present_outline_and_no_metal_is_added(request_) -> None:
    """Grinding only takes away: the new outline lies on or inside the old one, its shoulder on it."""
    _, _, s = at(request_)
    x, y = s.shoulder_after_mm
    assert y == pytest.approx(along(s.before_mm, x), abs=1e-9)
    for at_x in np.linspace(s.after_mm[0, 0], s.after_mm[-1, 0], 50):
        assert along(s.after_mm, at_x) <= along(s.before_mm, at_x) + 1e-9
    np.testing.assert_allclose(s.after_mm[-1], s.before_mm[-1])


def test_a_strip_of_the_old_bevel_stays_where_the_new_one_is_small() -> None:
    _, made, s = at(Request(new_included_deg=40.0, take_back_mm=0.02))
    assert made.rows[0].full_share == 0.0
    assert len(s.after_mm) == 4
    np.testing.assert_allclose(s.after_mm[2], s.shoulder_before_mm)


def test_drawn_figures_are_the_plans() -> None:
    _, made, s = at(Request(new_included_deg=24.0))
    i = int(np.argmin(np.abs(made.position_mm - s.position_mm)))
    assert 2 * s.shoulder_after_mm[1] == pytest.approx(made.thickness_mm[i])
    assert np.hypot(*(s.shoulder_after_mm - s.after_mm[0])) == pytest.approx(made.width_mm[i])
    assert s.after_mm[0, 0] == pytest.approx(made.apex_back_mm[i])


def test_a_place_in_a_gap_gives_the_nearest_known_one() -> None:
    m, made, s = at(Request(new_included_deg=24.0), 18.25)
    assert np.isnan(m.thickness.thickness_mm[np.argmin(np.abs(m.widths.position_mm - 18.25))])
    assert s.position_mm in places(m, made)
    assert abs(s.position_mm - 18.25) < 0.5


def test_nothing_known_is_refused() -> None:
    m = drawn_measurement()
    made = plan(m, Request(new_included_deg=24.0))
    made.thickness_mm[:] = math.nan
    with pytest.raises(DeclarationError, match="without any place"):
        section(m, made, 10.0)
