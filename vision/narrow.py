"""What would narrow the band most: the posterior's uncertainty if the person read, measured or declared something more.

In a linear Gaussian model the uncertainty does not depend on what a reading will show, only on where it is taken and how well
(Rasmussen & Williams 2006, eq. 2.24, memory), so a step can be judged before it is taken. The point about which the model is
linear is kept; readings that disagree would widen the band instead, and nobody can know that beforehand.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import sparse

from vision.declared import UNMEASURED_PRINT_TOLERANCE_MM, Lie
from vision.gaussian import Array, condition, interpolation_rows
from vision.sources import CaliperModel, angle_names, misplaced_u_mm
from vision.thickness import ThicknessFit, length_weights

# Places tried for a further reading: denser than the angle's change along the edge (30 mm), so that none better lies between.
_PLACES = 12
# Readings nearer to each other than this share their waviness, and a hand sets no two apart that are nearer.
_APART_MM = 2.0
# The mean over this much edge is a place's thickness: a jaw's breadth (vision.zones.JAW_MM).
_JAW_MM = 1.0
# A step that narrows by less than this is lost in the uncertainty's own uncertainty: u is stated to two digits at most.
_WORTH = 0.03


@dataclass(frozen=True)
class Step:
    """Something more that a person could do, and the standard uncertainties it would leave, mm.

    `places_mm` is where readings would be taken; `from_tolerance` and `to_tolerance` are what a fact is known to now and would be.
    """

    kind: str
    main_u_mm: float
    tip_u_mm: float
    places_mm: tuple[float, ...] = ()
    from_tolerance: float = math.nan
    to_tolerance: float = math.nan


@dataclass(frozen=True)
class Narrowing:
    """Present standard uncertainties of the main stretch's mean and of the last measured jaw's breadth, and steps, best first."""

    main_u_mm: float
    tip_u_mm: float
    steps: tuple[Step, ...]


def narrowing(fit: ThicknessFit, main: np.ndarray) -> Narrowing:
    """Judge every step that applies; `main` (N,) is the stretch that the headline figure is the mean of.

    Kinds: "readings" (two more, where they help the mean most), "readings-tip" (two more near the high end), "caliper" (half the
    limit of error), "angle" (half the tolerance), "height", "bars", "level". Steps that narrow neither figure by 3 % are left out.

    Raises
    ------
    ValueError
        No station of `main` was measured.
    """
    x = fit.position_mm
    high = x[fit.measured].max()
    weights = np.vstack([length_weights(fit.arc_mm, mask & fit.measured) for mask in (main, x >= high - _JAW_MM)])
    if not np.isfinite(weights).all():
        raise ValueError("no measured station in the stretch")
    now = _u(fit, weights)
    found = [_step(fit, weights, kind, scaled, tolerances) for kind, scaled, tolerances in _facts(fit)]
    found += [_caliper(fit, weights)] if fit.used else []
    found += [_readings(fit, weights, "readings", 0, x[fit.measured].min()), _readings(fit, weights, "readings-tip", 1, high - 10.0)]
    worth = [s for s in found if s.main_u_mm < (1 - _WORTH) * now[0] or s.tip_u_mm < (1 - _WORTH) * now[1]]
    return Narrowing(*now, tuple(sorted(worth, key=lambda s: s.main_u_mm / now[0] + s.tip_u_mm / now[1])))


def _u(
    fit: ThicknessFit, weights: Array, places: Sequence[float] = (), scaled: Mapping[str, float] | None = None, limit: float = 1.0
) -> tuple[float, float]:
    """Standard uncertainties of two functionals with further readings, sources scaled down, and the caliper's limit of error scaled."""
    state, at, scaled = fit.state, fit.position_mm[fit.measured], scaled or {}
    factor = np.hstack([s.shift_mm * scaled.get(s.name, 1.0) for s in fit.sources])
    where = np.asarray(places, float)
    rows = sparse.vstack([state.rows, interpolation_rows(at, where)], format="csr") if where.size else state.rows
    slack = misplaced_u_mm(at, state.posterior_mean, where) if where.size else np.zeros(0)
    declared = fit.faces[0].declared
    better = replace(declared.caliper, accuracy_mm=limit * declared.caliper.accuracy_mm)
    caliper = CaliperModel.of(replace(declared, caliper=better))
    each = caliper.random_mm**2 + np.concatenate([fit.placement_mm, slack]) ** 2
    noise = caliper.common_mm**2 + np.diag(each) if each.size else np.zeros((0, 0))
    # Any values do: they move the estimate, not its uncertainty.
    then = condition(state.mean, factor, state.local, sparse.csr_array(rows), (rows @ state.mean, noise))
    on = weights[:, fit.measured]
    variance = np.diag(then.functional(on)[1])
    if fit.disagreement is not None:
        variance = variance + np.sum((on @ fit.disagreement.shift_mm) ** 2, axis=1)
    main, tip = np.sqrt(np.maximum(variance, 0.0))
    return float(main), float(tip)


def _facts(fit: ThicknessFit) -> list[tuple[str, dict[str, float], tuple[float, float]]]:
    """Facts that could be known better: kind, sources it scales, tolerance now and then."""
    d, names = fit.faces[0].declared, [s.name for s in fit.sources]
    out = []
    if d.included_angle_deg is not None and d.angle_tolerance_deg > 0:
        out.append(("angle", dict.fromkeys(angle_names(fit.faces), 0.5), (d.angle_tolerance_deg, d.angle_tolerance_deg / 2)))
    half = d.height_mm[1]
    # The default of a declared height is what a feeler or a stack of cards tells.
    to = d.edge_height_tolerance_mm if d.edge_height_mm is None else half / 2
    if half > 0:
        out.append(("height", dict.fromkeys([n for n in names if n.startswith("edge height")], to / half), (half, to)))
    if d.printed_bar_mm is None:
        ratio = d.printed_bar_tolerance_mm / UNMEASURED_PRINT_TOLERANCE_MM
        scaled = dict.fromkeys([n for n in names if n.startswith("print")], ratio)
        out.append(("bars", scaled, (UNMEASURED_PRINT_TOLERANCE_MM, d.printed_bar_tolerance_mm)))
    if d.lie is Lie.LEVEL:
        out.append(("level", dict.fromkeys([n for n in names if n.startswith("lie of the blade")], 0.5), (math.nan, math.nan)))
    return [(kind, scaled, tolerances) for kind, scaled, tolerances in out if scaled]


def _step(fit: ThicknessFit, weights: Array, kind: str, scaled: Mapping[str, float], tolerances: tuple[float, float]) -> Step:
    return Step(kind, *_u(fit, weights, scaled=scaled), (), *tolerances)


def _caliper(fit: ThicknessFit, weights: Array) -> Step:
    limit = fit.faces[0].declared.caliper.accuracy_mm
    return Step("caliper", *_u(fit, weights, limit=0.5), (), limit, limit / 2)


def _readings(fit: ThicknessFit, weights: Array, kind: str, which: int, low_mm: float) -> Step:
    """Two more readings, one after the other where each narrows figure `which` most, no lower than `low_mm`."""
    at = fit.position_mm[fit.measured]
    tried = np.linspace(max(low_mm, at.min()), at.max(), _PLACES)
    # Whole millimetres are what a person can find on the printed scale; only measured places can be compared.
    tried = np.array([float(round(p)) for p in tried if np.abs(at - round(p)).min() < _JAW_MM] or [float(at[at.size // 2])])
    chosen: list[float] = []
    for _ in range(2):
        free = [p for p in tried if all(abs(p - c) >= _APART_MM for c in chosen)]
        if free:
            chosen.append(min(free, key=lambda p: _u(fit, weights, [*chosen, p])[which]))
    return Step(kind, *_u(fit, weights, chosen), tuple(sorted(chosen)))
