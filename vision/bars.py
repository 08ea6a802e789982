"""Are the measured check bars of a printed page plausible, and what to declare."""

from __future__ import annotations

from dataclasses import dataclass

from vision.declared import UNMEASURED_PRINT_TOLERANCE_MM, Declared

NOMINAL_MM = 100.0


@dataclass(frozen=True)
class BarsCheck:
    """What two measured bars say: whether they are plausible, why, and what to do."""

    plausible: bool
    why: str
    remedy: str


def check_bars(x_mm: float, y_mm: float) -> BarsCheck:
    """Judge the measured lengths of the bars along (X) and across (Y) the strip.

    Printers err by up to 1 %, differently in X and Y (common practice, no source); a page that was made to fit its paper's margins is
    off by several per cent in both directions alike.

    Raises
    ------
    DeclarationError
        A length that no printed bar of 100 mm can have.
    """
    Declared(included_angle_deg=None, printed_bar_mm=(x_mm, y_mm))
    off = [v - NOMINAL_MM for v in (x_mm, y_mm)]
    said = f"X is {off[0]:+.2f} mm and Y {off[1]:+.2f} mm off 100 mm"
    if max(abs(v) for v in off) <= UNMEASURED_PRINT_TOLERANCE_MM:
        return BarsCheck(True, f"{said}: as printers err", "declare both as measured; nothing needs printing again")
    if abs(off[0] - off[1]) > UNMEASURED_PRINT_TOLERANCE_MM:
        return BarsCheck(False, f"{said}: more apart than a printer makes them", "measure both again from end to end; then print again")
    if off[0] < 0:
        return BarsCheck(False, f"{said}: the page was made smaller to fit", "print it again at 100 %, without any fitting or scaling")
    return BarsCheck(False, f"{said}: larger than printers print", "measure both again, from outer end to outer end; then print at 100 %")
