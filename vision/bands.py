"""A band between the line taken for the apex and the bevel's grind lines: the blade's own hard shadow, or a facet at the apex.

A small lamp behind the edge throws a shadow on the lane whose border is as sharp as the edge itself, and a soft one may be nearly so.
A shadow is darker than the lane and than the bevel behind it, has none of the bevel's grind lines (`vision.grain`, read from the shoulder
outward), keeps the lane's colour, and ends in one sharp step. Three cues look for its end: the lines' beginning, the step, the colour;
where one of the last two stands alone, doubt remains. A facet (micro-bevel) has no lines of the bevel either, but is no shadow when it is
brighter than the lane or than the bevel.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import gaussian_filter1d, maximum_filter1d, median_filter, uniform_filter1d

from vision.apex import ONE_WAY_DOUBT, ApexLine, refine_apex, support_along
from vision.band import WHOLE_ROWS, Band, carried, closed, joined, runs
from vision.faces import BLOCK_COLUMNS
from vision.grain import Grain, grain
from vision.noise import colour_is_coarse
from vision.paths import smooth_along
from vision.shoulder import ShoulderLine, bridged
from vision.straighten import StraightStrip
from vision.threads import side_by_side

# Length along the edge over which evidence is brought together (mm, standard deviation): a shadow or facet runs on for millimetres.
_ALONG_MM = 2.0
# Mean log likelihood that must speak for a later beginning: a chance of one in a hundred in every window of `vision.grain`, several of
# which count together; and what is enough beside such a stretch.
_SURE, _BESIDE = 4.6, 1.0
# A band narrower than this many rows lies within the blur and the sharpening halo of the line before it.
_LEAST_ROWS = 4
# Of the bevel, the share in which a band is looked for: a wider one would be most of the bevel itself.
_MOST_SHARE = 1 / 3
# Two parts of one ground face differ by 3 % (log); three times that is another face.
_OTHER_FACE = 0.09
# One block's likelihood may not outweigh those of a whole stretch.
_MOST_AGAINST = 30.0
# What the place where grind lines end is good to, rows.
_WHOLE_ROWS_AROUND = 3
# Of two places so nearly alike in likelihood (log) neither is told from the other.
_NEARLY = 0.8
# In the core of a lamp's shadow at least half of the light is gone, and what reflects the lamp beside it is brighter than that (log).
_UMBRA = -0.7
# Of all that was taken for the bevel, the share in which a shadow's far end is looked for: a bevel must be left.
_MOST_OF_ALL = 0.8
# How much darker than the lane a shadow is that brightness alone tells (log); and the share of a step within 1.5 blur radii on either side
# that a sharp one has (nine tenths in focus; a reflection's border on a curved face less than half).
_SHADED, _SHARP = -0.3, 0.7
# A step this many times the root mean square of the others is none of them.
_STANDS_OUT = 4.0
# Share of the blocks over several mm that must agree.
_MOSTLY = 0.7
# Rows over which JPEG's half resolution and a phone's smoothing smear colour.
_COLOUR_ROWS = 6
# And where it keeps colour coarsely: a block of 16 px (ITU-T T.81 at half resolution) and what filling in between its samples adds.
_COLOUR_BLOCK = 18
# Colours of two surfaces differ by more than uneven light of one lamp makes (log ratio), and by several times their own noise.
_OTHER_TINT, _TINT_NOISE = 0.03, 0.35
# What a shadow takes of the light at least (log); a bevel's own reflection of a coloured wall takes none.
_DARKENED = -0.15
# Columns about a block's centre that tell its mean brightness.
_NEARBY = (-2, 0, 2)
# Rows of lane that the search for the beginning of the lines runs on to: more than a pattern's own gap (`vision.grain`).
_LANE_ROWS = 40


def past_shadow(strip: StraightStrip, band: Band, edge: ApexLine, blur_px: float, px_per_mm: float) -> ApexLine:
    """The apex fitted anew where the bevel begins, the shadow's own border out of the fits' sight; `blur_px` as for `refine_apex`."""
    course = bridged(band.course)
    middle = np.where(band.shadow, course - np.nan_to_num(band.rows) / 2, -np.inf)
    lit = np.arange(len(strip.valid))[:, None] >= middle
    # A beginning of grind lines is good to a row or two.
    again = refine_apex(replace(strip, valid=strip.valid & lit), blur_px, px_per_mm, None, course, travel_px=2.0 * WHOLE_ROWS)
    kept = np.where(band.shadow, again.row, edge.row)
    own = {f: np.where(band.shadow, getattr(again, f), getattr(edge, f)) for f in ("u_px", "systematic_px", "flags")}
    if edge.ahead is not None:
        own["ahead"] = np.where(band.shadow, 0.0, edge.ahead)
    if edge.sigma_px is not None and again.sigma_px is not None:
        own["sigma_px"] = np.where(band.shadow, again.sigma_px, edge.sigma_px)
    if band.shadow.mean() <= 0.5:
        return replace(edge, row=kept, **own)
    # Where most of the edge had been taken from a shadow, so had its blur, and what shows along it.
    support = support_along(strip, bridged(kept), blur_px, px_per_mm) if np.isfinite(kept).any() else edge.support
    return replace(edge, row=kept, blur_px=again.blur_px, support=support, **own)


def band_before(strip: StraightStrip, edge: ApexLine, line: ShoulderLine, px_per_mm: float) -> Band | None:
    """Look for a band between the apex taken and the beginning of the bevel's grind lines; None where nothing was measured.

    Parameters
    ----------
    strip : StraightStrip
    edge, line : ApexLine, ShoulderLine
        As found.
    px_per_mm : float
    """
    known = np.flatnonzero(np.isfinite(line.row))
    # A band before nothing measured says nothing of an edge.
    if not np.isfinite(edge.row).any() or len(known) <= 0.5 * (known[-1] - known[0] + 1 if len(known) else 0):
        return None
    # A shadow's own border is softer than the photo.
    blur = min(edge.blur_px, float(np.nanmedian(line.sigma_px)))
    scale = px_per_mm / strip.column_px
    found = _Found(strip.grey, strip.valid, bridged(edge.row), bridged(line.row), blur, scale, strip.enlarged, strip.column_px)
    band = _whole(found, edge)
    if band is None:
        cues = side_by_side(lambda: _valley(found, edge), lambda: _tinted(found, strip, edge), lambda: _within(found, edge))
        band = joined(cues[0], joined(cues[1], cues[2]))
    if band is None:
        return None
    along = max(round(2.0 * _ALONG_MM * scale), 1)
    band = carried(closed(band, found.first, along), found.first)
    bevel = uniform_filter1d(np.isfinite(line.row).astype(float), along, mode="nearest") >= 0.5
    shadow = band.shadow & bevel
    return Band(
        np.where(shadow, band.course, edge.row),
        shadow,
        band.facet & bevel,
        np.where(bevel, band.rows, np.nan),
        np.where(bevel, band.doubt, 0.0),
    )


@dataclass(frozen=True, eq=False)
class _Found:
    """The strip (R, S) in linear light and what of it the photo shows, both lines (S,), the blur, columns per mm and px per column."""

    grey: np.ndarray
    valid: np.ndarray
    first: np.ndarray
    second: np.ndarray
    blur_px: float
    columns_per_mm: float
    enlarged: int = 1
    column_px: int = 1

    @property
    def least(self) -> int:
        """Rows of the narrowest band that can be told."""
        return max(_LEAST_ROWS, int(np.ceil(3.0 * self.blur_px)))

    @property
    def column(self) -> np.ndarray:
        """(C,) centres of the blocks of columns."""
        return (np.arange(len(self.first) // BLOCK_COLUMNS) + 0.5) * BLOCK_COLUMNS - 0.5

    def grain(self, grey: np.ndarray, line: np.ndarray, valid: np.ndarray) -> Grain:
        """Where the lines of the face behind a line (S,) end in a picture (R, S) of this strip, or of its mirror image."""
        return grain(grey, line, self.blur_px, self.columns_per_mm, BLOCK_COLUMNS, valid, self.enlarged, self.column_px)

    def blocks(self, row: np.ndarray) -> np.ndarray:
        """(C,) of (S,)."""
        return np.interp(self.column, np.arange(len(row)), row)

    def columns(self, block: np.ndarray) -> np.ndarray:
        """(S,) of (C,): interpolated, a mask by nearest block."""
        at = np.arange(len(self.first))
        if block.dtype == bool:
            return block[np.clip(at // BLOCK_COLUMNS, 0, len(block) - 1)]
        return np.interp(at, self.column, block)


def _whole(found: _Found, edge: ApexLine) -> Band | None:
    """All that was taken for the bevel is the shadow: it is dark, and grind lines run from its far side to one more line."""
    grey, least = found.grey, found.least
    width = found.blocks(found.second - found.first)
    lane, band, bevel = _levels(found, width)
    umbra = (band < lane + _UMBRA) & (band < bevel + _UMBRA) & (width >= least)
    if umbra.mean() <= 0.5:
        return None
    onward = found.grain(grey, found.second, found.valid)
    along = _ALONG_MM * found.columns_per_mm / BLOCK_COLUMNS
    end = gaussian_filter1d(np.maximum(onward.short, -_MOST_AGAINST), along, axis=1, mode="nearest").argmax(axis=0)
    inside = (onward.trust >= 1.0) & (end >= least) & (end < len(onward.short) - 2 * least)
    # A line of its own must stand there: the pattern of a tumbled face ends everywhere.
    near, far = (int(np.ceil(k * found.blur_px)) + 1 for k in (1.5, 5.0))
    light = _profile(replace(found, first=found.second), np.arange(-far - 3, len(onward.short) + far + 4))
    rows = end + np.arange(-_WHOLE_ROWS_AROUND, _WHOLE_ROWS_AROUND + 1)[:, None] + far + 3
    steps = np.abs([_rise_at(light, r, near) for r in rows])
    place = rows[steps.argmax(axis=0), np.arange(len(end))]
    step, wide = steps.max(axis=0), np.abs(_rise_at(light, place, far))
    line = (step > _OTHER_FACE) & (step > _SHARP * wide)
    inside &= uniform_filter1d(line.astype(float), max(round(2.0 * along), 1), mode="nearest") >= _MOSTLY
    # One place does not speak for the whole edge here: what is at stake is which faces these are.
    if (inside & umbra).mean() <= 0.5:
        return None
    shadow = _stretches(inside & umbra, umbra)
    shadow_at = found.columns(shadow)
    rows = np.where(shadow_at, found.second - found.first, np.nan)
    nothing = np.zeros(len(rows), bool)
    return Band(np.where(shadow_at, found.second, edge.row), shadow_at, nothing, rows, np.zeros(len(rows)))


def _tinted(found: _Found, strip: StraightStrip, edge: ApexLine) -> Band | None:
    """A shadow told by colour: it keeps the lane's, up to the place where the bevel's begins.

    Of the way from the lane's colour to the bevel's, half is where the edge is; JPEG and phones smear colour over some px, evenly.
    """
    width = int(np.median(found.second - found.first))
    most = int(_MOST_OF_ALL * width)
    least = max(found.least, _smear(found, strip))
    if most <= least:
        return None
    rows, colour = np.arange(-_LANE_ROWS, width), _COLOUR_ROWS * strip.enlarged
    light = _profile(found, rows)
    lane_light = light[: _LANE_ROWS - 3].max(axis=0)
    if (light[_LANE_ROWS + least - colour :].min(axis=0) < lane_light + _DARKENED).mean() < 1 - _MOSTLY:
        return None
    red, green, blue = (_profile(replace(found, grey=strip.linear[..., i]), rows, (0,)) for i in range(3))
    ratios = np.stack([red - green, blue - green])
    before, inside = ratios[:, : _LANE_ROWS - colour], ratios[:, _LANE_ROWS + int(0.5 * width) : _LANE_ROWS + most]
    lane, bevel = np.median(before, axis=1), np.median(inside, axis=1)
    way = bevel - lane
    length = np.maximum((way**2).sum(axis=0), 1e-9)
    share = ((ratios - lane[:, None]) * way[:, None]).sum(axis=0) / length
    noise = np.std(share[: _LANE_ROWS - colour], axis=0) + np.std(share[_LANE_ROWS + int(0.5 * width) : _LANE_ROWS + most], axis=0)
    # Halfway for good: the last row that still has more of the lane's colour.
    place = most - (share[_LANE_ROWS : _LANE_ROWS + most][::-1] < 0.5).argmax(axis=0)
    darker = light[_LANE_ROWS + np.maximum(place - colour, 0), np.arange(light.shape[1])] - lane_light
    told = (np.sqrt(length) > _OTHER_TINT) & (noise < _TINT_NOISE) & (place >= least) & (place < most) & (darker < _DARKENED)
    return _one_cue(found, edge, told, place - 1, (place - 1, colour / 2))


def _smear(found: _Found, strip: StraightStrip) -> int:
    """Rows over which the photo smears colour: a whole block where the lane's colour has no noise, so that it is kept coarsely."""
    at, before = np.rint(found.column).astype(int), np.arange(-_LANE_ROWS, -_COLOUR_ROWS)[:, None]
    rows = np.clip(np.rint(found.blocks(found.first)).astype(int) + before, 0, len(strip.linear) - 1)
    log = np.log(np.maximum(strip.linear[rows, at], 0.0) + 0.01)
    steps = np.diff(np.stack([log[..., 0] - log[..., 1], log[..., 2] - log[..., 1]]), axis=1)
    return strip.enlarged * (_COLOUR_BLOCK if colour_is_coarse(steps.reshape(2, -1)) else _COLOUR_ROWS)


def _one_cue(found: _Found, edge: ApexLine, told: np.ndarray, place: np.ndarray, near: tuple[np.ndarray, float]) -> Band | None:
    """The shadow that one cue tells of, block by block (`told` (C,), its end behind row `place` (C,)), where most of several mm agree.

    `near`: a row (C,) that must lie so close to the smoothed place.
    """
    level = median_filter(place.astype(float), 2 * round(found.columns_per_mm / BLOCK_COLUMNS) + 1, mode="nearest")
    told = told & (np.abs(near[0] - level) <= near[1])
    share = uniform_filter1d(told.astype(float), max(round(2.0 * _ALONG_MM * found.columns_per_mm / BLOCK_COLUMNS), 1), mode="nearest")
    shadow = _stretches(share >= _MOSTLY, share >= 1 - _MOSTLY) & (level + 1.0 >= found.least)
    shadow &= ~_is_bevel(found, shadow, level)
    if not shadow.any():
        return None
    shadow_at, rows = found.columns(shadow), found.columns(level + 0.5)
    course, nothing = np.where(shadow_at, found.first + rows, edge.row), np.zeros(len(rows), bool)
    return Band(course, shadow_at, nothing, np.where(shadow_at, rows, np.nan), np.where(shadow_at, ONE_WAY_DOUBT * rows, 0.0))


def _is_bevel(found: _Found, shadow: np.ndarray, level: np.ndarray) -> np.ndarray:
    """(C,) stretches of `shadow` (C,) that are the dark bevel itself: they end at the second line, `level` (C,) rows on, and the first line
    runs on past them without a step. Where a shadow had been followed instead of the edge, the line comes back to the edge beyond it."""
    first, width = found.blocks(found.first), found.blocks(found.second - found.first)
    beyond, out = round(found.columns_per_mm / BLOCK_COLUMNS), np.zeros(len(shadow), bool)
    for start, stop in runs(shadow):
        if (level[start:stop] >= _MOST_OF_ALL * width[start:stop]).mean() <= 0.5:
            continue
        # Inside and outside of both ends, as far as the photo shows them.
        sides = [(i, o) for i, o in ((start, start - beyond), (stop - 1, stop - 1 + beyond)) if 0 <= o < len(shadow)]
        steps = [abs(first[o] - first[i]) < abs(first[o] - first[i] - level[i]) for i, o in sides]
        out[start:stop] = bool(steps) and all(steps)
    return out


def _valley(found: _Found, edge: ApexLine) -> Band | None:
    """A shadow told by brightness alone: from the lane on it grows darker up to the edge, and there a sharp step leads to a lighter face.

    A bevel's own reflection has a soft border, a dark bevel ends at the shoulder, streaks along a bevel are many; only a dark facet looks
    the same, and is rarer by far.
    """
    width = int(np.median(found.second - found.first))
    most = int(_MOST_OF_ALL * width)
    near, far = (int(np.ceil(k * found.blur_px)) + 1 for k in (1.5, 5.0))
    if most <= found.least + near:
        return None
    light = _profile(found, np.arange(-_LANE_ROWS, width + far + 3))
    row, blocks = np.arange(found.least, max(width - near - 3, most)), np.arange(light.shape[1])
    step = _rise(light, _LANE_ROWS + row, near)
    best = step[: most - found.least].argmax(axis=0)
    rise, wide = step[best, blocks], _rise_at(light, _LANE_ROWS + row[best], far)
    # The other steps of the bevel behind it: grind lines along the edge make many, a shadow's end is one.
    last = found.blocks(found.second - found.first) - 2 * near - 3
    others = (np.arange(len(row))[:, None] > best + 2 * near) & (row[:, None] < last)
    usual = np.sqrt((np.where(others, step, 0.0) ** 2).sum(axis=0) / np.maximum(others.sum(axis=0), 1))
    before = light[_LANE_ROWS + row[best] - near - 1, blocks]
    lane = light[: _LANE_ROWS - near].max(axis=0)
    along = 2 * round(found.columns_per_mm / BLOCK_COLUMNS) + 1
    sharp = rise > _SHARP * np.maximum(wide, rise)
    alone = (rise > _OTHER_FACE) & (rise > _STANDS_OUT * median_filter(usual, along, mode="nearest"))
    place = _steepest(light, _LANE_ROWS + row[best], near) - _LANE_ROWS
    dark = (before < lane + _SHADED) & ~_same_before(light[_LANE_ROWS:], row[best], near)
    return _one_cue(found, edge, alone & sharp & dark, place, (row[best], near + 1.0))


def _same_before(light: np.ndarray, row: np.ndarray, near: int) -> np.ndarray:
    """(C,) whether most of what lies between the first line (row 0) and a step at `row` (C,), clear of both by `near` rows, is as bright as
    the face behind it: a dark streak on a bevel has that same bevel on both of its sides, where a shadow grows darker all the way."""
    rows, blocks = np.arange(len(light))[:, None], np.arange(light.shape[1])
    behind = np.mean([light[np.minimum(row + near + k, len(light) - 1), blocks] for k in range(1, 4)], axis=0)
    band = (rows > near) & (rows < row - near)
    same = (band & (np.abs(light - behind) < _OTHER_FACE)).sum(axis=0)
    return 2 * same > band.sum(axis=0)


def _steepest(light: np.ndarray, row: np.ndarray, reach: int) -> np.ndarray:
    """(C,) row about `row` (C,) across which it grows lighter fastest."""
    blocks, tried = np.arange(light.shape[1]), row + np.arange(-reach, reach + 1)[:, None]
    grown = light[np.clip(tried + 1, 0, len(light) - 1), blocks] - light[np.clip(tried, 0, len(light) - 1), blocks]
    return (row + grown.argmax(axis=0) - reach).astype(float)


def _profile(found: _Found, rows: np.ndarray, nearby: tuple[int, ...] = _NEARBY) -> np.ndarray:
    """(K, C) log brightness `rows` (K,) beyond the first line, from columns `nearby` each block's centre, smoothed along a millimetre."""
    at = np.rint(found.column).astype(int)
    cells = np.rint(found.blocks(found.first) + rows[:, None]).astype(int)
    light = np.mean(
        [found.grey[np.clip(cells, 0, len(found.grey) - 1), np.clip(at + k, 0, found.grey.shape[1] - 1)] for k in nearby], axis=0
    )
    smooth = smooth_along(light, 0.5 * found.columns_per_mm / BLOCK_COLUMNS)
    # A halo of sharpening, resampled, may go below black.
    return np.log(np.maximum(smooth, 0.0) + 0.01)


def _rise(light: np.ndarray, row: np.ndarray, gap: int) -> np.ndarray:
    """(N, C) by how much it grows lighter across rows `row` (N,) and the next: three rows on either side, `gap` rows away."""
    after = np.mean([light[np.minimum(row + gap + k, len(light) - 1)] for k in range(1, 4)], axis=0)
    return after - np.mean([light[row - gap - k] for k in range(3)], axis=0)


def _rise_at(light: np.ndarray, row: np.ndarray, gap: int) -> np.ndarray:
    """(C,) as `_rise`, at a row (C,) of its own in every block."""
    blocks = np.arange(light.shape[1])

    def mean(start: np.ndarray) -> np.ndarray:
        return light[np.clip(start + np.arange(3)[:, None], 0, len(light) - 1), blocks].mean(axis=0)

    return mean(row + gap + 1) - mean(row - gap - 2)


def _within(found: _Found, edge: ApexLine) -> Band | None:
    """A band between the apex and a later beginning of the grind lines; None where the bevel is too narrow to hold one."""
    width, least = found.second - found.first, found.least
    most = int(_MOST_SHARE * float(np.median(width)))
    if most <= least or _even(found, most):
        return None
    # From the shoulder outward, as far as the lane next to the apex.
    start = max(int(found.first.min()) - _LANE_ROWS, 0)
    flipped = np.ascontiguousarray(found.grey[start:][::-1])
    seen = found.valid[start:][::-1]
    outward = found.grain(flipped, len(flipped) - 1 - (found.second - start), seen)
    gain, rows = _later(outward.short, outward.trust, found.blocks(width), most, found.columns_per_mm)
    wide_enough = (rows + 0.5 >= least) & (rows + 0.5 < most)
    there = _stretches((gain >= _SURE) & wide_enough, (gain >= _BESIDE) & wide_enough)
    lane, band, bevel = _levels(found, rows)
    dark = (band < lane) & (band < bevel)
    shadow = there & dark
    facet = there & ~shadow & (np.abs(band - bevel) > _OTHER_FACE)
    # Between two places of even chances half their distance is the standard deviation; less evidence, less doubt.
    doubt = np.where(dark & ~shadow & wide_enough, 0.5 * np.clip(gain / _SURE, 0.0, 1.0) * rows, 0.0)
    wide = found.columns(gaussian_filter1d(rows, _ALONG_MM * found.columns_per_mm / BLOCK_COLUMNS / 4, mode="nearest"))
    shadow_at, facet_at = found.columns(shadow), found.columns(facet)
    rows_at = np.where(shadow_at | facet_at, wide, np.nan)
    return Band(np.where(shadow_at, found.first + wide, edge.row), shadow_at, facet_at, rows_at, found.columns(doubt))


def _even(found: _Found, most: int) -> bool:
    """Whether nearly everywhere the first rows of the bevel are as bright as one face is: neither shadow nor facet can be among them."""
    start = int(np.ceil(2.0 * found.blur_px)) + 1
    step = max(int(0.5 * found.columns_per_mm), 1)
    at = np.arange(step // 2, len(found.first), step)
    cells = np.clip(np.rint(found.first[at] + np.arange(start, most + _LEAST_ROWS)[:, None]).astype(int), 0, len(found.grey) - 1)
    near = range(-step // 2, step // 2 + 1, max(step // 10, 1))
    light = np.mean([found.grey[cells, np.clip(at + k, 0, found.grey.shape[1] - 1)] for k in near], axis=0)
    # Means of some mm and three rows: neither grind lines nor noise are left.
    light = np.log(np.maximum(uniform_filter1d(light, max(round(2.0 * _ALONG_MM / 0.5), 1), axis=1, mode="nearest"), 0.0) + 0.01)
    return bool((np.ptp(uniform_filter1d(light, 3, axis=0), axis=0) < _OTHER_FACE / 2).mean() > 0.9)


def _later(short: np.ndarray, trust: np.ndarray, width: np.ndarray, most: int, columns_per_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """(C,) how much likelier the lines begin later than at the apex taken, and how many rows later."""
    later = np.arange(-2, most + 1)
    at = np.clip(np.rint(width).astype(int) - later[:, None], 0, len(short) - 1)
    said = np.maximum(short[at, np.arange(len(width))], -_MOST_AGAINST)
    here = said[np.abs(later) <= 1].max(axis=0)
    along = _ALONG_MM * columns_per_mm / BLOCK_COLUMNS
    more = gaussian_filter1d((said - here) * trust, along, axis=1, mode="nearest")
    # The first place that is nearly as likely as the likeliest: within the bevel one row's end is much like the next one's.
    crest = more >= maximum_filter1d(more, 5, axis=0, mode="nearest")
    best = (crest & (more >= _NEARLY * more.max(axis=0))).argmax(axis=0)
    # Seen from the shoulder, lines that end behind a row end half a row beyond it.
    return more[best, np.arange(len(best))], later[best] - 0.5


def _stretches(sure: np.ndarray, likely: np.ndarray) -> np.ndarray:
    """(C,) runs of `likely` that hold a `sure` block."""
    out = np.zeros(len(sure), bool)
    for start, stop in runs(likely):
        out[start:stop] = sure[start:stop].any()
    return out


def _levels(found: _Found, rows: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(C,) log brightness of the lane before the first line, of the middle of a band `rows` (C,) wide, and of the face behind it."""
    at, first = np.rint(found.column).astype(int), found.blocks(found.first)
    clear = 2.0 * found.blur_px + 1.0
    along = max(int(found.columns_per_mm / BLOCK_COLUMNS), 1)

    def mean(start: np.ndarray, count: int) -> np.ndarray:
        cells = np.clip(np.rint(start + np.arange(count)[:, None]).astype(int), 0, len(found.grey) - 1)
        light = np.mean([found.grey[cells, np.clip(at + k, 0, found.grey.shape[1] - 1)] for k in _NEARBY], axis=(0, 1))
        return np.log(np.maximum(uniform_filter1d(light, along, mode="nearest"), 0.0) + 0.01)

    return mean(first - clear - 4, 4), mean(first + rows / 2, 1), mean(first + rows + clear, 6)
