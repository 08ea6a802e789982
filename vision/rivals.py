"""Where a second line explains the picture nearly as well as the shoulder taken: what it would mean, stretch by stretch."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from vision import bevel
from vision.declared import Declared
from vision.flags import Note
from vision.results import Alternative, ThicknessProfile, WidthProfile
from vision.sighting import Sighting

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
