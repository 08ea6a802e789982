"""Main stretch, the rise toward the tip where there is one, and the headline figures.

Flat or flat-then-rising is chosen by BIC on a generalised least-squares fit. The covariance is that of the thickness posterior
(scale, angle drift, caliper, line fits: all correlated along the edge) plus the edge's own waviness, so neither an angle that
wanders nor a wavy grind grows a tip.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy import linalg

from vision.errors import DeclarationError
from vision.flags import Note
from vision.gaussian import Array
from vision.results import Figure, Rise, Stretch, Zones
from vision.rounding import format_figure
from vision.thickness import COVERAGE_FACTOR, READING_REACH_MM, ThicknessFit, length_weights

# As coarse as the waviness: finer bins would let a smooth wave pass for a small one and its slow part for a rise.
BIN_MM = 1.5
START_STEP_MM = 0.5
# Production edges wander by 1-3 % of their thickness over 1-2 mm (common practice, no source); the amplitude is taken from the
# profile itself among these, the length is the middle. An exponential kernel wanders at long range too, the cautious choice.
WAVINESS = (0.003, 0.006, 0.01, 0.015, 0.02, 0.03, 0.045)
WAVINESS_MM = 1.5
# A rise shorter than two or three waves cannot be told from waviness; the main stretch is no less than a third of the edge.
SHORTEST_RISE_MM = 4.0
EARLIEST_RISE = 1.0 / 3.0
# "Strong" evidence begins at a BIC difference of 6 (Kass & Raftery 1995, memory). A rise is a statement about the knife, so weaker
# evidence is not reported as one.
STRONG_EVIDENCE = 6.0
# Least and greatest thickness are those of a caliper jaw's breadth, not of one noisy station.
JAW_MM = 1.0
DRAWS = 2000


@dataclass(frozen=True)
class Stretches:
    """Parts of the edge marked by the person, ``(start_mm, end_mm)`` on the printed scale.

    Attributes
    ----------
    only : tuple of (float, float)
        Where the main figures are taken from; empty for everywhere.
    apart : mapping of str to (float, float)
        Reported on their own and kept out of the main stretch.
    leave_out : tuple of (float, float)
        In no figure at all.
    """

    only: tuple[tuple[float, float], ...] = ()
    apart: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    leave_out: tuple[tuple[float, float], ...] = ()

    def __post_init__(self) -> None:
        for start, end in (*self.only, *self.apart.values(), *self.leave_out):
            if not (math.isfinite(start) and math.isfinite(end) and start < end):
                raise DeclarationError(
                    f"stretch {start:g}:{end:g}", "it must run from a smaller to a larger position", "write START:END in mm"
                )

    def masks(self, position_mm: Array) -> tuple[np.ndarray, dict[str, np.ndarray]]:
        """Stations (N,) of the main analysis, and of each stretch apart."""
        out = np.zeros(position_mm.size, bool)
        for span in self.leave_out:
            out |= _within(position_mm, span)
        main = np.any([_within(position_mm, s) for s in self.only], axis=0) if self.only else np.ones(position_mm.size, bool)
        parts = {name: _within(position_mm, span) & ~out for name, span in self.apart.items()}
        for mask in parts.values():
            main = main & ~mask
        return main & ~out, parts


def _within(x: Array, span: tuple[float, float]) -> np.ndarray:
    return (x >= span[0]) & (x <= span[1])


def find_zones(fit: ThicknessFit, stretches: Stretches | None = None) -> Zones | None:
    """Zones and headline figures; None when nothing was measured in the marked stretches.

    Means are linear functionals of the joint posterior, so the correlation along the edge is in their uncertainty. Least and
    greatest are over 1 mm windows; the bias of picking an extreme of a noisy curve is corrected by a parametric bootstrap
    of the posterior (2,000 draws, fixed seed), and the correction counts once more in the uncertainty since it may fall short.
    """
    stretches = stretches or Stretches()
    main, parts = stretches.masks(fit.position_mm)
    main = main & fit.measured
    if not main.any():
        return None
    whole = main | np.any([m & fit.measured for m in parts.values()], axis=0) if parts else main
    rise = find_rise(fit, main)
    flat = main & (fit.position_mm < rise.start_mm) if rise else main
    marked = tuple(_stretch(fit, f"only {s:g}:{e:g}", main & _within(fit.position_mm, (s, e))) for s, e in stretches.only)
    marked += tuple(_stretch(fit, name, m & fit.measured) for name, m in parts.items())
    mainly, all_of_it = _stretch(fit, "main", flat), fit.mean(whole)
    others = [mainly.mean, all_of_it, *(s.mean for s in marked), *([rise.at_tip] if rise else [])]
    low, high = _extremes(fit, whole, [f.value_mm for f in others if math.isfinite(f.value_mm)])
    x = fit.position_mm[whole]
    span = (float(x.min()), float(x.max()))
    return Zones(mainly, rise, all_of_it, low, high, marked, span, measured_length(fit.position_mm, whole))


def stretch_notes(fit: ThicknessFit, stretches: Stretches | None = None) -> tuple[Note, ...]:
    """A caution for every marked stretch without a measured place, and for marks that leave no main stretch: no figure tells of either."""
    x, marks = fit.position_mm, stretches or Stretches()
    if not fit.measured.any():
        return ()
    seen = f"(measured: {x[fit.measured].min():z.1f} to {x[fit.measured].max():z.1f} mm)"
    spans = (
        [("only ", s) for s in marks.only] + [(f"{n} = ", s) for n, s in marks.apart.items()] + [("left out ", s) for s in marks.leave_out]
    )
    out = [
        Note(
            "stretch-empty",
            f"no measured place in the marked stretch {name}{a:g}:{b:g} mm {seen}",
            "check its ends against the printed scale",
        )
        for name, (a, b) in spans
        if not (_within(x, (a, b)) & fit.measured).any()
    ]
    if not (marks.masks(x)[0] & fit.measured).any():
        text = f"the marked stretches leave no measured place for the main one {seen}: there is no headline figure"
        out.append(Note("no-main-stretch", text, "leave out less, or mark other stretches"))
    return tuple(out)


def low_end_notes(fit: ThicknessFit, zones: Zones, stretches: Stretches | None = None) -> tuple[Note, ...]:
    """A caution where the main stretch thickens toward the low end of the printed scale: the tip is looked for at the high end alone, and
    only a person knows whether it lies at this one (the blade's other face has it there)."""
    main = main_mask(fit, zones, stretches)
    chosen = _rising(fit, main, -1) if main.any() else None
    if chosen is None:
        return ()
    start_mm = -chosen[0]
    least = fit.position_mm[main].min()
    even = fit.mean(main & (fit.position_mm > start_mm))
    without = format_figure(even.value_mm, even.u_mm)
    text = (
        f"the edge thickens toward the low end of the scale, from about {start_mm:z.0f} mm down, and that is averaged into the main "
        f"stretch: the tip is looked for at the high end alone. Without it the main stretch would be {without}"
    )
    low, high = math.floor(least), round(start_mm)
    remedy = f"if the tip lies there, as on the blade's other face, set {low} to {high} mm apart (--apart tip={low}:{high})"
    return (Note("thickens-at-low-end", text, remedy),)


def main_mask(fit: ThicknessFit, zones: Zones, stretches: Stretches | None = None) -> np.ndarray:
    """(N,) measured stations of the main stretch: what the headline and its budget are taken over."""
    mask, _ = (stretches or Stretches()).masks(fit.position_mm)
    return mask & fit.measured & _within(fit.position_mm, (zones.main.start_mm, zones.main.end_mm))


def _stretch(fit: ThicknessFit, name: str, mask: np.ndarray) -> Stretch:
    x = fit.position_mm[mask]
    if x.size == 0:
        return Stretch(name, math.nan, math.nan, Figure(math.nan, math.nan))
    return Stretch(name, float(x.min()), float(x.max()), fit.mean(mask), measured_length(fit.position_mm, mask))


def measured_length(position_mm: Array, mask: np.ndarray) -> float:
    """Length along the printed scale (mm) that the stations of `mask` (N,) stand for: half-way to each neighbour, no gap counted."""
    order = np.argsort(position_mm, kind="stable")
    x, ok = position_mm[order], mask[order]
    # A station says nothing of a stretch that no photo showed.
    step = np.diff(x)
    half = np.where(step <= READING_REACH_MM, step, 0.0) / 2
    length = float((half * ok[:-1]).sum() + (half * ok[1:]).sum())
    return min(length, float(np.ptp(x[ok]))) if ok.any() else 0.0


def window_weights(fit: ThicknessFit, mask: np.ndarray, breadth_mm: float, step_mm: float) -> tuple[Array, Array]:
    """Centres (m,) by position and weights (m, N) of means over windows along the edge; windows less than half measured are left out."""
    x = fit.position_mm
    xs = np.sort(x[mask])
    spacing = float(np.median(np.diff(xs))) if xs.size > 1 else breadth_mm
    count = max(int((xs[-1] - xs[0] + spacing - breadth_mm) / step_mm + 1e-9), 0) + 1
    centres = xs[0] - spacing / 2 + breadth_mm / 2 + step_mm * np.arange(count)
    member = (np.abs(x[None, :] - centres[:, None]) <= breadth_mm / 2) & mask[None, :]
    enough = member.sum(axis=1) >= max(1.0, 0.5 * breadth_mm / max(spacing, 1e-6))
    if not enough.any():
        return np.array([xs.mean()]), (mask / mask.sum())[None, :]
    member, centres = member[enough], centres[enough]
    return (member @ x) / member.sum(axis=1), member / member.sum(axis=1, keepdims=True)


def _extremes(fit: ThicknessFit, mask: np.ndarray, others_mm: Sequence[float]) -> tuple[Figure, Figure]:
    """Least and greatest thickness over the stations of `mask` (N,); `others_mm` are means of parts of it, which no extreme can pass."""
    _, weights = window_weights(fit, mask, JAW_MM, JAW_MM / 2)
    values, cov = fit.functional(weights)
    lam, vec = np.linalg.eigh(cov)
    root = vec * np.sqrt(np.maximum(lam, 0.0))
    draws = values + np.random.default_rng(20240).standard_normal((DRAWS, values.size)) @ root.T
    out = []
    for pick, bound in ((np.min, np.minimum), (np.max, np.maximum)):
        seen, drawn = float(pick(values)), pick(draws, axis=1)
        bias = float(drawn.mean()) - seen
        # On an edge flatter than its own uncertainty the correction passes the mean of all of it, or of its flat part.
        corrected = float(bound.reduce([seen - bias, *others_mm]))
        # The curve drawn about holds one dose of noise already, so the correction is short by up to its own size.
        out.append(Figure(corrected, math.hypot(float(drawn.std()), bias)))
    return out[0], out[1]


@dataclass(frozen=True)
class _Fitted:
    minus2log: float
    start_mm: float
    slope: float
    u: tuple[float, float]


def find_rise(fit: ThicknessFit, mask: np.ndarray) -> Rise | None:
    """The stretch that thickens toward the high end of the printed scale, over the measured stations of `mask` (N,); None if flat."""
    chosen = _rising(fit, mask, 1)
    if chosen is None:
        return None
    start, slope, (start_u, slope_u) = chosen
    tip = mask & (fit.position_mm >= fit.position_mm[mask].max() - JAW_MM)
    flat = mask & (fit.position_mm < start)
    pair = np.vstack([length_weights(fit.arc_mm, tip), length_weights(fit.arc_mm, flat)])
    (t, m), c = fit.functional(pair)
    ratio = t / m
    g = np.array([1 / m, -t / m**2])
    at_tip = Figure(float(t), float(np.sqrt(c[0, 0])))
    end = float(fit.position_mm[tip].max())
    return Rise(start, start_u, slope, slope_u, at_tip, float(ratio), float(np.sqrt(g @ c @ g)), end)


def _rising(fit: ThicknessFit, mask: np.ndarray, way: int) -> tuple[float, float, tuple[float, float]] | None:
    """As `choose_rise`, of the stations of `mask` (N,) along the scale (`way` 1) or against it (-1, positions negative)."""
    if np.ptp(fit.position_mm[mask]) < 2 * SHORTEST_RISE_MM:
        return None
    x, weights = window_weights(fit, mask, BIN_MM, BIN_MM)
    values, cov = fit.functional(weights)
    return choose_rise(way * x[::way], values[::way], cov[::way, ::way])


def choose_rise(x: Array, values: Array, cov: Array) -> tuple[float, float, tuple[float, float]] | None:
    """Start, slope and their standard uncertainties when flat-then-rising is the better model by BIC, else None.

    Parameters
    ----------
    x, values : (m,) float
        Position and thickness of each bin, mm.
    cov : (m, m) float
        Posterior covariance of `values`.
    """
    flat, rise = None, None
    level = float(np.median(values))
    ramp = np.abs(x[:, None] - x[None, :]) / WAVINESS_MM
    starts = np.arange(x[0] + EARLIEST_RISE * (x[-1] - x[0]), x[-1] - SHORTEST_RISE_MM, START_STEP_MM)
    # Behind a gap few bins are left; start and slope are two unknowns, and fewer than three bins leave nothing to judge them by.
    starts = starts[(x[:, None] > starts).sum(axis=0) >= 3]
    for amplitude in WAVINESS:
        whole = cov + (amplitude * level) ** 2 * np.exp(-ramp)
        f, r = _gls(x, values, whole, starts)
        flat = f if flat is None or f < flat else flat
        rise = (r, amplitude) if r is not None and (rise is None or r.minus2log < rise[0].minus2log) else rise
    # One datum a bin. The slope costs one log(n); the start, searched over the whole edge, two (Zhang & Siegmund 2007, memory).
    if flat is None or rise is None or rise[0].minus2log + 3 * math.log(x.size) + STRONG_EVIDENCE >= flat:
        return None
    start, slope, (start_u, slope_u) = _figures(x, values, cov, *rise)
    gap = _gap_after(x, start)
    if gap is not None:
        start, slope, (start_u, slope_u) = _in_gap((x, values, cov), (start, slope, (start_u, slope_u)), gap, rise[1])
    # What the shared sources may be off by can hold all of it: then it is no statement about the knife.
    return (start, slope, (start_u, slope_u)) if slope > COVERAGE_FACTOR * slope_u else None


def _gap_after(x: Array, start_mm: float) -> tuple[float, float] | None:
    """Ends (mm) of a stretch between bins `x` (m,) of which nothing was measured, where what was measured from the start to it is too
    short to show a rise of its own; None where the rise shows where it starts."""
    step = np.diff(x)
    wide = np.flatnonzero((step > SHORTEST_RISE_MM) & (x[1:] > start_mm))
    if not len(wide):
        return None
    before, behind = float(x[wide[0]]), float(x[wide[0] + 1])
    return (before, behind) if before - start_mm < SHORTEST_RISE_MM else None


def _in_gap(
    bins: tuple[Array, Array, Array], found: tuple[float, float, tuple[float, float]], gap: tuple[float, float], amplitude: float
) -> tuple[float, float, tuple[float, float]]:
    """Start, slope and uncertainties of a rise that was seen only behind a gap: it may start anywhere up to the gap's far end, since
    edges do not thicken by straight lines; the straight line back from behind the gap is one of its ends."""
    x, values, cov = bins
    start, slope, (start_u, slope_u) = found
    low, high = min(start, gap[0]), gap[1]
    latest = _figures(x, values, cov, _Fitted(0.0, high, slope, (0.0, 0.0)), amplitude) if (x > high).any() else found
    spread = abs(latest[1] - slope) / math.sqrt(12.0)
    u = math.hypot(start_u, (high - low) / math.sqrt(12.0)), math.hypot(max(slope_u, latest[2][1]), spread)
    return (low + high) / 2.0, (slope + latest[1]) / 2.0, u


def _figures(x: Array, values: Array, cov: Array, rise: _Fitted, amplitude: float) -> tuple[float, float, tuple[float, float]]:
    """Start and slope as reported, and their standard uncertainties.

    The shared sources (angle, scale) shift every bin by a share of what was seen there, waves included: least squares that may use them
    would take some of the waves for a thickness seen too large, and shrink all of it (Peelle's puzzle; a slope of 0.030 came out as
    0.027). So the waves alone, as large as the edge is thick, weigh the bins, and `cov` enters the uncertainties.
    """
    hinge = np.maximum(x - rise.start_mm, 0.0)
    line = np.column_stack([np.ones(x.size), hinge])
    waves = np.exp(-np.abs(x[:, None] - x[None, :]) / WAVINESS_MM)
    size = np.full(x.size, np.median(values))
    for _ in range(2):
        # Twice: how thick the edge is comes from the line itself.
        inverse = np.linalg.inv(amplitude**2 * waves * np.outer(size, size))
        level, slope = np.linalg.solve(line.T @ inverse @ line, line.T @ inverse @ values)
        size = np.maximum(line @ (level, slope), 0.5 * size)
    moved = np.column_stack([line, -slope * (x > rise.start_mm)])
    gain = np.linalg.solve(moved.T @ inverse @ moved, moved.T @ inverse)
    # How large the waves are was found from the bins that level, slope and start were fitted to (maximum likelihood).
    found = amplitude**2 * x.size / max(x.size - 4, 1)
    total = cov + found * waves * np.outer(size, size)
    u = np.sqrt(np.einsum("ij,jk,ik->i", gain, total, gain))
    # The start is searched in steps.
    return rise.start_mm, float(slope), (math.hypot(float(u[2]), START_STEP_MM / math.sqrt(12.0)), float(u[1]))


def _gls(x: Array, values: Array, cov: Array, starts: Array) -> tuple[float, _Fitted | None]:
    """-2 log likelihood of the flat model, and the best rising one (positive slopes only)."""
    lower = linalg.cholesky(cov, lower=True)
    logdet = 2 * float(np.log(np.diag(lower)).sum())
    hinges = np.maximum(x[:, None] - starts[None, :], 0.0)
    white = linalg.solve_triangular(lower, np.column_stack([values, np.ones(x.size), hinges]), lower=True)
    y, one, h = white[:, 0], white[:, 1], white[:, 2:]
    one = one / np.linalg.norm(one)
    y = y - one * (one @ y)
    h = h - np.outer(one, one @ h)
    flat = logdet + float(y @ y)
    norm = np.einsum("ij,ij->j", h, h)
    slope = (y @ h) / norm
    gain = np.where(slope > 0, slope**2 * norm, 0.0)
    if gain.size == 0 or gain.max() <= 0:
        return flat, None
    k = int(np.argmax(gain))
    jump = linalg.solve_triangular(lower, -slope[k] * (x > starts[k]).astype(float), lower=True)
    jump = jump - one * (one @ jump)
    design = np.column_stack([jump, h[:, k]])
    u = np.sqrt(np.diag(np.linalg.inv(design.T @ design)))
    # The start is searched in steps.
    start_u = math.hypot(float(u[0]), START_STEP_MM / math.sqrt(12.0))
    return flat, _Fitted(flat - float(gain[k]), float(starts[k]), float(slope[k]), (start_u, float(u[1])))
