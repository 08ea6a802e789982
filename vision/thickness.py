"""Thickness behind the edge along the whole edge: widths, declared angle and spot checks as one joint Gaussian.

``T = 2 w sin a`` (one photographed side, its mirror image taken for the other; design.md section 7). Independent unknowns, each a
column of shifts of T for one standard deviation:

- every systematic width source of `WidthProfile.systematic_u_mm`, one unknown shared by all stations;
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

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import sparse

from vision.declared import Declared, Lie, Reading
from vision.errors import DeclarationError
from vision.gaussian import Array, Conditioned, condition, interpolation_rows, local_covariance, smooth_factor
from vision.results import Figure, ThicknessProfile, WidthProfile

# Bands are expanded uncertainties U = k u with k = 2, about 95 % (JCGM 100, 6.2.1).
COVERAGE_FACTOR = 2.0
# Hand or fixed-pivot sharpening changes the angle by 1-2 degrees a side from heel to tip as the distance to the pivot or the
# wrist's reach changes; a belt-ground factory edge does much the same (common practice, no source). 0.75 degrees a side makes the
# heel-to-tip difference (60 mm and more) one degree at one sigma, two at k = 2. The cause is the reach of an arm, so the change
# is smooth (Gaussian kernel) over tens of mm, not over a few; what wanders faster is waviness, and the widths show it.
DRIFT_U_DEG = 0.75
DRIFT_LENGTH_MM = 30.0
# Nobody declared an angle: 18 +- 10 degrees a side (one sigma) spans razors to splitting tools (common practice, no source). The
# middle is the one that `vision.bevel` measures widths with.
UNDECLARED_ANGLE_DEG = (18.0, 10.0)
# A jaw is set beside a 1 mm scale by eye: read to half a division (common practice, no source).
PLACEMENT_MM = 0.5
# The slope that turns misplacement into an error is taken over about a jaw's breadth.
SLOPE_REACH_MM = 1.0
# A reading further than this from any measured station says nothing about that station: production edges wander over 1-2 mm.
READING_REACH_MM = 1.0
# Both sides photographed and their shoulders at unequal depth: the shallower is carried up its cheek. Undeclared cheeks are
# taken as 3 +- 2 degrees (4 mm of spine taken down over 25-110 mm), a declared one, off a drawing or a protractor, is good to a
# degree wherever it is used (both rectangular; common practice, no source).
USUAL_CHEEK_DEG = (3.0, 2.0)
DECLARED_CHEEK_TOLERANCE_DEG = 1.0


@dataclass(frozen=True)
class Source:
    """One independent source of error.

    Attributes
    ----------
    name, unit : str
    u : float
        One standard uncertainty in `unit` (of the mean width for width sources).
    shift_mm : (N, r) float
        Shift of T at each station for one standard deviation of each of r independent unknowns.
    angle_rad : (N, r) float
        The same for the (first side's) angle per side.
    """

    name: str
    unit: str
    u: float
    shift_mm: Array
    angle_rad: Array


@dataclass(frozen=True)
class Contribution:
    """One source's part in a figure's uncertainty: `u` in `unit`, signed or root-sum-square `sensitivity`, `mm` = |their product|."""

    source: str
    unit: str
    u: float
    sensitivity: float
    mm: float


def prior_angle_deg(declared: Declared) -> tuple[float, float]:
    """Angle per side and its standard uncertainty before any reading, degrees; its change along the edge is apart."""
    if declared.half_angle_deg is None:
        return UNDECLARED_ANGLE_DEG
    return declared.half_angle_deg, declared.angle_tolerance_deg / math.sqrt(3.0) / 2.0


@dataclass(frozen=True)
class Face:
    """One bevel face at the common stations: widths, its declared facts, and how often it counts (2 when it stands for both).

    `assumed_deg` is the angle per side that the widths were measured with; None for the prior angle. A photo shows the seen width
    ``w cos e``, e the face's rise above the sheet, so widths answer to the angle too: for a level blade ``T = 2 p tan a``.
    """

    widths: WidthProfile
    declared: Declared
    share: float = 2.0
    label: str = ""
    assumed_deg: float | None = None

    @property
    def prior_deg(self) -> tuple[float, float]:
        """Angle per side and its standard uncertainty before any reading, degrees."""
        return prior_angle_deg(self.declared)

    def reseen(self, angle_rad: float) -> tuple[Array, Array]:
        """(N,) ratio of the width at another angle per side to the measured one, and (N,) ``d ln w / d angle`` there.

        From the profile's own `width_per_rad_mm`; else as seen squarely, where the face rises by the angle (and the cheek's, when it
        lies on it).
        """
        w = self.widths
        assumed = math.radians(self.prior_deg[0] if self.assumed_deg is None else self.assumed_deg)
        if w.width_per_rad_mm is not None:
            rise = np.arctan(w.width_per_rad_mm / w.width_mm)
        else:
            raised = math.radians(self.declared.cheek_angle_deg or 0.0) if self.declared.lie is Lie.CHEEK_DOWN else 0.0
            rise = np.full(w.width_mm.size, assumed + raised)
        turned = rise + angle_rad - assumed
        return np.cos(rise) / np.cos(turned), np.tan(turned)


def angle_names(faces: Sequence[Face]) -> list[str]:
    """Budget row of each face's common angle.

    The included angle is one fact: where both sides declare the same one with the same tolerance (or none), both halves of it are
    wrong together and share a row, so that photographing the second side adds no knowledge of it.
    """
    facts = {(f.declared.included_angle_deg, f.declared.angle_tolerance_deg) for f in faces}
    known = ["declared" if f.declared.half_angle_deg is not None else "undeclared" for f in faces]
    apart = len(facts) > 1 and not all(k == "undeclared" for k in known)
    return [f"angle per side, {k}" + (f", {f.label}" if apart and f.label else "") for k, f in zip(known, faces, strict=True)]


@dataclass(frozen=True)
class CaliperModel:
    """Standard uncertainties of readings, mm: `common` shared by all, `random` of each.

    The maker's limit of error is rectangular and already holds step and repeatability; it may all be common, so all of it is.
    The random part is the step (rectangular, half a step) and seating of the jaws, one step either way (rectangular; common
    practice, no source). Together they are no less than the limit of error.
    """

    common_mm: float
    random_mm: float

    @classmethod
    def of(cls, declared: Declared) -> CaliperModel:
        """From the declared instrument: 0.03 mm and 0.01 mm give 0.0173 mm common and 0.0065 mm random."""
        step = declared.caliper.resolution_mm
        return cls(declared.caliper.accuracy_mm / math.sqrt(3.0), math.hypot(step / math.sqrt(12.0), step / math.sqrt(3.0)))


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
    if not used and any(f.declared.half_angle_deg is None for f in faces):
        raise DeclarationError(
            "no --angle and no usable --caliper reading",
            "bevel widths alone say nothing about thickness",
            "declare the included angle, or read the thickness at one measured place or more",
        )
    about = [math.radians(f.prior_deg[0]) for f in faces]
    for _ in range(12):
        fit = _linear_fit(faces, measured, (used, unused), about)
        found = _face_angles(fit)
        # A line drawn 0.005 rad off its point is wrong by 0.005**2 / 2 of T: 6 nm of 0.5 mm.
        settled = not used or max(abs(a - b) for a, b in zip(about, found, strict=True)) < 0.005
        if settled:
            break
        about = [min(max(a, 0.01), 1.2) for a in found]
    return fit


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
    leverages = _leverages(faces, measured, about)
    prior = np.zeros(int(measured.sum()))
    local = sparse.csr_array((prior.size, prior.size))
    for face, a, (per_width, per_angle) in zip(faces, about, leverages, strict=True):
        prior = prior + per_width * face.widths.width_mm[measured] + per_angle * (math.radians(face.prior_deg[0]) - a)
        u = per_width * face.widths.local_u_mm[measured]
        local = local + local_covariance(widths.arc_mm[measured], u, face.widths.local_length_mm, face.widths.photo[measured])
    sources = _sources(faces, measured, leverages) + _cheek_source(faces, measured, about)
    factor = np.hstack([s.shift_mm for s in sources])
    at = widths.position_mm[measured]
    places = np.array([r.position_mm for r in used], float)
    rows = interpolation_rows(at, places) if used else sparse.csr_array((0, at.size))
    caliper = CaliperModel.of(faces[0].declared)
    # Half a division either way is rectangular.
    placement = np.abs(local_slopes(at, prior, places)) * PLACEMENT_MM / math.sqrt(3.0)
    noise = caliper.common_mm**2 + np.diag(caliper.random_mm**2 + placement**2)
    values = np.array([r.thickness_mm for r in used], float)
    state = condition(prior, factor, local, rows, (values, noise if used else np.zeros((0, 0))))
    return _with_profile(ThicknessFit(_empty(measured), faces, measured, sources, state, used, readings[1], caliper, placement))


def _leverages(faces: tuple[Face, ...], measured: np.ndarray, about: list[float]) -> list[tuple[Array, Array]]:
    """For each face, dT/dw (M,) and dT/da (M,), T linear about the angles `about`; T is dT/dw times w there.

    One face: ``T = 2 w sin a``. Two: ``T = w_L sin a_L + w_R sin a_R + tan(c) |d_L - d_R|`` with depths ``d = w cos a``.
    """
    seen = [[part[measured] for part in f.reseen(a)] for f, a in zip(faces, about, strict=True)]
    w = [f.widths.width_mm[measured] * ratio for f, (ratio, _) in zip(faces, seen, strict=True)]
    climb = 0.0 if len(faces) == 1 else math.tan(math.radians(cheek_deg(faces)[0]))
    deeper = np.sign(w[0] * math.cos(about[0]) - w[-1] * math.cos(about[-1]))
    out = []
    for i, (face, a) in enumerate(zip(faces, about, strict=True)):
        t = climb * (deeper if i == 0 else -deeper)
        ratio, growth = seen[i]
        per_width = math.sin(a) + t * math.cos(a)
        per_angle = face.share * w[i] * (math.cos(a) - t * math.sin(a) + per_width * growth)
        out.append((face.share * ratio * per_width, per_angle))
    return out


def cheek_deg(faces: tuple[Face, ...]) -> tuple[float, float]:
    """Cheek angle and its standard uncertainty, degrees: the first declared one, else `USUAL_CHEEK_DEG`."""
    declared = [f.declared.cheek_angle_deg for f in faces if f.declared.cheek_angle_deg is not None]
    value, half = (declared[0], DECLARED_CHEEK_TOLERANCE_DEG) if declared else USUAL_CHEEK_DEG
    return value, half / math.sqrt(3.0)


def _cheek_source(faces: tuple[Face, ...], measured: np.ndarray, about: list[float]) -> tuple[Source, ...]:
    if len(faces) == 1:
        return ()
    c, u = cheek_deg(faces)
    depth = [(f.widths.width_mm * f.reseen(a)[0])[measured] * math.cos(a) for f, a in zip(faces, about, strict=True)]
    shift = np.abs(depth[0] - depth[1])[:, None] * math.radians(u) / math.cos(math.radians(c)) ** 2
    return (Source("cheek angle, unequal shoulders", "deg", u, shift, np.zeros_like(shift)),)


def _sources(faces: tuple[Face, ...], measured: np.ndarray, leverages: list[tuple[Array, Array]]) -> tuple[Source, ...]:
    n = int(measured.sum())
    shifts: dict[str, Array] = {}
    own: dict[str, tuple[float, str]] = {}
    angles: dict[str, Source] = {}
    drifts: list[Source] = []
    for i, (face, name, (per_width, per_angle)) in enumerate(zip(faces, angle_names(faces), leverages, strict=True)):
        w = face.widths
        for source, shift in w.systematic_u_mm.items():
            shifts[source] = shifts.get(source, np.zeros(n)) + per_width * shift[measured]
            mean = float(np.sqrt(np.mean(shift[measured] ** 2))) if n else 0.0
            # One unknown however many faces it moves: its own uncertainty does not grow with them.
            own[source] = max(own.get(source, (0.0, "")), w.source_u.get(source, (mean, "mm")))
        leverage = per_angle[:, None]
        mine = 1.0 if i == 0 else 0.0
        u_deg = face.prior_deg[1]
        common = np.full((n, 1), math.radians(u_deg))
        zero = np.zeros((n, 1))
        before = angles.get(name, Source(name, "deg", u_deg, zero, zero))
        angles[name] = replace(before, shift_mm=before.shift_mm + leverage * common, angle_rad=before.angle_rad + mine * common)
        drift = math.radians(DRIFT_U_DEG) * smooth_factor(w.arc_mm[measured], DRIFT_LENGTH_MM)
        where = f", {face.label}" if face.label else ""
        drifts.append(Source("angle per side, change along the edge" + where, "deg", DRIFT_U_DEG, leverage * drift, mine * drift))
    flat = np.zeros((n, 1))
    return (*(Source(k, own[k][1], own[k][0], s[:, None], flat) for k, s in shifts.items()), *angles.values(), *drifts)


def local_slopes(at: Array, t: Array, places: Array) -> Array:
    """Slope of T at each place from a straight line through the stations within a jaw's breadth, mm per mm."""
    out = np.zeros(places.size)
    for i, p in enumerate(places):
        near = np.abs(at - p) <= SLOPE_REACH_MM
        x = at[near] - at[near].mean() if near.any() else np.zeros(0)
        if near.sum() >= 3 and np.ptp(x) > 0:
            out[i] = float(x @ t[near] / (x @ x))
    return out


def _face_angles(fit: ThicknessFit) -> list[float]:
    """Posterior common angle of each face, radians: the point about which T is taken as linear."""
    out = []
    seen = fit.state.rows @ fit.state.factor
    pull = seen.T @ np.linalg.solve(fit.state.spread, fit.state.innovation) if fit.used else np.zeros(fit.state.factor.shape[1])
    starts = np.cumsum([0] + [s.shift_mm.shape[1] for s in fit.sources])
    names = [s.name for s in fit.sources]
    for face, name in zip(fit.faces, angle_names(fit.faces), strict=True):
        k = names.index(name)
        out.append(math.radians(face.prior_deg[0] + fit.sources[k].u * float(pull[starts[k]])))
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
