"""Two results set against each other, in words and as a table: the command and the screen say the same."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from app.headline import headline
from vision.compare import Align, Common, Comparison, Difference, Places
from vision.results import Measurement
from vision.rounding import NOT_MEASURED, format_figure, format_value
from vision.zones import JAW_MM

HEADER = "result,at_mm,first_mm,second_mm,difference_mm,difference_u_mm,e_n"
AXES = {
    Align.POSITION: "position on the printed scale, mm",
    Align.HEEL: "mm along the edge from its heel-side end",
    Align.TIP: "mm along the edge to its tip-side end",
}
_ENDS = {
    Align.HEEL: "where each photo's edge begins (the heel, if the photos show it)",
    Align.TIP: "where each photo's edge ends (the tip, if the photos show it)",
}
_COMMON = {Common.STRIP: "the printed strip", Common.CALIPER: "the caliper", Common.EDGE: "the edge as ground"}


# A shift between the two would still not say from which end the line was drawn.
NOT_PLACED = (
    "place by place, nothing is compared: positions without the strip run along a drawn line from its first point, "
    "so nothing says which places are the same; for that, photograph both along the strip"
)


def figure_of(m: Measurement) -> str:
    """Its headline figure as text."""
    lines = headline(m)
    return lines[0].text if lines else NOT_MEASURED


def verdict(d: Difference) -> str:
    """One difference with what it is worth."""
    if not math.isfinite(d.value_mm):
        return "no figure: one of the results has none"
    text = format_figure(d.value_mm, d.u_mm)
    if d.exceeds:
        return f"{text}: {_way(d.value_mm)}, by more than both results' uncertainty explains (E_n {d.e_n:.1f})"
    return f"{text}: not told apart, since both results' uncertainty explains it (E_n {d.e_n:.1f})"


def sentences(c: Comparison) -> list[str]:
    """What the comparison says: both means, then where along the edge the difference exceeds what both can tell."""
    if c.places is Places.NONE:
        return [f"main stretch: {verdict(c.main)}", NOT_PLACED]
    out = [f"main stretch: {verdict(c.main)}", f"mean over the {c.length_mm:.0f} mm that both measured: {verdict(c.mean)}"]
    out.append(_place_by_place(c))
    return out


def _place_by_place(c: Comparison) -> str:
    if not c.parts:
        return f"place by place, none of the {c.length_mm:.0f} mm differs by more than both explain"
    # What is shorter than a caliper's jaw is a flicker of the threshold rather than a stretch.
    long = [p for p in c.parts if p.end_mm - p.start_mm >= JAW_MM]
    said = [
        f"{p.start_mm:z.0f} to {p.end_mm:z.0f} mm ({_way(p.mean_mm)}, {format_value(abs(p.mean_mm), p.u_mm)} mm on average)" for p in long
    ]
    if short := len(c.parts) - len(long):
        said.append(f"{short} place{'s' * (short > 1)} shorter than {JAW_MM:g} mm")
    return f"place by place, {c.exceeding_mm:.0f} of {c.length_mm:.0f} mm differ by more than both explain: " + "; ".join(said)


def _way(difference_mm: float) -> str:
    return "thicker" if difference_mm > 0 else "thinner"


def assumptions(c: Comparison) -> list[str]:
    """What the figures rest on, and what they leave out."""
    out = [] if c.places is Places.NONE else [f"laid upon each other by {_laid_by(c)}, taken as good to ± {c.terms.alignment_mm:g} mm"]
    # Where a photo shows no strip, both cannot share one, and no row of the budget was taken off for it.
    named = [_COMMON[k] for k in Common if k in c.terms.common and (k is not Common.STRIP or c.places is Places.AXIS)]
    if named:
        out.append(f"taken as one and the same in both, in the main stretches' difference: {', '.join(named)}")
    else:
        out.append(
            "nothing is taken as common to both results; one strip or one caliper for both would make the ± of the main stretches smaller"
        )
    if c.places is not Places.NONE:
        out.append("along the edge, errors that both results share are not taken off: the ± there is rather too wide")
    if c.same_photos:
        out.append(f"both rest on the same photo ({', '.join(c.same_photos)}): how well its lines were found shows in neither difference")
    if c.places is Places.NONE:
        # The whole of one edge may be set against a part of the other.
        out.append("the main stretches need not be the same part of the edge: each is that of its own photo")
    else:
        out.append("each place is judged on its own at about 95 %: over a long edge a short stretch may pass by chance")
    return out


def axis(c: Comparison) -> str:
    """What the common axis is."""
    one_line = c.terms.align is Align.POSITION and c.places is Places.ONE_LINE
    return "mm along the drawn line from its first point" if one_line else AXES[c.terms.align]


def _laid_by(c: Comparison) -> str:
    if c.terms.align is not Align.POSITION:
        return _ENDS[c.terms.align]
    return "the printed scale" if c.places is Places.AXIS else "the one line drawn in the photo of both"


def placed(compared: Sequence[tuple[str, Comparison]]) -> list[tuple[str, Comparison]]:
    """Those of the comparisons that have places to show."""
    return [(name, c) for name, c in compared if c.places is not Places.NONE]


def csv_text(compared: Sequence[tuple[str, Comparison]]) -> str:
    """Every common place, one row each, for every result compared with the first; no row for one without common places."""
    rows = [HEADER]
    for name, c in compared:
        columns = (c.at_mm, c.first_mm, c.second_mm, c.difference_mm, c.u_mm, c.e_n)
        quoted = '"' + name.replace('"', '""') + '"'
        rows += [",".join([quoted, *(f"{v:.4f}" for v in values)]) for values in np.transpose(columns).tolist()]
    return "\n".join(rows) + "\n"
