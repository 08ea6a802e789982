"""Charts of a measurement as matplotlib figures; no global state, so that sessions cannot mix."""

from __future__ import annotations

import math

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure as Chart
from matplotlib.ticker import MaxNLocator

from app.headline import stretch_label
from vision.declared import Reading
from vision.merge import GAP_MM
from vision.results import Measurement
from vision.thickness import READING_REACH_MM

WIDTH_COLOUR, THICKNESS_COLOUR, READING_COLOUR, ASIDE_COLOUR = "#b34700", "#005f9e", "#111111", "#777777"
_K = 2.0


def along_edge(measurement: Measurement, size_inch: tuple[float, float] = (7.2, 4.6)) -> Chart:
    """Bevel width above thickness behind the edge, on one position axis, each with its 95 % band (k = 2)."""
    chart = Chart(figsize=size_inch, layout="constrained")
    upper, lower = chart.subplots(2, 1, sharex=True, height_ratios=(2, 3))
    draw_width(upper, measurement)
    draw_thickness(lower, measurement)
    drawn, printed = "length along the drawn line, mm (from its first point)", "position on the printed scale, mm (heel to tip side)"
    lower.set_xlabel(drawn if measurement.scale_declared else printed)
    return chart


def draw_width(axes: Axes, measurement: Measurement) -> None:
    """Bevel width along the face with its band; flagged stations as ticks along the foot."""
    w = measurement.widths
    _banded(axes, measurement, w.width_mm, (w.width_mm - _K * w.width_u_mm, w.width_mm + _K * w.width_u_mm), WIDTH_COLOUR)
    _flag_ticks(axes, measurement)
    axes.set_ylabel("bevel width, mm")
    _plain(axes)


def draw_thickness(axes: Axes, measurement: Measurement) -> None:
    """Thickness with its band, the readings with the caliper's limit of error, and the zones' means."""
    t = measurement.thickness
    _banded(axes, measurement, t.thickness_mm, (t.low_mm, t.high_mm), THICKNESS_COLOUR, "thickness, 95 % band")
    _readings(axes, measurement)
    _zones(axes, measurement)
    axes.set_ylabel("thickness behind the edge, mm")
    _plain(axes)
    axes.legend(loc="best", fontsize="small", frameon=False)


def _banded(
    axes: Axes, m: Measurement, value: np.ndarray, band: tuple[np.ndarray, np.ndarray], colour: str, label: str | None = None
) -> None:
    for index in range(len(m.photos)):
        mine = m.widths.photo == index
        x, low, high, y = _broken(m.widths.position_mm[mine], band[0][mine], band[1][mine], value[mine])
        axes.fill_between(x, low, high, color=colour, alpha=0.22, linewidth=0)
        axes.plot(x, y, color=colour, linewidth=1.1, label=label if index == 0 else None)


def _broken(x: np.ndarray, *columns: np.ndarray) -> list[np.ndarray]:
    """The same with a NaN in every gap: matplotlib breaks line and band there.

    One photo's stations have a gap where another photo, nearer there, gave the stations.
    """
    at = np.flatnonzero(np.diff(x) > GAP_MM) + 1
    return [np.insert(x, at, x[at - 1]), *(np.insert(c, at, np.nan) for c in columns)]


def near_readings(m: Measurement) -> list[Reading]:
    """Readings that can be drawn beside the profile; one far off the edge (a slip of the pen) would squeeze it, and stands in the table."""
    x = m.widths.position_mm
    return [r for r in m.declared.readings if x.min() - READING_REACH_MM <= r.position_mm <= x.max() + READING_REACH_MM]


def _readings(axes: Axes, m: Measurement) -> None:
    limit, near = m.declared.caliper.accuracy_mm, near_readings(m)
    questioned = {(c.reading.position_mm, c.reading.thickness_mm) for c in m.cross_checks if c.questioned}
    kinds = (
        ("reading", READING_COLOUR, "o", lambda r: not r.set_aside and (r.position_mm, r.thickness_mm) not in questioned),
        ("questioned reading", READING_COLOUR, "D", lambda r: not r.set_aside and (r.position_mm, r.thickness_mm) in questioned),
        ("reading set aside", ASIDE_COLOUR, "x", lambda r: r.set_aside),
    )
    for label, colour, marker, chosen in kinds:
        these = [r for r in near if chosen(r)]
        if these:
            x, y = [r.position_mm for r in these], [r.thickness_mm for r in these]
            axes.errorbar(
                x,
                y,
                yerr=limit,
                fmt=marker,
                color=colour,
                markersize=5,
                markerfacecolor="white" if marker == "D" else None,
                capsize=2.5,
                linewidth=0.9,
                label=f"{label} ± {limit:g} mm",
            )


def _zones(axes: Axes, m: Measurement) -> None:
    if m.zones is None:
        return
    main = m.zones.main
    if math.isfinite(main.mean.value_mm):
        # The line runs over gaps and over what was left out; its name says how much of it counts.
        label = stretch_label("main stretch, mean", main)
        axes.hlines(main.mean.value_mm, main.start_mm, main.end_mm, color="black", linewidth=0.9, linestyle=(0, (6, 2)), label=label)
    if m.zones.rise is not None:
        axes.axvline(m.zones.rise.start_mm, color="black", linewidth=0.8, linestyle=":", label="thickens from here on")


def _flag_ticks(axes: Axes, m: Measurement) -> None:
    flagged = m.widths.position_mm[m.widths.flags != 0]
    if flagged.size:
        axes.plot(
            flagged, np.full(flagged.size, 0.03), "|", color="black", markersize=5, transform=axes.get_xaxis_transform(), label="flagged"
        )
        axes.legend(loc="upper left", fontsize="small", frameon=False)


def _plain(axes: Axes) -> None:
    axes.grid(True, color="#dddddd", linewidth=0.5)
    axes.set_axisbelow(True)
    axes.spines[["top", "right"]].set_visible(False)
    axes.yaxis.set_major_locator(MaxNLocator(6))
