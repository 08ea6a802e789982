"""The summary that ``shoulderline measure`` prints."""

from __future__ import annotations

import numpy as np

from app.headline import angle_found, flag_lines, headline, readings_remark, readings_used, seen_share
from vision import rounding
from vision.results import Measurement


def text(measurement: Measurement) -> str:
    """Headline, what was seen, and every caution with its remedy; plain text, one fact a line."""
    seen, stations = seen_share(measurement)
    position = measurement.widths.position_mm[np.isfinite(measurement.thickness.thickness_mm)]
    where = "along the drawn line" if measurement.scale_declared else "on the printed scale"
    span = f" from {position.min():z.1f} to {position.max():z.1f} mm {where}" if seen else ""
    lines = [f"{', '.join(p.name for p in measurement.photos)}: {seen} of {stations} stations measured{span}", ""]
    figures = headline(measurement)
    if figures:
        lines.append("Thickness behind the edge")
        wide = max(len(line.label) for line in figures) + 1
        lines += [f"  {line.label + ':':{wide}s} {line.text}" for line in figures if line.text != rounding.NOT_MEASURED]
        lines += [f"  {line.label}: {line.text}" for line in figures if line.text == rounding.NOT_MEASURED]
        if remark := readings_remark(measurement):
            lines.append(f"  {remark}: see below")
    else:
        lines.append("Thickness behind the edge: no headline figure could be had")
    if measurement.other is not None:
        here, there = measurement.other.landmarks_mm
        lines.append(f"Both sides photographed: {here:g} mm on the first side's scale is {there:g} mm on the other's")
    lines += [found] if (found := angle_found(measurement)) else []
    lines.append(f"Caliper readings: {readings_used(measurement)}")
    lines.append(f"Bevel width, {_width_range(measurement)}")
    lines.append(f"({rounding.COVERAGE})")
    remarks = [f"{n.severity}: {n.text}; {n.remedy}." for n in measurement.notes]
    remarks += [f"flag {line}" for line in flag_lines(measurement)]
    return "\n".join(lines + (["", *remarks] if remarks else []))


def _width_range(m: Measurement) -> str:
    width = m.widths.width_mm
    if not np.isfinite(width).any():
        return rounding.NOT_MEASURED
    ends = [int(np.nanargmin(width)), int(np.nanargmax(width))]
    u = m.widths.width_u_mm
    low, high = (rounding.format_figure(float(width[i]), float(u[i]), inch=False) for i in ends)
    return f"narrowest to widest: {low} to {high}"
