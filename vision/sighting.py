"""What one photo shows, before any angle: photo -> target -> camera -> coarse apex -> straight strip -> apex -> shoulder."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibration_targets.strip import STRIP
from vision import bevel, checks, drawn_edge, finer, lane
from vision.band import notes_of
from vision.camera import CameraFit, fit_camera
from vision.camera_profile import CameraProfile
from vision.declared import Declared
from vision.deeper import read_deep
from vision.errors import DeclarationError, EdgeNotFound, PhotoRefused, TargetNotFound
from vision.flags import Note
from vision.focal import of_account
from vision.hints import Hints, LineKind
from vision.misread import read_anew
from vision.overruled import overruled
from vision.photo import Photo
from vision.reading import Sought, View
from vision.results import PhotoRecord, WidthProfile
from vision.sheet import reduced
from vision.square_view import square_view
from vision.steering import WIDER, left_out, missed
from vision.target import find_target
from vision.threads import one_blas_thread, side_by_side

# Rows kept on the lane side and the blade side of the coarse apex (mm): contact shadow and noise; a common bevel and some cheek (more
# where a bevel is found to be wider: `deeper`).
_LANE_MM, _BLADE_MM = 0.8, 3.2
_NO_STRIP = "or, if the strip is not in the photo, give its scale with --scale, --scale-between or --scale-rule"
# Squares too small for an erf fit: a phone's demosaicked picture is no sharper than this.
_BLUR_UNKNOWN_PX = 1.0
# The shoulder and apex curves are smoothed over 0.07 mm twice (twicing); errors of the fits stay alike over about that.
_LOCAL_LENGTH_MM = 0.12
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
    as_given = photo
    photo, hints = finer.for_search(photo, pointed)
    view = look(photo, declared, profile, hints, report)
    fit, scale = view.fit, view.scale
    report("find both lines", 0.5)
    sought, reading = read_deep(Sought(photo, hints, declared, view))
    report("look at them again", 0.8)
    reading, anew = read_anew(sought, reading)
    strip, edge, line = reading.strip, reading.edge, reading.line
    refuse_without_edge(photo.name, reading.lines, scale, pointed.pointed_at)
    checks.refuse(photo.name, reading.found)
    off = left_out(strip, hints, scale)
    off += missed(reading.to_apex, edge.row, edge.u_px, LineKind.APEX, photo.enlarged)
    off += missed(reading.to_shoulder, line.row, line.u_px, LineKind.SHOULDER, photo.enlarged)
    off += notes_of(reading.edge, scale, strip.column_px)
    off += reading.band.notes(scale, strip.column_px) if reading.band is not None else ()
    record = replace(record_of(photo, view, pointed), checks=reading.found)
    notes = of_account(photo.remarks, fit.focal_source) + view.notes + fit.notes + anew + off + checks.notes(reading.found)
    seen = Sighting(record, finer.own_fit(fit, photo.enlarged), finer.own_lines(reading.lines, photo.enlarged), notes)
    if not pointed.guides:
        return seen
    report("look without the guide points", 0.9)
    return beside_unguided(seen, declared, lambda: sight(as_given, declared, profile, replace(pointed, guides=())))


def beside_unguided(seen: Sighting, declared: Declared, unguided: Callable[[], Sighting]) -> Sighting:
    """What was `seen` with guide points, and what the search finds without them where that is another line."""
    try:
        alone = unguided()
    except (PhotoRefused, DeclarationError):
        # Without the points there is nothing to hold against them.
        return seen
    camera, apex_px = seen.fit.camera, seen.lines.apex_px
    place = seen.fit.position_mm(bevel.apex_points(camera, apex_px, declared.height_mm[0]), apex_px)
    told = overruled(seen.lines, alone.lines, place, camera.px_per_mm)
    return replace(seen, notes=seen.notes + told)


def look(photo: Photo, declared: Declared, profile: CameraProfile | None, hints: Hints, report: Progress) -> View:
    """How the photo is seen and where its edge roughly runs: by the strip, or by a declared scale and a drawn line."""
    if hints.scale is not None:
        return _look_along(photo, declared, profile, hints, report)
    report(f"find the strip in {photo.name}", 0.0)
    try:
        target, small = side_by_side(lambda: find_target(photo.grey(), STRIP, _NO_STRIP), lambda: reduced(photo))
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


def refuse_without_edge(photo: str, lines: bevel.Lines, px_per_mm: float, pointed: Sequence[str]) -> None:
    """Raise `EdgeNotFound` where `lines` measured next to nothing in the photo of this name; `pointed` as `checks.judge` takes it."""
    apart = np.linalg.norm(np.diff(lines.apex_px, axis=0), axis=1)
    apart_mm = float(np.median(apart)) / px_per_mm if len(apart) else 0.0
    measured = int(np.isfinite(lines.shoulder_px).all(axis=1).sum()) * apart_mm
    if measured < _LEAST_EDGE_MM:
        remedy = "bring edge and strip into focus, fill the frame with them, and turn the lamp until the bevel stands out"
        raise EdgeNotFound(
            photo,
            f"a bevel could be told from its surroundings on only {measured:.1f} mm",
            checks.look_again(pointed, remedy) if pointed else checks.look_farther(remedy),
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
