"""Where a second line explains the picture nearly as well as the shoulder taken: what it would mean, stretch by stretch."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from vision import bevel
from vision.declared import Declared
from vision.flags import Note
from vision.results import Alternative, CrossCheck, PhotoRecord, ThicknessProfile, WidthProfile
from vision.sighting import Sighting
from vision.sources import PLACEMENT_MM

# Stretches closer together than this are one; one shorter than half of it is a speck, flagged like any and not named.
_JOIN_MM = 1.0
# Between neighbours a line's width does not jump by more than this share: beyond it the rival is another line.
_ONE_LINE = 0.2
# Named in the note; the result holds all.
_NAMED = 3


def alternatives(
    seen: Sequence[tuple[int, Sighting]], declared: Declared, widths: WidthProfile, thickness: ThicknessProfile | None
) -> tuple[Alternative, ...]:
    """Stretches of one side with a rival line.

    Parameters
    ----------
    seen : sequence of (int, Sighting)
        The side's, each with the number of the photo that its stations lie in.
    declared : Declared
    widths : WidthProfile
        The side's own, all photos together.
    thickness : ThicknessProfile or None
        At the stations of `widths`, the other side its mirror image; None where both sides were photographed.
    """
    out: list[Alternative] = []
    known = np.isfinite(widths.width_mm)
    if known.sum() < 2:
        return ()
    for index, sighting in seen:
        lines = sighting.lines
        if lines.rival_px is None or not np.isfinite(lines.rival_px).any():
            continue
        pose, camera = bevel.Pose.of(declared), sighting.fit.camera
        ratio = bevel.widths(camera, lines.apex_px, lines.rival_px, pose) / bevel.widths(camera, lines.apex_px, lines.shoulder_px, pose)
        apex = bevel.apex_points(camera, lines.apex_px, pose.height_mm)
        place = sighting.fit.position_mm(apex, lines.apex_px)
        for part in _stretches(place, ratio):
            at = float(np.median(place[part]))
            factor = float(np.median(ratio[part]))
            taken = float(np.interp(at, widths.position_mm[known], widths.width_mm[known]))
            thick = math.nan
            if thickness is not None:
                thick = factor * float(np.interp(at, widths.position_mm[known], thickness.thickness_mm[known]))
            ends = float(place[part].min()), float(place[part].max())
            share = float(np.median(lines.rival_share[part])) if lines.rival_share is not None else math.nan
            out.append(Alternative(index, *ends, share, factor * taken, taken, thick, lines.rival_px[part]))
    return tuple(out)


def _stretches(place: np.ndarray, ratio: np.ndarray) -> list[np.ndarray]:
    """Indices of the stations of each stretch over which one rival line runs."""
    at = np.flatnonzero(np.isfinite(ratio) & np.isfinite(place))
    if not len(at):
        return []
    apart = (np.abs(np.diff(place[at])) > _JOIN_MM) | (np.abs(np.diff(np.log(np.maximum(ratio[at], 1e-3)))) > _ONE_LINE)
    return [p for p in np.split(at, np.flatnonzero(apart) + 1) if np.ptp(place[p]) >= _JOIN_MM / 2]


def notes(found: Sequence[Alternative]) -> tuple[Note, ...]:
    """One caution that names the longest stretches, the alternative's width and the thickness it would mean."""
    if not found:
        return ()
    longest = sorted(found, key=lambda a: a.start_mm - a.end_mm)[:_NAMED]
    parts = []
    for a in sorted(longest, key=lambda a: a.start_mm):
        thick = f", thickness {a.thickness_mm:.2f} mm at the same angle" if math.isfinite(a.thickness_mm) else ""
        parts.append(f"from {a.start_mm:z.1f} to {a.end_mm:z.1f} mm: bevel width {a.width_mm:.2f} instead of {a.taken_mm:.2f} mm{thick}")
    left = len(found) - len(longest)
    more = f"; and {left} shorter {'stretch' if left == 1 else 'stretches'}" if left else ""
    text = f"a second line explains the picture nearly as well as the shoulder taken, {'; '.join(parts)}{more}"
    return (Note("rival-line", text, "look at the dotted line in the overlay; turn the lamp, or point at the shoulder with --guide"),)


def told_by_readings(
    found: Sequence[Alternative], checks: Sequence[CrossCheck], fused: bool, photos: Sequence[PhotoRecord]
) -> tuple[Note, ...]:
    """A caution for each questioned reading that agrees with a second line at its place: where to point, if that is the shoulder.

    `fused`: whether any reading has a part in the thickness.
    """
    out = []
    for check in checks:
        near = [a for a in found if check.questioned and _covers(a, check)]
        meant = [_meant(a, check, fused) for a in near]
        off = np.abs(np.array(meant) - check.reading.thickness_mm)
        # Within what it was held against (k = 2).
        if not (off <= abs(check.difference_mm) / max(check.e_n, 1e-9)).any():
            continue
        which = int(np.nanargmin(off))
        best = near[which]
        along = (check.reading.position_mm - best.start_mm) / max(best.end_mm - best.start_mm, 1e-9)
        x, y = best.line_px[round(min(max(along, 0.0), 1.0) * (len(best.line_px) - 1))]
        text = (
            f"reading {check.reading.thickness_mm:g} mm at {check.reading.position_mm:g} mm agrees with the second line there, which would "
            f"mean {meant[which]:.2f} mm, and not with the shoulder taken"
        )
        point = f"--guide shoulder:{x:.0f},{y:.0f}" + (f" in {photos[best.photo].name}" if len(photos) > 1 else "")
        advice = (
            f"look at the dotted line in the overlay; if it is the shoulder, point at it ({point}); "
            "a reading that chose a line checks it no more"
        )
        out.append(Note("reading-on-second-line", text, advice))
    return tuple(out)


def _covers(found: Alternative, check: CrossCheck) -> bool:
    """Whether a reading was taken on the stretch, to what its place is known to."""
    return found.start_mm - PLACEMENT_MM <= check.reading.position_mm <= found.end_mm + PLACEMENT_MM


def _meant(found: Alternative, check: CrossCheck, fused: bool) -> float:
    """What a reading should be by the second line, the reading itself apart, mm; NaN where both sides were photographed."""
    if not math.isfinite(found.thickness_mm):
        return math.nan
    return check.predicted_mm * found.width_mm / found.taken_mm if fused else found.thickness_mm
