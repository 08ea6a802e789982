"""The next grind of a measured edge: figures of each stretch now and after, with their uncertainty.

What a photo sees is the shoulder's depth ``d = w cos a``; thickness and angle follow from each other, ``T = 2 d tan a``. So T's
uncertainty moves the angle at a fixed depth, the cheek's angle moves on its own, and each is carried through the closed form of
`vision.regrind` by a step of one standard uncertainty. Along a stretch both are taken as fully alike, the cautious case.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from vision.declared import Declared
from vision.errors import DeclarationError
from vision.gaussian import Array
from vision.regrind import angle_for_width, regrind
from vision.results import Figure, Measurement
from vision.thickness import DECLARED_CHEEK_TOLERANCE_DEG, USUAL_CHEEK_DEG, length_weights


@dataclass(frozen=True)
class Request:
    """What is to be done: a new angle and/or the apex taken back, or a bevel width to find the angle for.

    Attributes
    ----------
    new_included_deg, take_back_mm, bevel_width_mm : float or None
    cheek_deg : float or None
        None: as the measurement declares it, else as usual (`USUAL_CHEEK_DEG`).
    """

    new_included_deg: float | None = None
    take_back_mm: float | None = None
    bevel_width_mm: float | None = None
    cheek_deg: float | None = None

    def __post_init__(self) -> None:
        asked = (self.new_included_deg, self.take_back_mm, self.bevel_width_mm)
        if asked == (None, None, None) or (self.bevel_width_mm is not None and asked[:2] != (None, None)):
            raise DeclarationError(
                "a plan with " + (", ".join(f"{v:g}" for v in asked if v is not None) or "nothing"),
                "it takes a new angle, the apex taken back, or both; or a bevel width alone",
                "give --new-angle, --take-back or --bevel-width",
            )
        _within("--new-angle", self.new_included_deg, 4.0, 170.0, "degrees, included")
        _within("--take-back", self.take_back_mm, 0.0, 5.0, "mm")
        _within("--bevel-width", self.bevel_width_mm, 0.02, 20.0, "mm")
        _within("--cheek-angle", self.cheek_deg, 0.0, 20.0, "degrees")


@dataclass(frozen=True)
class Row:
    """One stretch of the edge, now and after; means along it.

    `full_share` is the share of its stations where the new bevel takes away the whole old one; where it is below 1, a strip of the
    old bevel stays behind the new one and `thickness` is that at the new bevel's own shoulder.
    """

    name: str
    start_mm: float
    end_mm: float
    width_now: Figure
    thickness_now: Figure
    width: Figure
    thickness: Figure
    apex_back: Figure
    included_deg: tuple[float, float]
    full_share: float


@dataclass(frozen=True, eq=False)
class Plan:
    """The next grind: stretch by stretch, and at the measurement's N stations (NaN where not measured or not possible)."""

    rows: tuple[Row, ...]
    cheek_deg: tuple[float, float]
    cheek_declared: bool
    position_mm: Array
    width_mm: Array
    thickness_mm: Array
    apex_back_mm: Array
    included_deg: Array


def plan(measurement: Measurement, request: Request) -> Plan:
    """What a grind does to a measured edge.

    Raises
    ------
    DeclarationError
        Nothing was measured; both sides were photographed (each has its own angle, and the closed form is that of a symmetric
        section); an angle that cannot meet the cheek; a bevel width that no angle gives anywhere.
    """
    if measurement.zones is None:
        raise DeclarationError("a result without headline figures", "there is no edge to plan for", "measure again")
    if measurement.other is not None:
        raise DeclarationError(
            "a result of both sides", "the plan is for a symmetric section", "measure one side on its own and plan from that"
        )
    cheek, cheek_u, declared = _cheek(measurement.declared, request)
    t, a = measurement.thickness.thickness_mm, np.radians(measurement.thickness.angle_per_side_deg)
    depth = t / 2 / np.tan(a)

    def after(thickness: Array, cheek_deg: float) -> _After:
        return _grind(thickness, depth, cheek_deg, request)

    base = after(t, cheek)
    if not np.isfinite(base.thickness).any():
        raise DeclarationError(f"--bevel-width {request.bevel_width_mm:g}", "no angle gives it on this edge", "ask for another width")
    rows = tuple(_row(measurement, depth, s, after, (cheek, cheek_u)) for s in _stretches(measurement))
    return Plan(
        rows, (cheek, cheek_u), declared, measurement.widths.position_mm, base.width, base.thickness, base.back, base.included,
    )  # fmt: skip


@dataclass(frozen=True, eq=False)
class _After:
    width: Array
    thickness: Array
    back: Array
    included: Array
    full: np.ndarray


def _grind(thickness: Array, depth: Array, cheek_deg: float, request: Request) -> _After:
    half = thickness / 2
    angle, width = np.degrees(np.arctan2(half, depth)), np.hypot(half, depth)
    if request.bevel_width_mm is None:
        new = None if request.new_included_deg is None else request.new_included_deg / 2
        g = regrind(width, angle, cheek_deg, new_angle_deg=new, apex_back_mm=request.take_back_mm)
        return _After(g.width_mm, g.thickness_mm, g.apex_back_mm, 2 * (angle if new is None else np.full(angle.shape, new)), g.full)
    wanted = request.bevel_width_mm
    b = angle_for_width(width, angle, cheek_deg, wanted)
    new_half = wanted * np.sin(np.radians(b))
    # A narrower bevel keeps the shoulder, so its apex moves back; a wider one keeps the apex.
    back = np.where(wanted < width, depth - wanted * np.cos(np.radians(b)), 0.0)
    known = np.isfinite(b)
    gone = [np.where(known, v, math.nan) for v in (np.full(b.shape, wanted), 2 * new_half, back, 2 * b)]
    return _After(*gone, known)


def _row(
    m: Measurement, depth: Array, stretch: tuple[str, float, float, Figure], after: Callable[[Array, float], _After],
    cheek: tuple[float, float],
) -> Row:  # fmt: skip
    name, start, end, now = stretch
    t, x = m.thickness.thickness_mm, m.widths.position_mm
    base = after(t, cheek[0])
    known = np.isfinite(base.thickness) & (x >= start) & (x <= end)
    weights = length_weights(m.widths.arc_mm, known)
    # The stretch's own uncertainty, not each station's: what averages out along it has done so already.
    others = (after(t + now.u_mm, cheek[0]), after(t, cheek[0] + cheek[1]))

    def mean(values: Array) -> float:
        return float(weights[known] @ values[known]) if known.any() else math.nan

    def figure(pick: Callable[[_After], Array]) -> Figure:
        moved = [mean(pick(o)) - mean(pick(base)) for o in others]
        return Figure(mean(pick(base)), math.hypot(*moved))

    included = figure(lambda g: g.included)
    # The width seen now: as declared widths have it, the mean of the stations' own uncertainty being the cautious case.
    width_now = Figure(mean(m.widths.width_mm), mean(np.nan_to_num(m.widths.width_u_mm)))
    share = float(np.mean(base.full[known])) if known.any() else math.nan
    return Row(
        name, start, end, width_now, now, figure(lambda g: g.width), figure(lambda g: g.thickness), figure(lambda g: g.back),
        (included.value_mm, included.u_mm), share,
    )  # fmt: skip


def _stretches(m: Measurement) -> list[tuple[str, float, float, Figure]]:
    """Main stretch, the last 2 mm of a rise (its tip), stretches reported apart."""
    z = m.zones
    assert z is not None
    out = [("main stretch", z.main.start_mm, z.main.end_mm, z.main.mean)]
    if z.rise is not None:
        end = float(np.max(m.widths.position_mm[np.isfinite(m.thickness.thickness_mm)]))
        out.append(("tip, last 2 mm", end - 2.0, end, z.rise.at_tip))
    return out + [(s.name, s.start_mm, s.end_mm, s.mean) for s in z.stretches]


def _cheek(declared: Declared, request: Request) -> tuple[float, float, bool]:
    """Cheek angle, its standard uncertainty in degrees, and whether anybody declared it."""
    value = declared.cheek_angle_deg if request.cheek_deg is None else request.cheek_deg
    if value is None:
        return USUAL_CHEEK_DEG[0], USUAL_CHEEK_DEG[1] / math.sqrt(3.0), False
    return value, DECLARED_CHEEK_TOLERANCE_DEG / math.sqrt(3.0), True


def _within(name: str, value: float | None, low: float, high: float, unit: str) -> None:
    if value is not None and not (math.isfinite(value) and low <= value <= high):
        raise DeclarationError(f"{name} {value:g}", f"it must lie between {low:g} and {high:g} {unit}", "check the figure and its unit")
