"""Results in sentences: a reading beside what the photo says, how sure, and text that Markdown leaves alone."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

from vision import rounding
from vision.merge import Overlap
from vision.narrow import Narrowing, Step
from vision.results import CrossCheck, Measurement

# What the library calls by its flag, as the screen calls it.
_FIELDS = {
    "--along": "“draws along the edge”",
    "--angle": "“Included angle”",
    "--angle-tolerance": "what the included angle “may be off by”",
    "--apart": "“reports a stretch apart”",
    "--bevel-width": "“Bevel width”",
    "--caliper": "caliper",
    "--caliper POSITION": "place of a spot check,",
    "--caliper READING": "reading of a spot check,",
    "--caliper-accuracy": "“Caliper's limit of error”",
    "--caliper-resolution": "“Caliper's step”",
    "--camera-distance": "“Lens to edge”",
    "--camera-distance-tolerance": "the tolerance of the camera's distance",
    "--cheek": "“marks the cheek”",
    "--cheek-angle": "“Cheek angle”",
    "--edge-height": "“Edge above the strip's face”",
    "--edge-height-tolerance": "“Height may be off by”",
    "--guide": "“puts the shoulder here”",
    "--lie cheek-down": "“cheek-down”",
    "--new-angle": "“New included angle”",
    "--printed-bar": "“Check bar along the strip” and “across it”",
    "--repeatability": "the repeatability in the job file,",
    "--scale-between": "the known length",
    "--scale-rule": "the rule",
    "--scale-tolerance": "“It may be off by”",
    "--take-back": "“Apex taken back by”",
}
_FLAG = re.compile(r"--(?:apart tip=[^)]*|caliper (?:POSITION|READING)|lie cheek-down|[a-z-]+)(?: X,Y(?: X,Y)*(?: \.\.\.)?|X,Y)?")
_TURNS = {
    "name them in a job file": "drop the other side's under “The other side, turned over”",
    " (--printed-bar X,Y)": "",
    " (--along)": "",
    " (--cheek)": "",
    " (--guide)": "",
    "give its scale with --scale, --scale-between or --scale-rule": "open “No strip in the photo?”",
}


def on_screen(text: str) -> str:
    """A sentence of the library as this page says it: fields by their labels, not by the command's flags."""
    for turn, instead in _TURNS.items():
        text = text.replace(turn, instead)
    text = text.replace("give --", "fill in --")
    return _FLAG.sub(lambda m: _FIELDS.get(re.sub(r" ?X,Y.*| tip=.*", "", m.group()), m.group()), text)


def plain(text: str) -> str:
    """Text that Markdown leaves as it is: file names may hold its signs."""
    return "".join(f"\\{c}" if c in "\\`*_{}[]()<>#+!|$~:" else c for c in text)


def cross_check(check: CrossCheck) -> str:
    """One reading against the photo and the other readings, as the report's table words it (`headline.cross_check_footnote`)."""
    r = check.reading
    if not math.isfinite(check.e_n):
        return "no measured width near this place: check the position"
    expected = rounding.format_figure(check.predicted_mm, check.predicted_u_mm, inch=False)
    start = "set aside; " if r.set_aside else ""
    if check.questioned:
        causes = "; ".join(check.causes)
        return f"{start}QUESTIONED: this caliper should read {expected} (E_n {check.e_n:.2f})" + (f"; {causes}" if causes else "")
    return f"{start}agrees: this caliper should read {expected} (E_n {check.e_n:.2f})"


def checks_by_reading(m: Measurement) -> dict[tuple[float, float], str]:
    """(position, thickness) -> sentence."""
    return {(c.reading.position_mm, c.reading.thickness_mm): cross_check(c) for c in m.cross_checks}


def seam(o: Overlap, names: Sequence[str]) -> str:
    """Two photos compared where both measured."""
    difference, u = rounding.round_pair(abs(o.difference_mm), 2 * o.u_mm)
    wider = "wider" if o.difference_mm >= 0 else "narrower"
    verdict = "they agree" if o.agrees else "THEY DISAGREE by more than both can tell"
    pair = f"{names[o.first]} and {names[o.second]}, {o.start_mm:z.0f} to {o.end_mm:z.0f} mm"
    return f"{pair}: the second's bevel is {difference} ± {u} mm {wider}; {verdict}"


def step(s: Step, now: Narrowing, more: bool = True) -> str:
    """One thing that would narrow the band, and by how much; `more`: there are readings already."""
    two = "two more caliper readings" if more else "two caliper readings"
    at = " and ".join(f"{p:.0f}" for p in s.places_mm)
    what = {
        "readings": f"{two}, at {at} mm",
        "readings-tip": f"{two} near the tip end, at {at} mm",
        "caliper": f"a caliper good to {s.to_tolerance:g} mm instead of {s.from_tolerance:g} mm",
        "angle": f"knowing the included angle to ± {s.to_tolerance:g}° instead of ± {s.from_tolerance:g}°",
        "height": f"knowing the edge's height to ± {s.to_tolerance:g} mm instead of ± {s.from_tolerance:g} mm",
        "bars": f"measuring both printed check bars (to ± {s.to_tolerance:g} mm)",
        "level": "holding the blade level twice as well, on a rest",
    }[s.kind]
    gains = [_share("main stretch", s.main_u_mm, now.main_u_mm), _share("last millimetre", s.tip_u_mm, now.tip_u_mm)]
    return f"{what}: {', '.join(g for g in gains if g) or 'by less than the last digit shows'}"


def _share(where: str, then_mm: float, now_mm: float) -> str:
    """What is gained there; "" for nothing that the figures show."""
    # An expanded uncertainty, k = 2, as everywhere behind the sign.
    then, now = (rounding.round_pair(2 * u, 2 * u)[1] for u in (then_mm, now_mm))
    return "" if then == now else f"{where} ± {then} instead of ± {now} mm"
