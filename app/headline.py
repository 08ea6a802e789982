"""The headline figures as text: command, app and report show the same lines."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

import numpy as np

from vision import crosscheck, flags, rounding
from vision.checks import Verdict
from vision.declared import Reading
from vision.results import Figure, Measurement, PhotoRecord, Rise, Stretch
from vision.thickness import COVERAGE_FACTOR

# Name of a stretch that the figures are taken over alone (`vision.zones.find_zones`).
_ONLY = re.compile(r"only \S+:\S+")
# Less than this is lost in the ends' own rounding to whole millimetres.
_MISSING_MM = 0.5


@dataclass(frozen=True)
class Line:
    """One headline figure: what it is, the figure as text with its expanded uncertainty, and its numbers in mm."""

    label: str
    text: str
    figure: Figure


def headline(measurement: Measurement) -> tuple[Line, ...]:
    """Thickness behind the edge: main stretch first, then tip end, stretches apart, all measured edge (or all that was
    marked to count alone), thinnest and thickest place.

    Empty when no zones could be had. Every text carries mm and inch (25.4 mm exactly), rounded to what its uncertainty supports.
    """
    zones = measurement.zones
    if zones is None:
        return ()
    lines = [_line(stretch_label("main stretch", zones.main), zones.main.mean)]
    if zones.rise is not None:
        lines.append(_line(f"{tip_end(zones.rise)}; thickens from {rise_start(zones.rise)} mm on", zones.rise.at_tip))
    lines += [_line(stretch_label(s.name, s), s.mean) for s in zones.stretches]
    whole = Stretch("", *zones.span_mm, zones.whole, zones.measured_mm)
    marked = any(_ONLY.fullmatch(s.name) for s in zones.stretches)
    name = "all of the marked stretches" if marked else "all measured edge"
    lines.append(_line(f"{name}{_within(whole, always=True)}", zones.whole))
    lines += [_line("thinnest place of it, 1 mm long", zones.minimum), _line("thickest place of it, 1 mm long", zones.maximum)]
    return tuple(lines)


def stretch_label(name: str, stretch: Stretch) -> str:
    """``"tip (48 to 61 mm)"``, ``"main stretch (9 to 25 mm, 11 mm of it)"`` where parts are missing; the bare name when it was not seen."""
    return name + _within(stretch)


def tip_end(rise: Rise) -> str:
    """Where `Rise.at_tip` was taken: the photo need not show the tip itself."""
    at = f" ({rise.end_mm:z.0f} mm)" if math.isfinite(rise.end_mm) else ""
    return f"tip end of what was measured{at}"


def rise_start(rise: Rise) -> str:
    """``"30.2 ± 1.5"``: seen only behind a gap it may be many mm off, so the figure never stands alone."""
    return " ± ".join(rounding.round_pair(rise.start_mm, 2.0 * rise.start_u_mm))


def readings_remark(measurement: Measurement) -> str:
    """What the headline figures hold of doubtful readings, or "" when every reading agrees."""
    checks = [c for c in measurement.cross_checks if not c.reading.set_aside]
    if readings_left_out(measurement):
        return "no reading was used: readings and photo contradict each other"
    count = sum(c.questioned for c in checks)
    return f"includes {count} questioned reading{'s' if count > 1 else ''}" if count else ""


def readings_left_out(measurement: Measurement) -> bool:
    """True when the readings contradict the photo, and the thickness shown was had without them."""
    return not measurement.thickness.fused and any(n.code == "readings-contradict" for n in measurement.notes)


def split_readings(measurement: Measurement) -> tuple[list[Reading], list[Reading]]:
    """Readings that the figures rest on, and those that were taken and are in none; set-aside ones are in neither.

    Readings that contradict the photo are in no figure (`ThicknessProfile.fused`): the figure is then the photo's alone.
    """
    live = [r for r in measurement.declared.readings if not r.set_aside]
    away = [c.reading for c in measurement.cross_checks if not math.isfinite(c.e_n)]
    used = [r for r in live if r not in away] if measurement.thickness.fused else []
    return used, [r for r in live if r not in used]


def seen_share(measurement: Measurement) -> tuple[int, int]:
    """Stations with a thickness (seen on both sides, where both were photographed), stations in all."""
    thickness = measurement.thickness.thickness_mm
    return int(np.isfinite(thickness).sum()), int(thickness.size)


def angle_found(measurement: Measurement) -> str:
    """``"Included angle, by photo and readings together: 31.2 ± 1.4° (declared 30 ± 2°)"``; "" when nothing was measured."""
    return ": ".join(angle_row(measurement))


def angle_row(measurement: Measurement) -> tuple[str, ...]:
    """The angle as ground: what it is, and the figure beside the declared one; empty when nothing was measured.

    Twice the angle per side of the (first) photographed side, mean over its stations. Its uncertainty is the mean of the stations':
    errors along the edge are mostly common, and taking them as wholly so errs on the wide side.
    """
    t, declared = measurement.thickness, measurement.declared
    known = np.isfinite(t.angle_per_side_deg) & np.isfinite(t.thickness_mm)
    if not known.any():
        return ()
    angle_deg, u_deg = (2.0 * float(values[known].mean()) for values in (t.angle_per_side_deg, t.angle_u_deg))
    # Where readings contradict the photo the band reaches to them, beyond any angle that an edge can have.
    vague = COVERAGE_FACTOR * u_deg >= angle_deg
    found = "not told: known to no better than its own size" if vague else rounding.format_angle(angle_deg, u_deg)
    what = "Included angle" if measurement.other is None else "Twice the first side's own angle"
    if declared.included_angle_deg is None:
        return f"{what}, found from the readings", found
    how = "by photo and readings together" if t.fused else "as declared, with its change along the edge"
    return f"{what}, {how}", f"{found} (declared {declared.included_angle_deg:g} ± {declared.angle_tolerance_deg:g}°)"


def readings_used(measurement: Measurement) -> str:
    """``"5 used, 1 of them questioned; set aside: 0.61 mm at 20.6 mm"``; "none" when there are none."""
    checks = measurement.cross_checks
    live = [c for c in checks if not c.reading.set_aside]
    used = [] if readings_left_out(measurement) else [c for c in live if math.isfinite(c.e_n)]
    questioned = sum(c.questioned for c in used)
    said = [f"{len(used)} used" + (f", {questioned} of them questioned" if questioned else "")]
    away = [c for c in live if not math.isfinite(c.e_n)]
    groups = (("set aside", [c for c in checks if c.reading.set_aside]), ("not near any measured width", away))
    for name, group in groups:
        if group:
            said.append(f"{name}: {', '.join(f'{c.reading.thickness_mm:g} mm at {c.reading.position_mm:g} mm' for c in group)}")
    return "; ".join(said) if checks else "none"


def cross_check_footnote(measurement: Measurement) -> str:
    """What stands beside the readings' cross-check: what is and what is not in its ±, and what E_n is."""
    # The same count as `vision.crosscheck.cross_check` takes k for.
    count = sum(math.isfinite(c.e_n) and not c.reading.set_aside for c in measurement.cross_checks)
    k = f"k = {crosscheck.coverage_factor(count):.2f} for {count} reading{'s' if count != 1 else ''}"
    return (
        "What this caliper should read is by the photo and its other readings; with several readings, the error it makes in all of them "
        f"cancels and is not in the ±. {rounding.COVERAGE}. E_n = |difference| / U, this U with {k}: a set of good readings then has "
        f"at most a {100 * crosscheck.FALSE_ALARM:.0f} % chance of an E_n above 1, where a reading is questioned."
    )


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


def checks_summary(photo: PhotoRecord) -> str:
    """``"14 of 16 photo checks fine, 1 not measured; caution: clipped"``; "" in results of an earlier program."""
    found = {v: [c.name for c in photo.checks if c.verdict is v] for v in Verdict}
    if not photo.checks:
        return ""
    unknown = f", {len(found[Verdict.NOT_MEASURED])} not measured" if found[Verdict.NOT_MEASURED] else ""
    doubts = f"; caution: {', '.join(found[Verdict.CAUTION])}" if found[Verdict.CAUTION] else ""
    return f"{len(found[Verdict.FINE])} of {len(photo.checks)} photo checks fine{unknown}{doubts}"


def check_rows(photo: PhotoRecord) -> dict[str, list[str]]:
    """Every check of one photo as columns of a table: what was measured, its figure, its limit, the verdict."""
    return {
        "check": [c.name for c in photo.checks],
        "what is measured": [c.what for c in photo.checks],
        "measured": [c.figure for c in photo.checks],
        "limit": [c.limit for c in photo.checks],
        "verdict": [c.verdict.value for c in photo.checks],
    }


def _within(stretch: Stretch, *, always: bool = False) -> str:
    # Whole millimetres: a stretch's ends are read against the printed scale.
    if not (math.isfinite(stretch.start_mm) and math.isfinite(stretch.end_mm)):
        return ""
    missing = stretch.end_mm - stretch.start_mm - stretch.length_mm
    # NaN (an earlier program's result) says nothing of what is missing.
    part = f", {stretch.length_mm:.0f} mm of it" if missing >= _MISSING_MM or (always and missing == missing) else ""
    return f" ({round(stretch.start_mm)} to {round(stretch.end_mm)} mm{part})"


def _line(label: str, figure: Figure) -> Line:
    return Line(label, rounding.format_figure(figure.value_mm, figure.u_mm), figure)
