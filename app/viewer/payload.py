"""What the viewer draws, as plain numbers: stations, zones, readings, marked stretches, photos."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from app.headline import stretch_label
from app.overlay import UNDOUBTED
from vision import flags, rounding
from vision.declared import Declared
from vision.results import Measurement, WidthProfile
from vision.sighting import Sighting
from vision.zones import Stretches

# Neighbouring stations of two photos further apart than this are not joined by a line (vision.merge.GAP_MM).
_GAP_MM = 1.0


def of(m: Measurement, stretches: Stretches | None = None) -> dict[str, Any]:
    """Everything but the pictures.

    Stations are in order of position, each with its photo's index; a row of None stands between two photos that leave a gap. With
    both sides, the second side's lines are listed apart (`other`), since the profile's stations are the first side's.
    """
    w, t = m.widths, m.thickness
    order = np.argsort(w.position_mm, kind="stable")
    breaks = _breaks(w.position_mm[order], w.photo[order])
    width_u = w.width_u_mm
    k = 2.0
    columns = {
        "x": (w.position_mm, 3), "w": (w.width_mm, 4), "wl": (w.width_mm - k * width_u, 4), "wh": (w.width_mm + k * width_u, 4),
        "t": (t.thickness_mm, 4), "tl": (t.low_mm, 4), "th": (t.high_mm, 4), "a": (t.angle_per_side_deg, 2),
        "ax": (w.apex_px[:, 0], 2), "ay": (w.apex_px[:, 1], 2), "sx": (w.shoulder_px[:, 0], 2), "sy": (w.shoulder_px[:, 1], 2),
    }  # fmt: skip
    out: dict[str, Any] = {name: _with_breaks(_numbers(v[order], places), breaks) for name, (v, places) in columns.items()}
    # A gap still has a place on the axis.
    for i in breaks:
        out["x"][out["x"].index(None)] = round(float(w.position_mm[order][i - 1]) + 0.001, 3)
    bits = w.flags[order]
    out["photo"] = _with_breaks([int(p) for p in w.photo[order]], breaks, -1)
    out["doubt"] = _with_breaks([bool(b & ~UNDOUBTED) for b in bits], breaks, False)
    out["says"] = _with_breaks([", ".join(flags.names(int(b))) for b in bits], breaks, "")
    out["shown"] = _with_breaks(
        [_figures(*row) for row in zip(w.width_mm[order], width_u[order], t.thickness_mm[order], t.u_mm[order], strict=True)], breaks, ""
    )
    return out | {
        "where": _where(m.scale_declared),
        "readings": _readings(m),
        "zones": _zones(m),
        "marks": _marks(stretches),
        "other": _other(m),
        "rivals": _rivals(m),
    }


def nothing() -> dict[str, Any]:
    """What is drawn over a photo that has no result yet: nothing."""
    columns = ("x", "w", "wl", "wh", "t", "tl", "th", "a", "ax", "ay", "sx", "sy", "photo", "doubt", "says", "shown")
    return {"where": _where(False)} | {name: [] for name in (*columns, "readings", "zones", "marks", "other", "rivals")}


def found(declared: Sequence[Declared], seen: Sequence[Sequence[Sighting]], stretches: Stretches | None = None) -> dict[str, Any]:
    """Both lines in photos of which no thickness is known yet; `declared` and `seen` are each side's."""
    lines, index = [], 0
    for facts, group in zip(declared, seen, strict=True):
        for sighting in group:
            lines += _lines(sighting.widths(facts), index + sighting.place)
            index += len(sighting.records)
    drawn = any(record.hints.scale for group in seen for sighting in group for record in sighting.records)
    return nothing() | {"where": _where(drawn), "other": lines, "marks": _marks(stretches)}


def _where(scale_declared: bool) -> str:
    """What positions are read on: without the strip there is no printed scale."""
    return "along the drawn line" if scale_declared else "on the printed scale"


def _figures(width: float, width_u: float, thickness: float, u: float) -> str:
    if not math.isfinite(width):
        return rounding.NOT_MEASURED
    thick = rounding.format_figure(thickness, u, inch=False)
    return f"bevel width {rounding.format_figure(width, width_u, inch=False)}, thickness {thick}"


def _numbers(values: np.ndarray, places: int) -> list[float | None]:
    return [round(float(v), places) if math.isfinite(v) else None for v in values]


def _breaks(position: np.ndarray, photo: np.ndarray) -> list[int]:
    return [int(i) + 1 for i in np.flatnonzero((np.diff(photo) != 0) & (np.diff(position) > _GAP_MM))]


def _with_breaks(values: list, breaks: Sequence[int], filler: Any = None) -> list:
    out = list(values)
    for i in reversed(breaks):
        out.insert(i, filler)
    return out


def _readings(m: Measurement) -> list[dict[str, Any]]:
    questioned = {(c.reading.position_mm, c.reading.thickness_mm) for c in m.cross_checks if c.questioned}
    return [
        {"x": r.position_mm, "t": r.thickness_mm, "limit": m.declared.caliper.accuracy_mm, "aside": r.set_aside,
         "questioned": not r.set_aside and (r.position_mm, r.thickness_mm) in questioned}
        for r in m.declared.readings
    ]  # fmt: skip


def _zones(m: Measurement) -> list[dict[str, Any]]:
    if m.zones is None:
        return []
    parts = [(stretch_label("main stretch", m.zones.main), m.zones.main), *((stretch_label(s.name, s), s) for s in m.zones.stretches)]
    out = [
        {"label": label, "start": s.start_mm, "end": s.end_mm, "mean": s.mean.value_mm}
        for label, s in parts
        if math.isfinite(s.mean.value_mm)
    ]
    if m.zones.rise is not None:
        out.append({"label": "thickens from here on", "start": m.zones.rise.start_mm, "end": None, "mean": None})
    return out


def _marks(stretches: Stretches | None) -> list[dict[str, Any]]:
    if stretches is None:
        return []
    out = [{"kind": "left out", "start": a, "end": b} for a, b in stretches.leave_out]
    return out + [{"kind": name, "start": a, "end": b} for name, (a, b) in stretches.apart.items()]


def _rivals(m: Measurement) -> list[dict[str, Any]]:
    """Second lines that could be the shoulder instead, drawn dotted."""
    return [{"photo": a.photo, "points": np.round(a.line_px[np.isfinite(a.line_px).all(axis=1)], 2).tolist()} for a in m.alternatives]


def _other(m: Measurement) -> list[dict[str, Any]]:
    """Lines of the second side's photos."""
    return [] if m.other is None else _lines(m.other.widths)


def _lines(w: WidthProfile, photo: int | None = None) -> list[dict[str, Any]]:
    """Both lines station by station, in the photos that `w` names or in `photo`."""
    known = [(_numbers(p, 2), _numbers(s, 2)) for p, s in zip(w.apex_px, w.shoulder_px, strict=True)]
    return [
        {"photo": int(p) if photo is None else photo, "x": round(float(x), 3), "apex": a, "shoulder": s, "doubt": bool(b & ~UNDOUBTED)}
        for p, x, (a, s), b in zip(w.photo, w.position_mm, known, w.flags, strict=True)
    ]
