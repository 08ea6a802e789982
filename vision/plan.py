"""The next grind of a measured edge: figures of each stretch now and after, with their uncertainty.

What a photo sees is the shoulder's depth ``d = w cos a``; ``T = 2 d tan a``. Each unknown is moved by one standard uncertainty and
carried through the closed form of `vision.regrind`. How T and d hang together depends on what T came from: readings give T by
themselves (T and d independent), a declared angle gives it from d (angle and d independent). Both cases are worked out and the larger
uncertainty is reported. Along a stretch every unknown is taken as one, the cautious case.

Whether an apex has to go back at all, and whether the new shoulder lies on the cheek, turns with the present angle: figures have a
kink there. T and d are therefore moved by two standard uncertainties (what the band is to hold) to either side, and half of the larger
change counts.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from vision.declared import Declared
from vision.errors import DeclarationError
from vision.gaussian import Array
from vision.regrind import angle_for_width, regrind
from vision.results import Figure, Measurement
from vision.sources import DECLARED_CHEEK_TOLERANCE_DEG, USUAL_CHEEK_DEG
from vision.thickness import COVERAGE_FACTOR, length_weights
from vision.zones import JAW_MM

# A thousandth of a millimetre: no edge is thinner at its shoulder, nor its shoulder nearer.
_LEAST_MM = 0.001


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
    included_now_deg: tuple[float, float] = (math.nan, math.nan)


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
        section); an angle that cannot meet the cheek; a bevel width that no angle gives anywhere; a wider angle that would grind nothing.
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

    def after(state: _State) -> _After:
        return _grind(state, request)

    now = _State(t, depth, cheek)
    base = after(now)
    if not np.isfinite(base.thickness).any():
        raise DeclarationError(f"--bevel-width {request.bevel_width_mm:g}", "no angle gives it on this edge", "ask for another width")
    if request.take_back_mm == 0.0 and not base.full[np.isfinite(base.thickness)].all():
        raise DeclarationError(
            f"--take-back 0 with --new-angle {request.new_included_deg:g}",
            "where the present edge is narrower than that nothing would be ground",
            "take the apex back a little, or leave --take-back out",
        )
    rows = tuple(_row(measurement, s, now, after, cheek_u) for s in _stretches(measurement))
    return Plan(
        rows, (cheek, cheek_u), declared, measurement.widths.position_mm, base.width, base.thickness, base.back, base.included,
    )  # fmt: skip


@dataclass(frozen=True, eq=False)
class _State:
    """The edge now: thickness (N,) and depth (N,) of the shoulder, mm, and the cheek's angle in degrees."""

    thickness: Array
    depth: Array
    cheek_deg: float


@dataclass(frozen=True, eq=False)
class _After:
    width: Array
    thickness: Array
    back: Array
    included: Array
    full: np.ndarray


def _grind(now: _State, request: Request) -> _After:
    half, depth, cheek_deg = now.thickness / 2, now.depth, now.cheek_deg
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
    m: Measurement, stretch: tuple[str, float, float, Figure], now: _State, after: Callable[[_State], _After], cheek_u: float
) -> Row:  # fmt: skip
    name, start, end, thick = stretch
    x = m.widths.position_mm
    base = after(now)
    known = np.isfinite(base.thickness) & (x >= start) & (x <= end)
    weights = length_weights(m.widths.arc_mm, known)

    def mean(values: Array) -> float:
        return float(weights[known] @ values[known]) if known.any() else math.nan

    # The width has no uncertainty along a stretch of its own; the mean of its stations' is the cautious one. Its value is that of the
    # section that is ground: the result's own is worked out with the declared angle, and grinding nothing would seem to change it.
    width_now = Figure(mean(np.hypot(now.thickness / 2, now.depth)), mean(np.nan_to_num(m.widths.width_u_mm)))
    # Now and after over the same stations: where no angle can be had, or a stretch was left out, the headline's differ a little.
    thick = Figure(mean(now.thickness), thick.u_mm)
    cases = [[(steps, [after(s) for s in pair]) for steps, pair in pairs] for pairs in _moved(now, thick.u_mm, width_now.u_mm, cheek_u)]

    def figure(pick: Callable[[_After], Array]) -> Figure:
        value = mean(pick(base))

        def off(pair: list[_After]) -> float:
            # A section that cannot be had on one side leaves it open how far off that is: `max` would keep the other side alone.
            return float(np.max([abs(mean(pick(other)) - value) for other in pair]))

        return Figure(value, float(np.max([math.hypot(*(off(pair) / steps for steps, pair in pairs)) for pairs in cases])))

    included = figure(lambda g: g.included)
    share = float(np.mean(base.full[known])) if known.any() else math.nan
    return Row(
        name, start, end, width_now, thick, figure(lambda g: g.width), figure(lambda g: g.thickness), figure(lambda g: g.back),
        (included.value_mm, included.u_mm), share,
        (2 * mean(m.thickness.angle_per_side_deg), 2 * mean(np.nan_to_num(m.thickness.angle_u_deg))),
    )  # fmt: skip


def _moved(now: _State, thickness_u: float, width_u: float, cheek_u: float) -> list[list[tuple[float, list[_State]]]]:
    """Independent steps to either side and how many standard uncertainties each is: once with T known by itself, once with the angle."""
    t, d = now.thickness, now.depth
    depth_u = width_u * np.cos(np.arctan2(t / 2, d))
    through_angle = np.sqrt(np.maximum(thickness_u**2 - (t / d * depth_u) ** 2, 0.0))
    # A cheek is no hollow; its own figures have no kink, and further over it would meet small new angles.
    cheek = (1.0, [replace(now, cheek_deg=max(now.cheek_deg + sign * cheek_u, 0.0)) for sign in (-1, 1)])

    def pair(change: Callable[[float], _State]) -> tuple[float, list[_State]]:
        return COVERAGE_FACTOR, [change(sign * COVERAGE_FACTOR) for sign in (-1, 1)]

    def least(values: Array) -> Array:
        # What is known this badly may not turn inside out.
        return np.maximum(values, _LEAST_MM)

    def deeper(k: float) -> Array:
        return least(d + k * depth_u)

    by_depth = pair(lambda k: replace(now, depth=deeper(k)))
    at_one_angle = pair(lambda k: replace(now, thickness=t * deeper(k) / d, depth=deeper(k)))
    by_readings = pair(lambda k: replace(now, thickness=least(t + k * thickness_u)))
    by_angle = pair(lambda k: replace(now, thickness=least(t + k * through_angle)))
    return [[by_readings, by_depth, cheek], [by_angle, at_one_angle, cheek]]


def _stretches(m: Measurement) -> list[tuple[str, float, float, Figure]]:
    """Main stretch, the tip of a rise (as far as `Rise.at_tip` is taken), stretches reported apart."""
    z = m.zones
    assert z is not None
    out = [("main stretch", z.main.start_mm, z.main.end_mm, z.main.mean)]
    if z.rise is not None:
        # Of an earlier program's result nothing says where; what was left out beyond it is no part of it.
        end = z.rise.end_mm if math.isfinite(z.rise.end_mm) else float(np.max(m.widths.position_mm[np.isfinite(m.thickness.thickness_mm)]))
        out.append((f"tip, last {JAW_MM:g} mm", end - JAW_MM, end, z.rise.at_tip))
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
