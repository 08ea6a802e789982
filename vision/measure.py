"""The pipeline, readable top to bottom: photo -> target -> camera -> apex -> straight strip -> shoulder -> widths -> thickness -> zones."""

from __future__ import annotations

import math
import platform
import threading
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import cache, partial
from importlib import metadata
from itertools import combinations, pairwise

import numpy as np

from vision import budget, crosscheck, merge, rivals, undeclared, zones
from vision.bars import check_bars
from vision.camera_profile import CameraProfile
from vision.declared import Declared
from vision.errors import DeclarationError, PhotoRefused
from vision.flags import Note
from vision.hints import Hints
from vision.lights import sight_together
from vision.narrow import Narrowing, narrowing
from vision.photo import Photo
from vision.results import COMMON_MM, Alternative, Measurement, OtherSide, ThicknessProfile, WidthProfile, Zones
from vision.sighting import Progress, Sighting, sight
from vision.sources import Face
from vision.thickness import ThicknessFit, face_angles
from vision.threads import one_blas_thread

# A method that scatters by more than this cannot tell one edge from another.
_MOST_REPEATABILITY_MM = 0.5
# Pose, a strip that is not quite flat and the line itself leave a few tenths of a millimetre of where an edge lies beside its strip.
_ONE_EDGE_MM = 1.0
# Percentile: single stations may be off by a chip.
_MOST_OF_IT = 95.0
# Knives are ground at 10 to 25 degrees a side (common practice, no source). Below, a slip is likelier: one side's angle given for both
# halves the thickness, and one photo cannot show it.
_NARROW_INCLUDED_DEG = 20.0


@dataclass(frozen=True, eq=False)
class Side:
    """One photographed side: its photos along one strip, what was declared of it, and the landmark's position on that strip.

    `landmark_mm` is needed only when both sides are given: where one and the same point of the blade (its heel or tip, say)
    stands on each side's printed scale. `hints` is what the person pointed at: empty, or one (or None) for each photo. With
    `moved_light` all photos show one setting under a lamp that was moved, and are measured as one (`vision.lights`).
    """

    photos: tuple[Photo, ...]
    declared: Declared
    landmark_mm: float | None = None
    hints: tuple[Hints | None, ...] = ()
    moved_light: bool = False

    def __post_init__(self) -> None:
        if self.hints and len(self.hints) != len(self.photos):
            raise DeclarationError(f"hints for {len(self.hints)} photos", f"the side has {len(self.photos)}", "give one for each photo")
        if self.scale_declared and len(self.photos) > 1:
            rule = "without the strip nothing says where the photos meet"
            raise DeclarationError(f"a declared scale with {len(self.photos)} photos", rule, "measure each by itself")

    @property
    def scale_declared(self) -> bool:
        """True without the printed strip: the scale is a declared one."""
        return any(h is not None and h.scale is not None for h in self.hints)


@dataclass(frozen=True)
class Settings:
    """What holds for a whole measurement.

    Attributes
    ----------
    profile : CameraProfile or None
    stretches : Stretches or None
        Parts of the edge to report apart or to leave out.
    repeatability_mm : float
        Standard deviation of the mean bevel width between the person's own photos of one blade (`vision.repeatability`). One
        more unknown of each photo; it partly repeats what the lines' own rows hold, which errs on the wide side.
    """

    profile: CameraProfile | None = None
    stretches: zones.Stretches | None = None
    repeatability_mm: float = 0.0

    def __post_init__(self) -> None:
        if not 0.0 <= self.repeatability_mm <= _MOST_REPEATABILITY_MM:
            rule = f"it must lie between 0 and {_MOST_REPEATABILITY_MM:g} mm"
            raise DeclarationError(f"--repeatability {self.repeatability_mm:g}", rule, "check the figure and its unit")


def measure(
    photos: Sequence[Photo],
    declared: Declared,
    *,
    profile: CameraProfile | None = None,
    stretches: zones.Stretches | None = None,
    progress: Progress | None = None,
) -> Measurement:
    """Widths and thickness along one photographed side of one blade, the other taken as its mirror image.

    Photos along one strip are merged by position. Raises as `measure_sides` does.
    """
    return measure_sides((Side(tuple(photos), declared),), Settings(profile, stretches), progress)


def measure_sides(
    sides: Sequence[Side], settings: Settings | None = None, progress: Progress | None = None, at_once: int = 1
) -> Measurement:
    """Widths and thickness along one blade from photos of one side or of both.

    Parameters
    ----------
    sides : sequence of Side
        One or two; the first one's scale is that of all positions, readings and stretches.
    settings : Settings, optional
    progress : callable, optional
        Called with the name of the stage and the share done.
    at_once : int
        How many photos are searched at the same time; the result is the same.

    Raises
    ------
    PhotoRefused
        The strip or the edge cannot be found (`TargetNotFound`, `EdgeNotFound`).
    DeclarationError
        No photo, a photo given twice, no angle and no reading, or two sides without a landmark on each.
    """
    settings, report = settings or Settings(), progress or (lambda stage, share: None)
    check(sides)
    seen = _see(sides, settings, report, at_once)
    report("thickness", 0.95)
    result = conclude(sides, seen, settings)
    report("done", 1.0)
    return result


@one_blas_thread()
def conclude(sides: Sequence[Side], seen: Sequence[Sequence[Sighting]], settings: Settings) -> Measurement:
    """Widths, thickness, zones and checks from lines already found: the part that another angle or reading needs anew.

    Parameters
    ----------
    sides : sequence of Side
        As for `measure_sides`; the photos themselves are not looked at.
    seen : sequence of sequences of Sighting
        Each side's photos in order, each found with the same `Declared.of_the_view`; one sighting of all of them with moved light.
    settings : Settings
    """
    for side, group in zip(sides, seen, strict=True):
        _refuse_another_edge(side.declared, group)
    joined = _join(sides, seen, settings.repeatability_mm)
    faces = _faces(sides, [widths for widths, _ in joined])
    fit, checks, remarks = crosscheck.settle(faces)
    found = zones.find_zones(fit, settings.stretches)
    spent = budget.budget(fit, zones.main_mask(fit, found, settings.stretches)) if found else None
    notes = [n for group in seen for s in group for n in s.notes] + [n for _, seams in joined for n in seams]
    widths = _as_found(sides, [w for w, _ in joined], fit)
    second_lines = _alternatives(sides, seen, widths, fit.profile)
    photos = tuple(r for group in seen for s in group for r in s.records)
    return Measurement(
        declared=sides[0].declared,
        photos=photos,
        widths=widths[0],
        thickness=fit.profile,
        zones=found,
        budget=spent,
        cross_checks=checks,
        notes=_once(
            (
                *notes,
                *_gaps([w for w, _ in joined]),
                *undeclared.notes([s.declared for s in sides], [s.scale_declared for s in sides]),
                *_unlikely(sides),
                *_uncommon(found),
                *_by_hand(seen),
                *rivals.notes(second_lines),
                *rivals.told_by_readings(second_lines, checks, fit.profile.fused, photos),
                *_one_sided(faces),
                *_landmark_notes(sides, [w for w, _ in joined]),
                *zones.stretch_notes(fit, settings.stretches),
                *(zones.low_end_notes(fit, found, settings.stretches) if found else ()),
                *remarks,
            )
        ),
        program=_program(),
        created=datetime.now(UTC).isoformat(timespec="seconds"),
        versions=dict(_versions()),
        other=_other(sides, widths[1]) if len(sides) == 2 else None,
        alternatives=second_lines,
    )


def seams(side: Side, seen: Sequence[Sighting], repeatability_mm: float = 0.0) -> tuple[merge.Overlap, ...]:
    """Where photos of one side overlap: the difference of their mean widths and its uncertainty, `Settings.repeatability_mm` included."""
    return merge.merge([_numbered(s.widths(side.declared), i, repeatability_mm) for i, s in enumerate(seen)])[1]


@one_blas_thread()
def what_narrows(sides: Sequence[Side], seen: Sequence[Sequence[Sighting]], settings: Settings) -> Narrowing | None:
    """What would narrow the headline's band most, for what `conclude` takes; None when there is no headline figure."""
    joined = _join(sides, seen, settings.repeatability_mm)
    fit, _, _ = crosscheck.settle(_faces(sides, [widths for widths, _ in joined]))
    found = zones.find_zones(fit, settings.stretches)
    main = zones.main_mask(fit, found, settings.stretches) if found else None
    return narrowing(fit, main) if main is not None and main.any() else None


def check(sides: Sequence[Side]) -> None:
    """Refuse sides that make no measurement; of a photo only its name and SHA-256 are looked at. Raises `DeclarationError`."""
    if not 1 <= len(sides) <= 2 or not all(side.photos for side in sides):
        raise DeclarationError(
            f"{len(sides)} sides with {[len(s.photos) for s in sides]} photos", "a blade has two, each seen by a photo", "give a photo"
        )
    first: dict[str, str] = {}
    for photo in (p for side in sides for p in side.photos):
        if photo.sha256 in first:
            raise DeclarationError(f"photo {photo.name}", f"it is the same picture as {first[photo.sha256]}", "give each photo once")
        first[photo.sha256] = photo.name
    if len(sides) == 2 and not all(s.landmark_mm is not None and math.isfinite(s.landmark_mm) for s in sides):
        raise DeclarationError(
            "two sides without a landmark on each",
            "turned over, the strip runs the other way along the edge",
            "read where the heel or the tip stands on each side's printed scale",
        )


def _see(sides: Sequence[Side], settings: Settings, report: Progress, at_once: int) -> list[list[Sighting]]:
    """Every photo on its own, by side; those of one setting together."""
    todo = [part for side in sides for part in _parts_of(side)]
    tell = _parts(report, len(todo))

    def one(index: int) -> Sighting:
        side = todo[index]
        first, hints = side.photos[0], (*side.hints, None)[0]
        if side.moved_light:
            seen = sight_together(side.photos, side.declared, settings.profile, side.hints, tell[index])
        else:
            seen = sight(first, side.declared, settings.profile, hints, tell[index])
        tell[index](f"{first.name}: both lines found", 1.0)
        return seen

    if min(at_once, len(todo)) > 1:
        with ThreadPoolExecutor(min(at_once, len(todo))) as pool:
            seen = list(pool.map(one, range(len(todo))))
    else:
        seen = [one(i) for i in range(len(todo))]
    left = iter(seen)
    return [[next(left) for _ in _parts_of(side)] for side in sides]


def _parts_of(side: Side) -> list[Side]:
    """What is searched at once: each photo alone, or all of one setting."""
    if side.moved_light:
        return [side]
    hints = side.hints or (None,) * len(side.photos)
    return [replace(side, photos=(p,), hints=(h,)) for p, h in zip(side.photos, hints, strict=True)]


def _join(
    sides: Sequence[Side], seen: Sequence[Sequence[Sighting]], repeatability_mm: float
) -> list[tuple[WidthProfile, tuple[Note, ...]]]:
    """Each side's widths as one profile, with remarks on the seams; photos are numbered through all sides."""
    out, index = [], 0
    for side, group in zip(sides, seen, strict=True):
        widths = []
        for sighting in group:
            widths.append(_numbered(sighting.widths(side.declared), index + sighting.place, repeatability_mm))
            index += len(sighting.records)
        out.append((widths[0], ()) if len(widths) == 1 else merge.merge_photos(widths))
    return out


def _refuse_another_edge(declared: Declared, seen: Sequence[Sighting]) -> None:
    """Refuse photos of one side that show the edge at different distances from the strip: another blade, or one that was moved.

    Both lie still from photo to photo, so the edge is seen in one place but for what its height and the views leave open.
    """
    height, height_u = declared.height_mm

    def course(sighting: Sighting, at_mm: float) -> tuple[np.ndarray, np.ndarray]:
        x, y = sighting.fit.camera.to_height(sighting.lines.apex_px, at_mm)[:, :2].T
        known = np.isfinite(x) & np.isfinite(y)
        order = np.argsort(x[known], kind="stable")
        return x[known][order], y[known][order]

    for one, other in combinations(seen, 2):
        apart = []
        for at_mm in (height, height + height_u):
            (x, y), (there, level) = course(one, at_mm), course(other, at_mm)
            inside = (x >= there.min()) & (x <= there.max()) if len(x) and len(there) > 1 else np.zeros(len(x), bool)
            if inside.sum() < 3 or np.ptp(x[inside]) < merge.SHORTEST_OVERLAP_MM:
                break
            apart.append(float(np.percentile(np.abs(y[inside] - np.interp(x[inside], there, level)), _MOST_OF_IT)))
        if len(apart) == 2 and apart[0] > _ONE_EDGE_MM + abs(apart[1] - apart[0]):
            raise PhotoRefused(
                other.record.name,
                f"it shows the edge up to {apart[0]:.1f} mm away from where {one.record.name} shows it beside the strip: that is another "
                "blade, or blade and strip were moved against each other",
                "give the photos of one blade lying still beside the strip, and measure others apart",
            )


def _numbered(widths: WidthProfile, index: int, repeatability_mm: float) -> WidthProfile:
    sources = dict(widths.systematic_u_mm)
    if repeatability_mm > 0:
        sources["repeatability of the method"] = np.full(widths.width_mm.shape, repeatability_mm)
    return replace(widths, photo=np.full(widths.width_mm.shape, index), systematic_u_mm=sources)


def _faces(sides: Sequence[Side], widths: Sequence[WidthProfile]) -> tuple[Face, ...]:
    if len(sides) == 1:
        return (Face(widths[0], sides[0].declared),)
    faces = merge.both_faces(*((w, s.declared) for w, s in zip(widths, sides, strict=True)), _landmarks(sides))
    if not _shared(faces).any():
        raise DeclarationError(
            f"landmarks at {sides[0].landmark_mm:g} and {sides[1].landmark_mm:g} mm",
            "by them the two sides' photos show no place of the edge in common",
            "read both positions again: one and the same point of the blade, on each side's own scale",
        )
    return faces


def _as_found(sides: Sequence[Side], widths: Sequence[WidthProfile], fit: ThicknessFit) -> list[WidthProfile]:
    """Widths of sides without a declared angle as the angle found makes them: what they were worked out with was a stand-in."""
    angles = face_angles(fit)
    return [
        Face(w, s.declared).at_angle(*angle) if s.declared.included_angle_deg is None and fit.used else w
        for s, w, angle in zip(sides, widths, angles, strict=True)
    ]


def _shared(faces: Sequence[Face]) -> np.ndarray:
    return np.all([np.isfinite(f.widths.width_mm) for f in faces], axis=0)


def _one_sided(faces: Sequence[Face]) -> list[Note]:
    """Where only the first side was seen there is no thickness: say how much of it that is."""
    x, both = faces[0].widths.position_mm, _shared(faces)
    alone = np.isfinite(faces[0].widths.width_mm) & ~both
    # Stations lie whole columns apart, not just the tenth of a mm they are meant to.
    length = float(alone.sum()) * float(np.median(np.diff(x))) if len(x) > 1 else 0.0
    if len(faces) == 1 or length < merge.GAP_MM:
        return []
    text = f"both sides were seen from {x[both].min():z.1f} to {x[both].max():z.1f} mm; {length:.0f} mm of the first side have no other"
    return [Note("one-side-only", text, "photograph the same stretch of both sides", "info")]


def _other(sides: Sequence[Side], widths: WidthProfile) -> OtherSide:
    return OtherSide(sides[1].declared, widths, _landmarks(sides))


def _landmark_notes(sides: Sequence[Side], widths: Sequence[WidthProfile]) -> tuple[Note, ...]:
    return merge.landmark_notes(widths[0], widths[1], _landmarks(sides)) if len(sides) == 2 else ()


def _landmarks(sides: Sequence[Side]) -> tuple[float, float]:
    here, there = (float(s.landmark_mm) for s in sides if s.landmark_mm is not None)
    return here, there


def _unlikely(sides: Sequence[Side]) -> list[Note]:
    """Declared facts that a slip explains better than a knife: they are used as said, and the person is asked."""
    out = []
    for declared in (s.declared for s in sides):
        angle = declared.included_angle_deg
        if angle is not None and angle < _NARROW_INCLUDED_DEG:
            text = (
                f"{angle:g}° included is {angle / 2:g}° a side, which few knives have; if {angle:g}° is one side's, "
                "the thickness comes out at half of what it is"
            )
            out.append(Note("angle-narrow", text, f"check it; both sides together would be {2 * angle:g}°"))
        bars = check_bars(*declared.printed_bar_mm) if declared.printed_bar_mm else None
        if bars and not bars.plausible:
            out.append(Note("bars-unlikely", f"check bars as measured: {bars.why}", bars.remedy))
    return out


def _uncommon(found: Zones | None) -> list[Note]:
    """A thickness that a slip in the scale, the angle or a unit explains better than a knife."""
    low, high = COMMON_MM
    # Without a headline figure the comparison is with NaN, and nothing is said.
    mean_mm = found.main.mean.value_mm if found else math.nan
    if not (mean_mm < low or mean_mm > high):
        return []
    where = f"below {low:g}" if mean_mm < low else f"above {high:g}"
    text = f"a thickness {where} mm behind the edge is beyond what knives commonly have"
    return [Note("thickness-uncommon", text, "check the scale, the angle and their units, and look at both lines in the overlay")]


def _alternatives(
    sides: Sequence[Side], seen: Sequence[Sequence[Sighting]], widths: Sequence[WidthProfile], thickness: ThicknessProfile
) -> tuple[Alternative, ...]:
    """Every side's second lines; photos are numbered through all sides, as in `_join`."""
    out, index = [], 0
    for side, group, own in zip(sides, seen, widths, strict=True):
        numbered = []
        for sighting in group:
            numbered.append((index + sighting.place, sighting))
            index += len(sighting.records)
        out += rivals.alternatives(numbered, side.declared, own, thickness if len(sides) == 1 else None)
    return tuple(out)


def _by_hand(seen: Sequence[Sequence[Sighting]]) -> list[Note]:
    """On record that a person steered the search, and with what."""
    steered = [r for group in seen for s in group for r in s.records if r.hints.guides]
    if not steered:
        return []
    where = "; ".join(f"{r.name} by {', '.join(str(g) for g in r.hints.guides)}" for r in steered)
    return [Note("by-hand", f"corrected by hand: the search was steered in {where}", "nothing to do; it is on record", "info")]


def _gaps(profiles: Sequence[WidthProfile]) -> list[Note]:
    """Where a side's photos show the edge and no line could be trusted for longer than `merge.GAP_MM`, between measured places."""
    out = []
    for i, widths in enumerate(profiles):
        x, known = widths.position_mm, np.flatnonzero(np.isfinite(widths.width_mm))
        # Where no photo shows the edge the merge has said so.
        ends = [(x[a], x[b]) for a, b in pairwise(known) if b - a > 1 and _shown(x[a : b + 1]) > merge.GAP_MM]
        if ends:
            where = ", ".join(f"{a:z.1f} to {b:z.1f} mm" for a, b in ends) + (f" of side {i + 1}" if len(profiles) > 1 else "")
            text = f"no trustworthy line from {where}: no figure knows of this part"
            out.append(Note("gap", text, "see the flags there, and take another photo"))
    return out


def _shown(x: np.ndarray) -> float:
    """How much of the edge between these neighbouring stations photos show, mm."""
    step = np.diff(x)
    return float(step[step <= merge.GAP_MM].sum())


def _parts(report: Progress, count: int) -> list[Progress]:
    """A report for each of `count` photos, some of which may be searched at the same time: the whole is the mean of their shares."""
    shares, lock = [0.0] * count, threading.Lock()

    def tell(index: int, stage: str, share: float) -> None:
        with lock:
            shares[index] = share
            report(stage, 0.9 * sum(shares) / count)

    return [partial(tell, index) for index in range(count)]


def _once(notes: Sequence[Note]) -> tuple[Note, ...]:
    return tuple(dict.fromkeys(notes))


# What is installed does not change while the program runs, and finding out takes as long as a fit.
@cache
def _program() -> str:
    return f"shoulderline {metadata.version('shoulderline')}"


@cache
def _versions() -> dict[str, str]:
    names = ("numpy", "scipy", "opencv-python", "scikit-image", "pillow")
    return {"python": platform.python_version()} | {n: metadata.version(n) for n in names}
