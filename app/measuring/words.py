"""Results in sentences: a reading beside what the photo says, how sure, and text that Markdown leaves alone."""

from __future__ import annotations

import math

from vision import rounding
from vision.results import CrossCheck, Measurement


def plain(text: str) -> str:
    """Text that Markdown leaves as it is: file names may hold its signs."""
    return "".join(f"\\{c}" if c in "\\`*_{}[]()<>#+!|$~:" else c for c in text)


def cross_check(check: CrossCheck) -> str:
    """One reading against the photo and the other readings."""
    r = check.reading
    if not math.isfinite(check.e_n):
        return "no measured width near this place: check the position"
    expected = rounding.format_figure(check.predicted_mm, check.predicted_u_mm, inch=False)
    start = "set aside; " if r.set_aside else ""
    if check.questioned:
        causes = "; ".join(check.causes)
        return f"{start}QUESTIONED: photo and other readings say {expected} (E_n {check.e_n:.1f})" + (f"; {causes}" if causes else "")
    return f"{start}agrees: photo and other readings say {expected} (E_n {check.e_n:.1f})"


def checks_by_reading(m: Measurement) -> dict[tuple[float, float], str]:
    """(position, thickness) -> sentence."""
    return {(c.reading.position_mm, c.reading.thickness_mm): cross_check(c) for c in m.cross_checks}
