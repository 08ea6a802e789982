"""The one formatter of figures: command, app, report and log all use it.

The uncertainty keeps at most two digits, the value stops at the same place (JCGM 100, 7.2.6). What follows ± is always the
expanded uncertainty U = k u with k = 2 (`COVERAGE`); callers print that line beside their figures.
"""

from __future__ import annotations

import math
from decimal import ROUND_CEILING, ROUND_HALF_EVEN, Decimal

MM_PER_INCH = 25.4
COVERAGE = "± is the expanded uncertainty, k = 2 (about 95 %)"
NOT_MEASURED = "not measured"
# A quotient that is off in its last binary digit must not be carried to the next step.
_DIVISION_NOISE = Decimal("1e-12")


def decimals_for(u: float, digits: int = 2) -> int:
    """Decimal places that leave `digits` digits of `u`; 0.0996 rounds up to 0.10 and keeps two digits, not three.

    May be negative (tens, hundreds). Raises ``ValueError`` unless `u` is positive and finite.
    """
    if not (math.isfinite(u) and u > 0):
        raise ValueError(f"uncertainty {u!r} has no leading digit")
    exact = Decimal(repr(float(u)))
    places = digits - 1 - exact.adjusted()
    if _round(exact, places).adjusted() > exact.adjusted():
        places -= 1
    return places


def round_pair(value: float, uncertainty: float, digits: int = 2) -> tuple[str, str]:
    """Value and uncertainty as text, to the same decimal place, the uncertainty to at most `digits` digits.

    Parameters
    ----------
    value, uncertainty : float
        In one unit; the uncertainty is printed as it is given (already expanded).

    Returns
    -------
    (str, str)
        Both `NOT_MEASURED` when the value is not finite; the second ``"unknown"`` when only the uncertainty is not finite.
    """
    if not math.isfinite(value):
        return NOT_MEASURED, NOT_MEASURED
    if not (math.isfinite(uncertainty) and uncertainty > 0):
        return f"{value:.2g}", "unknown"
    places = decimals_for(uncertainty, digits)
    return _plain(value, places), _plain(uncertainty, places)


def format_figure(value_mm: float, u_mm: float, *, k: float = 2.0, inch: bool = True) -> str:
    """``"0.512 ± 0.024 mm (0.0202 ± 0.0010 in)"``.

    Parameters
    ----------
    value_mm, u_mm : float
        Value and one standard uncertainty, mm.
    k : float
        Coverage factor of what follows ±.
    inch : bool
        Add inches (25.4 mm exactly).

    Returns
    -------
    str
        ``"not measured"`` when the value is NaN. The inch figure keeps no finer place than the mm figure supports: one digit
        of uncertainty when two would claim a finer step than the mm text shows, and that digit rounded up.
    """
    if not math.isfinite(value_mm):
        return NOT_MEASURED
    value, u = round_pair(value_mm, k * u_mm)
    text = f"{value} ± {u} mm" if u != "unknown" else f"about {value} mm, uncertainty unknown"
    if not inch:
        return text
    if u == "unknown":
        return f"{text} (about {value_mm / MM_PER_INCH:.2g} in)"
    return f"{text} ({_inch(value_mm, k * u_mm)})"


def format_value(value_mm: float, u_mm: float, *, k: float = 2.0) -> str:
    """The value alone in mm, to the place its uncertainty supports; for table cells."""
    return round_pair(value_mm, k * u_mm)[0]


def two_digits(value: float) -> str:
    """A figure that stands without an uncertainty of its own (a row of a budget): two significant digits, the second kept when it is 0."""
    if not math.isfinite(value) or value == 0:
        return "0" if value == 0 else NOT_MEASURED
    return _plain(value, decimals_for(abs(value)))


def format_angle(value_deg: float, u_deg: float, *, k: float = 2.0) -> str:
    """``"32.6 ± 1.1°"``."""
    if not math.isfinite(value_deg):
        return NOT_MEASURED
    value, u = round_pair(value_deg, k * u_deg)
    return f"{value} ± {u}°" if u != "unknown" else f"about {value}°, uncertainty unknown"


def _inch(value_mm: float, expanded_mm: float) -> str:
    value, u = value_mm / MM_PER_INCH, expanded_mm / MM_PER_INCH
    full = decimals_for(u)
    # The step of the last inch digit must not be finer than that of the last mm digit: at most one place more, 2.54 such steps.
    places = min(full, decimals_for(expanded_mm) + 1)
    if places == full:
        return f"{_plain(value, places)} ± {_plain(u, places)} in"
    # One digit is left, and rounding it down would claim a band up to 11 % narrower than the mm text does.
    shown = Decimal(round_pair(value_mm, expanded_mm)[1]) / Decimal(repr(MM_PER_INCH))
    widest = max(Decimal(repr(u)), shown) * (1 - _DIVISION_NOISE)
    return f"{_plain(value, places)} ± {widest.quantize(Decimal(1).scaleb(-places), rounding=ROUND_CEILING):f} in"


def _round(exact: Decimal, places: int) -> Decimal:
    return exact.quantize(Decimal(1).scaleb(-places), rounding=ROUND_HALF_EVEN)


def _plain(value: float, places: int) -> str:
    text = f"{_round(Decimal(repr(float(value))), places):f}"
    return text[1:] if text.startswith("-") and not text.strip("-0.") else text
