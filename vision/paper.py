"""Where the strip's paper was cut and glued: a straight line that ends a blank lane and is no apex. Told by what lies behind it."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter1d

from calibration_targets.strip import SCALE_HEIGHT_MM
from vision.course import robust_polynomial
from vision.lines import long_lines
from vision.sheet import DARK, TICK_MM, SheetView, unevenness

# Nothing matt is brighter than white paper under the same lamp by more than its uneven light (log). But the strip may be printed on greyer
# paper than lies beside it: recycled paper reflects 0.7, the whitest 0.9 (common practice, no source).
_BRIGHTER_THAN_PAPER, _WHITEST = 0.05, 0.25
# No face of one grind loses 40 % of its light (log) within the last tenths of a millimetre before its end.
_DEEP = -0.5
# A line is brighter than what lies before it by more than a lamp's light changes over a tenth of a millimetre (log).
_BRIGHTER_LINE = 0.02
# Printed ink gives back about 0.06 of what paper does; as in the photo check `bevel-dark`.
_AS_DARK_AS_INK = 0.07
# How far the light on two matt surfaces side by side may differ along a photo (log), and how far it does at the least (grain, noise).
_EVENLY_LIT, _LEAST_UNEVEN = 0.06, 0.04
# Rows of one ground face three apart repeat each other by more than half, noise by less than a tenth (seen at 4 px a row).
_LINES, _NO_LINES = 0.4, 0.2
# So many cues more for than against, or against than for, decide.
DECIDED = 2
# The widest bevel whose shoulder is looked for (mm), and rows that steps and lines reach.
_THIRD_MM, _SOME_ROWS = 3.5, 8
# Rows behind a line that are clear of its blur, and enough of them to tell whether they repeat.
_GRAIN_ROWS = 3, 11
# Cells that tell a correlation of 0.2 from none (three standard deviations of independent ones).
_LEAST_CELLS = 225


def possible_cut(view: SheetView, row: np.ndarray) -> np.ndarray | None:
    """Row (C,) of the straight line along the strip that most of the path follows, as a cut does; None where there is none.

    None as well where something brighter than paper follows: no card does that, and no whiter paper has grind lines.
    """
    line = robust_polynomial(row.astype(float), 1)
    slope, level = (line[-1] - line[0]) / len(line), view.mm * float(line.mean())
    if level > SCALE_HEIGHT_MM + 4.0 or abs(slope) > 0.02 or (np.abs(row - line) < 2.0).mean() < 0.5:
        return None
    cut = np.round(line).astype(int)
    bright, columns, last = view.features[..., 0], np.arange(len(row)), len(view.features) - 1
    paper, behind = (np.median(bright[np.clip(cut + d, 0, last), columns]) for d in (-round(0.5 / view.mm) - 1, 4))
    brighter = behind - paper
    if brighter > _WHITEST or (brighter > _BRIGHTER_THAN_PAPER and _ground_behind(view, cut)):
        return None
    return cut


def _ground_behind(view: SheetView, line: np.ndarray) -> bool:
    """Whether grind lines repeat from row to row just behind a line (C,), clear of its blur."""
    top = int(line.min())
    near, low = view.rows(top, int(line.max()) + _GRAIN_ROWS[1]), line - top + _GRAIN_ROWS[0]
    return _grain(near, low, low + _GRAIN_ROWS[1] - _GRAIN_ROWS[0]) > _LINES


def paper_border(
    whole: SheetView,
    lines: tuple[np.ndarray, np.ndarray],
    before: Callable[[int], np.ndarray],
    beyond: Callable[[int, int], np.ndarray],
) -> int:
    """How many cues more than not say that the first of two lines is where the strip's paper was cut, the apex being the second.

    Each cue is weak alone: `DECIDED` more, for or against, decide. `before` gives the strength of lines in the first so many rows by
    the noise of the paper before the first line, `beyond` that past the second between two rows.
    """
    ends = int(lines[1].min()), int(lines[1].max() + _THIRD_MM / whole.mm)
    third = long_lines(beyond(ends[0], ends[1] + _SOME_ROWS), round(TICK_MM / whole.mm))[: ends[1] - ends[0]].max(axis=0)
    shade, far = max(int(0.15 / whole.mm), 3), int(1.0 / whole.mm)
    # The rows that any cue looks at.
    top = max(int(lines[0].min()) - far, 0)
    view = whole.rows(top, int(lines[1].max()) + far + shade + _SOME_ROWS)
    first, second = (line - top for line in lines)
    gap = view.mm * (second - first)
    width = float(np.median(gap))
    rows = np.arange(len(view.features))[:, None]
    usable = view.valid & ~view.ink
    features = np.vstack([view.features.reshape(-1, 3).T, unevenness(view, 1.0).ravel()])

    def median(low: np.ndarray, high: np.ndarray) -> np.ndarray:
        inside = np.flatnonzero(usable & (rows > low) & (rows < high))
        return np.median(features[:, inside], axis=1) if len(inside) > 50 else np.full(4, np.nan)

    paper = median(first - far, first - shade - 1)
    between = median(first + 2, np.maximum(second - shade - 1, first + 4))
    behind = median(second + 2, second + shade + 2)
    shadow_first = median(first - shade, first - 1)[0] - paper[0]
    # Against what lies beside it: far off there may be another surface.
    shadow_second = (
        median(second - shade, second - 1)[0] - median(np.maximum(first + 2, second - far), np.maximum(second - shade - 1, first + 4))[0]
    )
    ground = [_grain(view, *ends) for ends in ((first + 3, second - 2), (second + 2, second + round(0.5 / view.mm) + 2))]
    black = np.exp(between[0]) - DARK < _AS_DARK_AS_INK * (np.exp(paper[0]) - DARK)
    shadow = _shadow_cue(shadow_first, shadow_second)
    tinted = np.abs(between[1:3] - paper[1:3]).max() > 0.3
    cues = (
        # Steel reflects the lamp that lights the paper, or a bluer sky (log ratio 0.2); card and wood have colours of their own.
        2 * tinted,
        # A surface of the paper's colour with bright lines along it is steel; wood and cloth have lines, and a colour.
        -2 * (not tinted and not black and _streaked(whole, before, lines[0] + 2 * shade, lines[1] - 2 * shade)),
        # Ground steel gives back more of the lamp's light than printed ink does; a blackened bevel has no third line behind it.
        2 * (black and (third > 0).mean() > 0.3),
        # Nothing matt is brighter than white paper, and little is brighter than paper.
        -int(between[0] > paper[0] + _BRIGHTER_THAN_PAPER) - 2 * (between[0] > paper[0] + _WHITEST),
        # The blade shades the surface just before its edge; a cut through flat paper shades nothing. On a black surface no shadow shows.
        max(shadow, 0) if black else shadow,
        # Apex and shoulder must both lie beyond the cut (a weak shoulder may not show here).
        1 * ((third > 0).mean() > 0.5),
        # A bevel wider than this is rare on a knife, and a bevel's width does not double along a photo, as a lane's does.
        1 * (width > 3.0),
        2 * (np.percentile(gap, 95) > 2.0 * np.percentile(gap, 5) + 0.2),
        # Grind lines go on from row to row; paper, card and cloth have none, noise has none, and a bevel without any has a cheek behind it
        # and no third line.
        2 * (ground[1] > _LINES and ground[0] < _NO_LINES and (third > 0).mean() > 0.5) - 2 * (ground[0] > _LINES),
        # All that is matt is lit as the strip's paper is, to within uneven light; a polished cheek mirrors now this, now that.
        2
        * _mirrors_behind(
            view,
            (first - far, first - shade - 1),
            (first + 2, np.maximum(second - shade - 1, first + 4)),
            (second + shade, second + shade + far),
        ),
        # Grind lines make steel uneven along the edge, card and wood are even; in the dark only noise is seen.
        int(_more_uneven(behind, between, 0.3)) - int(between[3] > paper[3] + 0.5 and between[0] > paper[0] - 1.5),
    )
    return sum(int(c) for c in cues)


def _mirrors_behind(view: SheetView, *faces: tuple[np.ndarray, np.ndarray]) -> bool:
    """Whether what lies between two lines follows the paper's light all along, and what lies behind them goes its own ways.

    `faces`: first and last row (C,) of the paper, of what lies between, and of what lies behind.
    """
    light, one, two = (_along(view, *ends) for ends in faces)
    known = np.isfinite(light) & np.isfinite(one) & np.isfinite(two)
    if known.sum() * view.mm < 10.0:
        return False
    same, other = (gaussian_filter1d((face - light)[known], 1.0 / view.mm) for face in (one, two))
    matt, metal = (float(np.ptp(np.percentile(values, (5, 95)))) for values in (same, other))
    return matt < _EVENLY_LIT and metal > 5.0 * max(matt, _LEAST_UNEVEN)


def _along(view: SheetView, low: np.ndarray, high: np.ndarray) -> np.ndarray:
    """(C,) mean log brightness of the usable cells in rows ``low < r < high``, NaN where there are none."""
    rows = np.arange(len(view.features))[:, None]
    inside = view.valid & ~view.ink & (rows > low) & (rows < high)
    count = inside.sum(axis=0)
    total = np.where(inside, view.features[..., 0], 0.0).sum(axis=0)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _shadow_cue(first: float, second: float) -> int:
    """From the darkening (log) just before each line: 2 when only the second clearly has a contact shadow, 3 when that is a deep one, -2
    when only the first has."""
    # Lighter before a line (a bright bevel's light on the lane) is no shadow of the other's.
    first, second = min(first, 0.0), min(second, 0.0)
    if second < first - 0.12 and first > -0.06:
        return 3 if second < first + _DEEP else 2
    if first < second - 0.12 and second > -0.06:
        return -2
    return int(second < first - 0.05) - int(first < second - 0.05)


def _more_uneven(one: np.ndarray, other: np.ndarray, by: float) -> bool:
    """Whether one surface's contrast along the edge is greater than another's by more (log) than photons' noise makes it where less light
    comes from it: contrast of a count goes as one over its root."""
    return bool(one[3] > other[3] + by + 0.5 * max(other[0] - one[0], 0.0))


def _streaked(view: SheetView, before: Callable[[int], np.ndarray], low: np.ndarray, high: np.ndarray) -> bool:
    """Whether in rows ``low < r < high`` it grows brighter at connected lines along the edge, over most of its length.

    A shadow that the blade casts on a lane has borders too, and grows darker all the way.
    """
    if (high - low).max() <= 1:
        return False
    # The rows that the last one's steps look at.
    count = min(int(high.max()) + 8, len(view.features))
    smooth = cv2.blur(view.features[:count, :, 0], (max(round(0.5 / view.mm), 3), 1))
    brighter = np.zeros(smooth.shape, bool)
    brighter[1:-2] = smooth[3:] - smooth[:-3] > _BRIGHTER_LINE
    rows = np.arange(count)[:, None]
    lines = long_lines(before(count), round(TICK_MM / view.mm)) > 0
    return bool((lines & brighter & (rows > low) & (rows < high)).any(axis=0).mean() > 0.5)


def _grain(view: SheetView, low: np.ndarray, high: np.ndarray) -> float:
    """Correlation (NaN of too few cells) of the pattern along the edge with that three rows on, in rows ``low <= r < high``."""
    bright = view.features[..., 0]
    pattern = bright - cv2.blur(bright, (15, 1))
    rows = np.arange(len(bright))[:, None]
    used = ((rows >= low) & (rows < high - 3) & view.valid & ~view.ink)[:-3]
    used[:, :8] = used[:, -8:] = False
    if used.sum() < _LEAST_CELLS:
        return float("nan")
    one = pattern[:-3][used]
    found = []
    for shift in range(-3, 4):
        other = np.roll(pattern[3:], -shift, axis=1)[used]
        found.append(float((one * other).mean() / np.sqrt((one**2).mean() * (other**2).mean() + 1e-20)))
    return max(found)
