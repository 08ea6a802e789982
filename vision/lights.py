"""Two to six photos of one setting with the lamp moved, measured as one.

Rounding, glare and reflections move with the lamp; the corner and the silhouette do not. Every photo has its own camera from the strip
and is resampled on one grid of the sheet: columns along the common apex, rows up the bevel's face. The evidence of all lights together
says which line is the shoulder; each light then says where in the rounding it sees it, and `vision.rounded` where the corner is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import gaussian_filter1d

from vision import apex, checks, examine, finer, reading, rounded, shoulder, sighting
from vision.agreed import settle_together
from vision.camera_profile import CameraProfile
from vision.declared import Declared
from vision.deeper import deepened, named_beside, same_line
from vision.errors import DeclarationError, PhotoRefused
from vision.evidence import shoulder_evidence
from vision.faces import Evidence
from vision.finish import finish_border, with_finish_of_all
from vision.flags import Note, StationFlag
from vision.focal import of_account
from vision.hints import Hints, LineKind, pointing_px
from vision.photo import Photo
from vision.reading import View
from vision.sighting import Progress, Sighting
from vision.steering import LineGuide, guide_on
from vision.straighten import StraightStrip, straighten, widest_column_px
from vision.threads import one_blas_thread

MOST_LIGHTS = 6
# The rows climb the bevel's face at a usual angle per side; 5 degrees off it moves a shoulder 1 mm up by 0.09 mm in height, which two
# cameras 3 degrees apart see 5 um apart.
_NOMINAL_ANGLE = np.radians(15.0)
# The same edge along a strip that stayed is seen in one place to within the height's parallax; a chip or a notch is deeper.
_SAME_PLACE_MM = 0.08
_SAME_SHARE = 0.5
# A line through less of the edge than this says nothing of its ends.
_LEAST_SHARE = 0.1
# Corners of the strip give a pose to this (px at the edge), whatever the light.
_POSE_PX = 0.05
# What light does to the place of an apex: glare and shadow at its foot (`apex` has 0.35 of a blur radius at worst).
_APEX_LIGHT_PX = 0.3
# Smoothing of the coarse course along the edge (mm), as in `lane`.
_COURSE_MM = 0.4
# Waves of the edge are compared at this many mm of shift; beyond half a wave (1-2 mm) they match no more.
_MOST_SHIFT_MM, _LEAST_SHIFT_MM = 4.0, 0.5


@dataclass(frozen=True, eq=False)
class _Shot:
    """One photo as it is searched and seen by itself, and what was `pointed` at in the px of its file."""

    photo: Photo
    hints: Hints
    view: View
    pointed: Hints

    @property
    def scale(self) -> float:
        """Photo px per mm."""
        return self.view.scale


@dataclass(frozen=True, eq=False)
class _Lit:
    """One photo on the common grid; `shift` (S,) rows by which its apex stands off the reference's."""

    shot: _Shot
    strip: StraightStrip
    blur_px: float
    edge: apex.ApexLine
    shift: np.ndarray
    height_mm: float


@one_blas_thread()
def sight_together(
    photos: Sequence[Photo],
    declared: Declared,
    profile: CameraProfile | None = None,
    hints: Sequence[Hints | None] = (),
    report: Progress | None = None,
) -> Sighting:
    """Find both lines in photos of one setting; the lines are given in the px of the sharpest of them.

    Raises
    ------
    PhotoRefused
        As `vision.sighting.sight`; or a photo does not belong to the setting.
    DeclarationError
        Fewer than two or more than six photos, or guide points in more than one.
    """
    report = report or (lambda stage, share: None)
    given = tuple(h or Hints() for h in hints) or (Hints(),) * len(photos)
    _check(photos, given)
    shots = []
    for i, (own, pointed) in enumerate(zip(photos, given, strict=True)):
        pointed.check_inside(own.name, (own.width_px, own.height_px))
        photo, h = finer.for_search(own, pointed)
        view = sighting.look(photo, declared, profile, h, _part(report, i, len(photos)))
        shots.append(_Shot(photo, h, view, pointed))
    main = int(np.argmin([s.view.blur_px / s.scale for s in shots]))
    report("bring the photos together", 0.6)
    lit, edge, (line, each, note) = _by_all(shots, main, declared, report)
    while view := deepened(shots[main].view, lit[main].strip, line.row - edge.row):
        shots[main] = replace(shots[main], view=view)
        again, again_edge, found = _by_all(shots, main, declared, report)
        if not same_line(line, line.row - edge.row, found[0].row - again_edge.row):
            line = named_beside(line, edge.row, found[0].row - again_edge.row)
            break
        lit, edge, (line, each, note) = again, again_edge, found
    _same_waves(lit, each, shots[main].scale)
    seen = _sighting(lit, main, edge, line, note)
    if not any(h.guides for h in given):
        return seen
    report("look without the guide points", 0.9)
    unguided = tuple(replace(h, guides=()) for h in given)
    return sighting.beside_unguided(seen, declared, lambda: sight_together(photos, declared, profile, unguided))


def _by_all(
    shots: Sequence[_Shot], main: int, declared: Declared, report: Progress
) -> tuple[list[_Lit], apex.ApexLine, tuple[shoulder.ShoulderLine, np.ndarray, Note]]:
    """The photos on one grid, the apex of all, and what `_one_shoulder` gives."""
    lit = _on_one_grid(shots, main, declared)
    edge = _one_apex(lit)
    report("find the shoulder", 0.75)
    return lit, edge, _one_shoulder(lit, edge, shots[main].scale)


def _check(photos: Sequence[Photo], hints: Sequence[Hints]) -> None:
    if not 2 <= len(photos) <= MOST_LIGHTS:
        raise DeclarationError(
            f"{len(photos)} photo{'s' * (len(photos) != 1)} with the lamp moved", f"one setting needs 2 to {MOST_LIGHTS}", "give as many"
        )
    if sum(bool(h.guides) for h in hints) > 1:
        raise DeclarationError("guide points in several photos of one setting", "they share one line", "place them in one of the photos")
    if any(h.scale for h in hints):
        raise DeclarationError(
            "a declared scale with the lamp moved", "the strip brings the photos together", "lay the strip beside the edge"
        )


def _part(report: Progress, index: int, count: int) -> Progress:
    return lambda stage, share: report(stage, 0.6 * (index + share) / count)


def _on_one_grid(shots: Sequence[_Shot], main: int, declared: Declared) -> list[_Lit]:
    """Every photo straightened along the common coarse apex, with its own refined apex and how far that stands off."""
    height, scale = declared.height_mm[0], shots[main].scale
    course = _course(shots, main, height)
    tangent = np.gradient(course, axis=0)
    tangent /= np.linalg.norm(tangent, axis=1)[:, None]
    inward = np.column_stack([-tangent[:, 1], tangent[:, 0], np.zeros(len(course))])
    up = inward * np.cos(_NOMINAL_ANGLE) + np.array([0.0, 0.0, 1.0]) * np.sin(_NOMINAL_ANGLE)
    at = np.column_stack([course, np.full(len(course), height)])
    lane, blade = (int(max(s.view.rows[i] / s.scale for s in shots) * scale) for i in (0, 1))
    wide = min(widest_column_px(s.view.blur_px * scale / s.scale, scale, s.photo.enlarged) for s in shots)
    out = []
    for shot in shots:
        camera = shot.view.fit.camera
        base = camera.project(at)
        strip = straighten(shot.photo, base, (camera.project(at + up) - base) / scale, lane, blade, wide)
        blur = shot.view.blur_px * scale / shot.scale
        columns = strip.valid.shape[1]
        guide = _guide(strip, shot, LineKind.APEX, np.full(columns, strip.row_of_apex), scale)
        out.append(_Lit(shot, strip, blur, apex.refine_apex(strip, blur, scale, guide, alone=False), np.zeros(columns), height))
    return _aligned(out, main, declared)


def _course(shots: Sequence[_Shot], main: int, height_mm: float) -> np.ndarray:
    """(S, 2) sheet mm of the coarse apex, a photo px apart along it: the median of what the photos say."""
    curves = []
    for shot in shots:
        px, size = shot.view.curve.curve_px, (shot.photo.width_px, shot.photo.height_px)
        inside = ((px >= 0) & (px <= np.array(size) - 1)).all(axis=1)
        curves.append(shot.view.fit.camera.to_height(px[inside], height_mm)[:, :2])
    x = np.arange(curves[main][:, 0].min(), curves[main][:, 0].max(), 1.0 / shots[main].scale)
    ys = []
    for shot, curve in zip(shots, curves, strict=True):
        order = np.argsort(curve[:, 0])
        ys.append(np.interp(x, curve[order, 0], curve[order, 1], left=np.nan, right=np.nan))
        if np.isfinite(ys[-1]).mean() < _SAME_SHARE:
            why = f"it shows less than half of the edge that {shots[main].photo.name} shows"
            raise PhotoRefused(shot.photo.name, why, "keep the frame on the same stretch and move the lamp alone")
    y = gaussian_filter1d(np.nanmedian(ys, axis=0), _COURSE_MM * shots[main].scale, mode="nearest")
    arc = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x), np.diff(y)))])
    even = np.arange(0.0, arc[-1], 1.0 / shots[main].scale)
    return np.column_stack([np.interp(even, arc, x), np.interp(even, arc, y)])


def _guide(strip: StraightStrip, shot: _Shot, line: LineKind, start: np.ndarray, scale: float) -> LineGuide | None:
    """The guide placed in one photo on the common grid, whose px (`scale` of them a mm) are those of the sharpest one."""
    reach = pointing_px((shot.photo.width_px, shot.photo.height_px), shot.photo.enlarged) * scale / shot.scale
    return guide_on(strip, shot.hints, line, start, (scale, reach))


def _aligned(lit: Sequence[_Lit], main: int, declared: Declared) -> list[_Lit]:
    """How far each photo's rows stand off: what its apex says, as far as pose and height allow it to be true."""
    scale = lit[main].shot.scale
    lit, shares = _agreed(lit, scale)
    for v, same in zip(lit, shares, strict=True):
        if same < _SAME_SHARE:
            why = f"its edge does not lie where the other photos show it, only {100 * same:.0f} % of it within {_SAME_PLACE_MM} mm"
            raise PhotoRefused(v.shot.photo.name, why, "leave strip and blade as they are and move the lamp alone, or measure it apart")
    common = _middle(lit)
    out, height_u = [], declared.height_mm[1] / np.sqrt(3.0)
    for v in lit:
        # A wrong height shifts a photo against another by the change of the line of sight.
        slant = np.linalg.norm(_slant(v.shot.view) - _slant(lit[main].shot.view))
        true = _POSE_PX**2 + (height_u * slant * scale) ** 2
        trend = _line_through(v.edge.row - common) * true / (true + _APEX_LIGHT_PX**2)
        out.append(replace(v, shift=trend))
    return [replace(v, shift=v.shift - out[main].shift) for v in out]


def _middle(lit: Sequence[_Lit]) -> np.ndarray:
    """(S,) median row of all lights' apexes, NaN where none shows one."""
    rows = np.array([v.edge.row for v in lit])
    seen = np.isfinite(rows).any(axis=0)
    out = np.full(rows.shape[1], np.nan)
    out[seen] = np.nanmedian(rows[:, seen], axis=0)
    return out


def _agreed(lit: Sequence[_Lit], px_per_mm: float) -> tuple[list[_Lit], list[float]]:
    """The lights with the line of each at the apex of all, and the share 0..1 of it that each shows.

    Light hides an edge that is as bright as its lane, and the first clear line of that photo is then the shoulder; shadows and reflections
    lie elsewhere under another lamp. So where the lights disagree, the apex is the first line that more than half of them show.
    """
    common = _middle(lit)
    shares = [_share_there(v, common, px_per_mm) for v in lit]
    if min(shares) >= _SAME_SHARE:
        return list(lit), shares
    own = [shoulder.bridged(v.edge.row) for v in lit if np.isfinite(v.edge.row).any()]
    course, support = settle_together([v.strip for v in lit], [v.blur_px for v in lit], px_per_mm, known=own)
    if support < _SAME_SHARE:
        course = common
    again = [_looked_again(v, course, px_per_mm) for v in lit]
    return again, [_share_shown(lit, i, again[i], course, px_per_mm) for i in range(len(lit))]


def _only(lit: _Lit, there: np.ndarray) -> _Lit:
    """The light with its apex in the columns (S,) that are `there`, not measured elsewhere."""
    flags = lit.edge.flags | np.where(there, 0, int(StationFlag.NOT_MEASURED))
    return replace(lit, edge=replace(lit.edge, row=np.where(there, lit.edge.row, np.nan), flags=flags))


def _there(lit: _Lit, common: np.ndarray, px_per_mm: float) -> np.ndarray:
    """(S,) whether this photo shows a line of its own at the common apex, not merely a place where one was looked for."""
    # Beyond half a pixel of random uncertainty there is no line to speak of, only what the fit was started from.
    return (lit.edge.u_px < 0.5) & (np.abs(lit.edge.row - common) < max(_SAME_PLACE_MM * px_per_mm, 3.0))


def _share_there(lit: _Lit, common: np.ndarray, px_per_mm: float) -> float:
    """Share of the common apex at which this photo shows a line of its own."""
    there = _there(lit, common, px_per_mm)
    return float(there.sum() / max((np.isfinite(common) & lit.strip.valid[round(lit.strip.row_of_apex)]).sum(), 1))


def _share_shown(lit: Sequence[_Lit], index: int, again: _Lit, common: np.ndarray, px_per_mm: float) -> float:
    """Share of the common apex that a photo shows, looked at `again`.

    A photo that passed it by for a clearer line farther on may show it in means along the edge alone, or not at all: then it belongs to the
    setting where most of the others show that clearer line as well, the shoulder. One whose own line comes first shows another edge.
    """
    share, own = _share_there(again, common, px_per_mm), lit[index].edge.row
    if not np.isfinite(own).any() or np.nanmedian(own - common) <= _SAME_PLACE_MM * px_per_mm:
        return share
    own = shoulder.bridged(own)
    theirs = [apex.support_along(v.strip, own, v.blur_px, px_per_mm) for i, v in enumerate(lit) if i != index]
    return max(share, again.edge.support, float(np.sort(theirs)[(len(theirs) - 1) // 2]))


def _looked_again(lit: _Lit, common: np.ndarray, px_per_mm: float) -> _Lit:
    """The apex searched once more near where the lights show it together: in one of them it may be the weaker of two lines."""
    guide = LineGuide(common, max(_SAME_PLACE_MM * px_per_mm, 4.0))
    edge = apex.refine_apex(lit.strip, lit.blur_px, px_per_mm, guide, alone=False)
    found = replace(lit, edge=replace(edge, flags=edge.flags & ~int(StationFlag.BY_HAND)))
    return _only(found, _there(found, common, px_per_mm))


def _slant(view: View) -> np.ndarray:
    """(2,) sideways mm by which a point 1 mm up is seen displaced on the sheet, at the edge's middle."""
    middle = view.fit.camera.to_height(np.median(view.curve.curve_px, axis=0)[None], 0.0)[0]
    ray = view.fit.camera.origin_mm - middle
    return ray[:2] / ray[2]


def _line_through(off: np.ndarray) -> np.ndarray:
    """(S,) straight line through values (S,) with gaps, outliers of more than three robust sigmas left out; 0 where too few are known."""
    at = np.linspace(-1.0, 1.0, len(off))
    good = np.isfinite(off)
    if good.sum() < _LEAST_SHARE * len(off):
        return np.zeros(len(off))
    for _ in range(4):
        line = np.polyval(np.polyfit(at[good], off[good], 1), at)
        away = np.abs(off - line)
        good = np.isfinite(off) & (away <= max(3 * 1.4826 * float(np.median(away[good])), 0.1))
    return line


def _one_apex(lit: Sequence[_Lit]) -> apex.ApexLine:
    """The silhouette of all lights in the reference's rows."""
    rows = np.array([v.edge.row - v.shift for v in lit])
    random, systematic = np.array([v.edge.u_px for v in lit]), np.array([v.edge.systematic_px for v in lit])
    place = rounded.centre(rows, random, systematic)
    blur = float(np.median([v.edge.blur_px for v in lit]))
    return apex.ApexLine(place.row, place.u_px, place.systematic_px, _flags([v.edge.flags for v in lit], rows, place.row), blur)


def _flags(flags: Sequence[np.ndarray], rows: np.ndarray, together: np.ndarray) -> np.ndarray:
    """(S,) what most of the lights that see the line say of it."""
    bits, known = np.array(flags), np.isfinite(rows)
    out = np.zeros(rows.shape[1], int)
    for flag in StationFlag:
        count = (((bits & int(flag)) > 0) & known).sum(axis=0)
        out |= np.where(2 * count > known.sum(axis=0), int(flag), 0)
    return np.where(np.isfinite(together), out & ~int(StationFlag.NOT_MEASURED), out | int(StationFlag.NOT_MEASURED))


def _one_shoulder(lit: Sequence[_Lit], edge: apex.ApexLine, scale: float) -> tuple[shoulder.ShoulderLine, np.ndarray, Note]:
    """The corner by all lights; the rows (P, S) at which each sees it; and a remark on how far they differ. `scale`: px a mm."""
    apexes = [edge.row + v.shift for v in lit]
    evidence = _together([shoulder_evidence(v.strip, shoulder.bridged(a), v.edge.blur_px, scale) for v, a in zip(lit, apexes, strict=True)])
    guides = [_guide(v.strip, v.shot, LineKind.SHOULDER, a, scale) for v, a in zip(lit, apexes, strict=True)]
    guide = next((g for g in guides if g is not None), None)
    lines = [
        shoulder.find_shoulder(v.strip, a, v.edge.blur_px, scale, guide, evidence, alone=False) for v, a in zip(lit, apexes, strict=True)
    ]
    rows = np.array([line.row - v.shift for line, v in zip(lines, lit, strict=True)])
    lights = [rounded.seen(v.strip, line, (v.edge.blur_px, v.blur_px), scale) for v, line in zip(lit, lines, strict=True)]
    corner = rounded.corner(rows, lights, scale, lit[0].strip.column_px)
    flags = _flags([line.flags for line in lines], rows, corner.place.row)
    best = lines[int(np.argmax([np.isfinite(r).sum() for r in rows]))]
    systematic = corner.place.systematic_px
    if corner.alike:
        # Many photos of one light tell no more of the corner than one.
        single = np.array([np.where(np.isfinite(line.systematic_px), line.systematic_px, np.inf) for line in lines]).min(axis=0)
        systematic = np.where(np.isfinite(single), np.maximum(systematic, single), systematic)
    one = replace(best, row=corner.place.row, u_px=corner.place.u_px, systematic_px=systematic, flags=flags)
    one = replace(one, sigma_px=np.fmin.reduce([line.sigma_px for line in lines]))
    borders = [finish_border(v.strip, a, line, v.edge.blur_px, scale) for v, a, line in zip(lit, apexes, lines, strict=True)]
    one = with_finish_of_all(one, rows, np.array([line.u_px for line in lines]), borders, alike=corner.alike)
    return one, rows, _UNMOVED if corner.alike else _remark(len(lit), corner.spread_px / scale, corner.reach_px / scale)


_UNMOVED = Note(
    "lamp-unmoved",
    "the photos of this setting show bevel and cheek in one and the same light: together they tell no more of the shoulder than one",
    "move the lamp by a hand's breadth or more from photo to photo",
)


def _remark(count: int, spread_mm: float, reach_mm: float) -> Note:
    text = f"{count} photos with the lamp moved were measured as one: they show the shoulder {1000 * spread_mm:.0f} µm apart (root mean "
    text += f"square), and its rounding is taken to reach {1000 * reach_mm:.0f} µm to either side"
    return Note("lights", text, "nothing to do; it is on record", "info")


def _together(each: Sequence[Evidence]) -> Evidence:
    """Mean evidence of all lights: the corner speaks in most, a reflection's border in one."""
    reach = min(len(e.score) for e in each)
    score = np.mean([e.score[:reach] for e in each], axis=0)
    return Evidence(score, np.all([e.allowed[:reach] for e in each], axis=0), each[0].column)


def _same_waves(lit: Sequence[_Lit], rows: np.ndarray, scale: float) -> None:
    """Refuse a photo along whose edge the waves of apex and shoulder stand elsewhere: the strip was moved along the blade."""
    # Columns per mm from here on.
    scale /= lit[0].strip.column_px
    waves = [_waves(v.edge.row - v.shift, r, scale) for v, r in zip(lit, rows, strict=True)]
    for i, v in enumerate(lit):
        others = np.mean([w for j, w in enumerate(waves) if j != i], axis=0)
        lags = np.arange(-int(_MOST_SHIFT_MM * scale), int(_MOST_SHIFT_MM * scale) + 1, max(int(0.05 * scale), 1))
        match = np.array([_match(waves[i], others, int(lag)) for lag in lags])
        best = int(np.argmax(match))
        here = match[np.abs(lags) < _LEAST_SHIFT_MM * scale].max()
        # Correlations of some twenty independent waves scatter by 0.2: three of that apart is no chance.
        if abs(lags[best]) > _LEAST_SHIFT_MM * scale and match[best] > 0.7 and match[best] - here > 0.6:
            why = f"its edge lies {abs(lags[best]) / scale:.1f} mm farther along the strip than in the other photos"
            raise PhotoRefused(v.shot.photo.name, why, "leave strip and blade as they are and move the lamp alone, or measure it apart")


def _waves(first: np.ndarray, second: np.ndarray, columns_per_mm: float) -> np.ndarray:
    """(S,) the width's waves of 0.3 to 4 mm, 0 where there is no line."""
    width = second - first
    known = np.isfinite(width)
    if known.sum() < 2:
        return np.zeros(len(width))
    filled = np.interp(np.arange(len(width)), np.flatnonzero(known), width[known])
    short, long = (gaussian_filter1d(filled, mm * columns_per_mm, mode="nearest") for mm in (0.15, 1.0))
    wave = short - long
    return np.where(known, np.clip(wave, *np.percentile(wave[known], [2, 98])), 0.0)


def _match(one: np.ndarray, other: np.ndarray, lag: int) -> float:
    """Correlation of one curve with the other moved by `lag` columns."""
    a, b = (one[lag:], other[: len(other) - lag]) if lag >= 0 else (one[:lag], other[-lag:])
    return float(a @ b / np.sqrt(max(float((a @ a) * (b @ b)), 1e-12)))


def _sighting(lit: Sequence[_Lit], main: int, edge: apex.ApexLine, line: shoulder.ShoulderLine, note: Note) -> Sighting:
    """Stations in the reference's px; each photo keeps its own checks, and the setting is refused by what every light shows."""
    lines = reading.stations(lit[main].strip, edge, line, lit[main].shot.scale)
    names = ", ".join(v.shot.photo.name for v in lit)
    # Pointed at in one of them, it leads the search in all.
    pointed = tuple(dict.fromkeys(said for v in lit for said in v.shot.pointed.pointed_at))
    sighting.refuse_without_edge(names, lines, lit[main].shot.scale, pointed)
    found = [checks.judge(examine.figures(_seen(v, edge, line)), enlarged=v.shot.photo.enlarged, pointed=pointed) for v in lit]
    best = tuple(min(of_all, key=lambda c: list(checks.Verdict).index(c.verdict)) for of_all in zip(*found, strict=True))
    checks.refuse(names, best)
    records = [replace(sighting.record_of(v.shot.photo, v.shot.view, v.shot.pointed), checks=f) for v, f in zip(lit, found, strict=True)]
    fits = [v.shot.view.fit for v in lit]
    notes = [
        n for v, f in zip(lit, fits, strict=True) for n in (*of_account(v.shot.photo.remarks, f.focal_source), *v.shot.view.notes, *f.notes)
    ]
    notes = tuple(dict.fromkeys((*notes, *checks.notes(best), note)))
    others = tuple(r for i, r in enumerate(records) if i != main)
    enlarged = lit[main].shot.photo.enlarged
    fit, lines = finer.own_fit(lit[main].shot.view.fit, enlarged), finer.own_lines(lines, enlarged)
    return Sighting(records[main], fit, lines, notes, others, main)


def _seen(lit: _Lit, edge: apex.ApexLine, line: shoulder.ShoulderLine) -> examine.Seen:
    """The common lines as they lie in one of the photos."""
    own_edge, own_line = replace(edge, row=edge.row + lit.shift), replace(line, row=line.row + lit.shift)
    view = lit.shot.view
    return examine.Seen(lit.shot.photo, view.target, view.fit, lit.strip, own_edge, own_line, lit.height_mm, view.curve.path_mm)
