"""What one photo shows, before any angle: photo -> target -> camera -> coarse apex -> straight strip -> apex -> shoulder."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import gaussian_filter1d

from calibration_targets.strip import STRIP
from vision import apex, bands, bevel, checks, contrast, drawn_edge, examine, finer, lane, marks, penumbra, shoulder
from vision.camera import CameraFit, fit_camera
from vision.camera_profile import CameraProfile
from vision.declared import Declared
from vision.errors import EdgeNotFound, TargetNotFound
from vision.finish import finish_border, with_finish
from vision.flags import Note, StationFlag
from vision.hints import Hints, LineKind, pointing_px
from vision.lane import curve_along
from vision.misread import convincing, misread, note, other_edges, sureness
from vision.photo import Photo
from vision.results import PhotoRecord, WidthProfile
from vision.sheet import reduced
from vision.square_view import square_view
from vision.steering import WIDER, LineGuide, guide_on, left_out, missed
from vision.straighten import StraightStrip, straighten
from vision.target import Target, find_target
from vision.threads import one_blas_thread, side_by_side

# Rows kept on the lane side and the blade side of the coarse apex (mm): contact shadow and noise; the widest bevel and some cheek.
_LANE_MM, _BLADE_MM = 0.8, 3.2
# Squares too small for an erf fit: a phone's demosaicked picture is no sharper than this.
_BLUR_UNKNOWN_PX = 1.0
# A line taken for the edge is followed with its waves (1-2 mm) smoothed out, as the coarse curve is.
_COURSE_MM = 0.4
# The shoulder and apex curves are smoothed over 0.07 mm twice (twicing); errors of the fits stay alike over about that.
_LOCAL_LENGTH_MM = 0.12
# What both lines together may leave of a width (mm, k = 2): at 15 degrees a side 0.02 mm of thickness, more than a caliper's u.
_SURE_MM = 0.04
# A photo that gives fewer stations than this is no measurement of an edge (mm).
_LEAST_EDGE_MM = 3.0

Progress = Callable[[str, float], None]


@dataclass(frozen=True, eq=False)
class Sighting:
    """Both lines in one photo and the camera that saw them; no angle has entered yet.

    Of what a person declares it rests on `Declared.of_the_view` alone, so another angle or reading needs no new search. Photos of one
    setting with the lamp moved are one sighting, in the px of one of them: `others` are the rest in their order, `place` is its own.
    """

    record: PhotoRecord
    fit: CameraFit
    lines: bevel.Lines
    notes: tuple[Note, ...]
    others: tuple[PhotoRecord, ...] = ()
    place: int = 0

    @property
    def records(self) -> tuple[PhotoRecord, ...]:
        """Of all its photos, in the order in which they were given."""
        return (*self.others[: self.place], self.record, *self.others[self.place :])

    @property
    def checks(self) -> tuple[checks.PhotoCheck, ...]:
        """Every check of the registry with what it measured in this photo and its verdict."""
        return self.record.checks

    def widths(self, declared: Declared) -> WidthProfile:
        """Bevel widths along the edge with their budget; `declared` adds the angle and how the blade lies."""
        return bevel.profile(self.lines, self.fit, declared, _LOCAL_LENGTH_MM)


@one_blas_thread()
def sight(
    photo: Photo,
    declared: Declared,
    profile: CameraProfile | None = None,
    hints: Hints | None = None,
    report: Progress | None = None,
) -> Sighting:
    """Find both lines in one photo, near what the person pointed at (`hints`) where they did.

    Raises
    ------
    PhotoRefused
        The strip or the edge cannot be found, or a bevel on too little of it (`TargetNotFound`, `EdgeNotFound`).
    DeclarationError
        A guide point that cannot lie on its line.
    """
    pointed = hints or Hints()
    pointed.check_inside(photo.name, (photo.width_px, photo.height_px))
    report = report or (lambda stage, share: None)
    photo, hints = finer.for_search(photo, pointed)
    view = look(photo, declared, profile, hints, report)
    fit, scale = view.fit, view.scale
    report("straighten", 0.5)
    reading = _read(photo, hints, declared, view, report)
    why = misread(reading.found) if hints.scale is None and not hints.points_of(LineKind.APEX) else None
    other = _read_anew(photo, hints, declared, view, reading, why) if why else None
    reading, anew = other or (reading, ())
    strip, edge, line = reading.strip, reading.edge, reading.line
    refuse_without_edge(photo.name, reading.lines, scale)
    checks.refuse(photo.name, reading.found)
    off = left_out(strip, hints, scale)
    off += missed(reading.to_apex, edge.row, edge.u_px, LineKind.APEX, photo.enlarged)
    off += missed(reading.to_shoulder, line.row, line.u_px, LineKind.SHOULDER, photo.enlarged)
    off += reading.band.notes(scale) if reading.band is not None else ()
    record = replace(record_of(photo, view, pointed), checks=reading.found)
    notes = photo.remarks + view.notes + fit.notes + anew + off + checks.notes(reading.found)
    return Sighting(record, finer.own_fit(fit, photo.enlarged), finer.own_lines(reading.lines, photo.enlarged), notes)


@dataclass(frozen=True, eq=False)
class _Reading:
    """Both lines near one coarse curve, what guides them, what lies before the first, and what the photo checks say of them."""

    strip: StraightStrip
    to_apex: LineGuide | None
    to_shoulder: LineGuide | None
    edge: apex.ApexLine
    line: shoulder.ShoulderLine
    band: bands.Band | None
    lines: bevel.Lines
    found: tuple[checks.PhotoCheck, ...]


def _read(photo: Photo, hints: Hints, declared: Declared, view: View, report: Progress, *, known: bool = False) -> _Reading:
    """Both lines near the view's curve; with `known` that curve is the edge to a px or two, and no other is looked for."""
    curve, blur, scale = view.curve, view.blur_px, view.scale
    strip = straighten(photo, curve.curve_px, curve.inward_px, view.rows[0], view.rows[1])
    columns = strip.valid.shape[1]
    reach = scale, pointing_px((photo.width_px, photo.height_px), photo.enlarged)
    to_apex = guide_on(strip, hints, LineKind.APEX, np.full(columns, strip.row_of_apex), reach)
    course = np.full(columns, strip.row_of_apex) if known else None
    course = drawn_edge.settle(strip, blur, reach, to_apex) if hints.scale else course
    edge = apex.refine_apex(strip, blur, scale, to_apex, course)
    if known and np.isfinite(edge.row).any():
        edge = replace(edge, support=apex.support_along(strip, shoulder.bridged(edge.row), blur, scale))
    report("find the shoulder", 0.7)
    to_shoulder = guide_on(strip, hints, LineKind.SHOULDER, edge.row, reach)
    line, shown = _shoulder(strip, edge, view, to_shoulder)
    band = None
    if to_apex is None:
        # Without the strip the blur is the first line's own, and tells nothing of it.
        soft = None if hints.scale else penumbra.shadow_taken(strip, edge, line, blur, scale)
        band = soft or bands.band_before(strip, edge, line, scale)
    if band is not None and band.shadow.any():
        edge = bands.past_shadow(strip, band, edge, blur, scale)
        line, shown = _shoulder(strip, edge, view, to_shoulder)
    edge = band.on(edge) if band is not None else edge
    streaks = contrast.beside_streaks(strip, edge.row, line.row, edge.blur_px, scale)
    edge = replace(edge, systematic_px=np.hypot(edge.systematic_px, streaks))
    line = with_finish(line, finish_border(shown, edge.row, line, edge.blur_px, scale))
    figures = examine.figures(examine.Seen(photo, view.target, view.fit, shown, edge, line, declared.height_mm[0], curve.path_mm))
    found = checks.judge(figures, view.target is not None, photo.enlarged)
    return _Reading(strip, to_apex, to_shoulder, edge, line, band, stations(strip, edge, line, scale), found)


def _read_anew(
    photo: Photo, hints: Hints, declared: Declared, view: View, first: _Reading, why: checks.PhotoCheck
) -> tuple[_Reading, tuple[Note, ...]] | None:
    """The surest reading about another line that the checks let pass, and what is said of it; None where there is none."""
    scale, curve = view.scale, view.curve
    # As many rows before the curve as a bevel may have.
    strip = straighten(photo, curve.curve_px, curve.inward_px, view.rows[1], view.rows[1])
    more = strip.row_of_apex - first.strip.row_of_apex
    edge, line = (replace(found, row=found.row + more) for found in (first.edge, first.line))
    passed = []
    for row in other_edges(strip, edge, line, scale):
        smooth = gaussian_filter1d(row, _COURSE_MM * scale, mode="nearest")
        there = replace(view, curve=curve_along(strip.to_photo(smooth), strip.normal_px))
        again = _read(photo, hints, declared, there, lambda stage, share: None, known=True)
        if convincing(again.edge, again.line, again.found):
            passed.append((sureness(again.edge, again.line), float(np.nanmedian(row - edge.row)) / scale, again))
    if not passed:
        return None
    _, moved_mm, best = max(passed, key=lambda p: p[0])
    return best, (note(why, moved_mm),)


def _shoulder(
    strip: StraightStrip, edge: apex.ApexLine, view: View, guide: LineGuide | None
) -> tuple[shoulder.ShoulderLine, StraightStrip]:
    """The second line, and the strip without the marks on the cheek that a person's point may lie beyond."""
    if not math.isfinite(view.depth_px) or not np.isfinite(edge.row).any():
        return shoulder.find_shoulder(strip, edge.row, edge.blur_px, view.scale, guide), strip
    bare = marks.bare(strip, edge.row, (edge.blur_px, view.scale), view.depth_px, guide)
    return shoulder.find_shoulder(strip, edge.row, edge.blur_px, view.scale, guide, bare.evidence), bare.strip


@dataclass(frozen=True, eq=False)
class View:
    """The camera, the coarse apex, the blur, rows to keep before and behind the apex, the strip where there is one, and how far from the
    apex the shoulder may lie at most, px."""

    fit: CameraFit
    curve: lane.ApexCurve
    blur_px: float
    rows: tuple[int, int]
    target: Target | None = None
    depth_px: float = math.inf

    @property
    def notes(self) -> tuple[Note, ...]:
        """Remarks on the strip."""
        return self.target.notes if self.target else ()

    @property
    def scale(self) -> float:
        """Photo px per mm."""
        return self.fit.camera.px_per_mm


def look(photo: Photo, declared: Declared, profile: CameraProfile | None, hints: Hints, report: Progress) -> View:
    """How the photo is seen and where its edge roughly runs: by the strip, or by a declared scale and a drawn line."""
    if hints.scale is not None:
        return _look_along(photo, declared, profile, hints, report)
    report(f"find the strip in {photo.name}", 0.0)
    try:
        target, small = side_by_side(lambda: find_target(photo.grey(), STRIP), lambda: reduced(photo))
        fit = fit_camera(target, (photo.width_px, photo.height_px), photo.focal_px, declared, profile)
    except TargetNotFound as error:
        raise error.of(photo.name) from error
    report("find the edge", 0.3)
    curve = lane.find_apex(photo, fit.camera, declared.height_mm[0], fit.bar_scale, hints, small)
    blur = target.blur_px if np.isfinite(target.blur_px) else _BLUR_UNKNOWN_PX
    rows = int(_LANE_MM * fit.camera.px_per_mm), _blade_rows(curve, hints, fit.camera.px_per_mm)
    return View(fit, curve, blur, rows, target)


def _look_along(photo: Photo, declared: Declared, profile: CameraProfile | None, hints: Hints, report: Progress) -> View:
    report("find the edge along the drawn line", 0.1)
    scale = hints.scale
    assert scale is not None
    found = drawn_edge.find_drawn(photo, hints, scale.px_per_mm)
    frame = np.array(hints.along_px), drawn_edge.blade_side(hints, photo)
    fit = square_view(photo, scale, frame, declared, profile)
    # At a coarse scale the windows of the line fits, not the millimetres, set how much lane is needed, and cheek behind the last row
    # where the shoulder may be.
    windows = int(12 * found.blur_px) + 20
    lane_rows = max(int(_LANE_MM * scale.px_per_mm), windows)
    blade_rows = int(found.depth_px) + windows
    return View(fit, found.curve, found.blur_px, (lane_rows, blade_rows), depth_px=found.depth_px)


def _blade_rows(curve: lane.ApexCurve, hints: Hints, px_per_mm: float) -> int:
    """Rows kept on the blade: enough for a bevel as wide as the person points out, and half as much cheek."""
    points = np.array(hints.points_of(LineKind.SHOULDER)).reshape(-1, 2)
    shown = max((float(np.linalg.norm(curve.curve_px - p, axis=1).min()) for p in points), default=0.0)
    return int(max(_BLADE_MM * px_per_mm, WIDER * shown))


def stations(strip: StraightStrip, edge: apex.ApexLine, line: shoulder.ShoulderLine, px_per_mm: float) -> bevel.Lines:
    """Both lines at stations `STATION_STEP_MM` apart."""
    at = np.arange(0, len(edge.row), _station_px(px_per_mm))
    # The curve runs on to the sheet's corners; only what the photo shows is a station.
    at = at[strip.valid[round(strip.row_of_apex), at]]
    flags = edge.flags[at] | line.flags[at]
    lost = ~(np.isfinite(edge.row[at]) & np.isfinite(line.row[at]))
    flags = np.where(lost, flags | int(StationFlag.NOT_MEASURED), flags & ~int(StationFlag.NOT_MEASURED))
    base = np.where(np.isfinite(edge.row[at]), edge.row[at], strip.row_of_apex)
    apex_px = strip.to_photo(base, at)
    shoulder_px = strip.to_photo(np.where(lost, np.nan, line.row[at]), at)
    random = np.hypot(edge.u_px[at], line.u_px[at])
    whole = np.sqrt(random**2 + edge.systematic_px[at] ** 2 + line.systematic_px[at] ** 2)
    flags = np.where(~lost & (2.0 * whole > _SURE_MM * px_per_mm), flags | int(StationFlag.UNSURE), flags)
    named = (flags & int(StationFlag.RIVAL_LINE)) > 0
    rival_px = strip.to_photo(np.where(named, line.rival_row[at], np.nan), at)
    return bevel.Lines(apex_px, shoulder_px, random, edge.systematic_px[at], line.systematic_px[at], flags, rival_px, line.rival_share[at])


def _station_px(px_per_mm: float) -> int:
    return max(round(bevel.STATION_STEP_MM * px_per_mm), 1)


def refuse_without_edge(photo: str, lines: bevel.Lines, px_per_mm: float) -> None:
    """Raise `EdgeNotFound` where `lines` measured next to nothing in the photo of this name."""
    measured = int(np.isfinite(lines.shoulder_px).all(axis=1).sum()) * _station_px(px_per_mm) / px_per_mm
    if measured < _LEAST_EDGE_MM:
        raise EdgeNotFound(
            photo,
            f"a bevel could be told from its surroundings on only {measured:.1f} mm",
            "bring edge and strip into focus, fill the frame with them, and turn the lamp until the bevel stands out",
        )


def record_of(photo: Photo, view: View, hints: Hints) -> PhotoRecord:
    """What is kept of the photo in the px of its file, its checks not yet among it; `hints` as they were given."""
    fit = view.fit
    record = PhotoRecord(
        name=photo.name,
        sha256=photo.sha256,
        width_px=photo.width_px,
        height_px=photo.height_px,
        px_per_mm=fit.camera.px_per_mm,
        blur_px=view.blur_px,
        focal_px=fit.camera.focal_px,
        focal_source=fit.focal_source,
        camera_distance_mm=fit.camera.distance_mm,
        tilt_deg=fit.camera.tilt_deg,
        target_corners=len(view.target.ids) if view.target else 0,
        target_residual_px=fit.residual_px,
        hints=hints,
    )
    return finer.own_record(record, photo.enlarged)
