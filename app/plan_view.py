"""The next grind as a table and as a section drawn to scale."""

from __future__ import annotations

import math

import numpy as np
from matplotlib.figure import Figure as Chart
from matplotlib.ticker import MultipleLocator

from app.charts import THICKNESS_COLOUR
from app.plan_commands import figure_text, included_text
from vision.plan import Row
from vision.rounding import NOT_MEASURED
from vision.section import Section

BEFORE_COLOUR, AFTER_COLOUR = "#555555", THICKNESS_COLOUR


def table(row: Row) -> dict[str, list[str]]:
    """One stretch: each figure now and after, with its uncertainty."""
    back = "stays" if row.apex_back.value_mm == row.apex_back.u_mm == 0 else figure_text(row.apex_back)
    return {
        "figure": ["included angle", "bevel width", "thickness behind the edge", "apex taken back by"],
        "now": [included_text(row.included_now_deg), figure_text(row.width_now), figure_text(row.thickness_now), ""],
        "after": [included_text(row.included_deg), figure_text(row.width), figure_text(row.thickness), back],
    }


def heading(row: Row) -> str:
    """The stretch and where it lies."""
    if not math.isfinite(row.start_mm):
        return f"{row.name}: {NOT_MEASURED}"
    return f"{row.name[:1].upper()}{row.name[1:]}, {row.start_mm:z.0f} to {row.end_mm:z.0f} mm"


def drawing(s: Section, size_inch: tuple[float, float] = (4.6, 3.6)) -> Chart:
    """The section now (grey, dashed) and after (blue), both axes to one scale."""
    chart = Chart(figsize=size_inch, layout="constrained")
    axes = chart.subplots()
    # Two decimals, as in the words below the drawing: it has no band of its own.
    for outline, shoulder, colour, style, name in (
        (s.before_mm, s.shoulder_before_mm, BEFORE_COLOUR, (0, (4, 2)), "now"),
        (s.after_mm, s.shoulder_after_mm, AFTER_COLOUR, "-", "after"),
    ):
        whole = np.vstack([outline[::-1] * (1, -1), outline])
        if name == "after":
            axes.fill(*whole.T, color=colour, alpha=0.12, linewidth=0)
        axes.plot(*whole.T, color=colour, linestyle=style, linewidth=1.8, label=f"{name}: {2 * shoulder[1]:.2f} mm at the shoulder")
        axes.plot([shoulder[0]] * 2, [-shoulder[1], shoulder[1]], color=colour, linestyle=style, linewidth=1.0)
    axes.set_aspect("equal")
    step = _step(2 * float(s.before_mm[-1, 1]))
    axes.xaxis.set_major_locator(MultipleLocator(_step(float(s.before_mm[-1, 0]))))
    axes.yaxis.set_major_locator(MultipleLocator(step))
    axes.set_xlabel("mm from the present apex toward the spine")
    axes.set_ylabel("mm")
    axes.grid(True, color="#dddddd", linewidth=0.5)
    axes.set_axisbelow(True)
    axes.spines[["top", "right"]].set_visible(False)
    axes.legend(loc="upper left", frameon=False, fontsize=10)
    # Room for the key above a section that fills its axes.
    axes.margins(y=0.45)
    return chart


def alt(s: Section) -> str:
    """The drawing in words."""
    now, after = (2 * float(p[1]) for p in (s.shoulder_before_mm, s.shoulder_after_mm))
    back = float(s.after_mm[0, 0])
    # To the drawing's own digits.
    apex = f"the apex moves back by {back:.2f} mm" if back >= 0.005 else "the apex stays where it is"
    return (
        f"Section across the edge at {s.position_mm:.1f} mm, drawn to scale: {now:.2f} mm thick at the shoulder now, {after:.2f} mm after; "
        f"{apex}."
    )


def _step(extent_mm: float) -> float:
    """A round step that gives some five ticks."""
    raw = extent_mm / 5.0
    power = 10.0 ** math.floor(math.log10(raw))
    return next(k * power for k in (1.0, 2.0, 5.0, 10.0) if k * power >= raw)
