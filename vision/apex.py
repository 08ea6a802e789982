"""The apex on the straight strip: which line near the coarse curve it is, and its place to a fraction of a pixel.

A shadow's penumbra spreads over many px and keeps the lane's colour; an edge in focus is as sharp as the photo's blur.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter1d, maximum_filter1d, median_filter, uniform_filter1d

from vision.contrast import burnt_shares, contrast_channel
from vision.course import best_course, robust_local
from vision.flags import StationFlag
from vision.lane_grain import smoother_than_lane
from vision.lines import LEAST_STRENGTH, first_line, long_lines, steered, strength_along
from vision.sharpness import colours, gaps, grey_steps, sharpness, sharpness_of_blocks, short_means
from vision.sheet import TICK_MM
from vision.steering import LineGuide
from vision.steps import StepFit, StepModel, fit_steps
from vision.straighten import BLOCK_COLUMNS, StraightStrip
from vision.threads import side_by_side

# Smoothing of the apex along the edge; its equivalent width of 0.17 mm keeps waviness of 1.5 mm to 1 %.
_POOL_MM = 0.07
# Rows before the coarse curve that are searched again (mm): the coarse view is good to 0.1 mm, and may have taken a hairline's
# shoulder for its apex.
_BACK_MM = 0.3
# And beyond it: a contact shadow's soft border runs up to a millimetre before the edge.
_AHEAD_MM = 1.2
# Farthest from its smooth course that a line is followed (mm).
STRAY_MM = 0.5
# Where a path wobbles into the contact shadow it does so by less than this (mm).
NEAR_MM = 0.08
# A contact shadow's border is never as clear as the edge behind it, a hairline's shoulder may be clearer than its apex by some percent.
_NEARLY_AS_CLEAR = 0.85
# With less than half as many sigmas of the lane's own steps as the course it leaves, a line is a border of the lane's grain or of a shadow.
_MUCH_FAINTER = 2.0
# A line that shows along this share of the edge as sharp as the blur needs no other one looked for: a penumbra shows along none.
SURE = 0.7
# A chip or dent stands back from the edge's own course by more than this; waviness of a ground edge stays below it (mm).
_CHIP_MM = 0.03
# Share of full scale (linear) from which phones' tone curves bend away from sRGB (common practice, no source).
_TONE_BENDS = 0.5
# Blur radii by which that may move an edge beside full scale, as a standard deviation.
_TONE_BLURS = 0.5
# What demosaicking, sharpening and JPEG leave of an edge's place whatever its contrast (common practice, no source).
_DEMOSAIC_PX = 0.1
# What one face varies by from place to place (as in `vision.faces`); blur radii within which an edge as bright as its lane is still told.
_UNEVEN, _MOST_UNEVEN = 0.03, 2.0
# Colours of two surfaces differ by twice what uneven light of one lamp makes (log ratio).
_OTHER_TINT = 0.06
# Where one cue alone tells, a dark facet or streak looks like a shadow: of two places of even chances half their distance is the standard
# deviation.
ONE_WAY_DOUBT = 0.5
# Share of the edge along which a surface before it must be no lane.
_MOSTLY_BLADE = 0.5
# Share of the columns over a millimetre that must show a line for any of them to count.
_BY_CHANCE = 0.15
# Cost of a row of change from block to block, of single px, in units of a clear line's strength: while its course is unknown, and known.
_BEND, STRAIGHT = 0.6, 2.0
_ALL = slice(None)


@dataclass(frozen=True, eq=False)
class ApexLine:
    """The apex in the S columns of a straight strip.

    Attributes
    ----------
    row : (S,) float
        Sub-pixel row; NaN where not measured.
    u_px, systematic_px : (S,) float
        Standard uncertainty: random along the edge; shared by neighbouring columns.
    flags : (S,) int
        Bits of `vision.flags.StationFlag`.
    blur_px : float
        Blur of the line itself, one standard deviation: the edge's own focus, which may differ from the strip's.
    support : float
        Share 0..1 of the edge along which the line shows as sharp as the photo; NaN where it was not searched for.
    ahead : (S,) float or None
        As in `Settled`; what that costs is in `systematic_px`.
    sigma_px : (S,) float or None
        Blur of the line from place to place, one standard deviation; None where it was not fitted in one photo.
    moved : (S,) float or None
        Rows by which it was moved to the far end of a penumbra (`penumbra.past_penumbra`), 0 where it was not.
    """

    row: np.ndarray
    u_px: np.ndarray
    systematic_px: np.ndarray
    flags: np.ndarray
    blur_px: float
    support: float = float("nan")
    ahead: np.ndarray | None = None
    sigma_px: np.ndarray | None = None
    moved: np.ndarray | None = None


def refine_apex(
    strip: StraightStrip,
    blur_px: float,
    px_per_mm: float,
    guide: LineGuide | None = None,
    course: np.ndarray | None = None,
    travel_px: float | None = None,
    alone: bool = True,
) -> ApexLine:
    """Sub-pixel apex near the strip's own curve: pooled erf fits, chips bridged and flagged; `guide` steers the search alone.

    `course` (S,), where it is known to a px or two already, takes the search's place; the fits stay within about `travel_px` of it. Not
    `alone`: other lights tell which columns stand out by chance.
    """
    known = Settled(course, float("nan"), np.zeros(len(course))) if course is not None else settle(strip, blur_px, px_per_mm, guide)
    course = known.row
    value = contrast_channel(strip, course, blur_px)
    wide = strip.column_px
    pool = max(_POOL_MM * px_per_mm, 4.0) / wide
    # Beyond 3 blur radii a step is flat; three more rows tell its level. The contact shadow stays outside.
    half = 3.0 * blur_px + 3.0
    travel = half / 2 if travel_px is None else travel_px / 2
    first = StepModel(half, blur_px, 0.4, pool_px=2 * pool, travel_px=travel, iterations=3, bin_columns=max(4 // wide, 1))
    found = fit_steps(value, course, first, strip.valid, strip.clipped)
    again = np.where(np.isfinite(found.position[0]), found.position[0], course)
    fit = fit_steps(
        value,
        again,
        StepModel(half, blur_px, 0.4, pool_px=pool, travel_px=travel, iterations=5, bin_columns=max(2 // wide, 1)),
        strip.valid,
        strip.clipped,
    )
    line = replace(_judge(strip, fit, blur_px, px_per_mm, alone), support=known.support)
    if known.ahead.any():
        flags = np.where(known.ahead > 0, line.flags | int(StationFlag.SHADOW), line.flags)
        line = replace(line, systematic_px=np.hypot(line.systematic_px, ONE_WAY_DOUBT * known.ahead), flags=flags, ahead=known.ahead)
    if guide is not None:
        line.flags[np.isfinite(guide.row)] |= int(StationFlag.BY_HAND)
    return line


@dataclass(frozen=True, eq=False)
class Settled:
    """Row (S,) of the apex to a px or two, its `support` as in `ApexLine`, and how many rows `ahead` (S,) of it another line lies that may
    be the apex instead, 0 where none does."""

    row: np.ndarray
    support: float
    ahead: np.ndarray


def settle(strip: StraightStrip, blur_px: float, px_per_mm: float, guide: LineGuide | None = None) -> Settled:
    """The first line near the coarse curve as sharp as the photo's blur allows.

    A shadow's penumbra spreads over many px, an edge in focus over a few: the share of a step that happens within
    3 blur radii tells them apart. First by short blocks, then once more along the smooth course of that answer, where means
    over several mm show weaker lines and leave a penumbra no chance to look sharp for a few columns.
    """
    near = Near.about(strip, blur_px, px_per_mm)
    centre = (np.arange(near.valid.shape[1]) + 0.5) * BLOCK_COLUMNS - 0.5
    barred = None if guide is None else guide.barred((near.part.stop - near.part.start, len(centre)), centre, near.part.start)
    short = steered(near.by_short_blocks(), barred)
    course = course_of(short, near.reach, STRAY_MM * px_per_mm, barred)
    rows, last = np.arange(len(short))[:, None], np.full(len(course), len(short))
    passed = near.passed_blade(strip, course)
    if passed.any():
        # A shadow keeps the lane's grain: what was passed is the bevel, and its edge a fainter line before it.
        last = np.where(passed, course - gaps(blur_px)[1], last)
        course = course_of(np.where(rows < last, short, 0.0), near.reach, STRAY_MM * px_per_mm, barred)
    far, level, shift = near.by_long_means(course)
    if shown_along(short, course, near.long) < SURE and np.median(course) - near.coarse > NEAR_MM * px_per_mm:
        # In a noisy photo short blocks show the first line no better than the grain of what lies behind it; long ones do.
        before = near.by_long_means(np.full(len(course), near.coarse))
        if shown_along(before[0], before[1], near.long) >= SURE:
            far, level, shift = before
    barred = None if barred is None else _shifted(barred, shift)
    far = every = np.where(rows < last - shift, far, 0.0)
    if shown_along(far, level, near.long) >= SURE:
        far = np.where(np.abs(rows - level) > NEAR_MM * px_per_mm, 0.0, far)
    far = steered(far, barred)
    row = first_line(far, long_lines(far, near.long), STRAIGHT / near.column_px, barred)
    support = shown_along(far, row, near.long)
    at = np.arange(strip.linear.shape[1])

    def columns(line: np.ndarray) -> np.ndarray:
        smooth = gaussian_filter1d((line + near.part.start + shift).astype(float), 2.0 / near.column_px, mode="nearest")
        return np.interp(at, centre, smooth)

    found, ahead = columns(row), np.zeros(len(at))
    other = near.line_before(every, row) if guide is None else None
    if other is not None:
        first = columns(other[0])
        # A shadow keeps the lane's grain, and its colour.
        smoother = smoother_than_lane(strip.grey, strip.valid, first, found, blur_px, narrow=True, column_px=near.column_px)
        if smoother.mean() > _MOSTLY_BLADE:
            found, support = first, other[1]
        elif not near.lane_between(*(line + near.part.start + shift for line in (other[0], row))):
            ahead = np.maximum(found - first, 0.0)
    return Settled(found, support, ahead)


@dataclass(frozen=True, eq=False)
class Near:
    """Blocks of the whole strip (R, C), and where in them `settle` looks.

    `rows` are looked at, those of `part` are searched; the lane's noise is that of the first `lane_rows`. `long`: blocks that make a line
    long. `coarse`: row of the coarse curve within `part`.
    """

    features: np.ndarray
    valid: np.ndarray
    steps: tuple[np.ndarray, ...]
    rows: slice
    part: slice
    lane_rows: int
    long: int
    coarse: float
    blur_px: float
    px_per_mm: float
    enlarged: int
    column_px: int

    @property
    def reach(self) -> tuple[int, int, int]:
        """As `course_of` takes it."""
        return self.long, gaps(self.blur_px)[0] + 3, self.column_px

    @classmethod
    def about(cls, strip: StraightStrip, blur_px: float, px_per_mm: float) -> Near:
        lane_rows = int(strip.row_of_apex - _BACK_MM * px_per_mm)
        start = max(lane_rows, 0)
        part = slice(start, min(int(strip.row_of_apex + _AHEAD_MM * px_per_mm), len(strip.linear)))
        (features, valid), steps = side_by_side(lambda: colours(strip), lambda: grey_steps(strip, blur_px))
        # No row farther on is looked at from the last one searched.
        rows = slice(part.stop + gaps(blur_px)[1] + 2)
        long, coarse = blocks_long(strip, px_per_mm), strip.row_of_apex - start
        return cls(features, valid, steps, rows, part, lane_rows, long, coarse, blur_px, px_per_mm, strip.enlarged, strip.column_px)

    def by_short_blocks(self) -> np.ndarray:
        """Sharpness (R, C) of the rows searched, by means of a block or two."""
        shown = self.features[self.rows], self.valid[self.rows], tuple(s[self.rows] for s in self.steps)
        along = short_means(self.px_per_mm, self.column_px)
        return sharpness_of_blocks(shown, self.blur_px, self.lane_rows, along, self.enlarged)[self.part]

    def passed_blade(self, strip: StraightStrip, course: np.ndarray) -> np.ndarray:
        """(C,) where between the coarse curve and a course (C,) beyond it there is another surface than the lane's."""
        at, row = (np.arange(len(course)) + 0.5) * BLOCK_COLUMNS - 0.5, course + self.part.start
        second = np.interp(np.arange(strip.valid.shape[1]), at, row)
        first = np.full(len(second), strip.row_of_apex)
        told = smoother_than_lane(strip.grey, strip.valid, first, second, self.blur_px, column_px=strip.column_px)
        return told[np.rint(at).astype(int)]

    def line_before(self, far: np.ndarray, row: np.ndarray) -> tuple[np.ndarray, float] | None:
        """The line (C,) of `far` (R, C) before another one (C,), and its support, where it shows along most of it: the edge of a facet
        nearly as bright as its lane, or the border of a shadow."""
        before = np.where(np.arange(len(far))[:, None] < row - gaps(self.blur_px)[1], far, 0.0)
        lines = long_lines(before, self.long)
        if not lines.any():
            return None
        first = first_line(before, lines, STRAIGHT / self.column_px)
        support = shown_along(before, first, self.long)
        return (first, support) if support >= SURE else None

    def lane_between(self, first: np.ndarray, second: np.ndarray) -> bool:
        """Whether what lies between two lines (C,), rows of the strip, has the colour of the lane and the bevel another one."""
        clear = gaps(self.blur_px)[0]
        at, rows = np.arange(len(first)), np.arange(clear + 1, clear + 5)[:, None]
        middle = (first + second)[None] / 2

        def tint(row: np.ndarray) -> np.ndarray:
            cells = np.clip(np.rint(row).astype(int), 0, len(self.features) - 1)
            return np.median(self.features[cells, at, 1:].reshape(-1, 2), axis=0)

        lane, between, bevel = tint(first - rows), tint(middle), tint(second + rows)
        away = float(np.linalg.norm(bevel - lane))
        return away > _OTHER_TINT and float(np.linalg.norm(between - lane)) < away / 2.0

    def by_long_means(self, course: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Along a course (C,) of rows in `part`: sharpness (R, C) of rows shifted by it, the level (C,) of the line nearest there, and
        the shift (C,)."""
        shift = np.round(course - self.coarse).astype(int)
        rolled = tuple(_shifted(a, shift, self.rows) for a in (self.features, self.valid, *self.steps))
        # Where the line lies farther on than the coarse curve, so does its shadow in the shifted picture: that is not the lane's noise.
        bare = self.lane_rows - max(int(shift.max()), 0)
        along, shown = (self.long / 2, 2 * self.long), (rolled[0], rolled[1], rolled[2:])
        far = sharpness_of_blocks(shown, self.blur_px, bare, along, self.enlarged)[self.part]
        level = course - shift
        return far, level + nearest_line(far, level, round(2 * NEAR_MM * self.px_per_mm)), shift


def support_along(strip: StraightStrip, row: np.ndarray, blur_px: float, px_per_mm: float) -> float:
    """Share 0..1 of the edge along which a line as sharp as the photo shows at `row` (S,)."""
    strength = sharpness(strip, blur_px, px_per_mm, int(strip.row_of_apex - _BACK_MM * px_per_mm))
    centre = (np.arange(strength.shape[1]) + 0.5) * BLOCK_COLUMNS - 0.5
    return shown_along(strength, np.interp(centre, np.arange(len(row)), row), blocks_long(strip, px_per_mm))


def blocks_long(strip: StraightStrip, px_per_mm: float) -> int:
    """Blocks of columns that make a line long: more than a tick or a figure."""
    return max(int(TICK_MM * px_per_mm / strip.column_px / BLOCK_COLUMNS), 2)


def course_of(strength: np.ndarray, reach: tuple[int, int, int], stray_rows: float, barred: np.ndarray | None) -> np.ndarray:
    """(C,) smooth row of the first line: which one it is by its best course, its place by the path near that.

    `reach`: blocks that make a line long, rows over which a line shows on either side of its place, and photo px to a column.
    """
    (long, rows, wide) = reach
    bend, around = _BEND / wide, 2 * round(2.0 / wide) + 1
    row = median_filter(first_line(strength, long_lines(strength, long), bend, barred).astype(float), around, mode="nearest")
    line = best_course(row, lambda courses: [shown_along(strength, c, long) for c in courses], float(rows))
    near = np.where(np.abs(np.arange(len(strength))[:, None] - line) > stray_rows, 0.0, strength)
    row = first_line(near, _in_the_way(long_lines(near, long), near, line, (long, rows)), bend, barred)
    return robust_local(row, long / 2, strength_along(near, row))


def _in_the_way(lines: np.ndarray, strength: np.ndarray, course: np.ndarray, reach: tuple[int, int]) -> np.ndarray:
    """The lines (R, C) without those before a course that are much fainter than what shows along it: borders of shadows, scratches.

    `reach`: the first two of `course_of`. Where the edge leaves its smooth course (a tip), its line is as clear as others, and stays.
    """
    long, rows = reach
    row, blocks = np.arange(len(lines))[:, None], np.arange(lines.shape[1])
    at = np.clip(np.rint(course).astype(int) + np.arange(-rows, rows + 1)[:, None], 0, len(lines) - 1)
    along = uniform_filter1d(strength[at, blocks].max(axis=0), long, mode="nearest")
    # A strength is a step's size in sigmas, a, as a^2 / (a^2 + 64) (`vision.sharpness`).
    return np.where((row < course - rows) & (lines < along / (along + _MUCH_FAINTER**2 * (1.0 - along))), 0.0, lines)


def nearest_line(strength: np.ndarray, course: np.ndarray, reach: int) -> int:
    """Rows from a course to the first line parallel to it within reach that is nearly as clear as the clearest."""
    at, blocks = np.round(course).astype(int), np.arange(strength.shape[1])
    offsets = np.arange(-reach, reach + 1)
    clear = np.array([strength[np.clip(at + k, 0, len(strength) - 1), blocks].mean() for k in offsets])
    crest = np.flatnonzero((clear >= _NEARLY_AS_CLEAR * clear.max()) & (clear >= maximum_filter1d(clear, 5)))
    return int(offsets[crest[0]])


def shown_along(strength: np.ndarray, course: np.ndarray, along: int) -> float:
    """Share 0..1 of a course along which a line shows, blocks averaged over `along`."""
    at = np.clip(np.round(course).astype(int), 2, len(strength) - 3)
    blocks = np.arange(strength.shape[1])
    best = np.max([strength[at + k, blocks] for k in range(-2, 3)], axis=0)
    return float(np.minimum(uniform_filter1d(best, along, mode="nearest"), LEAST_STRENGTH).mean() / LEAST_STRENGTH)


def _shifted(picture: np.ndarray, shift: np.ndarray, rows: slice = _ALL) -> np.ndarray:
    """The `rows` of each block c moved up by ``shift[c]`` rows, its ends held."""
    y = np.arange(len(picture), dtype=np.float32)[rows, None] + shift.astype(np.float32)
    x = np.broadcast_to(np.arange(len(shift), dtype=np.float32), y.shape)
    # Whole rows: the nearest cell is the cell itself.
    if picture.dtype == bool:
        return cv2.remap(picture.view(np.uint8), x, y, cv2.INTER_NEAREST, borderMode=cv2.BORDER_REPLICATE).view(bool)
    return cv2.remap(picture, x, y, cv2.INTER_NEAREST, borderMode=cv2.BORDER_REPLICATE)


def _uneven(fit: StepFit, columns_per_mm: float) -> np.ndarray:
    """(S,) px by which lane and bevel, each uneven by `_UNEVEN` of its brightness next to the edge, move the middle of their step.

    A side that is off by d moves it by d / 2 over the step's slope there, which is its height over sqrt(2 pi) blur radii.
    """
    high = np.abs(fit.levels).max(axis=0)
    step = np.sqrt(gaussian_filter1d((fit.levels[-1] - fit.levels[0]) ** 2, 0.1 * columns_per_mm, mode="nearest"))
    share = np.sqrt(2.0) * _UNEVEN * high / np.maximum(step, 1e-6)
    return np.minimum(np.sqrt(np.pi / 2.0) * share, _MOST_UNEVEN) * fit.sigma


def _judge(strip: StraightStrip, fit: StepFit, blur_px: float, px_per_mm: float, alone: bool) -> ApexLine:
    """Uncertainty and flags; chips are bridged, untrustworthy columns become NaN."""
    row, u, sigma = fit.position[0].copy(), fit.u[0].copy(), fit.sigma
    at = np.arange(len(row))
    flags = np.zeros(len(row), int)
    known = np.isfinite(row)
    if not known.any():
        return ApexLine(row, u, u.copy(), np.full(len(row), int(StationFlag.NOT_MEASURED)), blur_px)
    filled = np.interp(at, at[known], row[known])
    columns_per_mm = px_per_mm / strip.column_px
    span = int(2.0 * columns_per_mm) | 1
    course = gaussian_filter1d(median_filter(filled, span, mode="nearest"), span / 4, mode="nearest")
    off = np.abs(filled - course)
    chip = off > np.maximum(_CHIP_MM * px_per_mm, 3.0)
    # Noise of a single px: that of a column is the mean of several.
    step, noise = np.abs(fit.levels[-1] - fit.levels[0]), np.sqrt(strip.column_px) * fit.residual
    weak = np.sqrt(gaussian_filter1d(step**2, 0.1 * columns_per_mm, mode="nearest")) < 2.0 * noise
    # Where the edge is broken out its own line has no step at all over the length of the chip, however strong its neighbours.
    short = max(int(0.1 * columns_per_mm) | 1, 3)
    weak |= maximum_filter1d(maximum_filter1d(step, short) < 3.0 * noise, short)
    weak |= u > 0.7
    # Noise makes a column in ten stand out: among columns that show no line such a one says nothing of its place. Past the photo's end
    # nothing is shown at all.
    window = int(columns_per_mm) | 1
    clear, shown = (
        uniform_filter1d(v.astype(float), window, mode="nearest") for v in (~weak & known, strip.valid[round(strip.row_of_apex)])
    )
    weak |= alone & (clear < _BY_CHANCE * shown)
    # White beside white: what little differs there is the noise of the darker samples.
    beside = burnt_shares(strip, filled, blur_px)
    weak |= beside.min(axis=0) > 0.5
    bridged = chip | weak | ~known
    good = ~bridged
    if good.sum() > span / 4:
        row = np.where(bridged, np.interp(at, at[good], row[good]), row)
        # How far a bridge may be off grows with its length: the edge's own wander over that distance.
        from_good = np.minimum.reduce(
            [np.abs(at - at[good][np.clip(np.searchsorted(at[good], at) + k, 0, good.sum() - 1)]) for k in (-1, 0)]
        )
        u = np.where(bridged, np.hypot(np.median(u[good]), 0.02 * strip.column_px * from_good), u)
        row = np.where(from_good > 1.0 * columns_per_mm, np.nan, row)
    burnt = beside.max(axis=0) > 0.2
    flags |= np.where(chip, int(StationFlag.CHIP | StationFlag.BRIDGED), 0)
    flags |= np.where(weak | ~known, int(StationFlag.BRIDGED | StationFlag.LOW_CONTRAST), 0)
    flags |= np.where(burnt, int(StationFlag.CLIPPED), 0)
    flags |= np.where(sigma > 2.0 * blur_px + 0.5, int(StationFlag.SOFT), 0)
    # A bright side grows (design.md section 10: 0.3-0.4 px when burnt out), because a phone's tone curve flattens long before full
    # scale, which undoing the sRGB curve alone does not take back: half of full scale is a quarter of a face twice as bright, which
    # lies 0.67 blur radii farther out.
    flattened = np.clip((np.maximum(fit.levels[0], fit.levels[-1]) - _TONE_BENDS) / (1.0 - _TONE_BENDS), 0.0, 1.0)
    soft = 0.5 * np.sqrt(np.maximum(sigma**2 - blur_px**2, 0.0)) * (sigma > 1.3 * blur_px)
    systematic = np.sqrt(
        _DEMOSAIC_PX**2 + (_TONE_BLURS * sigma * np.maximum(flattened, burnt)) ** 2 + soft**2 + _uneven(fit, columns_per_mm) ** 2
    )
    flags |= np.where(np.isfinite(row), 0, int(StationFlag.NOT_MEASURED))
    clean = good & ~burnt
    own = float(np.median(sigma[clean])) if clean.sum() > span else blur_px
    return ApexLine(row, u, systematic, flags, own, sigma_px=sigma)
