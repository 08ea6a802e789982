"""A second look where the first line may not be the edge: other lines are tried in its place, and the photo checks judge what follows.

The edge is searched for from the lane. Where a lamp behind the blade leaves lane and bevel alike, the shoulder is the first clear line;
where the strip ends before a grey or dark lane, its border may be. Either way a line was right and in the wrong role, and the edge is
the line before the first one, or the one behind it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy.ndimage import binary_closing, gaussian_filter1d
from scipy.spatial import cKDTree

from vision.apex import ONE_WAY_DOUBT
from vision.checks import OF_THE_LINES, PhotoCheck, Verdict, line_doubts, refusal
from vision.deeper import UNSURE, read_deep
from vision.errors import EdgeNotFound
from vision.faces import BLOCK_COLUMNS
from vision.flags import Note, StationFlag
from vision.hints import LineKind
from vision.lane import curve_along
from vision.reading import Reading, Sought, stations
from vision.sheet import DARK
from vision.shoulder import bridged, find_shoulder
from vision.straighten import StraightStrip, from_behind, straighten

# Ground steel is brighter than this check allows: where it refuses, what lies behind the first line is a coating, a shadow or a dark lane.
_NO_STEEL = "bevel-dark"
# Where it has doubts, a line may be the edge here and the shoulder there: a dark mirror of a cheek beside a bevel as light as its lane.
_SCARCE, _TWICE = "edge-measured", 2.0
# Another line is farther off than this (mm): what a shadow's border or a path's wobble makes of one is less.
_APART_MM = 0.1
# No other line mends a tilted strip or an edge out of the frame.
_MENDED = OF_THE_LINES | {"bevel-px", "edge-blur"}
# Of lines tried in the place of others nothing may be in doubt but how few px they are apart.
_DOUBTED = OF_THE_LINES | {"apex-soft", "shoulder-soft"}
# What shows along less of the edge than this may be chance.
_MOSTLY = 0.5
# A shadow takes a tenth of the light at least (log), and leaves each channel its share of it: uneven light of one lamp changes it by less.
_SHADED, _TINT = 0.1, 0.1
# A line that is lost for less than this (mm) is gone on with: a waviness or two.
_LOST_MM = 3.0
# A line taken for the edge is followed with its waves (1-2 mm) smoothed out, as the coarse curve is.
_COURSE_MM = 0.4

_PAPER_OR_EDGE = (
    "the first line beyond the strip may be the edge, or the border of the strip's paper; then the edge is the next line, with a bevel too "
    "narrow to be measured",
    "point at the apex with a guide point; or lay the edge over the paper's border, and go closer",
)


def read_anew(sought: Sought, first: Reading) -> tuple[Reading, tuple[Note, ...]]:
    """The reading about another line, with what is said of that, where it is the surer one; else the `first`.

    Raises
    ------
    EdgeNotFound
        Where the first line may be the paper's border, and the second has too few px behind it to tell or there is none and the lines are
        in doubt.
    """
    behind, hints = sought.view.curve.behind, sought.hints
    if hints.scale is not None or hints.points_of(LineKind.APEX):
        return first, ()
    told: tuple[Note, ...] = ()
    if behind is not None:
        _, further = read_deep(replace(sought, view=replace(sought.view, curve=behind)))
        # A cheek has no facet of its own: where one lies behind the second line, and no fainter one, the first was the paper's border.
        if (_convincing(further) and _surer(further, first)) or (refusal(first.found) and not refusal(further.found)):
            return further, (_note("was taken for the border of the strip's paper", sought, first, further),)
        if _too_narrow(further):
            raise EdgeNotFound(sought.photo.name, *_PAPER_OR_EDGE)
        told = _paper_or_edge(sought, first, further)
        first = _in_doubt(first) if told else first
    shaded, why = _darker_between(first), _misread(first.found)
    # A shadow may lie across the printed scale; a bevel taken for lane may not.
    second = _about(sought, first.strip, first.line.row, on_print=shaded) if shaded or why else None
    if shaded and second is not None and _convincing(second):
        return _behind_shadow(sought, first, second)
    if why is None and (scarce := _scarce(first.found)) is not None:
        before = _about_the_line_before(sought, first, or_first=True)
        if before is not None and _convincing(before) and _sureness(before) >= _TWICE * _sureness(first):
            return _of_two_lines(sought, first, before, scarce, told)
    tried = () if why is None else (second, _about_the_line_before(sought, first))
    passed = [again for again in tried if again and _convincing(again)]
    if why is None or not passed:
        _refuse_border(sought, first)
        return first, told
    best = max(passed, key=_sureness)
    return best, (_note(f"is no edge: {why.text}", sought, first, best),)


def _of_two_lines(
    sought: Sought, first: Reading, taken: Reading, why: PhotoCheck, told: tuple[Note, ...]
) -> tuple[Reading, tuple[Note, ...]]:
    """The reading about the line before the first one here and the first one there; where it left the first one it is flagged."""
    scale, lines = sought.view.scale, taken.lines
    apexes = first.lines.apex_px[np.isfinite(first.lines.apex_px).all(axis=1)]
    off = cKDTree(apexes).query(lines.apex_px)[0]
    moved = (off > _APART_MM * scale) & np.isfinite(lines.shoulder_px).all(axis=1)
    flagged = replace(taken, lines=replace(lines, flags=np.where(moved, lines.flags | int(StationFlag.RIVAL_LINE), lines.flags)))
    text = (
        f"the first line beyond the strip is the edge on a part of the photo only: {why.text}; on {moved.mean():.0%} of the stations the "
        f"edge was taken to be the line before it, {np.median(off[moved]) / scale if moved.any() else 0.0:.2f} mm nearer to the strip"
    )
    note = Note(
        "edge-taken-anew", text, "look at the overlay; turn the lamp until bevel and lane differ, or point at the apex with a guide point"
    )
    return flagged, (*told, note)


def _refuse_border(sought: Sought, first: Reading) -> None:
    """Raise where a line that may be the paper's border has no line behind it and a caution about its lines: as two such cautions do."""
    doubts = line_doubts(first.found)
    if sought.view.curve.border and doubts:
        why = f"the only line beyond the strip is as straight as the border of the strip's paper, and {doubts[0].text}"
        raise EdgeNotFound(f"{sought.photo.name} ({doubts[0].name})", why, f"show the blade's edge beyond that border; {doubts[0].remedy}")


def _behind_shadow(sought: Sought, first: Reading, second: Reading) -> tuple[Reading, tuple[Note, ...]]:
    """The reading about the second line, where the first surface may be the lane in the blade's own shadow.

    A hard shadow is as sharp as an edge, keeps the lane's colour and is darker than the lane and than what is lit behind it. So is a dark
    bevel; but its cheek has no facet behind. A dark facet at the apex has: half of what lies between both lines stays in doubt.
    """
    band, edge = float(np.nanmedian(first.line.row - first.edge.row)), second.edge
    edge = replace(edge, systematic_px=np.hypot(edge.systematic_px, ONE_WAY_DOUBT * band), flags=edge.flags | int(StationFlag.SHADOW))
    taken = replace(second, edge=edge, lines=stations(second.strip, edge, second.line, sought.view.scale))
    return taken, (_note("may end the blade's own shadow on the lane, or a dark facet at the edge", sought, first, taken),)


def _darker_between(reading: Reading) -> bool:
    """Whether mostly the first surface is darker than the lane and than the second surface, and has the lane's colour."""
    lights = _lights(reading)
    if lights is None:
        return False
    lane, between, behind = lights
    darker = [between.mean(axis=1) < other.mean(axis=1) - _SHADED for other in (lane, behind)]
    tint = np.median(np.abs((between - between.mean(axis=1, keepdims=True)) - (lane - lane.mean(axis=1, keepdims=True))), axis=0)
    return bool((darker[0] & darker[1]).mean() > _MOSTLY and tint.max() < _TINT)


def _lights(reading: Reading) -> tuple[np.ndarray, np.ndarray, np.ndarray] | None:
    """Log light (N, 3) of what lies before the first line, between both and behind the second, place by place; None without lines."""
    strip, edge, line = reading.strip, reading.edge, reading.line
    at = np.flatnonzero(np.isfinite(edge.row) & np.isfinite(line.row))[::BLOCK_COLUMNS]
    if not len(at):
        return None
    apex, width = edge.row[at], (line.row - edge.row)[at]

    def light(rows: np.ndarray) -> np.ndarray:
        cells = np.clip(np.rint(rows).astype(int), 0, len(strip.linear) - 1)
        return np.log(np.maximum(strip.linear[cells, at].mean(axis=0), 0.0) + DARK)

    # Clear of the blur of both lines, and of the contact shadow.
    clear = 3.0 * edge.blur_px + 1.0
    lane = light(apex - 2.0 * clear - np.arange(4)[:, None])
    between = light(apex + np.array([0.4, 0.5, 0.6])[:, None] * width)
    return lane, between, light(apex + width + clear + np.arange(4)[:, None])


def _too_narrow(reading: Reading) -> bool:
    """Whether a reading has another face behind its two lines, but too few px between them to be told from one. What has one and the same
    surface on both sides is a streak or a scratch."""
    found, lights = {c.name: c.verdict for c in reading.found}, _lights(reading)
    if lights is None or found["bevel-px"] is not Verdict.REFUSED:
        return False
    other = np.abs(lights[2] - lights[0]).max(axis=1) > _SHADED
    return found["faces-alike"] in (Verdict.FINE, Verdict.CAUTION) and bool(other.mean() > _MOSTLY)


def _misread(found: Sequence[PhotoCheck]) -> PhotoCheck | None:
    """The check that says the first line has no ground steel behind it; None where none does, or where a photo is refused anyway."""
    refused = {c.name: c for c in found if c.verdict is Verdict.REFUSED}
    if not refused.keys() <= _MENDED:
        return None
    # Behind an even coating there is no second line, and nothing is measured at all.
    measured = {c.name for c in found if c.verdict is not Verdict.NOT_MEASURED}
    return refused.get(_NO_STEEL if _NO_STEEL in measured else _SCARCE)


def _scarce(found: Sequence[PhotoCheck]) -> PhotoCheck | None:
    """The check that says that on much of the edge no two lines were found, where nothing refuses the photo."""
    doubts = (c for c in found if c.name == _SCARCE and c.verdict is Verdict.CAUTION)
    return None if refusal(found) else next(doubts, None)


def _convincing(reading: Reading) -> bool:
    """Whether a reading about another line may be taken: no refusal, no caution about lines and faces, and lines that mostly are sure."""
    doubts = any(c.verdict is Verdict.CAUTION and c.name in _DOUBTED for c in reading.found)
    return not doubts and refusal(reading.found) is None and _sureness(reading) >= _MOSTLY


def _sureness(reading: Reading) -> float:
    """Share 0..1 of the columns in which both lines stand by themselves, with no other as good."""
    edge, line = reading.edge, reading.line
    seen = np.isfinite(edge.row) & np.isfinite(line.row)
    return float((seen & (((edge.flags | line.flags) & UNSURE) == 0)).mean())


def _surer(one: Reading, other: Reading) -> bool:
    """Whether more of the edge and the faces themselves speak for a reading than for another."""
    apart = [next(c.measured for c in r.found if c.name == "faces-alike") for r in (one, other)]
    return _sureness(one) >= _sureness(other) and bool(apart[0] >= apart[1])


def _about_the_line_before(sought: Sought, first: Reading, *, or_first: bool = False) -> Reading | None:
    """The reading about the line before the first one, within the blank lane, or else about the first where none is sure; None where there
    is none."""
    if not np.isfinite(first.edge.row).any():
        return None
    view, curve = sought.view, sought.view.curve
    # As many rows before the curve as a bevel may have.
    wide = first.strip.column_px
    strip = straighten(sought.photo, curve.curve_px, curve.inward_px, view.rows[1], view.rows[1], wide)
    more, last = strip.row_of_apex - first.strip.row_of_apex, len(strip.valid) - 1
    before = find_shoulder(from_behind(strip), last - first.edge.row - more, first.edge.blur_px, view.scale, alone=False)
    row = last - before.row
    if or_first:
        sure = np.isfinite(row) & ((before.flags & UNSURE) == 0)
        # Where it is lost for a short way, at the photo's end too, it goes on; farther off the first line is the edge itself.
        reach = int(_LOST_MM * view.scale / wide)
        near = binary_closing(np.pad(sure, reach, constant_values=True), np.ones(reach | 1, bool))[reach : reach + len(sure)]
        row = np.where(near, bridged(np.where(sure, row, np.nan)), first.edge.row + more) if sure.any() else row
    return _about(sought, strip, row)


def _about(sought: Sought, strip: StraightStrip, row: np.ndarray, *, on_print: bool = False) -> Reading | None:
    """The reading about a line, rows (S,) of a strip; None where it is mostly unknown, or lies on the strip's print unless it may."""
    view = sought.view
    if np.isfinite(row).mean() < _MOSTLY:
        return None
    px = strip.to_photo(gaussian_filter1d(bridged(row), _COURSE_MM * view.scale / strip.column_px, mode="nearest"))
    if not on_print and np.median(_from_strip(sought, px)) <= view.curve.lane_from_mm:
        return None
    return read_deep(replace(sought, view=replace(view, curve=curve_along(px, strip.normal_px))), known=True)[1]


def _from_strip(sought: Sought, px: np.ndarray) -> np.ndarray:
    """(N,) mm from the strip's near side to photo px (N, 2)."""
    return sought.view.fit.camera.to_height(px, sought.declared.height_mm[0])[:, 1]


def _paper_or_edge(sought: Sought, first: Reading, further: Reading) -> tuple[Note, ...]:
    """That nothing in the photo tells the line taken from the border of the strip's paper; nothing where the second has no apex."""
    off = float(np.nanmedian(_from_strip(sought, further.lines.apex_px)) - np.nanmedian(_from_strip(sought, first.lines.apex_px)))
    if not math.isfinite(off):
        return ()
    text = (
        "the first line beyond the strip was taken for the edge; it is as straight as the border of the strip's paper, and nothing "
        f"behind it rules that out: then the edge would be the line {off:.1f} mm behind it"
    )
    return (Note("paper-or-edge", text, "look at the overlay; point at the apex with a guide point if the line is not the edge"),)


def _in_doubt(reading: Reading) -> Reading:
    """The reading with every station that it measured flagged: another line explains the picture as well."""
    lines = reading.lines
    measured = np.isfinite(lines.shoulder_px).all(axis=1)
    return replace(reading, lines=replace(lines, flags=np.where(measured, lines.flags | int(StationFlag.RIVAL_LINE), lines.flags)))


def _note(what: str, sought: Sought, first: Reading, taken: Reading) -> Note:
    one, other = (float(np.nanmedian(_from_strip(sought, r.lines.apex_px))) for r in (first, taken))
    return Note(
        "edge-taken-anew",
        f"the first line beyond the strip {what}; the edge was taken to be the line {abs(other - one):.2f} mm "
        f"{'behind' if other > one else 'before'} it",
        "look at the overlay; turn the lamp until bevel and lane differ, or point at the apex with a guide point",
    )
