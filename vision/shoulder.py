"""The shoulder line on the straight strip: one connected path through a cost of brightness, colour and texture, then erf fits.

Equations and traps: design.md sections 6 and 10.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import gaussian_filter1d, median_filter

from vision.alike import STAYS, share_that_stays
from vision.contrast import LOST_AMONG, SMEARED_PX, Channel, burnt_share, contrast_between, structure_share
from vision.cues import DISAGREE, REACH_ROWS, line_end, weigh
from vision.evidence import shoulder_evidence
from vision.faces import BLOCK_COLUMNS, Evidence, block_features, face_evidence
from vision.flags import StationFlag
from vision.gleam import find_gleam
from vision.paths import best_path, rival_path, smooth_along
from vision.steering import LineGuide
from vision.steps import StepFit, StepModel, fit_steps
from vision.straighten import StraightStrip
from vision.threads import side_by_side

# Smoothing of the line along the edge. Its equivalent width of 2.5 sd (0.17 mm) keeps waviness of 1.5 mm to 1 %.
_POOL_MM = 0.07
# A bevel narrower than this cannot be told from the edge's own bright line.
NARROW_PX = 8.0
_LEAST_WIDTH_PX = 4.0
# Rows per px that a shoulder may leave the apex's direction: 17 degrees, far more than any grind.
_STEEPEST = 0.3
# The steady line pools three times as far; of waviness with a period of 1.5 mm and 2 % of the width it then still
# misses about a tenth (kernel at that period: 0.91).
_STEADY = 3.0
_WAVE_LEFT = 0.002
# Straightness costs little: one row of change a block against the several units of a clear line's evidence.
CROOK = 0.05
# Ground shoulders are rounded over 3-50 um, and where the highlight ends within the rounding depends on the light:
# +2, +1, -1, -18, -16, -4 um in the trial of design.md section 10, 10 um root mean square.
ROUNDING_UM = 10.0
# A ground bevel waves by 1-4 % of its width over a millimetre or two (design.md's scenes; common practice, no source);
# departures from its own slow trend are free up to this share, and cost dearly beyond.
_FREE_WAVE = 0.05
# Shape of the slow trend: enough for a bevel that stays even and then doubles toward the tip.
_TREND_DEGREE = 4
RIVAL_APART = 0.08
# A rival is sought within bounds; the line it belongs to may stand a little beyond them.
_SUMMIT_ROWS = 12
# Median evidence of all rows on one evenly curved, shaded face (a rod): a line of twice as much is none of its rows. Where colour changes
# slowly across the whole bevel (a reflection) the rows score more, and take nothing from a line.
_MOST_USUAL = 3.5
# A facet at the apex runs on for millimetres (standard deviation of the means along the edge).
_FACET_MM = 2.0
# Of the blocks of columns, each so-manieth tells as much of that.
_EVERY = 4
# A rival that explains this share of the evidence could be the shoulder instead.
_RIVAL_SHARE = 0.85
# A step's evidence is flat over its own blur: the path may lie so many blur radii from its middle, and a row.
_PATH_BLURS = 2.5
# A line without evidence of its own is no better told apart than one with a tenth of its rival's.
_MOST_SHARE = 10.0
# One face's rows share about half the evidence of the line that ends it, without being lines.
_NO_RIVAL = 0.6


@dataclass(frozen=True, eq=False)
class ShoulderLine:
    """The shoulder in the S columns of a straight strip.

    Attributes
    ----------
    row : (S,) float
        Sub-pixel row; NaN where not measured.
    u_px : (S,) float
        Standard uncertainty that is random along the edge.
    systematic_px : (S,) float
        Standard uncertainty shared by neighbouring columns: rounding of the shoulder, clipping, disagreement of cues.
    sigma_px : (S,) float
        Blur of the line, one standard deviation.
    rival_row : (S,) float
        The next best line, NaN where there is none worth naming.
    rival_share : (S,) float
        The rival's evidence over the line's own, averaged over about 1 mm.
    flags : (S,) int
        Bits of `vision.flags.StationFlag`.
    pool : float
        Standard deviation of the smoothing along the edge, columns.
    lines_end : float
        Share 0..1 of the measured edge along which the bevel's grind lines surely end at the line.
    moved : (S,) float or 0.0
        Rows by which a line that the rounding shows has moved it from the step that light shows (`vision.gleam`).
    """

    row: np.ndarray
    u_px: np.ndarray
    systematic_px: np.ndarray
    sigma_px: np.ndarray
    rival_row: np.ndarray
    rival_share: np.ndarray
    flags: np.ndarray
    pool: float
    lines_end: float = 0.0
    moved: np.ndarray | float = 0.0

    @property
    def step_row(self) -> np.ndarray:
        """(S,) where light shows the step."""
        return self.row - self.moved


def find_shoulder(
    strip: StraightStrip,
    apex_row: np.ndarray,
    blur_px: float,
    px_per_mm: float,
    guide: LineGuide | None = None,
    evidence: Evidence | None = None,
    alone: bool = True,
) -> ShoulderLine:
    """Find the line where the bevel ends.

    Parameters
    ----------
    strip : StraightStrip
    apex_row : (S,) float
        Refined apex; NaN where it is not known (bridged here for the search, not measured).
    blur_px : float
        Blur of the photo (one standard deviation), as measured on the strip's squares.
    px_per_mm : float
        Scale at the edge, for lengths along it.
    guide : LineGuide, optional
    evidence : Evidence, optional
        To search by instead of the strip's own: that of several photos of one setting, or of the part that is bare of marks.
    alone : bool
        False: one of several lights, which tell together where in a rounding each one's step lies, or a line that is no shoulder; what a
        rounding may show beside it does not move it then.

    Returns
    -------
    ShoulderLine
    """
    apex_row = np.asarray(apex_row, float)
    columns = strip.linear.shape[1]
    if apex_row.shape != (columns,):
        raise ValueError(f"apex_row must be ({columns},), got {apex_row.shape}")
    if not np.isfinite(apex_row).any():
        return _nothing(columns)
    apex = bridged(apex_row)
    own = evidence or shoulder_evidence(strip, apex, blur_px, px_per_mm)
    found = _coarse(own, apex, (px_per_mm / strip.column_px, steepest(strip)), guide)
    if found is None:
        return _nothing(columns)
    pool = max(_POOL_MM * px_per_mm, 4.0) / strip.column_px
    # What else it could be does not move it.
    lines, coarse = side_by_side(
        lambda: _refine(strip, apex, found.row, blur_px, pool),
        lambda: _with_line_behind(found, strip, blur_px, px_per_mm) if evidence is None and guide is None else found,
    )
    line = _judge(strip, apex_row, coarse, lines, _Scale(blur_px, px_per_mm, px_per_mm / strip.column_px, pool), alone)
    if guide is not None:
        line.flags[np.isfinite(guide.row)] |= int(StationFlag.BY_HAND)
    return line


@dataclass(frozen=True)
class _Scale:
    blur_px: float
    px_per_mm: float
    columns_per_mm: float
    pool: float


@dataclass(frozen=True, eq=False)
class _Coarse:
    """Whole-row line (S,), its evidence (S,), the rival's, and where the evidence is no more than any row's (S,).

    `named_row` (S,) is the line that the rival belongs to: where evidence near by is greatest. `end_row`, `end_u` and `end_sure` (S,):
    where grind lines end, by themselves. `behind` (S,): where the rival is a line behind this one, told by the two faces beside it.
    """

    row: np.ndarray
    strength: np.ndarray
    rival_row: np.ndarray
    rival_share: np.ndarray
    faint: np.ndarray
    named_row: np.ndarray
    end_row: np.ndarray
    end_u: np.ndarray
    end_sure: np.ndarray
    behind: np.ndarray


def _nothing(columns: int) -> ShoulderLine:
    nan = np.full(columns, np.nan)
    return ShoulderLine(nan, nan, nan, nan, nan, np.zeros(columns), np.full(columns, int(StationFlag.NOT_MEASURED)), np.nan)


def steepest(strip: StraightStrip) -> int:
    """Rows by which a path may change from one block of columns to the next."""
    return int(np.ceil(_STEEPEST * BLOCK_COLUMNS * strip.column_px))


def bridged(row: np.ndarray) -> np.ndarray:
    known = np.isfinite(row)
    at = np.arange(len(row))
    return np.interp(at, at[known], row[known])


def _coarse(evidence: Evidence, apex: np.ndarray, along: tuple[float, int], guide: LineGuide | None) -> _Coarse | None:
    """The connected line of most evidence, and the best line that keeps clear of it; `along`: columns per mm, and `steepest`."""
    columns, (columns_per_mm, step) = len(apex), along
    half_mm = columns_per_mm / BLOCK_COLUMNS / 2
    at = np.arange(columns)
    free = -evidence.score
    cost = free if evidence.rough is None else free + evidence.rough
    usual = float(np.median(-cost[evidence.allowed]))
    forbidden = ~evidence.allowed
    if guide is not None:
        start = np.interp(evidence.column, at, apex)
        barred = forbidden | guide.barred(cost.shape, evidence.column, start)
        forbidden = np.where(barred.all(axis=0), forbidden, barred)
        # A clear line's evidence, wherever it lies: what a guide's word outweighs.
        clear = float(np.median(evidence.score.max(axis=0)))
        cost = cost + clear * guide.pull(cost.shape, evidence.column, start)
    try:
        best = best_path(cost, step, CROOK, forbidden, through=False)
        # Second look: where the evidence is thin, the bevel's own width elsewhere is the better guide.
        trend = _departure(free, best.row)
        best = best_path(cost + trend, step, CROOK, forbidden, through=False)
    except ValueError:
        return None
    # What else it could be is judged as if nobody had pointed.
    blocked = np.where(evidence.allowed, free + trend, np.inf)
    own, rival_blocks, share_blocks = _rivals(evidence.score, blocked, best.row, half_mm, step)
    share = np.interp(at, evidence.column, share_blocks)
    if guide is not None:
        # Where the person says which line it is, the other one is ruled out.
        share[np.isfinite(guide.row)] = 0.0
    rival = apex + np.interp(at, evidence.column, rival_blocks)
    # The path has whole rows: a short median takes out its corners before the fit.
    line = median_filter(best.row.astype(float), 3, mode="nearest")
    row = apex + np.interp(at, evidence.column, line)
    strength = np.interp(at, evidence.column, own)
    # Any row of one face scores something by noise; a line must do clearly better.
    # Where grind lines or roughness speak against most rows the median falls below nothing; a line still has to have something for it.
    faint = strength < 2.0 * np.clip(usual, 0.0, _MOST_USUAL)
    named = _summit(evidence.score, rival_blocks, best.row, half_mm)
    end_row, end_u, end_sure = end_of_lines(evidence, line, columns)
    if guide is not None:
        end_u[np.isfinite(guide.row)] = np.inf
    named_row, behind = apex + np.interp(at, evidence.column, named), np.zeros(columns, bool)
    return _Coarse(row, strength, rival, share, faint, named_row, apex + end_row, end_u, end_sure, behind)


def _with_line_behind(coarse: _Coarse, strip: StraightStrip, blur_px: float, px_per_mm: float) -> _Coarse:
    """With a line behind the one taken for its rival, where that parts two faces clearly: the line taken may end a facet at the apex.

    Seen from the apex such a shoulder has two faces before it and stands back behind the facet's end. Where grind lines surely end at the
    line taken, what follows is the cheek.
    """
    if coarse.end_sure.all():
        return coarse
    found = face_evidence(strip, coarse.row, blur_px, _EVERY)
    try:
        path = best_path(-found.score, _EVERY * steepest(strip), CROOK / _EVERY, ~found.allowed, through=False).row
    except ValueError:
        return coarse
    at, along = np.arange(len(coarse.row)), _FACET_MM * px_per_mm / strip.column_px / BLOCK_COLUMNS / _EVERY
    row = coarse.row + np.interp(at, found.column, path)
    theirs, own = (
        np.interp(at, found.column, gaussian_filter1d(strength, along, mode="nearest"))
        for strength in (found.score[path, np.arange(len(path))], np.interp(found.column, at, coarse.strength))
    )
    share = _share(theirs, own)
    # However clear the line taken is, another one as clear as a shoulder is none of the cheek's rows.
    behind = (theirs >= 2.0 * _MOST_USUAL) & ((share > coarse.rival_share) | (coarse.rival_share <= _RIVAL_SHARE)) & ~coarse.end_sure
    if not behind.any():
        return coarse
    features = block_features(strip, blur_px)[0][:, :3, ::_EVERY]
    lines = tuple(np.interp(found.column, at, line) for line in (coarse.row, row))
    behind &= np.interp(at, found.column, share_that_stays(features, lines, blur_px, along)) >= STAYS
    pairs = (share, coarse.rival_share), (row, coarse.rival_row), (row, coarse.named_row)
    share, rival, named = (np.where(behind, new, old) for new, old in pairs)
    return replace(coarse, rival_share=share, rival_row=rival, named_row=named, behind=behind)


def end_of_lines(evidence: Evidence, line: np.ndarray, columns: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Rows (S,) from the apex at which grind lines end near the line (C,) taken, their standard uncertainty, infinite where unknown, and
    whether they surely do."""
    if evidence.lines is None:
        return np.zeros(columns), np.full(columns, np.inf), np.zeros(columns, bool)
    blocks = min(len(line), len(evidence.lines.trust))
    end = line_end(evidence.lines.short[:, :blocks], evidence.lines.trust[:blocks], line[:blocks])
    at, column = np.arange(columns), evidence.column[:blocks]
    # Inverses can be interpolated where an uncertainty is infinite.
    weight = np.interp(at, column, 1.0 / end.u)
    sure = np.interp(at, column, end.sure.astype(float)) > 0.5
    return np.interp(at, column, end.row), np.where(weight > 0, 1.0 / np.maximum(weight, 1e-12), np.inf), sure


def _summit(score: np.ndarray, rival: np.ndarray, own: np.ndarray, smooth: float) -> np.ndarray:
    """Rows (C,) uphill from the rival's, as far as the evidence (smoothed along the edge) rises; the rival's own where that leads to
    the line taken."""
    along = smooth_along(score, smooth)
    blocks, row = np.arange(len(rival)), np.clip(np.rint(rival).astype(int), 1, len(score) - 2)
    for _ in range(_SUMMIT_ROWS):
        around = np.stack([along[row + d, blocks] for d in (-1, 0, 1)])
        row = np.clip(row + np.argmax(around, axis=0) - 1, 1, len(score) - 2)
    return np.where(np.abs(row - own) < np.abs(rival - own) / 2, rival, row)


def _rivals(score: np.ndarray, cost: np.ndarray, row: np.ndarray, smooth: float, step: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Evidence (C,) of the path, smoothed along the edge; rows and share of evidence (C,) of its strongest rival."""
    blocks = np.arange(len(row))
    own = gaussian_filter1d(score[row, blocks], smooth, mode="nearest")
    rival, share = _near_rival(score, row, own, smooth)
    # Nearer than the reach of the windows about one line, the rival would be the line itself.
    other = rival_path(cost, row, np.maximum(RIVAL_APART * row, 7.0), step, CROOK)
    if other is not None:
        theirs = _share(gaussian_filter1d(score[other.row, blocks], smooth, mode="nearest"), own)
        rival = np.where(theirs > share, other.row, rival)
        share = np.maximum(theirs, share)
    return own, rival, share


def _share(theirs: np.ndarray, own: np.ndarray) -> np.ndarray:
    """Their evidence over one's own, at most `_MOST_SHARE` where one's own is next to nothing."""
    return np.clip(theirs / np.maximum(own, 1e-9), 0.0, _MOST_SHARE)


def _near_rival(score: np.ndarray, row: np.ndarray, own: np.ndarray, smooth: float) -> tuple[np.ndarray, np.ndarray]:
    """Best line parallel to the path within a third of the width, block by block: its rows (C,) and share of evidence (C,)."""
    blocks = np.arange(len(row))
    width = float(np.median(row))
    near, far = int(max(RIVAL_APART * width, 7.0)), int(max(width / 3, 10.0))
    offsets = np.concatenate([np.arange(-far, -near + 1), np.arange(near, far + 1)])
    at = row + offsets[:, None]
    inside = (at > 0) & (at < len(score))
    theirs = np.where(inside, score[np.clip(at, 0, len(score) - 1), blocks], 0.0)
    share = _share(gaussian_filter1d(theirs, smooth, axis=1, mode="nearest"), own)
    best = np.argmax(share, axis=0)
    return row + offsets[best], share[best, blocks]


def _departure(cost: np.ndarray, row: np.ndarray) -> np.ndarray:
    """(W, C) cost of leaving the slow trend of the width, in units of evidence."""
    blocks = np.arange(cost.shape[1])
    strength = np.maximum(-cost[row, blocks], 0.0)
    x = np.linspace(-1, 1, len(row))
    logs = np.log(np.maximum(row, 1.0))
    weight = strength**2 + 1e-6
    degree = min(_TREND_DEGREE, max(len(row) // 40, 0))
    for _ in range(8):
        trend = np.polynomial.Polynomial(np.polynomial.polynomial.polyfit(x, logs, degree, w=np.sqrt(weight)))(x)
        off = logs - trend
        scale = max(1.4826 * float(np.median(np.abs(off))), _FREE_WAVE / 2)
        weight = (strength**2 + 1e-6) / (1 + (off / scale) ** 2) ** 2
    width = np.exp(trend)
    excess = np.maximum(np.abs(np.arange(len(cost))[:, None] - width) / (_FREE_WAVE * width + 1.0) - 1.0, 0.0)
    # Bounded, so that a bevel that really changes (a repair, a second grind) can still be followed.
    return float(np.median(strength)) * 0.5 * np.minimum(excess, 2.0)


@dataclass(frozen=True, eq=False)
class _Lines:
    """Two fits of one line: `steady` pools far along the edge in a wide window, `close` little in a narrow one; what they saw."""

    steady: StepFit
    close: StepFit
    channel: Channel


def _refine(strip: StraightStrip, apex: np.ndarray, coarse: np.ndarray, blur_px: float, pool: float) -> _Lines:
    """Pooled erf fits in windows that follow the width; a narrow bevel's two steps are fitted together."""
    width, wide = coarse - apex, strip.column_px
    # Beyond 3 blur radii a step is flat; two more rows tell its level.
    want = 3.0 * blur_px + 3.0
    narrow = 0.45 * np.median(width) < want
    channel = contrast_between(strip, apex, coarse, blur_px)
    value = channel.value
    centre = np.vstack([apex, coarse]) if narrow else coarse[None]
    half = want if narrow else min(0.45 * float(np.percentile(width, 5)), 2.0 * want)
    travel = min(half / 2, 0.35 * float(np.median(width)))
    first = StepModel(half, 1.15 * blur_px, 0.5, pool_px=_STEADY * pool, travel_px=travel, iterations=4, bin_columns=max(4 // wide, 1))
    steady = fit_steps(value, centre, first, strip.valid, strip.clipped)
    again = np.where(np.isfinite(steady.position), steady.position, centre)
    if not narrow:
        # Close in once the line is known: grind lines of the cheek beside it must not share in the fit.
        half = min(half, 3.0 * float(np.median(steady.sigma)) + 3.0)
    second = StepModel(half, 1.15 * blur_px, 0.5, pool_px=pool, travel_px=half / 2, iterations=5, bin_columns=max(2 // wide, 1))
    return _Lines(steady, fit_steps(value, again, second, strip.valid, strip.clipped), channel)


def _combine(lines: _Lines, width: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Row and random standard uncertainty: the close line where it is sure, the steady one where it is not.

    What the steady line flattens is a normal unknown of `_WAVE_LEFT` of the width: the close line's departure from it
    is shrunk by the usual ratio of variances.
    """
    close, u = lines.close.position[-1], lines.close.u[-1]
    steady, u_steady = lines.steady.position[-1], lines.steady.u[-1]
    left = (_WAVE_LEFT * width) ** 2 + 0.02**2
    share = left / (left + u**2)
    row = steady + share * (close - steady)
    return row, np.sqrt(share * u**2 + (1 - share) * np.minimum(u_steady, u) ** 2)


def _judge(strip: StraightStrip, apex_row: np.ndarray, coarse: _Coarse, lines: _Lines, scale: _Scale, alone: bool) -> ShoulderLine:
    """Uncertainty and flags of every column; columns that cannot be trusted become NaN."""
    fit = lines.close
    row, u = _combine(lines, np.maximum(coarse.row - bridged(apex_row), 1.0))
    columns = np.arange(len(row))
    width = row - apex_row
    flags = np.zeros(len(row), int)

    def mark(flag: StationFlag, where: np.ndarray) -> None:
        flags[where] |= int(flag)

    sigma = np.minimum(fit.sigma, 1e3)
    burnt = burnt_share(strip, row, scale.blur_px) > 0.2
    # Blur beyond the photo's own is the rounding as seen; the corner lies somewhere within it.
    rounding = np.sqrt(np.maximum(sigma**2 - scale.blur_px**2, 0.0))
    # Where the wide and the narrow window disagree over a whole stretch, neighbours of the step share in one of them.
    apart = np.nan_to_num(lines.close.position[-1] - lines.steady.position[-1])
    apart = gaussian_filter1d(apart, scale.columns_per_mm / 2, mode="nearest")
    # An even chance between two lines has half their distance for a standard deviation; less evidence, less doubt.
    rivalled = (coarse.rival_share > _RIVAL_SHARE) | coarse.behind
    chance = np.where(coarse.behind, 1.0, np.clip((coarse.rival_share - _NO_RIVAL) / (_RIVAL_SHARE - _NO_RIVAL), 0.0, 1.0))
    distance = np.abs(np.nan_to_num(coarse.rival_row - row))
    distance = np.where(coarse.behind, distance, np.minimum(distance, 0.3 * np.nan_to_num(width)))
    doubt = 0.5 * chance**2 * distance
    reach = int(np.ceil(3.0 * scale.blur_px)) + 3
    share = structure_share(strip, row, reach, scale.columns_per_mm / 2)
    own_mix = lines.channel.own
    if own_mix.any():
        share = np.where(own_mix, structure_share(strip, row, reach, scale.columns_per_mm / 2, lines.channel.value), share)
    # A neighbour as strong as the line itself moves a fit by about half of its window's half; weaker ones in proportion.
    structure = 0.5 * reach * share
    rounded = ROUNDING_UM * 1e-3 * scale.px_per_mm
    # A fit that ends farther from the path than rows, blocks and blur explain has gone over to another step.
    strayed = np.abs(np.nan_to_num(row - coarse.row))
    strayed = np.where(strayed > 1.0 + _PATH_BLURS * scale.blur_px, strayed, 0.0)
    # Smeared colour may move a line by so much either way (rectangular).
    smeared = np.where(own_mix, SMEARED_PX / np.sqrt(3.0), 0.0)
    own = np.sqrt(structure**2 + apart**2 + (0.5 * rounding) ** 2 + np.where(burnt, sigma, 0.0) ** 2 + (0.5 * strayed) ** 2 + smeared**2)
    fitted, moved = row, np.zeros(len(row))
    if alone:
        gleam = find_gleam(strip, apex_row, row, scale.blur_px, scale.px_per_mm)
        row, own, moved = row + gleam.shift, np.hypot(own, gleam.u), gleam.shift
    # A rounding hides the end of grind lines as it does a highlight's.
    end_u = np.where(np.abs(fitted - coarse.row) <= REACH_ROWS, np.hypot(coarse.end_u, rounded), np.inf)
    row, own, unlike = weigh(row, own, coarse.end_row, end_u)
    width = row - apex_row
    systematic = np.sqrt(own**2 + doubt**2 + rounded**2)
    # Both faces must be seen, by as much as the search itself looks at.
    beyond = np.maximum(3 * sigma, 4 * scale.blur_px + 5)
    seen_to = np.clip(np.nan_to_num(row, nan=0.0) + beyond, 0, len(strip.valid) - 1).astype(int)
    mark(StationFlag.FRAME_END, ~strip.valid[seen_to, columns] | ~_inside(strip.valid, coarse.row))
    mark(StationFlag.CLIPPED, burnt)
    mark(StationFlag.SOFT, sigma > 2.0 * scale.blur_px + 0.5)
    mark(StationFlag.NARROW, width < NARROW_PX)
    mark(StationFlag.RIVAL_LINE, rivalled | (unlike > DISAGREE) | (strayed > 0))
    step = np.abs(fit.levels[-1] - fit.levels[-2])
    smooth_step = np.sqrt(gaussian_filter1d(step**2, scale.pool, mode="nearest"))
    mark(StationFlag.LOW_CONTRAST, (smooth_step < 2.0 * np.sqrt(strip.column_px) * fit.residual) | (u > 0.5) | (share > LOST_AMONG))
    lost = (
        ~np.isfinite(row)
        | ~np.isfinite(width)
        | (width < _LEAST_WIDTH_PX)
        | (u > 3.0)
        # A stretch has a mix of its own only where that shows the line clearly among the faces' own steps.
        | (coarse.faint & ~own_mix)
        | ((flags & StationFlag.FRAME_END) > 0)
    )
    mark(StationFlag.NOT_MEASURED, lost)
    nan = np.where(lost, np.nan, 1.0)
    rival = np.where(strayed > 0, coarse.row, np.where(~rivalled & (unlike > DISAGREE), coarse.end_row, coarse.named_row))
    ends = float((coarse.end_sure & np.isfinite(end_u) & (unlike <= DISAGREE) & ~lost).sum() / max((~lost).sum(), 1))
    return ShoulderLine(row * nan, u * nan, systematic * nan, sigma * nan, rival, coarse.rival_share, flags, scale.pool, ends, moved)


def _inside(valid: np.ndarray, row: np.ndarray) -> np.ndarray:
    """(S,) whether the cell at `row` lies in the photo."""
    at = np.round(row).astype(int)
    return (at >= 0) & (at < len(valid)) & valid[np.clip(at, 0, len(valid) - 1), np.arange(len(row))]
