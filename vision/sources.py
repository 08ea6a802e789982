"""What nobody knows before a caliper is read, as independent sources of error of the thickness: angle, widths, caliper.

Every number here is declared physics with its reason beside it; the statistics that use them are in `vision.thickness`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from vision.declared import Declared, Lie
from vision.gaussian import Array, smooth_factor
from vision.results import WidthProfile

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
# Both sides photographed and their shoulders at unequal depth: the shallower is carried up its cheek. Undeclared cheeks are
# taken as 3 +- 2 degrees (4 mm of spine taken down over 25-110 mm), a declared one, off a drawing or a protractor, is good to a
# degree wherever it is used (both rectangular; common practice, no source).
USUAL_CHEEK_DEG = (3.0, 2.0)
DECLARED_CHEEK_TOLERANCE_DEG = 1.0


# How surely lines were found (a photo or a side may be named after a comma).
APEX_LINE, SHOULDER_LINE = "apex line", "shoulder line"
LINE_SOURCES = (APEX_LINE, SHOULDER_LINE)
# What both lines may leave of a width where neither is in doubt (mm, one standard deviation); beyond it stations are `unsure`: at 15
# degrees a side U = 0.02 mm of thickness, more than a caliper's u.
CLEAR_LINE_MM = 0.02
# Errors over their u at stations in doubt, 112 drawn photos: correlated by 0.84 at 1 mm, 0.7 at 5 mm, 0.5 at 12 mm and 0.4 from 20 mm on.
DOUBT_SHARED, DOUBT_LENGTH_MM = 0.5, 5.0


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


def prior_angle_deg(declared: Declared) -> tuple[float, float]:
    """Angle per side and its standard uncertainty before any reading, degrees; its change along the edge is apart."""
    if declared.half_angle_deg is None:
        return UNDECLARED_ANGLE_DEG
    return declared.half_angle_deg, declared.angle_tolerance_deg / math.sqrt(3.0) / 2.0


@dataclass(frozen=True)
class Face:
    """One bevel face at the common stations: widths, its declared facts, and how often it counts (2 when it stands for both).

    `released` lets a declared angle go: its value stays where the search for it begins, its tolerance becomes that of a guess.
    Widths were measured with the prior angle. A photo shows the seen width ``w cos e``, e the face's rise above the sheet, so widths
    answer to the angle too: for a level blade ``T = 2 p tan a``.
    """

    widths: WidthProfile
    declared: Declared
    share: float = 2.0
    label: str = ""
    released: bool = False

    @property
    def prior_deg(self) -> tuple[float, float]:
        """Angle per side and its standard uncertainty before any reading, degrees."""
        value, u = prior_angle_deg(self.declared)
        return value, UNDECLARED_ANGLE_DEG[1] if self.released else u

    def reseen(self, angle_rad: float) -> tuple[Array, Array]:
        """(N,) ratio of the width at another angle per side to the measured one, and (N,) ``d ln w / d angle`` there.

        From the profile's own `width_per_rad_mm`; else as seen squarely, where the face rises by the angle (and the cheek's, when it
        lies on it).
        """
        w = self.widths
        assumed = math.radians(self.prior_deg[0])
        if w.width_per_rad_mm is not None:
            rise = np.arctan(w.width_per_rad_mm / w.width_mm)
        else:
            raised = math.radians(self.declared.cheek_angle_deg or 0.0) if self.declared.lie is Lie.CHEEK_DOWN else 0.0
            rise = np.full(w.width_mm.size, assumed + raised)
        turned = rise + angle_rad - assumed
        return np.cos(rise) / np.cos(turned), np.tan(turned)

    def at_angle(self, angle_rad: float, u_rad: float) -> WidthProfile:
        """The widths as another angle per side makes them, whose standard uncertainty is `u_rad` besides its change along the edge."""
        ratio, growth = self.reseen(angle_rad)
        w = self.widths
        return replace(
            w,
            width_mm=w.width_mm * ratio,
            local_u_mm=w.local_u_mm * ratio,
            systematic_u_mm={k: v * ratio for k, v in w.systematic_u_mm.items()},
            width_per_rad_mm=w.width_mm * ratio * growth,
            angle_u_rad=math.hypot(u_rad, math.radians(DRIFT_U_DEG)),
        )


def angle_names(faces: Sequence[Face]) -> list[str]:
    """Budget row of each face's common angle.

    The included angle is one fact: where both sides declare the same one with the same tolerance (or none), both halves of it are
    wrong together and share a row, so that photographing the second side adds no knowledge of it. Released angles share one too:
    readings of the whole thickness cannot tell which side is off, so both are let go by the same angle.
    """
    if faces and all(f.released for f in faces):
        return ["angle per side, released"] * len(faces)
    facts = {(f.declared.included_angle_deg, f.declared.angle_tolerance_deg) for f in faces}
    known = ["declared" if f.declared.half_angle_deg is not None else "undeclared" for f in faces]
    apart = len(facts) > 1 and not all(k == "undeclared" for k in known)
    return [f"angle per side, {k}" + (f", {f.label}" if apart and f.label else "") for k, f in zip(known, faces, strict=True)]


@dataclass(frozen=True)
class CaliperModel:
    """Standard uncertainties of readings, mm: `common` shared by all, `random` of each.

    The maker's limit of error is rectangular and already holds the reading step (ISO 13385-1 / DIN 862), so the step is taken out of
    it by quadrature and counts once, with each reading. All that is left may be common to one instrument and session, so all of it is;
    no less than the step's own error, though: a display coarser than the edge's waves rounds all of its readings alike.
    Seating of the jaws on a shoulder is the person's, not the maker's: one step either way (rectangular; common practice, no
    source), on top of the limit.
    """

    common_mm: float
    random_mm: float

    @classmethod
    def of(cls, declared: Declared) -> CaliperModel:
        """From the declared instrument: 0.03 mm and 0.01 mm give 0.0171 mm common and 0.0065 mm random."""
        step, limit = declared.caliper.resolution_mm, declared.caliper.accuracy_mm
        read, seated = step / math.sqrt(12.0), step / math.sqrt(3.0)
        common = max(math.sqrt(max(limit**2 / 3.0 - read**2, 0.0)), read)
        return cls(common, math.hypot(read, seated))


def leverages(faces: tuple[Face, ...], measured: np.ndarray, about: list[float]) -> list[tuple[Array, Array]]:
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


def cheek_source(faces: tuple[Face, ...], measured: np.ndarray, about: list[float]) -> tuple[Source, ...]:
    if len(faces) == 1:
        return ()
    c, u = cheek_deg(faces)
    depth = [(f.widths.width_mm * f.reseen(a)[0])[measured] * math.cos(a) for f, a in zip(faces, about, strict=True)]
    shift = np.abs(depth[0] - depth[1])[:, None] * math.radians(u) / math.cos(math.radians(c)) ** 2
    return (Source("cheek angle, unequal shoulders", "deg", u, shift, np.zeros_like(shift)),)


def width_and_angle_sources(faces: tuple[Face, ...], measured: np.ndarray, levers: list[tuple[Array, Array]]) -> tuple[Source, ...]:
    n = int(measured.sum())
    shifts: dict[str, Array] = {}
    doubts: dict[str, Array] = {}
    own: dict[str, tuple[float, str]] = {}
    angles: dict[str, Source] = {}
    drifts: list[Source] = []
    for i, (face, name, (per_width, per_angle)) in enumerate(zip(faces, angle_names(faces), levers, strict=True)):
        w = face.widths
        for source, shift in w.systematic_u_mm.items():
            whole, apart = doubt_apart(source, shift[measured])
            shifts[source] = shifts.get(source, np.zeros(n)) + per_width * whole
            if apart.any():
                local = (per_width * apart)[:, None] * smooth_factor(w.arc_mm[measured], DOUBT_LENGTH_MM)
                doubts[source] = np.hstack([doubts.get(source, np.zeros((n, 0))), local])
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
    columns = {k: np.hstack([s[:, None], doubts.get(k, np.zeros((n, 0)))]) for k, s in shifts.items()}
    return (*(Source(k, own[k][1], own[k][0], s, np.zeros_like(s)) for k, s in columns.items()), *angles.values(), *drifts)


def doubt_apart(source: str, shift: Array) -> tuple[Array, Array]:
    """The parts of a source's shifts (N,) that all stations share, and that only those near by do; their squares add up to its own.

    Whether the right line was taken is a question for each stretch anew: a reading where it was says little of another one. Up to what
    a clear line leaves, an error is the photo's; of what a line in doubt adds, half is.
    """
    if not source.startswith(LINE_SOURCES):
        return shift, np.zeros_like(shift)
    extra = np.maximum(shift**2 - CLEAR_LINE_MM**2, 0.0)
    whole = np.sqrt(shift**2 - (1.0 - DOUBT_SHARED) * extra)
    return np.copysign(whole, shift), np.sqrt((1.0 - DOUBT_SHARED) * extra)


def local_slopes(at: Array, t: Array, places: Array) -> Array:
    """Slope of T at each place from a straight line through the stations within a jaw's breadth, mm per mm."""
    out = np.zeros(places.size)
    for i, p in enumerate(places):
        near = np.abs(at - p) <= SLOPE_REACH_MM
        x = at[near] - at[near].mean() if near.any() else np.zeros(0)
        if near.sum() >= 3 and np.ptp(x) > 0:
            out[i] = float(x @ t[near] / (x @ x))
    return out


def misplaced_u_mm(at: Array, t: Array, places: Array, reach_mm: float = PLACEMENT_MM) -> Array:
    """(n,) standard uncertainty of T from where it was taken: T is known all around, its place to `reach_mm` (rectangular).

    The root mean square of what the thickness `t` (M,) at the stations `at` differs by within that reach. A slope alone would find
    nothing on the crest of a wave, and production edges wave over 1-2 mm by 1-3 %. Beyond the ends the edge is taken to go on as
    straight as its last jaw's breadth; a reading taken there is held against the end station, so what lies between counts in full.
    """
    order = np.argsort(at, kind="stable")
    x, y = at[order], t[order]
    # Middles of twenty equal parts: the mean square of a straight line is then that of the integral to 0.3 %.
    steps = reach_mm * (2.0 * (np.arange(20) + 0.5) / 20.0 - 1.0)
    there = places[:, None] + steps
    slopes = local_slopes(x, y, x[[0, -1]])
    beyond = slopes[0] * np.minimum(there - x[0], 0.0) + slopes[1] * np.maximum(there - x[-1], 0.0)
    around = np.interp(there, x, y) + beyond - np.interp(places, x, y)[:, None]
    return np.sqrt(np.mean(around**2, axis=1))
