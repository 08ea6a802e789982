"""Each spot check against the photo and the *other* readings; and the declared angle against all of them.

``E_n = |difference| / sqrt(U1**2 + U2**2)`` (ISO 13528, ISO/IEC 17043), questioned above 1. Both U are for what the same
instrument would read, since its common error is in both and cancels from the difference. The coverage factor of U is chosen so
that a set of n good readings has at most 3 % chance that any of them is questioned (`coverage_factor`; k = 2 would question 5 %
of good readings *each*).
A bad reading also spoils the predictions of its neighbours: the worst is questioned first and takes no part in predicting the rest.

A model that is wrong has no band of its own (`settle`): where readings are questioned, where the trusted ones are at odds with the
declared angle (whether the declaration is off or this stretch of the edge, `angle_note`), or where readings and photo cannot both be
right, the distance between the estimate shown and the one without the doubtful part is taken as one more standard uncertainty. Nobody
knows which of the two is right; k = 2 then reaches twice that far.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, special

from vision.declared import Declared, Lie, Reading
from vision.errors import DeclarationError
from vision.flags import Note
from vision.gaussian import Array
from vision.results import CrossCheck
from vision.rounding import format_angle, format_figure, format_value
from vision.sources import PLACEMENT_MM, USUAL_CHEEK_DEG, Face, Source, angle_names
from vision.thickness import (
    COVERAGE_FACTOR,
    ThicknessFit,
    estimate_faces,
    face_angles,
    length_weights,
    refuse_impossible_angle,
    with_disagreement,
)

# Chance that a set of good readings has one questioned.
FALSE_ALARM = 0.03
# Codes of `angle_note`.
_OF_THE_ANGLE = ("angle-off", "angle-differs")
DISAGREEMENT = "readings questioned or at odds with photo and angle"


def coverage_factor(n: int) -> float:
    """k for n readings: two-sided normal quantile at ``FALSE_ALARM / n`` (Bonferroni): 2.17 for one, 2.75 for five."""
    return float(special.ndtri(1.0 - FALSE_ALARM / (2.0 * max(n, 1))))


def predict_each(innovation: Array, spread: Array, trusted: NDArray[np.bool_]) -> tuple[Array, Array]:
    """Difference (n,) of every reading from its prediction by the trusted others, and its standard uncertainty (n,)."""
    n = innovation.size
    difference, u = np.zeros(n), np.zeros(n)
    for i in range(n):
        others = np.flatnonzero(trusted & (np.arange(n) != i))
        cross = spread[i, others]
        weight = np.linalg.solve(spread[np.ix_(others, others)], cross) if others.size else np.zeros(0)
        difference[i] = innovation[i] - weight @ innovation[others]
        u[i] = math.sqrt(spread[i, i] - weight @ cross)
    return difference, u


def question(innovation: Array, spread: Array, usable: NDArray[np.bool_]) -> tuple[NDArray[np.bool_], Array, Array]:
    """Which usable readings are questioned (n,), each one's difference (n,) and that difference's standard uncertainty (n,).

    The worst goes first. One that only stood out beside a worse one is taken back, as long as the trusted ones then still agree: a
    questioned reading has an E_n above 1. With only two usable readings nothing tells which one is wrong, so both stand questioned
    when they disagree.
    """
    k = coverage_factor(int(usable.sum()))
    bad = np.zeros(innovation.size, bool)
    while True:
        difference, u = predict_each(innovation, spread, usable & ~bad)
        e_n = np.abs(difference) / (k * u)
        trusted = usable & ~bad
        if not trusted.any() or e_n[trusted].max() <= 1.0:
            break
        if usable.sum() == 2:
            return usable & (e_n > 1.0), difference, u
        bad[int(np.argmax(np.where(trusted, e_n, 0.0)))] = True
    while bad.any() and np.min(e_n[bad]) <= 1.0:
        tried = bad.copy()
        tried[int(np.argmin(np.where(bad, e_n, np.inf)))] = False
        d2, u2 = predict_each(innovation, spread, usable & ~tried)
        e2 = np.abs(d2) / (k * u2)
        if e2[usable & ~tried].max() > 1.0:
            break
        bad, difference, u, e_n = tried, d2, u2, e2
    return bad, difference, u


def cross_check(fit: ThicknessFit) -> tuple[CrossCheck, ...]:
    """One `CrossCheck` for every declared reading, in declared order.

    Set-aside readings are compared too but predict nothing and are not questioned again. A reading with no measured width near
    it has NaN figures and says so in `causes`.
    """
    declared = fit.faces[0].declared
    live = replace(declared, readings=tuple(replace(r, set_aside=False) for r in declared.readings))
    everyone = estimate_faces((replace(fit.faces[0], declared=live), *fit.faces[1:])) if live != declared else fit
    near = [any(u.position_mm == r.position_mm and u.thickness_mm == r.thickness_mm for u in everyone.used) for r in declared.readings]
    kept = [r for r, n in zip(declared.readings, near, strict=True) if n]
    usable = np.array([not r.set_aside for r in kept], bool)
    bad, difference, u = question(everyone.state.innovation, everyone.state.spread, usable)
    k = coverage_factor(int(usable.sum()))
    good = [replace(r, set_aside=bool(b or not u)) for r, b, u in zip(kept, bad, usable, strict=True)]
    others = (_with_readings(fit, good) or fit) if bad.any() else fit
    out, j = [], 0
    for r, n in zip(declared.readings, near, strict=True):
        if not n:
            out.append(CrossCheck(r, math.nan, math.nan, math.nan, math.nan, False, ("no width was measured within 1 mm of it",)))
            continue
        own = math.hypot(everyone.caliper.random_mm, float(everyone.placement_mm[j]))
        d, total = float(difference[j]), float(u[j])
        predicted_u = math.sqrt(max(total**2 - own**2, 0.0))
        causes = _causes(fit, others, r, d, k * total) if bad[j] else ()
        out.append(CrossCheck(r, r.thickness_mm - d, predicted_u, d, abs(d) / (k * total), bool(bad[j]), causes))
        j += 1
    return tuple(out)


def _causes(fit: ThicknessFit, others: ThicknessFit, reading: Reading, difference_mm: float, expanded_mm: float) -> tuple[str, ...]:
    """What could have made the reading differ; `others` is the fit without any questioned reading."""
    declared = fit.faces[0].declared
    side = "more" if difference_mm > 0 else "less"
    out = [f"it reads {format_value(abs(difference_mm), expanded_mm, k=1.0)} mm {side} than the photo and the other readings predict"]
    if difference_mm > 0:
        out.append(_above_shoulder(declared, difference_mm))
    else:
        # One photographed face stands for both, two have an angle each.
        slope = sum(f.share * math.tan(a) for f, (a, _) in zip(fit.faces, face_angles(others), strict=True))
        out.append(f"jaws below the shoulder, on the bevel, by {abs(difference_mm) / slope:.2f} mm would read that")
    out.append(_elsewhere(others, reading, expanded_mm))
    angle = _local_angle(fit, reading)
    if math.isfinite(angle):
        out.append(f"an included angle of {2 * angle:.1f}° at this place would read that")
    out += _wrong_lie(declared, reading.thickness_mm - difference_mm, difference_mm, expanded_mm)
    return tuple(c for c in out if c)


def _above_shoulder(declared: Declared, difference_mm: float) -> str:
    # A jaw set s above the shoulder on a cheek of angle c reads 2 tan(c) s more.
    def height(c: float) -> float:
        return difference_mm / (2 * math.tan(math.radians(c)))

    if declared.cheek_angle_deg:
        return f"jaws {height(declared.cheek_angle_deg):.1f} mm above the shoulder would read that"
    usual, half = USUAL_CHEEK_DEG
    low, high = usual - half, usual + half
    return f"jaws {height(high):.1f} to {height(low):.1f} mm above the shoulder would read that (cheeks of {high:g} to {low:g}°)"


def _elsewhere(others: ThicknessFit, reading: Reading, expanded_mm: float) -> str:
    """Where the curve without questioned readings has the reading's thickness; "" when only next to where it was taken."""
    off = np.abs(others.profile.thickness_mm - reading.thickness_mm)
    apart = np.abs(others.position_mm - reading.position_mm)
    if not np.nanmin(off) <= expanded_mm:
        return "no place in the photo shows that thickness"
    # The crossing itself, to what one reading of the caliper tells apart, not the first place that is near enough; and farther
    # away than a place read by eye can be off, since that much is in the reading's uncertainty already.
    fits = np.flatnonzero((off <= max(others.caliper.random_mm, float(np.nanmin(off)))) & (apart > PLACEMENT_MM))
    if fits.size == 0:
        return ""
    at = float(others.position_mm[fits[int(np.argmin(apart[fits]))]])
    return f"taken at {at:.1f} mm instead of {reading.position_mm:g} mm it would agree"


def _local_angle(fit: ThicknessFit, reading: Reading) -> float:
    face, ok = fit.faces[0], fit.measured

    def excess(a: float) -> float:
        thickness = 2 * face.widths.width_mm[ok] * face.reseen(a)[0][ok] * math.sin(a)
        return float(np.interp(reading.position_mm, face.widths.position_mm[ok], thickness)) - reading.thickness_mm

    low, high = math.radians(0.5), math.radians(60.0)
    # With two faces no single angle explains a reading.
    if len(fit.faces) != 1 or not ok.any() or excess(low) > 0 or excess(high) < 0:
        return math.nan
    return math.degrees(optimize.brentq(excess, low, high))


def _wrong_lie(declared: Declared, predicted_mm: float, difference_mm: float, expanded_mm: float) -> list[str]:
    """A blade seen squarely shows w cos a when level and w cos(a + c) cheek-down: taking one for the other scales every width."""
    if declared.cheek_angle_deg is None or declared.half_angle_deg is None:
        return []
    a, c = math.radians(declared.half_angle_deg), math.radians(declared.cheek_angle_deg)
    ratio = math.cos(a) / math.cos(a + c)
    other = "cheek-down" if declared.lie is Lie.LEVEL else "level"
    change = predicted_mm * ((ratio if declared.lie is Lie.LEVEL else 1 / ratio) - 1)
    if abs(change - difference_mm) > expanded_mm or change * difference_mm <= 0:
        return []
    return [f"a blade lying {other} would change the prediction by {change:+.3f} mm"]


def fitted_angle(fit: ThicknessFit) -> tuple[float, float]:
    """Angle per side (the first side's) that readings and widths give with no declared tolerance, and its u (degrees).

    Averaged over the measured edge; with both sides, that of both let go by one and the same angle, its change along the edge apart.
    """
    return _fitted(_released(fit)) if fit.used else (math.nan, math.nan)


def _fitted(again: ThicknessFit) -> tuple[float, float]:
    if len(again.faces) > 1:
        return _common(again)
    return again.angle_deg(length_weights(again.arc_mm, again.measured))


def _common(again: ThicknessFit) -> tuple[float, float]:
    """The angle's part common to all of the edge, and its u (degrees): the change along the edge, whose mean no reading tells from it,
    is in this u."""
    value, u = face_angles(again)[0]
    return math.degrees(value), math.degrees(u)


def _released(fit: ThicknessFit) -> ThicknessFit:
    """The same readings with the declared tolerance let go."""
    return estimate_faces(tuple(replace(f, released=True) for f in fit.faces))


def trusted_fit(fit: ThicknessFit, checks: tuple[CrossCheck, ...]) -> ThicknessFit | None:
    """The fit without its questioned readings: itself when none is, None when neither reading nor declared angle is left."""
    if not any(c.questioned for c in checks):
        return fit
    return _with_readings(fit, [replace(c.reading, set_aside=c.reading.set_aside or c.questioned) for c in checks])


def _with_readings(fit: ThicknessFit, readings: list[Reading]) -> ThicknessFit | None:
    first = fit.faces[0]
    try:
        return estimate_faces((replace(first, declared=replace(first.declared, readings=tuple(readings))), *fit.faces[1:]))
    except DeclarationError:
        return None


def angle_note(fit: ThicknessFit) -> Note | None:
    """What the readings say together of the declared angle: "declared 30°, the readings fit 34.6 ± 1.1°"; None when they go with it.

    Two statements, each by ``E_n = |a - d| / sqrt(U1**2 + U2**2) > 1`` with k = 2, d the declared angle with its tolerance:

    - this stretch was ground at another angle than declared (information): a is its mean angle, found with the tolerance let go;
    - the declaration is off (a caution): a is the angle's part common to all of the edge, so U1 holds the change along the edge too. A
      stretch may differ by that much from a declaration that is right, so at most 4.6 % of sound ones are doubted (normal tail at k = 2).
    """
    if not _angle_declared(fit) or not fit.used:
        return None
    again = _released(fit)
    (angle, u), (common, common_u) = _fitted(again), _common(again)
    declared, declared_u = [2 * f.prior_deg[0] for f in fit.faces], _declared_u_deg(fit.faces)
    doubted = abs(common - declared[0] / 2) > COVERAGE_FACTOR * math.hypot(common_u, declared_u)
    off = angle - declared[0] / 2
    if not doubted and abs(off) <= COVERAGE_FACTOR * math.hypot(u, declared_u):
        return None
    if len(declared) == 1:
        text = f"declared {declared[0]:g}°, the readings fit {format_angle(2 * angle, 2 * u)} included"
    else:
        apart = f"{format_angle(2 * abs(off), 2 * u)} {'larger' if off > 0 else 'smaller'}"
        text = f"declared {declared[0]:g}° and {declared[1]:g}° (twice each side's own), the readings fit {apart}, both sides off alike"
    if doubted:
        return Note("angle-off", text, "check the declared angle, how the blade lies, and where the jaws sat")
    text += ": no more than the angle's change along the edge may be; the band reaches to both"
    return Note("angle-differs", text, "nothing to do", "info")


def _declared_u_deg(faces: tuple[Face, ...]) -> float:
    """Standard uncertainty of the declared angle per side; of the mean of both sides' where each is a fact of its own."""
    own = [f.prior_deg[1] for f in faces]
    return own[0] if len(set(angle_names(faces))) == 1 else math.hypot(*own) / len(own)


def contradiction(fit: ThicknessFit) -> Note | None:
    """A note when readings and photo cannot both be right: the fused curve passes most readings farther off than their caliper is.

    Four standard uncertainties of a reading, its place's among them (a micrometer is finer than the waves of the edge), are more than
    twice its limit of error. A wrong angle alone does not do this (the curve follows the readings then); widths of the wrong line, a
    wrong scale or readings of another blade do.
    """
    if not fit.used:
        return None
    values = np.array([r.thickness_mm for r in fit.used])
    off = values - fit.state.rows @ fit.state.posterior_mean
    limit = 4.0 * np.sqrt(fit.caliper.common_mm**2 + fit.caliper.random_mm**2 + fit.placement_mm**2)
    if np.median(np.abs(off) / limit) <= 1.0 and np.nanmin(fit.profile.thickness_mm) > 0.0:
        return None
    many = f"the {values.size} readings (mean {values.mean():.2f} mm)" if values.size > 1 else f"the reading of {values[0]:.2f} mm"
    shown = "the photo and the declared angle alone" if _angle_declared(fit) else "both, since no angle was declared"
    return Note(
        "readings-contradict",
        f"{many} and the widths in the photo cannot both be right; "
        f"the thickness shown is from {shown}, and its band reaches to the readings",
        "look at both lines on the overlay, check that the readings belong to this blade, and the check bars and edge height",
    )


def _angle_declared(fit: ThicknessFit) -> bool:
    return all(f.declared.half_angle_deg is not None for f in fit.faces)


def settle(faces: tuple[Face, ...]) -> tuple[ThicknessFit, tuple[CrossCheck, ...], tuple[Note, ...]]:
    """The fit to be shown, with a band that holds what does not go together, the cross-checks, and all remarks.

    Readings that contradict the photo are left out when an angle was declared; otherwise there is nothing else to go by.

    Raises
    ------
    DeclarationError
        As `vision.thickness.estimate_faces` and `refuse_impossible_angle`.
    """
    fit = estimate_faces(faces)
    checks = cross_check(fit)
    clash = contradiction(fit)
    if clash is None:
        # A clash is told, and its band reaches the readings.
        refuse_impossible_angle(fit)
    remarks = notes(fit, checks)
    steps = []
    if clash is None or not _angle_declared(fit):
        shown = fit
        steps += [_step(fit, other) for other in _without_questioned(fit, checks)]
        trusted = trusted_fit(fit, checks)
        if trusted is not None and any(n.code in _OF_THE_ANGLE for n in remarks):
            steps.append(_step(trusted, _released(trusted)))
    else:
        alone = _with_readings(fit, [])
        assert alone is not None
        shown = alone
    if clash is not None:
        steps.append(_step_to(shown, float(np.mean([r.thickness_mm for r in fit.used]))))
        remarks = (clash, *remarks)
    return with_disagreement(shown, _disagreement(steps)), checks, remarks


def _without_questioned(fit: ThicknessFit, checks: tuple[CrossCheck, ...]) -> list[ThicknessFit]:
    """The estimate from the trusted readings; with none trusted, those from each reading alone and from none."""
    if not any(c.questioned for c in checks):
        return []
    live = [c.reading for c in checks if not c.reading.set_aside and not c.questioned and math.isfinite(c.e_n)]
    if live:
        return [other] if (other := trusted_fit(fit, checks)) else []
    # Any one of them may be the right one, or none: each is a doubt of its own.
    tried = [_with_readings(fit, [r]) for r in fit.used] + [_with_readings(fit, [])]
    return [other for other in tried if other is not None]


def _step(fit: ThicknessFit, other: ThicknessFit) -> tuple[Array, Array]:
    """Difference (M,) of T and of the angle per side (rad), the fit's minus the other's, at the measured stations."""
    a, b, ok = fit.profile, other.profile, fit.measured
    return (a.thickness_mm - b.thickness_mm)[ok], np.radians(a.angle_per_side_deg - b.angle_per_side_deg)[ok]


def _step_to(fit: ThicknessFit, thickness_mm: float) -> tuple[Array, Array]:
    """The same to one thickness everywhere; the angle that would give it at the same seen width, ``T = 2 p tan a``."""
    t, a = fit.profile.thickness_mm[fit.measured], np.radians(fit.profile.angle_per_side_deg[fit.measured])
    return t - thickness_mm, a - np.arctan2(np.tan(a) * thickness_mm, np.maximum(t, 0.0))


def _disagreement(steps: list[tuple[Array, Array]]) -> Source | None:
    """One unknown for each kind of doubt, shared by all stations; None when there is none."""
    if not steps:
        return None
    shift = np.column_stack([t for t, _ in steps])
    u = float(np.sqrt(np.mean(np.sum(shift**2, axis=1)))) if shift.size else 0.0
    return Source(DISAGREEMENT, "mm", u, shift, np.column_stack([a for _, a in steps]))


def notes(fit: ThicknessFit, checks: tuple[CrossCheck, ...]) -> tuple[Note, ...]:
    """Remarks of the cross-check: questioned readings, readings out of reach, and the declared angle."""
    out = []
    trusted = trusted_fit(fit, checks)
    effect = _effect(fit, trusted)
    for c in checks:
        where = f"{c.reading.thickness_mm:g} mm at {c.reading.position_mm:g} mm"
        if c.questioned:
            predicted = format_figure(c.predicted_mm, c.predicted_u_mm, inch=False)
            text = f"reading {where} is questioned (E_n {c.e_n:.2f}); this caliper should read {predicted}; " + "; ".join(
                (*c.causes, *effect)
            )
            out.append(Note("reading-questioned", text, "read it again at the shoulder, or set it aside"))
            # It is of all that are questioned together: said once.
            effect = ()
        elif not math.isfinite(c.e_n):
            out.append(Note("reading-out-of-reach", f"reading {where} is not near any measured width", "check its position"))
    angle = angle_note(trusted) if trusted is not None else None
    return (*out, angle) if angle else tuple(out)


def _effect(fit: ThicknessFit, trusted: ThicknessFit | None) -> tuple[str, ...]:
    """What a questioned reading does to the value it is part of, so that nobody has to set it aside to see it."""
    if trusted is None or trusted is fit or contradiction(fit) is not None:
        return ()
    held, without = (f.mean(f.measured) for f in (fit, trusted))
    a, b = (format_value(f.value_mm, f.u_mm) for f in (held, without))
    # A reading in the middle of the edge tilts the angle's change along it: the ends may move where the mean does not.
    moved = np.abs(fit.profile.thickness_mm - trusted.profile.thickness_mm)
    most = int(np.nanargmax(moved))
    return (
        f"the measured edge is {a} mm in the mean with all readings, {b} mm without those questioned, "
        f"and differs by up to {moved[most]:.2g} mm (at {fit.position_mm[most]:.1f} mm)",
    )
