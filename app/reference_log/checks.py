"""What is checked of a contributed row: a reason turns it away, a remark lets it in with a caution. Lengths in the row's own unit.

Bounds are wide on purpose: a row is turned away only for what cannot be, since a doubtful figure with its caution is worth more to a
reader than a hole.
"""

from __future__ import annotations

import datetime
import math
import re
from decimal import Decimal

from app.reference_log.records import Condition, Record, Source, instrument_kind, name_key
from vision.results import COMMON_MM

# Four steps to the figure: with fewer, half a step of reading error is more than an eighth of it, and 0.3 passes for 0.4.
_STEPS_PER_FIGURE = 4
# No edge is thicker at its shoulder; spines are.
_THICKEST_MM = 10.0
# Included angle as declared against as ground: twice the tolerance that a declared angle has by default, and once more for a jig
# set by eye. Bevel width: 7 % between face and projection (design.md section 5), and as much again for unlike sides.
_ANGLE_OFF_DEG = 6.0
_WIDTH_OFF = 0.15
_USED = re.compile(
    r"\b(?:re-?sharpened|re-?profiled|re-?ground|re-?honed|stropped|honed|touched[ -]up|sharpened|"
    r"used (?:edge|knife|blade|daily|once|twice|for|since|in the|regularly)|(?:well|heavily|lightly|much|often) used|"
    r"(?:edge|knife|blade) (?:is |was |has been )?used|second[ -]?hand|(?:bought|already) used|after (?:some )?use|"
    r"after (?:my |the |one |a )?(?:re-?)?sharpening|"
    r"(?:hours?|days?|weeks?|months?|years?) (?:of )?(?:use|carry))\b",
    re.IGNORECASE,
)
# A name made of nothing but these words: an eyeballed figure by whatever name is none.
_NO_INSTRUMENT = {
    "none", "no", "nothing", "n", "a", "na", "nil", "null", "unknown", "not", "known", "given", "instrument", "tool", "by", "from", "with",
    "only", "my", "own", "the", "naked", "eye", "eyes", "eyeball", "eyeballs", "eyeballed", "eyeballing", "sight", "look", "looks",
    "visual", "visually", "rough", "roughly", "estimate", "estimates", "estimated", "estimation", "guess", "guesses", "guessed",
    "guesstimate", "guessing", "feel", "feeling", "hand", "memory",
}  # fmt: skip
NO_INSTRUMENT = "no instrument: say what the figure was read with"
_DENIED = re.compile(
    r"\b(?:never|not|no|non|nor|un|isn't|wasn't|hasn't|factory|maker|as|before|without|yet)\b[\s\-]*(?:(?:been|be|yet|ever|being) )*$",
    re.IGNORECASE,
)
_BY_MAKER = re.compile(r" (?:by|at|from) (?:the |its )?(?:maker|factory)", re.IGNORECASE)


def is_no_instrument(name: str) -> bool:
    """True for an empty cell, and for the words that people write into one that they must fill."""
    return set(re.findall(r"[^\W_]+", name_key(name))) <= _NO_INSTRUMENT


def reason_against(r: Record) -> str | None:
    """Why the row cannot be taken, or None."""
    if is_no_instrument(r.instrument):
        return NO_INSTRUMENT
    thickness = float(r.thickness)
    kind = instrument_kind(r.instrument)
    unable = f"instrument {_short(r.instrument)} cannot resolve the figure"
    step = float(r.instrument_step or 0)
    if kind == "ruler" and r.source is not Source.PHOTO:
        return f"{unable}: a ruler reads to about half a millimetre"
    # A photo is finer than the caliper that steadies it.
    if step * _STEPS_PER_FIGURE > thickness and r.source is Source.READINGS:
        return (
            f"instrument {_short(r.instrument)} cannot resolve the figure: its step {r.instrument_step} is over a quarter of {r.thickness}"
        )
    if r.instrument_accuracy is not None and float(r.instrument_accuracy) >= thickness:
        return f"{unable}: its accuracy {r.instrument_accuracy} is no less than {r.thickness}"
    if r.thickness_u is None and r.instrument_accuracy is None:
        return "neither instrument_accuracy nor thickness_u is given: nothing says how far to trust the figure"
    return _impossible(r) or _contradiction(r) or declared_used(r)


def _impossible(r: Record) -> str | None:
    if r.thickness_mm > _THICKEST_MM:
        return f"impossible geometry: an edge {r.thickness_mm:.3g} mm thick at its shoulder; check the unit"
    for name in ("angle_deg", "angle_found_deg"):
        angle = getattr(r, name)
        # The bounds of a declared angle (vision/declared.py).
        if angle is not None and not 4 <= angle <= 120:
            return f"impossible geometry: {name} {angle} is no included angle between 4 and 120 degrees"
    if r.bevel_width is None:
        return None
    width, slack = float(r.bevel_width), _slack(r)
    if float(r.thickness) - slack > 2.0 * width * (1 + _WIDTH_OFF):
        return f"impossible geometry: thickness {r.thickness} is over twice the bevel width {r.bevel_width}"
    angle = r.angle_found_deg or r.angle_deg
    if angle is None:
        return None
    low, high = (
        2.0 * width * (1 + off) * math.sin(math.radians(max(0.0, min(90.0, (float(angle) + sign * _ANGLE_OFF_DEG) / 2))))
        for off, sign in ((-_WIDTH_OFF, -1), (_WIDTH_OFF, 1))
    )
    if not low - slack <= float(r.thickness) <= high + slack:
        return (
            f"impossible geometry: bevel width {r.bevel_width} at {angle} degrees included makes a thickness of "
            f"{low:.3g} to {high:.3g} {r.unit}, not {r.thickness}"
        )
    return None


def _contradiction(r: Record) -> str | None:
    for low, high, what in ((r.minimum, r.thickness, "minimum above thickness"), (r.thickness, r.maximum, "thickness above maximum")):
        if low is not None and high is not None and low > high:
            return f"impossible geometry: {what} ({low} > {high})"
    return _apart_from_readings(r, float(r.instrument_step or 0)) if r.source is Source.READINGS else None


def _apart_from_readings(r: Record, slack: float) -> str | None:
    if r.readings and not float(min(r.readings)) - slack <= float(r.thickness) <= float(max(r.readings)) + slack:
        return f"thickness {r.thickness} lies outside its own readings, {min(r.readings)} to {max(r.readings)}"
    return None


def declared_used(r: Record) -> str | None:
    """Why a record's own note contradicts a factory edge, or None."""
    if r.condition is not Condition.FACTORY:
        return None
    for found in _USED.finditer(r.note):
        if not _DENIED.search(r.note[: found.start()]) and not _BY_MAKER.match(r.note[found.end() :]):
            return f"a used edge declared as factory: the note says {_short(found[0])}"
    return None


def cautions(r: Record) -> tuple[str, ...]:
    """What a reader should know of a row that is taken."""
    found = []
    if len(r.readings) > 1 and len(set(r.readings)) == 1:
        found.append(f"all {len(r.readings)} readings are equal")
    if finer := _too_many_digits(r):
        found.append(finer)
    # Most often it is in another unit.
    if not COMMON_MM[0] <= r.thickness_mm <= COMMON_MM[1]:
        found.append(f"{r.thickness_mm:.3g} mm is beyond what knives commonly have: check the unit, mm or inch")
    if r.instrument_step is None and r.source is not Source.PHOTO:
        found.append("the instrument's step is not given")
    if r.instrument_accuracy is not None and float(r.instrument_accuracy) > float(r.thickness) / 2:
        found.append("the instrument's accuracy is over half of the figure")
    found += _too_sure(r)
    # A photo says how the edge runs between its readings, so its mean may lie beside them; a result was held against them already.
    if r.source is Source.PHOTO_AND_READINGS and not r.result and (apart := _apart_from_readings(r, _slack(r))):
        found.append(apart)
    if r.date > datetime.date.today() + datetime.timedelta(days=1):
        found.append(f"the date {r.date} has not come yet")
    return tuple(found)


def _too_sure(r: Record) -> list[str]:
    """Remarks on an uncertainty that cannot be, too small or too large; `Record.least_u_mm` says what is counted in its place."""
    found = []
    if r.instrument_accuracy is not None and 2 * r.instrument_accuracy < (r.instrument_step or 0):
        found.append(f"instrument_accuracy {r.instrument_accuracy} is less than half of its step {r.instrument_step}: the step is counted")
    if r.thickness_u is None:
        return found
    least = r.least_u_mm / r.mm_per_unit
    if float(r.thickness_u) < 0.99 * least:
        whose = "instrument" if r.source is Source.READINGS else "photo" if r.source is Source.PHOTO else "instrument and photo"
        found.append(f"thickness_u {r.thickness_u} is below the {least:.2g} that its {whose} can give: {least:.2g} is counted")
    if 2 * r.thickness_u > r.thickness:
        found.append(f"thickness_u {r.thickness_u} is over half of the figure")
    return found


def _too_many_digits(r: Record) -> str | None:
    if r.instrument_step is None:
        return None
    allowed = _decimals(r.instrument_step)
    for value in r.readings:
        if _decimals(value) > allowed:
            return f"reading {value} has more digits than its instrument's step {r.instrument_step}"
    # The mean of several readings may show one digit more than each, and so may a photo that readings hold fast. A photo alone is
    # not read off an instrument, and a result that came with its file carries all its digits on purpose.
    several = len(r.readings) > 1 or r.source is Source.PHOTO_AND_READINGS
    if r.source is not Source.PHOTO and not r.result and _decimals(r.thickness) > allowed + several:
        return f"thickness {r.thickness} has more digits than its instrument's step {r.instrument_step}"
    return None


def _decimals(value: Decimal) -> int:
    return max(0, -int(value.normalize().as_tuple().exponent))


def _slack(r: Record) -> float:
    # Three standard uncertainties, and one step in case the uncertainty forgot it.
    u = r.u_mm
    return 3.0 * (u / r.mm_per_unit if math.isfinite(u) else 0.0) + float(r.instrument_step or 0)


def _short(text: str) -> str:
    return repr(text if len(text) <= 40 else text[:39] + "…")
