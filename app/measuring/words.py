"""Results in sentences: a reading beside what the photo says, how sure, and text that Markdown leaves alone."""

from __future__ import annotations

import math
from collections.abc import Sequence

from vision import rounding
from vision.merge import Overlap
from vision.narrow import Narrowing, Step
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
        return f"{start}QUESTIONED: photo and other readings say {expected} (E_n {check.e_n:.2f})" + (f"; {causes}" if causes else "")
    return f"{start}agrees: photo and other readings say {expected} (E_n {check.e_n:.2f})"


def checks_by_reading(m: Measurement) -> dict[tuple[float, float], str]:
    """(position, thickness) -> sentence."""
    return {(c.reading.position_mm, c.reading.thickness_mm): cross_check(c) for c in m.cross_checks}


def seam(o: Overlap, names: Sequence[str]) -> str:
    """Two photos compared where both measured."""
    difference, u = rounding.round_pair(o.difference_mm, 2 * o.u_mm)
    verdict = "they agree" if o.agrees else "THEY DISAGREE by more than both can tell"
    pair = f"{names[o.first]} and {names[o.second]}, {o.start_mm:.0f} to {o.end_mm:.0f} mm"
    return f"{pair}: the second's bevel is {difference} ± {u} mm wider; {verdict}"


def step(s: Step, now: Narrowing) -> str:
    """One thing that would narrow the band, and by how much."""
    at = " and ".join(f"{p:.0f}" for p in s.places_mm)
    what = {
        "readings": f"two more caliper readings, at {at} mm",
        "readings-tip": f"two more caliper readings near the tip end, at {at} mm",
        "caliper": f"a caliper good to {s.to_tolerance:g} mm instead of {s.from_tolerance:g} mm",
        "angle": f"knowing the included angle to ± {s.to_tolerance:g}° instead of ± {s.from_tolerance:g}°",
        "height": f"knowing the edge's height to ± {s.to_tolerance:g} mm instead of ± {s.from_tolerance:g} mm",
        "bars": f"measuring both printed check bars (to ± {s.to_tolerance:g} mm)",
        "level": "holding the blade level twice as well, on a rest",
    }[s.kind]
    main = _share(s.main_u_mm, now.main_u_mm)
    tip = _share(s.tip_u_mm, now.tip_u_mm)
    return f"{what}: main stretch {main}, last millimetre {tip}"


def _share(then_mm: float, now_mm: float) -> str:
    # An expanded uncertainty, k = 2, as everywhere behind the sign.
    return f"± {rounding.round_pair(2 * then_mm, 2 * then_mm)[1]} instead of ± {rounding.round_pair(2 * now_mm, 2 * now_mm)[1]} mm"
