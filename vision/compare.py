"""Two results set against each other: the difference of thickness along the edge, and whether it exceeds what both can tell.

At one place both results are estimates with their own standard uncertainties; ``E_n = |d| / sqrt(U1^2 + U2^2)`` with U = 2 u, and above 1
the difference is more than both together can explain (ISO 13528). Errors that both results have in common (one caliper, one printed
strip) do not enter a difference in this way, and nobody can tell them from two files:

- along the edge none is taken as common, and so it is for the mean over the edge; where a common error pushes both results the
  same way, as a wrong strip does, that is the cautious side;
- between the main stretches' means the two budgets are set against each other row by row (JCGM 100, 5.2.2). A row that the person
  names as common enters as ``c1 - c2``; any other as the larger of that and ``sqrt(c1^2 + c2^2)``, since it may be common all the same.
"""

from __future__ import annotations

import enum
import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from vision.errors import DeclarationError
from vision.gaussian import Array
from vision.repeatability import common_places
from vision.results import Budget, Measurement
from vision.sources import PLACEMENT_MM, local_slopes, misplaced_u_mm
from vision.thickness import COVERAGE_FACTOR, length_weights


class Align(enum.StrEnum):
    """What the two results are laid upon each other by."""

    POSITION = "position"
    HEEL = "heel"
    TIP = "tip"


class Places(enum.StrEnum):
    """What the places along the two edges have in common."""

    AXIS = "axis"
    ONE_LINE = "one-line"
    NONE = "none"


class Common(enum.StrEnum):
    """What the person says is one and the same in both: printed strip, caliper, or the edge as ground (nothing taken off between)."""

    STRIP = "strip"
    CALIPER = "caliper"
    EDGE = "edge"


# Rows of the budget that one thing in common makes one unknown.
_ROWS = {
    Common.STRIP: ("print scale X", "print scale Y"),
    Common.CALIPER: ("caliper, common to all readings",),
    Common.EDGE: ("angle per side, declared",),
}


@dataclass(frozen=True)
class Terms:
    """How two results are compared.

    Attributes
    ----------
    align : Align
        By the printed scale, or by the length along the edge from the first (heel) or last (tip) place that each photo shows.
    alignment_mm : float
        Half-width of the interval that the alignment is believed to lie in (rectangular).
    common : frozenset of Common
    """

    align: Align = Align.POSITION
    alignment_mm: float = PLACEMENT_MM
    common: frozenset[Common] = frozenset()

    def __post_init__(self) -> None:
        if not (math.isfinite(self.alignment_mm) and 0.0 <= self.alignment_mm <= 20.0):
            raise DeclarationError(
                f"an alignment good to {self.alignment_mm:g} mm", "it must lie between 0 and 20 mm", "say how well both lie upon each other"
            )


@dataclass(frozen=True)
class Difference:
    """Second minus first with its standard uncertainty, mm; NaN when one of them has no such figure."""

    value_mm: float
    u_mm: float

    @property
    def e_n(self) -> float:
        """``|d| / U`` with U = 2 u."""
        return abs(self.value_mm) / (COVERAGE_FACTOR * self.u_mm) if self.u_mm > 0 else math.nan

    @property
    def exceeds(self) -> bool:
        """More than both together can explain."""
        return self.e_n > 1.0


@dataclass(frozen=True)
class Part:
    """A stretch where the difference exceeds what both can tell all along: ends on the common axis, the mean difference and its
    standard uncertainty (every error taken as the same all along), mm."""

    start_mm: float
    end_mm: float
    mean_mm: float
    u_mm: float


@dataclass(frozen=True, eq=False)
class Comparison:
    """The second result minus the first, at N common places.

    Attributes
    ----------
    terms : Terms
    places : Places
        `ONE_LINE`: one line drawn in one photo without the strip. `NONE`: one result's positions run along a drawn line, which begins
        where somebody began to draw and may run from tip to heel; nothing is compared along the edge then, N = 0.
    at_mm : (N,) float
        Places on the common axis: the printed scale, or mm along the edge from the heel-side (positive) or tip-side (negative) end.
    first_mm, second_mm, first_u_mm, second_u_mm : (N,) float
        Thickness behind the edge and its standard uncertainty.
    u_mm : (N,) float
        Standard uncertainty of the difference, the alignment's part included.
    mean : Difference
        Over all common places; every error taken as the same all along them, the cautious case. NaN where there are none.
    main : Difference
        Of the main stretches' means, wherever each lies; NaN where a result has none.
    same_photos : tuple of str
        Photos of the second result that the first rests on too.
    """

    terms: Terms
    places: Places
    at_mm: Array
    first_mm: Array
    second_mm: Array
    first_u_mm: Array
    second_u_mm: Array
    u_mm: Array
    mean: Difference
    main: Difference
    same_photos: tuple[str, ...]

    @property
    def difference_mm(self) -> Array:
        """(N,) second minus first."""
        return self.second_mm - self.first_mm

    @property
    def e_n(self) -> Array:
        """(N,) at each place on its own."""
        return np.abs(self.difference_mm) / (COVERAGE_FACTOR * self.u_mm)

    @property
    def parts(self) -> tuple[Part, ...]:
        """Stretches of places with ``E_n > 1`` and one sign."""
        return _parts(self.at_mm, self.difference_mm, self.u_mm, self.e_n > 1.0) if self.at_mm.size else ()

    @property
    def length_mm(self) -> float:
        """How much of the edge was compared."""
        return _length(self.at_mm, np.ones(self.at_mm.size, bool))

    @property
    def exceeding_mm(self) -> float:
        """How much of it differs by more than both can tell."""
        return _length(self.at_mm, self.e_n > 1.0)


def compare(first: Measurement, second: Measurement, terms: Terms | None = None) -> Comparison:
    """The second result minus the first.

    Raises
    ------
    DeclarationError
        No common stretch that both measured (`common_places`); the angle of one edge declared differently in both.
    """
    terms = terms or Terms()
    known, places = {p.sha256 for p in first.photos}, _places(first, second)
    main, same = _main(first, second, terms.common), tuple(p.name for p in second.photos if p.sha256 in known)
    if places is Places.NONE:
        return Comparison(terms, places, *[np.zeros(0)] * 6, Difference(math.nan, math.nan), main, same)
    a, b = (_along(m, terms.align) for m in (first, second))
    at = common_places([a[0], b[0]])
    values = [np.interp(at, x, t) for x, t, _ in (a, b)]
    own = [np.interp(at, x, u) for x, _, u in (a, b)]
    # A place that is off by the alignment is wrong by what the edge differs by within that; the more uneven of the two edges decides.
    shifted = np.max([misplaced_u_mm(x, t, at, terms.alignment_mm) for x, t, _ in (a, b)], axis=0)
    u = np.sqrt(own[0] ** 2 + own[1] ** 2 + shifted**2)
    # Waves leave the mean where it is; the slope that lies under them moves it.
    slope = np.max([np.abs(local_slopes(x, t, at)) for x, t, _ in (a, b)], axis=0)
    parts = [*own, slope * terms.alignment_mm / math.sqrt(3.0)]
    return Comparison(terms, places, at, *values, *own, u, _mean(at, values[1] - values[0], parts), main, same)


def _places(first: Measurement, second: Measurement) -> Places:
    if not (first.scale_declared or second.scale_declared):
        return Places.AXIS
    one, two = (m.photos[0] for m in (first, second))
    # The same line on the same pixels at the same scale gives the same positions.
    drawn = [(p.sha256, p.hints.along_px, p.hints.scale and p.hints.scale.px_per_mm) for p in (one, two)]
    return Places.ONE_LINE if drawn[0] == drawn[1] else Places.NONE


def _along(m: Measurement, align: Align) -> tuple[Array, Array, Array]:
    """Measured stations of one result: place on the common axis in ascending order, thickness, its standard uncertainty."""
    w, t = m.widths, m.thickness
    x = w.position_mm
    if align is not Align.POSITION:
        x = w.arc_mm - (np.nanmin(w.arc_mm) if align is Align.HEEL else np.nanmax(w.arc_mm))
    known = np.flatnonzero(np.isfinite(x) & np.isfinite(t.thickness_mm) & np.isfinite(t.u_mm))
    order = known[np.argsort(x[known], kind="stable")]
    return x[order], t.thickness_mm[order], t.u_mm[order]


def _mean(at: Array, difference: Array, parts: Iterable[Array]) -> Difference:
    weights = length_weights(at, np.ones(at.size, bool))
    # The mean of fully correlated errors is no larger than the mean of their sizes.
    u = math.hypot(*(float(weights @ part) for part in parts))
    return Difference(float(weights @ difference), u)


def _main(first: Measurement, second: Measurement, common: frozenset[Common]) -> Difference:
    if first.zones is None or second.zones is None or first.budget is None or second.budget is None:
        return Difference(math.nan, math.nan)
    _refuse_two_in_one(first, second, common)
    rows = {name for what in common for name in _ROWS[what]}
    value = second.zones.main.mean.value_mm - first.zones.main.mean.value_mm
    return Difference(value, difference_u_mm(first.budget, second.budget, rows))


def _refuse_two_in_one(first: Measurement, second: Measurement, common: frozenset[Common]) -> None:
    """Raise `DeclarationError` where one thing of both results has two declared figures: its error is not one unknown then."""
    one, two = first.declared, second.declared
    if Common.EDGE in common and (one.included_angle_deg, one.angle_tolerance_deg) != (two.included_angle_deg, two.angle_tolerance_deg):
        raise DeclarationError(
            "one edge with two declared angles",
            "an edge as ground has one",
            "declare the same angle in both, or do not call the edge the same",
        )
    if Common.STRIP in common and _places(first, second) is Places.AXIS and one.bars_mm != two.bars_mm:
        raise DeclarationError(
            "one strip with two lengths of its check bars",
            "a printed strip has one",
            "measure both results with the same bars and tolerance, or do not call the strip the same",
        )
    if Common.CALIPER in common and one.readings and two.readings and one.caliper != two.caliper:
        raise DeclarationError(
            "one caliper with two limits of error or steps",
            "a caliper has one of each",
            "declare the same caliper in both, or do not call it the same",
        )


def difference_u_mm(first: Budget, second: Budget, common: Iterable[str]) -> float:
    """Standard uncertainty of the difference of two means by their budgets; `common` names the rows that are one unknown."""
    one, two = (_signed(b) for b in (first, second))
    named = set(common)
    squares = []
    for name in one.keys() | two.keys():
        c1, c2 = one.get(name, 0.0), two.get(name, 0.0)
        shared = abs(c1 - c2)
        squares.append(shared**2 if name in named else max(shared**2, c1**2 + c2**2))
    return math.sqrt(math.fsum(squares))


def _signed(budget: Budget) -> dict[str, float]:
    """Shift of the mean for one standard deviation of each row's source; the sign is the sensitivity's."""
    out: dict[str, float] = {}
    for r in budget.rows:
        c = math.copysign(r.contribution_mm, r.sensitivity_mm_per_unit)
        # Two rows of one name are independent of each other.
        out[r.source] = math.copysign(math.hypot(out.get(r.source, 0.0), c), c)
    return out


def _parts(at: Array, difference: Array, u: Array, mask: np.ndarray) -> tuple[Part, ...]:
    sign = np.where(mask, np.sign(difference), 0.0)
    # A gap in what was compared ends a stretch.
    breaks = np.flatnonzero((np.diff(sign) != 0) | (np.diff(at) > 1.5 * _step(at))) + 1
    groups = np.split(np.arange(at.size), breaks)
    return tuple(
        Part(float(at[g[0]]), float(at[g[-1]]), float(difference[g].mean()), float(u[g].mean())) for g in groups if sign[g[0]] != 0
    )


def _step(at: Array) -> float:
    return float(np.min(np.diff(at))) if at.size > 1 else math.inf


def _length(at: Array, mask: np.ndarray) -> float:
    return float(mask.sum()) * _step(at) if at.size > 1 else 0.0
