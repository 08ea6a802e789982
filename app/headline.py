"""The headline figures as text: command, app and report show the same lines."""

from __future__ import annotations

from dataclasses import dataclass

from vision import flags, rounding
from vision.results import Figure, Measurement


@dataclass(frozen=True)
class Line:
    """One headline figure: what it is, the figure as text with its expanded uncertainty, and its numbers in mm."""

    label: str
    text: str
    figure: Figure


def headline(measurement: Measurement) -> tuple[Line, ...]:
    """Thickness behind the edge: main stretch first, then tip, whole edge, thinnest and thickest place.

    Empty when no zones could be had. Every text carries mm and inch (25.4 mm exactly), rounded to what its uncertainty supports.
    """
    zones = measurement.zones
    if zones is None:
        return ()
    lines = [_line(f"main stretch ({_span(zones.main.start_mm, zones.main.end_mm)})", zones.main.mean)]
    if zones.rise is not None:
        lines.append(_line(f"tip (thickens from {zones.rise.start_mm:.0f} mm on)", zones.rise.at_tip))
    lines += [_line(f"{s.name} ({_span(s.start_mm, s.end_mm)})", s.mean) for s in zones.stretches]
    lines.append(_line("whole edge", zones.whole))
    lines += [_line("thinnest place", zones.minimum), _line("thickest place", zones.maximum)]
    return tuple(lines)


def seen_share(measurement: Measurement) -> tuple[int, int]:
    """Stations measured, stations in all."""
    width = measurement.widths.width_mm
    return int((width == width).sum()), int(width.size)


def flag_lines(measurement: Measurement) -> tuple[str, ...]:
    """One sentence for each flag that stations carry: on how many, what it says, what to do; most frequent first."""
    bits = measurement.widths.flags
    counts = {flag: int(((bits & int(flag)) != 0).sum()) for flag in flags.STATION_FLAGS}
    out = []
    for flag, count in sorted(counts.items(), key=lambda item: -item[1]):
        if count:
            words = flags.STATION_FLAGS[flag]
            out.append(f"{flags.names(int(flag))[0]}, {count} of {bits.size} stations: {words.meaning}; {words.remedy}.")
    return tuple(out)


def _span(start_mm: float, end_mm: float) -> str:
    # Whole millimetres: a stretch's ends are read against the printed scale.
    return f"{round(start_mm)} to {round(end_mm)} mm"


def _line(label: str, figure: Figure) -> Line:
    return Line(label, rounding.format_figure(figure.value_mm, figure.u_mm), figure)
