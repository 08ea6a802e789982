"""Several photos along one strip as one profile, and both sides of a blade on one arc.

Photos of one strip meet by `position_mm`: where two overlap, each station comes from the photo whose middle is nearer, and the
widths of both are compared. The print and the camera are the same in all photos, so those errors stay one unknown; so do, along one
side, the edge's height and the blade's lie, declared once for all its photos, and where the light ends on a rounded shoulder. Corners
(and so tilt) and lines were met anew in every photo and become one unknown a photo.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from vision.bevel import ROUNDING_SOURCE
from vision.declared import Declared
from vision.errors import DeclarationError
from vision.flags import Note, StationFlag
from vision.gaussian import Array, local_covariance
from vision.results import WidthProfile
from vision.rounding import round_pair
from vision.sources import PLACEMENT_MM, Face, local_slopes
from vision.thickness import COVERAGE_FACTOR, length_weights

# Sources whose name starts so are the same in every photo of one strip with one camera. A scale that is declared for both sides comes from
# one rule as a rule; two of them would err less together.
SHARED_SOURCES = ("print", "focal", "camera", "radial", "declared scale")
# The same in every photo of one side, met anew when the blade is turned over.
SAME_SIDE_SOURCES = ("edge height", "lie of the blade", ROUNDING_SOURCE)
# A landmark is read beside a 1 mm scale by eye, to half a division, once on each side (common practice, no source).
LANDMARK_U_MM = math.hypot(PLACEMENT_MM, PLACEMENT_MM) / math.sqrt(3.0)
LANDMARK_SOURCE = "place of the landmark"
DISAGREEMENT_SOURCE = "photos that disagree"
# An overlap shorter than this compares two or three waves of the edge at most.
SHORTEST_OVERLAP_MM = 2.0
GAP_MM = 1.0


@dataclass(frozen=True)
class Overlap:
    """Two photos compared where both measured: mean width of the second minus that of the first, and its standard uncertainty."""

    first: int
    second: int
    start_mm: float
    end_mm: float
    difference_mm: float
    u_mm: float

    @property
    def agrees(self) -> bool:
        """Within the expanded uncertainty, k = 2."""
        return abs(self.difference_mm) <= COVERAGE_FACTOR * self.u_mm


def is_shared(source: str, *, across_sides: bool = False) -> bool:
    """True when this width source is one unknown for all photos of one side, or for those of both sides."""
    return source.lower().startswith(SHARED_SOURCES if across_sides else SHARED_SOURCES + SAME_SIDE_SOURCES)


def merge(profiles: Sequence[WidthProfile]) -> tuple[WidthProfile, tuple[Overlap, ...], tuple[Note, ...]]:
    """One profile from photos along one strip.

    Parameters
    ----------
    profiles : sequence of WidthProfile
        One a photo, of one side, each with its own `photo` index.

    Returns
    -------
    WidthProfile
        In order of position. Sources of one photo carry its index and are zero at other photos' stations. Photos whose overlap disagrees
        have one source more, `DISAGREEMENT_SOURCE`.
    tuple of Overlap
    tuple of Note
        A caution for each overlap that disagrees, and for gaps between photos.

    Raises
    ------
    DeclarationError
        No profile, or two with the same photo index.
    """
    if not profiles:
        raise DeclarationError("no photo to merge", "a profile needs one at least", "give a photo")
    # A station with no place on the scale cannot be put in order.
    profiles = [_taken(p, np.isfinite(p.position_mm)) if not np.isfinite(p.position_mm).all() else p for p in profiles]
    ids = [int(p.photo[0]) for p in profiles]
    if len(set(ids)) < len(ids):
        raise DeclarationError(f"photos numbered {ids}", "each photo needs its own number to merge", "number them apart")
    if len(profiles) == 1:
        return profiles[0], (), ()
    order = sorted(range(len(profiles)), key=lambda i: float(np.mean(profiles[i].position_mm)))
    ordered = [profiles[i] for i in order]
    overlaps = tuple(o for i in range(len(ordered)) for j in range(i + 1, len(ordered)) if (o := compare(ordered[i], ordered[j])))
    keep = [_owned(i, ordered) for i in range(len(ordered))]
    merged = _joined([_taken(_doubted(p, overlaps), k) for p, k in zip(ordered, keep, strict=True)])
    return merged, overlaps, tuple(_notes(merged, overlaps))


def merge_photos(profiles: Sequence[WidthProfile]) -> tuple[WidthProfile, tuple[Note, ...]]:
    """`merge` without the overlaps' figures, which its notes carry in words."""
    merged, _, notes = merge(profiles)
    return merged, notes


def compare(first: WidthProfile, second: WidthProfile) -> Overlap | None:
    """The overlap of two photos, None when they share less than `SHORTEST_OVERLAP_MM` of measured edge."""
    there = _interpolated(second, first.position_mm)
    both = np.isfinite(first.width_mm) & np.isfinite(there)
    if both.sum() < 3 or np.ptp(first.position_mm[both]) < SHORTEST_OVERLAP_MM:
        return None
    weights = length_weights(first.position_mm, both)
    variance = 0.0
    for profile in (first, second):
        own = _mapped_weights(profile, first.position_mm, weights)
        cov = local_covariance(profile.position_mm, np.nan_to_num(profile.local_u_mm), profile.local_length_mm, profile.photo)
        variance += float(own @ (cov @ own))
    for name in {*first.systematic_u_mm, *second.systematic_u_mm}:
        parts = []
        for profile in (first, second):
            shift = profile.systematic_u_mm.get(name)
            parts.append(0.0 if shift is None else float(_mapped_weights(profile, first.position_mm, weights) @ np.nan_to_num(shift)))
        variance += (parts[0] - parts[1]) ** 2 if is_shared(name) else parts[0] ** 2 + parts[1] ** 2
    difference = float(weights[both] @ (there[both] - first.width_mm[both]))
    x = first.position_mm[both]
    return Overlap(int(first.photo[0]), int(second.photo[0]), float(x.min()), float(x.max()), difference, math.sqrt(variance))


def _mapped_weights(profile: WidthProfile, at: Array, weights: Array) -> Array:
    """Weights given at places `at`, laid on the profile's nearest measured stations."""
    ok = np.flatnonzero(np.isfinite(profile.width_mm))
    some = np.flatnonzero(weights)
    nearest = ok[np.argmin(np.abs(profile.position_mm[ok][None, :] - at[some][:, None]), axis=1)]
    out = np.zeros(profile.position_mm.size)
    np.add.at(out, nearest, weights[some])
    return out


def _interpolated(profile: WidthProfile, at: Array) -> Array:
    """Widths at places on the printed scale; NaN outside and across gaps of more than a millimetre."""
    return _between(profile.position_mm, profile.width_mm, at)


def _between(x: Array, values: Array, at: Array) -> Array:
    ok = np.isfinite(values)
    if ok.sum() < 2:
        return np.full(at.size, math.nan)
    order = np.argsort(x[ok], kind="stable")
    xs, vs = x[ok][order], values[ok][order]
    right = np.clip(np.searchsorted(xs, at), 1, xs.size - 1)
    inside = (at >= xs[0]) & (at <= xs[-1]) & (xs[right] - xs[right - 1] <= GAP_MM)
    return np.where(inside, np.interp(at, xs, vs), math.nan)


def _owned(i: int, profiles: list[WidthProfile]) -> np.ndarray:
    """Stations that photo i gives to the merged profile: measured ones nearest to its own middle, or where no other measured."""
    mine = profiles[i]
    middle = [0.5 * (p.position_mm.min() + p.position_mm.max()) for p in profiles]
    own = np.abs(mine.position_mm - middle[i])
    measured = np.isfinite(mine.width_mm)
    keep = np.ones(mine.position_mm.size, bool)
    for j, other in enumerate(profiles):
        if j == i:
            continue
        there = np.isfinite(_interpolated(other, mine.position_mm))
        span = (mine.position_mm >= other.position_mm.min()) & (mine.position_mm <= other.position_mm.max())
        nearer = np.abs(mine.position_mm - middle[j]) < own
        # Unmeasured here: leave the place to the other photo whatever it saw, unless this one is nearer and neither measured.
        keep &= np.where(measured, ~(there & nearer), ~there & ~(span & nearer))
    return keep


def _doubted(profile: WidthProfile, overlaps: Sequence[Overlap]) -> WidthProfile:
    """The profile with what its overlaps differ by beyond their uncertainty as an error of its own: nobody knows which photo is wrong.

    As large, in both photos alike, as makes the difference its own expanded uncertainty (as by Birge's ratio, Phys. Rev. 40, 207, 1932).
    """
    mine = [o for o in overlaps if not o.agrees and int(profile.photo[0]) in (o.first, o.second)]
    if not mine:
        return profile
    own = max(math.sqrt(((o.difference_mm / COVERAGE_FACTOR) ** 2 - o.u_mm**2) / 2.0) for o in mine)
    return replace(profile, systematic_u_mm={**profile.systematic_u_mm, DISAGREEMENT_SOURCE: np.full(profile.position_mm.size, own)})


def _taken(p: WidthProfile, keep: np.ndarray) -> WidthProfile:
    sources = {k: v[keep] for k, v in p.systematic_u_mm.items()}
    per_rad = None if p.width_per_rad_mm is None else p.width_per_rad_mm[keep]
    cut = {k: getattr(p, k)[keep] for k in ("position_mm", "arc_mm", "photo", "apex_px", "shoulder_px", "width_mm", "local_u_mm", "flags")}
    return replace(p, systematic_u_mm=sources, width_per_rad_mm=per_rad, **cut)


def _joined(parts: list[WidthProfile]) -> WidthProfile:
    columns = ("position_mm", "arc_mm", "photo", "apex_px", "shoulder_px", "width_mm", "local_u_mm", "flags")
    both = {c: np.concatenate([getattr(p, c) for p in parts]) for c in columns}
    order = np.argsort(both["position_mm"], kind="stable")
    both = {c: v[order] for c, v in both.items()}
    both["arc_mm"] = _one_arc(both["position_mm"], both["arc_mm"], both["photo"])
    sources: dict[str, Array] = {}
    own: dict[str, tuple[float, str]] = {}
    start = 0
    total = order.size
    # A photo of which another shows all has no station left, and no source.
    for part in (p for p in parts if p.photo.size):
        span = slice(start, start + part.position_mm.size)
        for name, shift in part.systematic_u_mm.items():
            key = name if is_shared(name) else f"{name}, photo {int(part.photo[0]) + 1}"
            sources.setdefault(key, np.zeros(total))[span] = shift
            if name in part.source_u:
                own[key] = max(own.get(key, (0.0, "")), part.source_u[name])
        start = span.stop
    sources = {k: v[order] for k, v in sources.items()}
    # The longest correlation of any photo: the cautious one for means.
    slopes = [p.width_per_rad_mm for p in parts]
    known = [v for v in slopes if v is not None]
    per_rad = np.concatenate(known)[order] if len(known) == len(parts) else None
    length = max(p.local_length_mm for p in parts)
    angle_u = max(p.angle_u_rad for p in parts)
    return WidthProfile(
        **both, systematic_u_mm=sources, local_length_mm=length, width_per_rad_mm=per_rad, source_u=own, angle_u_rad=angle_u
    )


# A printed bar is 90 mm at least (`vision.declared`): an arc shorter than that share of the scale runs across a hole in the apex.
_LEAST_TRUE_PER_PRINTED = 0.9
# A seam's length is taken from the edge this far on either side of it.
_SEAM_REACH_MM = 2.5


def _one_arc(position: Array, arc: Array, photo: Array) -> Array:
    """True mm along the edge: each photo's own steps; across a seam the printed step at the neighbours' true mm per printed mm."""
    along, own = np.diff(position), np.diff(arc)
    good = (np.diff(photo) == 0) & (own >= _LEAST_TRUE_PER_PRINTED * along)
    step = np.where(good, own, along)
    middle = (position[1:] + position[:-1]) / 2
    for i in np.flatnonzero(~good):
        near = good & (np.abs(middle - middle[i]) <= _SEAM_REACH_MM + along[i] / 2)
        near = near if along[near].sum() > 0 else good
        step[i] *= own[near].sum() / along[near].sum() if along[near].sum() > 0 else 1.0
    return np.concatenate([[0.0], np.cumsum(step)])


def _notes(merged: WidthProfile, overlaps: tuple[Overlap, ...]) -> list[Note]:
    out = []
    for o in overlaps:
        difference, u = round_pair(abs(o.difference_mm), COVERAGE_FACTOR * o.u_mm)
        wider = "wider" if o.difference_mm >= 0 else "narrower"
        text = (
            f"photo {o.second + 1} shows the bevel {difference} ± {u} mm {wider} than photo {o.first + 1} does"
            f" between {o.start_mm:z.1f} and {o.end_mm:z.1f} mm"
        )
        if not o.agrees:
            remedy = "look at both overlays: take the worse photo again, or leave out the photo of another edge"
            out.append(Note("overlap-disagrees", f"{text}: more than both can tell, so both bands are widened until they can", remedy))
        else:
            out.append(Note("overlap-agrees", f"{text}: they agree", "nothing to do", "info"))
    gaps = np.diff(merged.position_mm)
    for i in np.flatnonzero(gaps > GAP_MM):
        text = f"no photo shows the edge from {merged.position_mm[i]:z.1f} to {merged.position_mm[i + 1]:z.1f} mm"
        out.append(Note("gap", text, "take one more photo there"))
    return out


def onto_arc(first: WidthProfile, other: WidthProfile, landmarks_mm: tuple[float, float]) -> WidthProfile:
    """The other side's widths at the stations of the first.

    Parameters
    ----------
    first, other : WidthProfile
        Of the two sides; the blade was turned over, so the strip runs the other way along the other side.
    landmarks_mm : (float, float)
        Position of one landmark (heel or tip) on the printed scale, on the first side and on the other.

    Returns
    -------
    WidthProfile
        At the first's N stations; NaN where the other side was not measured. Pixels and flags are the nearest station's.
    """
    here, there = (_arc_at(p, x) for p, x in zip((first, other), landmarks_mm, strict=True))
    # Turned over, both arcs run away from the landmark in opposite directions.
    at = there - (first.arc_mm - here)
    width = _between(other.arc_mm, other.width_mm, at)
    nearest = np.argmin(np.abs(other.arc_mm[None, :] - at[:, None]), axis=1)
    missing = ~np.isfinite(width)
    flags = np.where(missing, other.flags[nearest] | int(StationFlag.NOT_MEASURED), other.flags[nearest])
    sources, own = {}, {}
    for name, shift in other.systematic_u_mm.items():
        key = name if is_shared(name, across_sides=True) else f"{name}, other side"
        sources[key] = np.where(missing, 0.0, _held(other.arc_mm, shift, at))
        if name in other.source_u:
            own[key] = other.source_u[name]
    known = np.flatnonzero(~missing)
    sources[LANDMARK_SOURCE] = np.zeros(width.size)
    sources[LANDMARK_SOURCE][known] = LANDMARK_U_MM * local_slopes(first.arc_mm[known], width[known], first.arc_mm[known])
    own[LANDMARK_SOURCE] = (LANDMARK_U_MM, "mm")
    per_rad = None if other.width_per_rad_mm is None else np.where(missing, math.nan, _held(other.arc_mm, other.width_per_rad_mm, at))
    return replace(
        other,
        width_per_rad_mm=per_rad,
        position_mm=first.position_mm,
        arc_mm=first.arc_mm,
        photo=other.photo[nearest],
        apex_px=other.apex_px[nearest],
        shoulder_px=other.shoulder_px[nearest],
        width_mm=width,
        local_u_mm=np.where(missing, math.nan, _held(other.arc_mm, other.local_u_mm, at)),
        systematic_u_mm=sources,
        source_u=own,
        flags=flags,
    )


def _held(x: Array, values: Array, at: Array) -> Array:
    ok = np.isfinite(values)
    order = np.argsort(x[ok], kind="stable")
    out: Array = np.interp(at, x[ok][order], values[ok][order])
    return out


def _arc_at(profile: WidthProfile, position_mm: float) -> float:
    """Arc of a place on the printed scale; beyond the ends it goes on as straight as the last 5 mm."""
    x, s = profile.position_mm, profile.arc_mm
    if x[0] <= position_mm <= x[-1]:
        return float(np.interp(position_mm, x, s))
    end = x <= x[0] + 5.0 if position_mm < x[0] else x >= x[-1] - 5.0
    slope = np.ptp(s[end]) / np.ptp(x[end]) if np.ptp(x[end]) > 0 else 1.0
    edge = 0 if position_mm < x[0] else -1
    return float(s[edge] + slope * (position_mm - x[edge]))


def landmark_notes(first: WidthProfile, other: WidthProfile, landmarks_mm: tuple[float, float]) -> tuple[Note, ...]:
    """A note for each side whose landmark lies beyond what its photos show: the arc to it is then guessed, not measured."""
    out = []
    for side, (profile, x) in enumerate(zip((first, other), landmarks_mm, strict=True), 1):
        low, high = float(np.nanmin(profile.position_mm)), float(np.nanmax(profile.position_mm))
        if not low <= x <= high:
            text = (
                f"the landmark of side {side} at {x:g} mm lies outside the photographed edge ({low:z.1f} to {high:z.1f} mm);"
                " the edge was taken to go on straight up to it"
            )
            out.append(Note("landmark-outside", text, "photograph the edge up to the landmark, or take a landmark that both sides show"))
    return tuple(out)


def both_faces(
    first: tuple[WidthProfile, Declared], other: tuple[WidthProfile, Declared], landmarks_mm: tuple[float, float]
) -> tuple[Face, Face]:
    """Faces for `vision.thickness.estimate_faces`: ``T = w_L sin a_L + w_R sin a_R``, each side with its own declared angle.

    Each side declares *its own* angle as half of its included angle. Readings are given on the first side's scale.
    """
    turned = onto_arc(first[0], other[0], landmarks_mm)
    return Face(first[0], first[1], 1.0, "first side"), Face(turned, other[1], 1.0, "other side")
