"""Thickness behind the edge along the whole edge: widths, declared angle and spot checks as one joint Gaussian.

``T = 2 w sin a`` (one photographed side, its mirror image taken for the other; design.md section 7). Independent unknowns, each a
column of shifts of T for one standard deviation:

- every systematic width source of `WidthProfile.systematic_u_mm`, one unknown shared by all stations; of a line in doubt (more than a clear
  one leaves) half is, the other half a Gaussian process of 5 mm (`vision.sources.doubt_apart`);
- the angle's common part: the included angle is rectangular within the declared tolerance, so ``tol / sqrt(3) / 2`` a side;
- the angle's slow change along the edge: a Gaussian process of 0.75 degrees and 30 mm (`DRIFT_U_DEG`, `DRIFT_LENGTH_MM`);
- the local part of the widths, correlated over `local_length_mm`;
- the caliper: an error common to all readings, one of each reading, and the place at which it was taken.

Widths were computed with an assumed angle; at another one the same pixels mean another width (`Face.reseen`), 7 % of the
angle's leverage at 15 degrees. T is linear in the widths and almost linear in the angle: at 1 degree the second-order term of
``2 p tan a`` is ``T (0.0175 / cos a)**2``, 0.2 um of 0.5 mm.
Where readings move the angle far from its prior the line is taken anew about the angle found (Gauss-Newton).
"""

from __future__ import annotations

import functools
import math
import operator
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import sparse

from vision.declared import INCLUDED_ANGLE_DEG, Declared, Reading
from vision.errors import DeclarationError
from vision.gaussian import Array, Conditioned, condition, interpolation_rows, local_covariance
from vision.results import Figure, ThicknessProfile, WidthProfile
from vision.sources import (
    CaliperModel,
    Face,
    Source,
    angle_names,
    cheek_source,
    leverages,
    misplaced_u_mm,
    width_and_angle_sources,
)

# Bands are expanded uncertainties U = k u with k = 2, about 95 % (JCGM 100, 6.2.1).
COVERAGE_FACTOR = 2.0
# A reading further than this from any measured station says nothing about that station: production edges wander over 1-2 mm.
READING_REACH_MM = 1.0


@dataclass(frozen=True)
class Contribution:
    """One source's part in a figure's uncertainty: `u` in `unit`, signed or root-sum-square `sensitivity`, `mm` = |their product|."""

    source: str
    unit: str
    u: float
    sensitivity: float
    mm: float


@dataclass(frozen=True, eq=False)
class ThicknessFit:
    """The joint posterior of T over the measured stations.

    Attributes
    ----------
    profile : ThicknessProfile
        At all N stations, NaN where no width was measured.
    faces : tuple of Face
    measured : (N,) bool
    sources : tuple of Source
        Over the M measured stations.
    state : Conditioned
        Over the M measured stations.
    used, unused : tuple of Reading
        Readings that entered; those with no measured width within `READING_REACH_MM`. Set-aside ones are in neither.
    caliper : CaliperModel
    placement_mm : (n,) float
        Standard uncertainty of each used reading from where it was taken.
    disagreement : Source or None
        What the model above does not hold: readings, photo and declared angle that do not go together (`vision.crosscheck.settle`).
        Its shifts are the distances to the estimate without the doubtful part; they come on top of the posterior.
    """

    profile: ThicknessProfile
    faces: tuple[Face, ...]
    measured: np.ndarray
    sources: tuple[Source, ...]
    state: Conditioned
    used: tuple[Reading, ...]
    unused: tuple[Reading, ...]
    caliper: CaliperModel
    placement_mm: Array
    disagreement: Source | None = None

    @property
    def position_mm(self) -> Array:
        """(N,) positions of all stations on the printed scale."""
        return self.faces[0].widths.position_mm

    @property
    def arc_mm(self) -> Array:
        """(N,) arc of all stations."""
        return self.faces[0].widths.arc_mm

    def functional(self, weights: Array) -> tuple[Array, Array]:
        """Values (m,) mm and covariance (m, m) of linear functionals of T.

        Parameters
        ----------
        weights : (m, N) or (N,) float
            Zero where not measured.

        Raises
        ------
        ValueError
            A weight falls on a station that was not measured.
        """
        on_measured = self._on_measured(weights)
        values, covariance = self.state.functional(on_measured)
        if self.disagreement is not None:
            shared = on_measured @ self.disagreement.shift_mm
            covariance = covariance + shared @ shared.T
        return values, covariance

    def mean(self, mask: np.ndarray) -> Figure:
        """Mean of T over the measured stations of `mask` (N,), each counted by the length of edge it stands for."""
        w = length_weights(self.arc_mm, mask & self.measured)
        if not np.isfinite(w).all():
            return Figure(math.nan, math.nan)
        value, cov = self.functional(w)
        return Figure(float(value[0]), float(np.sqrt(cov[0, 0])))

    def contributions(self, weights: Array) -> tuple[Contribution, ...]:
        """Exact split of one functional's uncertainty into the independent sources; squares add up to its variance."""
        on_measured = self._on_measured(weights)
        gain, left = self.state.error_weights(on_measured)
        out = [_contribution(s, left) for s in self.sources]
        if self.disagreement is not None:
            out.append(_contribution(self.disagreement, on_measured))
        local = math.sqrt(max(float((left @ (self.state.local @ left.T))[0, 0]), 0.0))
        local_u = float(np.sqrt(np.mean(self.state.local.diagonal())))
        out.append(Contribution("line fits, random along the edge", "mm", local_u, local / local_u if local_u > 0 else 0.0, local))
        if self.used:
            g = gain[0]
            c, r, p = self.caliper.common_mm, self.caliper.random_mm, float(np.sqrt(np.mean(self.placement_mm**2)))
            out.append(Contribution("caliper, common to all readings", "mm", c, float(g.sum()), abs(float(g.sum())) * c))
            out.append(Contribution("caliper, each reading", "mm", r, float(np.linalg.norm(g)), float(np.linalg.norm(g)) * r))
            placed = float(np.linalg.norm(g * self.placement_mm))
            out.append(Contribution("place of each reading", "mm", p, placed / p if p > 0 else 0.0, placed))
        return tuple(out)

    def angle_deg(self, weights: Array) -> tuple[float, float]:
        """Angle per side actually ground (first side), averaged with `weights` (N,) that sum to 1, and its standard uncertainty."""
        w = self._on_measured(weights)
        prior = math.radians(self.faces[0].prior_deg[0])
        shift = w @ np.hstack([s.angle_rad for s in self.sources])
        var = shift @ shift.T
        value = prior
        if self.used:
            seen = shift @ (self.state.rows @ self.state.factor).T
            solved = np.linalg.solve(self.state.spread, seen.T)
            value = prior + float((solved.T @ self.state.innovation)[0])
            var = var - seen @ solved
        if self.disagreement is not None:
            turned = w @ self.disagreement.angle_rad
            var = np.maximum(var, 0.0) + turned @ turned.T
        return math.degrees(value), math.degrees(math.sqrt(max(float(var[0, 0]), 0.0)))

    def _on_measured(self, weights: Array) -> Array:
        w = np.atleast_2d(np.asarray(weights, float))
        if w.shape[1] != self.measured.size:
            raise ValueError(f"weights have {w.shape[1]} stations, the profile {self.measured.size}")
        if np.any(w[:, ~self.measured] != 0):
            raise ValueError("a weight falls on a station that was not measured")
        return w[:, self.measured]


def _contribution(source: Source, weights: Array) -> Contribution:
    parts = (weights @ source.shift_mm)[0]
    mm = float(np.linalg.norm(parts))
    signed = math.copysign(mm, parts[0]) if parts.size == 1 else mm
    return Contribution(source.name, source.unit, source.u, signed / source.u if source.u > 0 else 0.0, mm)


def with_disagreement(fit: ThicknessFit, source: Source | None) -> ThicknessFit:
    """The fit with its band widened by `disagreement`; the estimate stays."""
    return _with_profile(replace(fit, disagreement=source))


def length_weights(arc_mm: Array, mask: np.ndarray) -> Array:
    """(N,) weights that sum to 1 over `mask`, each station counted by the edge it stands for (half-way to its neighbours).

    All NaN when the mask is empty. Gaps longer than 1 mm are not stood for.
    """
    out = np.full(arc_mm.size, math.nan)
    index = np.flatnonzero(mask)
    if index.size == 0:
        return out
    out[:] = 0.0
    order = index[np.argsort(arc_mm[index], kind="stable")]
    step = np.minimum(np.diff(arc_mm[order]), READING_REACH_MM)
    share = np.zeros(order.size)
    share[:-1] += step / 2
    share[1:] += step / 2
    out[order] = share / share.sum() if share.sum() > 0 else 1.0 / order.size
    return out


def estimate(widths: WidthProfile, declared: Declared) -> ThicknessFit:
    """Thickness along one photographed side, the other taken as its mirror image; set-aside readings are not used.

    Raises
    ------
    DeclarationError
        No angle was declared and no usable reading can stand in for it.
    """
    return estimate_faces((Face(widths, declared),))


def estimate_faces(faces: tuple[Face, ...]) -> ThicknessFit:
    """The same for one or two faces at the same N stations; readings and caliper are the first face's, two need different labels.

    Width sources of the same name on both faces are one unknown; so is the angle where both declare the same one (`angle_names`),
    while its change along the edge is each face's own.
    """
    widths, declared = faces[0].widths, faces[0].declared
    measured = np.all([_known(f.widths) for f in faces], axis=0)
    used, unused = _usable(declared.readings, widths.position_mm[measured])
    lacking = [str(i) for i, f in enumerate(faces, 1) if f.declared.half_angle_deg is None]
    if lacking and not used:
        of = f" of side {' and '.join(lacking)}" if len(faces) > 1 else ""
        raise DeclarationError(
            f"no --angle{of} and no usable --caliper reading",
            "bevel widths alone say nothing about thickness",
            "declare the included angle, or read the thickness at one measured place or more",
        )
    about = [math.radians(f.prior_deg[0]) for f in faces]
    for _ in range(12):
        fit = _linear_fit(faces, measured, (used, unused), about)
        found = [a for a, _ in face_angles(fit)]
        # A line drawn 0.005 rad off its point is wrong by 0.005**2 / 2 of T: 6 nm of 0.5 mm.
        settled = not used or max(abs(a - b) for a, b in zip(about, found, strict=True)) < 0.005
        if settled:
            break
        about = [min(max(a, 0.01), 1.2) for a in found]
    return fit


def refuse_impossible_angle(fit: ThicknessFit) -> None:
    """Refuse readings that no edge with these bevels can have: in another unit, of another blade, or beside a wrong line.

    Where no angle is declared the readings alone say it, and what they say has the limits of a declared one.

    Raises
    ------
    DeclarationError
    """
    low, high = INCLUDED_ANGLE_DEG
    for face, (angle, _) in zip(fit.faces, face_angles(fit), strict=True):
        included = 2.0 * math.degrees(angle)
        if face.declared.included_angle_deg is None and fit.used and not low <= included <= high:
            raise DeclarationError(
                "the caliper readings",
                f"with the bevel widths seen they would need an included angle of {'more' if included > high else 'less'} than "
                f"{high if included > high else low:g} degrees, and no angle was declared",
                "check each reading and its unit (mm), and both lines on the photo",
            )


def _known(w: WidthProfile) -> np.ndarray:
    """(N,) stations with a width, a place and every uncertainty."""
    columns = (w.width_mm, w.local_u_mm, w.position_mm, w.arc_mm, *w.systematic_u_mm.values())
    return np.all([np.isfinite(c) for c in columns], axis=0)


def _usable(readings: Sequence[Reading], positions: Array) -> tuple[tuple[Reading, ...], tuple[Reading, ...]]:
    live = [r for r in readings if not r.set_aside]
    near = [positions.size > 0 and float(np.min(np.abs(positions - r.position_mm))) <= READING_REACH_MM for r in live]
    return tuple(r for r, n in zip(live, near, strict=True) if n), tuple(r for r, n in zip(live, near, strict=True) if not n)


def _linear_fit(
    faces: tuple[Face, ...], measured: np.ndarray, readings: tuple[tuple[Reading, ...], tuple[Reading, ...]], about: list[float]
) -> ThicknessFit:
    widths, used = faces[0].widths, readings[0]
    levers = leverages(faces, measured, about)
    prior, there = np.zeros((2, int(measured.sum())))
    apart = []
    for face, a, (per_width, per_angle) in zip(faces, about, levers, strict=True):
        there = there + per_width * face.widths.width_mm[measured]
        prior = prior + per_width * face.widths.width_mm[measured] + per_angle * (math.radians(face.prior_deg[0]) - a)
        u = per_width * face.widths.local_u_mm[measured]
        apart.append(local_covariance(widths.arc_mm[measured], u, face.widths.local_length_mm, face.widths.photo[measured]))
    sources = width_and_angle_sources(faces, measured, levers) + cheek_source(faces, measured, about)
    factor = np.hstack([s.shift_mm for s in sources])
    at = widths.position_mm[measured]
    places = np.array([r.position_mm for r in used], float)
    rows = interpolation_rows(at, places) if used else sparse.csr_array((0, at.size))
    caliper = CaliperModel.of(faces[0].declared)
    # By the thickness at the angle that the line is drawn about: at an undeclared one's stand-in the waves are half as high, or twice.
    placement = misplaced_u_mm(at, there, places) if used else np.zeros(0)
    noise = caliper.common_mm**2 + np.diag(caliper.random_mm**2 + placement**2)
    values = np.array([r.thickness_mm for r in used], float)
    state = condition(prior, factor, functools.reduce(operator.add, apart), rows, (values, noise if used else np.zeros((0, 0))))
    return _with_profile(ThicknessFit(_empty(measured), faces, measured, sources, state, used, readings[1], caliper, placement))


def face_angles(fit: ThicknessFit) -> list[tuple[float, float]]:
    """Posterior of each face's common angle per side and its standard uncertainty, radians: T is taken as linear about it.

    Its change along the edge is apart; a disagreement of the readings counts in the first face's.
    """
    out = []
    seen = fit.state.rows @ fit.state.factor
    solved = np.linalg.solve(fit.state.spread, seen) if fit.used else np.zeros((0, fit.state.factor.shape[1]))
    starts = np.cumsum([0] + [s.shift_mm.shape[1] for s in fit.sources])
    names = [s.name for s in fit.sources]
    for i, (face, name) in enumerate(zip(fit.faces, angle_names(fit.faces), strict=True)):
        k = names.index(name)
        column = starts[k]
        moved = float(solved[:, column] @ fit.state.innovation)
        left = math.sqrt(max(1.0 - float(seen[:, column] @ solved[:, column]), 0.0))
        doubt = 0.0 if i or fit.disagreement is None else float(np.sqrt(np.mean(np.sum(fit.disagreement.angle_rad**2, axis=1))))
        u = math.radians(fit.sources[k].u)
        out.append((math.radians(face.prior_deg[0]) + u * moved, math.hypot(u * left, doubt)))
    return out


def _empty(measured: np.ndarray) -> ThicknessProfile:
    nan = np.full(measured.size, math.nan)
    return ThicknessProfile(nan, nan, nan, nan, nan, nan, False)


def _with_profile(fit: ThicknessFit) -> ThicknessFit:
    t, u, state = fit.state.posterior_mean, fit.state.posterior_u, fit.state
    turn = np.hstack([s.angle_rad for s in fit.sources])
    prior = math.radians(fit.faces[0].prior_deg[0])
    angle, var = np.full(t.size, prior), np.einsum("ij,ij->i", turn, turn)
    if fit.used:
        seen = turn @ (state.rows @ state.factor).T
        solved = np.linalg.solve(state.spread, seen.T)
        angle = angle + solved.T @ state.innovation
        var = var - np.einsum("ij,ji->i", seen, solved)
    if fit.disagreement is not None:
        u = np.sqrt(u**2 + np.sum(fit.disagreement.shift_mm**2, axis=1))
        var = np.maximum(var, 0.0) + np.sum(fit.disagreement.angle_rad**2, axis=1)
    k = COVERAGE_FACTOR
    # A thickness is not negative, so the band ends at zero.
    bands = (t, u, np.maximum(t - k * u, 0.0), t + k * u, np.degrees(angle), np.degrees(np.sqrt(np.maximum(var, 0.0))))
    full = []
    for values in bands:
        out = np.full(fit.measured.size, math.nan)
        out[fit.measured] = values
        full.append(out)
    return replace(fit, profile=ThicknessProfile(*full, bool(fit.used)))
