"""The pipeline, readable top to bottom: photo -> target -> camera -> apex -> straight strip -> shoulder -> widths -> thickness -> zones."""

from __future__ import annotations

import platform
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib import metadata

import numpy as np

from calibration_targets.strip import STRIP, Board
from vision import apex, bevel, budget, crosscheck, shoulder, thickness, zones
from vision.camera import CameraFit, fit_camera
from vision.camera_profile import CameraProfile
from vision.declared import Declared
from vision.errors import EdgeNotFound
from vision.flags import Note, StationFlag
from vision.photo import Photo
from vision.results import Measurement, PhotoRecord, WidthProfile
from vision.straighten import straighten
from vision.target import Target, find_target

# Rows kept on the lane side and the blade side of the coarse apex (mm): contact shadow and noise; the widest bevel and some cheek.
_LANE_MM, _BLADE_MM = 0.8, 3.2
# The shoulder and apex curves are smoothed over 0.07 mm twice (twicing); errors of the fits stay alike over about that.
_LOCAL_LENGTH_MM = 0.12
# A photo that gives fewer stations than this is no measurement of an edge (mm).
_LEAST_EDGE_MM = 3.0

Progress = Callable[[str, float], None]


@dataclass(frozen=True, eq=False)
class PhotoResult:
    """What one photo gave: its record, widths and remarks."""

    record: PhotoRecord
    widths: WidthProfile
    notes: tuple[Note, ...]


def measure(
    photos: Sequence[Photo],
    declared: Declared,
    *,
    profile: CameraProfile | None = None,
    stretches: zones.Stretches | None = None,
    progress: Progress | None = None,
) -> Measurement:
    """Widths and thickness along one side of one blade.

    Parameters
    ----------
    photos : sequence of Photo
        Along one strip; they are merged by position.
    declared : Declared
    profile : CameraProfile, optional
    stretches : Stretches, optional
        Parts of the edge to report apart or to leave out.
    progress : callable, optional
        Called with the name of the stage and the share done.

    Raises
    ------
    PhotoRefused
        The strip or the edge cannot be found (`TargetNotFound`, `EdgeNotFound`).
    DeclarationError
        No angle and no reading.
    """
    report = progress or (lambda stage, share: None)
    seen = [measure_photo(photo, declared, profile, _part(report, i, len(photos))) for i, photo in enumerate(photos)]
    report("thickness", 0.95)
    widths, seams = _together(seen)
    fit = thickness.estimate(widths, declared)
    found = zones.find_zones(fit, stretches)
    checks = crosscheck.cross_check(fit)
    spent = budget.budget(fit, zones.main_mask(fit, found, stretches)) if found else None
    notes = tuple(n for s in seen for n in s.notes) + seams + crosscheck.notes(fit, checks)
    report("done", 1.0)
    return Measurement(
        declared=declared,
        photos=tuple(s.record for s in seen),
        widths=widths,
        thickness=fit.profile,
        zones=found,
        budget=spent,
        cross_checks=checks,
        notes=_once(notes),
        program=f"shoulderline {metadata.version('shoulderline')}",
        created=datetime.now(UTC).isoformat(timespec="seconds"),
        versions=_versions(),
    )


def measure_photo(photo: Photo, declared: Declared, profile: CameraProfile | None = None, report: Progress | None = None) -> PhotoResult:
    """Bevel widths along the edge in one photo."""
    report = report or (lambda stage, share: None)
    report(f"find the strip in {photo.name}", 0.0)
    target = find_target(photo.grey(), STRIP)
    fit = fit_camera(target, (photo.width_px, photo.height_px), photo.focal_px, declared, profile)
    report("find the edge", 0.3)
    height = declared.height_mm[0]
    curve = apex.find_apex(photo, fit.camera, height, fit.bar_scale)
    blur = target.blur_px if np.isfinite(target.blur_px) else _BLUR_UNKNOWN_PX
    scale = fit.camera.px_per_mm
    report("straighten", 0.5)
    strip = straighten(photo, curve.curve_px, curve.inward_px, int(_LANE_MM * scale), int(_BLADE_MM * scale))
    edge = apex.refine_apex(strip, blur, scale)
    report("find the shoulder", 0.7)
    line = shoulder.find_shoulder(strip, edge.row, blur, scale)
    lines = _stations(strip, edge, line, scale)
    widths = bevel.profile(lines, fit, declared, _LOCAL_LENGTH_MM)
    _refuse_without_edge(photo, widths)
    return PhotoResult(_record(photo, target, fit, blur, STRIP), widths, photo.remarks + target.notes + fit.notes)


# Squares too small for an erf fit: a phone's demosaicked picture is no sharper than this.
_BLUR_UNKNOWN_PX = 1.0


def _part(report: Progress, index: int, count: int) -> Progress:
    return lambda stage, share: report(stage, 0.9 * (index + share) / count)


def _stations(strip, edge: apex.ApexLine, line: shoulder.ShoulderLine, px_per_mm: float) -> bevel.Lines:
    """Both lines at stations `STATION_STEP_MM` apart."""
    every = max(int(round(bevel.STATION_STEP_MM * px_per_mm)), 1)
    at = np.arange(0, len(edge.row), every)
    flags = edge.flags[at] | line.flags[at]
    lost = ~(np.isfinite(edge.row[at]) & np.isfinite(line.row[at]))
    flags = np.where(lost, flags | int(StationFlag.NOT_MEASURED), flags & ~int(StationFlag.NOT_MEASURED))
    base = np.where(np.isfinite(edge.row[at]), edge.row[at], strip.row_of_apex)
    apex_px = strip.to_photo(base, at)
    shoulder_px = strip.to_photo(np.where(lost, np.nan, line.row[at]), at)
    random = np.hypot(edge.u_px[at], line.u_px[at])
    return bevel.Lines(apex_px, shoulder_px, random, edge.systematic_px[at], line.systematic_px[at], flags)


def _refuse_without_edge(photo: Photo, widths: WidthProfile) -> None:
    measured = int(np.isfinite(widths.width_mm).sum())
    if measured * bevel.STATION_STEP_MM < _LEAST_EDGE_MM:
        raise EdgeNotFound(
            f"{photo.name}",
            f"a bevel could be told from its surroundings on only {measured * bevel.STATION_STEP_MM:.1f} mm",
            "bring edge and strip into focus, fill the frame with them, and turn the lamp until the bevel stands out",
        )


def _together(seen: Sequence[PhotoResult]) -> tuple[WidthProfile, tuple[Note, ...]]:
    if len(seen) == 1:
        return seen[0].widths, ()
    from vision.merge import merge_photos

    return merge_photos([s.widths for s in seen])


def _record(photo: Photo, target: Target, fit: CameraFit, blur: float, board: Board) -> PhotoRecord:
    return PhotoRecord(
        name=photo.name,
        sha256=photo.sha256,
        width_px=photo.width_px,
        height_px=photo.height_px,
        px_per_mm=fit.camera.px_per_mm,
        blur_px=blur,
        focal_px=fit.camera.focal_px,
        focal_source=fit.focal_source,
        camera_distance_mm=fit.camera.distance_mm,
        tilt_deg=fit.camera.tilt_deg,
        target_corners=len(target.ids),
        target_residual_px=target.residual_px,
    )


def _once(notes: Sequence[Note]) -> tuple[Note, ...]:
    return tuple(dict.fromkeys(notes))


def _versions() -> dict[str, str]:
    names = ("numpy", "scipy", "opencv-python", "scikit-image", "pillow")
    return {"python": platform.python_version()} | {n: metadata.version(n) for n in names}
