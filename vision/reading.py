"""Both lines near one coarse curve: straight strip -> apex -> shoulder -> what lies before and beside them -> the photo checks."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from vision import apex, bands, bevel, checks, contrast, drawn_edge, examine, marks, penumbra, shoulder
from vision.band import Band
from vision.camera import CameraFit
from vision.declared import Declared
from vision.finish import finish_border, with_finish
from vision.flags import Note, StationFlag
from vision.hints import Hints, LineKind, pointing_px
from vision.lane import ApexCurve
from vision.photo import Photo
from vision.sources import CLEAR_LINE_MM
from vision.steering import LineGuide, guide_on
from vision.straighten import StraightStrip, straighten, widest_column_px
from vision.target import Target
from vision.threads import side_by_side


@dataclass(frozen=True, eq=False)
class View:
    """The camera, the coarse apex, the blur, rows to keep before and behind the apex, the strip where there is one, and how far from the
    apex the shoulder may lie at most, px."""

    fit: CameraFit
    curve: ApexCurve
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


@dataclass(frozen=True, eq=False)
class Sought:
    """A photo as it is searched, what a person pointed at in it and declared of it, and how it is seen."""

    photo: Photo
    hints: Hints
    declared: Declared
    view: View


@dataclass(frozen=True, eq=False)
class Reading:
    """Both lines near one coarse curve, what guides them, what lies before the first, and what the photo checks say of them."""

    strip: StraightStrip
    to_apex: LineGuide | None
    to_shoulder: LineGuide | None
    edge: apex.ApexLine
    line: shoulder.ShoulderLine
    band: Band | None
    lines: bevel.Lines
    found: tuple[checks.PhotoCheck, ...]


def read(sought: Sought, *, known: bool = False) -> Reading:
    """Both lines near the view's curve; with `known` that curve is the edge to a px or two, and no other is looked for."""
    photo, hints, view = sought.photo, sought.hints, sought.view
    curve, blur, scale = view.curve, view.blur_px, view.scale
    # Along a drawn line the blur is the first line's own, which may be a soft shadow's.
    wide = widest_column_px(blur, scale, photo.enlarged) if hints.scale is None else 1
    strip = straighten(photo, curve.curve_px, curve.inward_px, view.rows[0], view.rows[1], wide)
    columns = strip.valid.shape[1]
    reach = scale, pointing_px((photo.width_px, photo.height_px), photo.enlarged)
    to_apex = guide_on(strip, hints, LineKind.APEX, np.full(columns, strip.row_of_apex), reach)
    course = np.full(columns, strip.row_of_apex) if known else None
    course = drawn_edge.settle(strip, blur, reach, to_apex) if hints.scale else course
    edge = apex.refine_apex(strip, blur, scale, to_apex, course)
    if known and np.isfinite(edge.row).any():
        edge = replace(edge, support=apex.support_along(strip, shoulder.bridged(edge.row), blur, scale))
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
    edge = penumbra.past_penumbra(strip, edge, line, blur, scale)
    edge = band.on(edge) if band is not None else edge
    # The checks look at the line where light shows its step: what a rounding shows is none, and the finish moves it by less than they tell.
    stepped = replace(line, row=line.step_row)
    streaks, border, figures = side_by_side(
        lambda: contrast.beside_streaks(strip, edge.row, line.row, edge.blur_px, scale),
        lambda: finish_border(shown, edge.row, line, edge.blur_px, scale),
        lambda: examine.figures(
            examine.Seen(photo, view.target, view.fit, shown, edge, stepped, sought.declared.height_mm[0], curve.path_mm)
        ),
    )
    edge = replace(edge, systematic_px=np.hypot(edge.systematic_px, streaks))
    line = with_finish(line, border)
    found = checks.judge(figures, view.target is not None, photo.enlarged, hints.pointed_at)
    return Reading(strip, to_apex, to_shoulder, edge, line, band, stations(strip, edge, line, scale), found)


def _shoulder(
    strip: StraightStrip, edge: apex.ApexLine, view: View, guide: LineGuide | None
) -> tuple[shoulder.ShoulderLine, StraightStrip]:
    """The second line, and the strip without the marks on the cheek that a person's point may lie beyond."""
    if not math.isfinite(view.depth_px) or not np.isfinite(edge.row).any():
        return shoulder.find_shoulder(strip, edge.row, edge.blur_px, view.scale, guide), strip
    bare = marks.bare(strip, edge.row, (edge.blur_px, view.scale), view.depth_px, guide)
    return shoulder.find_shoulder(strip, edge.row, edge.blur_px, view.scale, guide, bare.evidence), bare.strip


def stations(strip: StraightStrip, edge: apex.ApexLine, line: shoulder.ShoulderLine, px_per_mm: float) -> bevel.Lines:
    """Both lines at stations `STATION_STEP_MM` apart."""
    at = np.arange(0, len(edge.row), station_columns(px_per_mm / strip.column_px))
    # The curve runs on to the sheet's corners; only what the photo shows is a station.
    at = at[strip.valid[round(strip.row_of_apex), at]]
    flags = edge.flags[at] | line.flags[at]
    lost = ~(np.isfinite(edge.row[at]) & np.isfinite(line.row[at]))
    flags = np.where(lost, flags | int(StationFlag.NOT_MEASURED), flags & ~int(StationFlag.NOT_MEASURED))
    base = np.where(np.isfinite(edge.row[at]), edge.row[at], strip.row_of_apex)
    apex_px = strip.to_photo(base, at)
    shoulder_px = strip.to_photo(np.where(lost, np.nan, line.row[at]), at)
    random = np.hypot(edge.u_px[at], line.u_px[at])
    # Of an enlarged photo's px only so many are independent (`finer.own_lines`).
    whole = np.sqrt((strip.enlarged * random) ** 2 + edge.systematic_px[at] ** 2 + line.systematic_px[at] ** 2)
    flags = np.where(~lost & (whole > CLEAR_LINE_MM * px_per_mm), flags | int(StationFlag.UNSURE), flags)
    named = (flags & int(StationFlag.RIVAL_LINE)) > 0
    rival_px = strip.to_photo(np.where(named, line.rival_row[at], np.nan), at)
    return bevel.Lines(apex_px, shoulder_px, random, edge.systematic_px[at], line.systematic_px[at], flags, rival_px, line.rival_share[at])


def station_columns(columns_per_mm: float) -> int:
    """Columns from one station to the next."""
    return max(round(bevel.STATION_STEP_MM * columns_per_mm), 1)
