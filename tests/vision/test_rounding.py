import math

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from uncertainties import ufloat

from vision.rounding import decimals_for, format_angle, format_figure, format_value, round_pair, two_digits


@pytest.mark.parametrize(
    ("value", "u", "text"),
    [
        (0.5123, 0.0118, "0.512 ± 0.024 mm (0.0202 ± 0.0010 in)"),
        (0.5, 0.05, "0.50 ± 0.10 mm (0.020 ± 0.004 in)"),
        (0.04964, 0.00385, "0.0496 ± 0.0077 mm (0.00195 ± 0.00030 in)"),
        (0.51764, 0.0498, "0.52 ± 0.10 mm (0.020 ± 0.004 in)"),
        (1.0, 0.00495, "1.0000 ± 0.0099 mm (0.03937 ± 0.00039 in)"),
        (0.7, 0.3, "0.70 ± 0.60 mm (0.028 ± 0.024 in)"),
        (-0.00001, 0.01, "0.000 ± 0.020 mm (0.0000 ± 0.0008 in)"),
        (25.4, 0.0127, "25.400 ± 0.025 mm (1.0000 ± 0.0010 in)"),
        # One digit in inch, rounded up: 0.02 mm is 0.00079 in; 0.0177 mm shows as 0.018 mm, which is 0.00071 in.
        (0.5, 0.00505, "0.500 ± 0.010 mm (0.0197 ± 0.0004 in)"),
        (0.5, 0.0053, "0.500 ± 0.011 mm (0.0197 ± 0.0005 in)"),
        (0.5, 0.00885, "0.500 ± 0.018 mm (0.0197 ± 0.0008 in)"),
        # 0.0254 mm is 0.001 in exactly, and two digits of it are no finer than the mm text: nothing to round up.
        (0.508, 0.0127, "0.508 ± 0.025 mm (0.0200 ± 0.0010 in)"),
        (math.nan, 0.01, "not measured"),
        (math.nan, math.nan, "not measured"),
    ],
)
def test_figures(value, u, text):
    assert format_figure(value, u) == text


def test_unknown_uncertainty_is_said_and_not_made_up():
    assert format_figure(0.5123, math.nan) == "about 0.51 mm, uncertainty unknown (about 0.02 in)"
    assert round_pair(0.5123, 0.0) == ("0.51", "unknown")


def test_angles_values_and_millimetres_alone():
    assert format_angle(32.61, 0.55) == "32.6 ± 1.1°"
    assert format_angle(math.nan, 1.0) == "not measured"
    assert format_value(0.5123, 0.0118) == "0.512"
    assert format_figure(0.5123, 0.0118, inch=False) == "0.512 ± 0.024 mm"
    assert format_figure(0.5123, 0.0118, k=1.0, inch=False) == "0.512 ± 0.012 mm"


def test_rounding_up_a_digit_does_not_leave_three():
    assert decimals_for(0.0996) == 2
    assert decimals_for(0.00949, 1) == 3
    assert decimals_for(0.0095, 1) == 2 or decimals_for(0.0096, 1) == 2
    assert round_pair(1234.0, 560.0) == ("1230", "560")
    with pytest.raises(ValueError, match="no leading digit"):
        decimals_for(0.0)


@given(st.floats(-50, 50), st.floats(1e-6, 5))
@example(1.875, 0.995)
def test_agrees_with_the_library_uncertainties(value, u):
    # uncertainties (PyPI) formatting, two digits of uncertainty, fixed notation.
    ours = round_pair(value, u)
    theirs = f"{ufloat(value, u):.2uf}".split("+/-")
    # It keeps a minus before a rounded zero and formats the binary fraction; a tie may differ by one step.
    step = 10.0 ** -decimals_for(u)
    # 0.995 rounds up to 1.0, a place less: the binary fraction is below it and keeps 0.99.
    carried = abs(_tie(u, step / 10)) < 1e-6
    assert float(ours[0]) == pytest.approx(float(theirs[0]), abs=1.01 * step * (carried or abs(_tie(value, step)) < 1e-6) + 1e-12)
    assert float(ours[1]) == pytest.approx(float(theirs[1]), abs=1.01 * step * (carried or abs(_tie(u, step)) < 1e-6) + 1e-12)
    assert len(ours[0].partition(".")[2]) == len(ours[1].partition(".")[2])


def _tie(v, step):
    return abs(v) / step - math.floor(abs(v) / step) - 0.5


@given(st.floats(0.001, 20), st.floats(1e-5, 1))
def test_inch_step_is_never_finer_than_the_millimetre_step(value, u):
    mm, inch = format_figure(value, u).removesuffix(" in)").split(" mm (")
    places = [len(t.split(" ± ")[1].partition(".")[2]) for t in (mm, inch)]
    assert 25.4 * 10.0 ** -places[1] >= 10.0 ** -places[0] * (1 - 1e-9)


@given(st.floats(0.001, 20), st.floats(1e-5, 1))
def test_an_uncertainty_cut_to_one_digit_in_inch_is_never_a_narrower_band(value, u):
    mm, inch = (t.split(" ± ")[1] for t in format_figure(value, u).removesuffix(" in)").split(" mm ("))
    if decimals_for(2 * u / 25.4) > len(inch.partition(".")[2]):
        assert float(inch) * 25.4 >= max(float(mm), 2 * u) * (1 - 1e-9)


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (3.0, "3.0"),
        (12.4, "12"),
        (0.7, "0.70"),
        (0.0996, "0.10"),
        (-0.0021, "-0.0021"),
        (146.0, "150"),
        (0.0, "0"),
        (math.nan, "not measured"),
    ],
)
def test_two_digits_keep_a_second_digit_that_is_zero(value, text):
    assert two_digits(value) == text
