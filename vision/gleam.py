"""A rounded shoulder that shows as a line of its own, brighter or darker than both faces. Arrays only.

Over the rounding the surface turns from the bevel's direction to the cheek's. Where the lamp stands between the two, a bright line runs
along the shoulder; where both faces see the room and the rounding the dark camera, a dark one. A fit of one step then takes the stronger
flank of that line. Whichever direction shines, it is one of those between the faces', so that the line lies within the rounding, and its
middle is as likely on one side of the corner as on the other (physics as in `vision.turn`).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil

import numpy as np

from vision.paths import smooth_along
from vision.straighten import BLOCK_COLUMNS, StraightStrip

# Roundings reach up to 50 um to either side (design.md section 10); beyond that, and what a blur carries over, the faces are bare.
_REACH_MM = 0.05
# Sharpening and smoothing overshoot a step on both sides alike in the codes that they work on. What one side shows more than the other is a
# line once it passes this share of the step and this much of the code range (three codes of 255), and surely one at twice that.
_UNEVEN_HALO, _UNEVEN_CODE = 0.08, 0.01
# And it stands out by so many times what the faces vary by themselves: specks, reflections and the streaks of a cheek that is ground along
# lie next to shoulders too, and few of them are as strong as the strongest, so that their spread says little of it. Looked at are so many
# reaches of bevel, which may be narrow, and of cheek.
_OUTSTANDS = 5.0
_BEFORE, _BEHIND = 2, 5
# Roundings change along the edge over millimetres (standard deviation of the means).
_MEAN_MM = 1.0
# Of the columns, each so-manieth tells as much of such means; a quarter of them must show the faces.
_EVERY, _SEEN = 2, 0.25
# A face at the end of its range, in any colour, has lost its halo and its share of the step: of its cells, so many may be clipped.
_CLIPPED = 0.05


@dataclass(frozen=True, eq=False)
class Gleam:
    """By how much (S,) the middle of a rounding's line lies beyond the step that was fitted, and the standard uncertainty (S,) that the
    line's length leaves; 0 where there is no line. Rows."""

    shift: np.ndarray
    u: np.ndarray


def find_gleam(strip: StraightStrip, apex_row: np.ndarray, row: np.ndarray, blur_px: float, px_per_mm: float) -> Gleam:
    """The line along a fitted shoulder `row` (S,), NaN where there is none, of a bevel that begins at `apex_row` (S,)."""
    reach = ceil(_REACH_MM * px_per_mm + 2.5 * blur_px)
    before, behind = _BEFORE * reach, _BEHIND * reach
    offsets = np.arange(-reach - before, reach + behind + 1)
    wide = max(BLOCK_COLUMNS // strip.column_px, _EVERY)
    blocks = len(row) // wide
    if not blocks:
        return Gleam(np.zeros(len(row)), np.zeros(len(row)))
    columns = np.arange(0, blocks * wide, _EVERY)
    fitted, apex = row[columns], apex_row[columns]
    at = np.rint(np.nan_to_num(fitted)).astype(int)
    # Bevel and cheek must be seen as far as they are looked at.
    seen = (at + offsets[0] > np.nan_to_num(apex, nan=np.inf) + 2 * blur_px + 1) & (at + offsets[-1] < len(strip.valid))
    inside = np.clip(at + offsets[:, None], 0, len(strip.valid) - 1), columns
    seen &= np.isfinite(fitted) & strip.valid[inside].all(axis=0)

    def means(values: np.ndarray) -> np.ndarray:
        block = np.where(seen, values, 0.0).reshape(*values.shape[:-1], blocks, -1).mean(axis=-1)
        return smooth_along(np.atleast_2d(block), _MEAN_MM * px_per_mm / (wide * strip.column_px)).reshape(block.shape)

    share = means(np.ones(len(columns)))
    count = np.maximum(share, 1e-9)
    # Of the sRGB curve, near enough, what sharpening works on.
    code = np.maximum(means(strip.grey[inside]) / count, 0.0) ** (1 / 2.2)
    shift, u = _line(code, offsets, means(np.nan_to_num(fitted) - at) / count, (reach, blur_px))
    clipped = strip.clipped[inside]
    bare = np.maximum(*(means(face.mean(axis=0)) for face in (clipped[:before], clipped[-behind:]))) < _CLIPPED * count
    centre, everywhere = (np.arange(blocks) + 0.5) * wide - 0.5, np.arange(len(row))
    return Gleam(*(np.interp(everywhere, centre, np.where((share > _SEEN) & bare, v, 0.0)) for v in (shift, u)))


def _line(code: np.ndarray, offsets: np.ndarray, start: np.ndarray, scale: tuple[int, float]) -> tuple[np.ndarray, np.ndarray]:
    """Shift and uncertainty (B,) of the line in profiles (K, B) at `offsets` (K,) about steps at `start` (B,); reach and blur in rows."""
    reach, blur_px = scale
    beside = max(ceil(2 * blur_px), 3)
    faces, within = (code[: _BEFORE * reach], code[-_BEHIND * reach :]), slice(_BEFORE * reach, -_BEHIND * reach)
    first, second = np.median(faces[0][-beside:], axis=0), np.median(faces[1][:beside], axis=0)
    uneven = np.maximum(*(f.std(axis=0) for f in faces))
    inner, at = code[within], offsets[within]
    over = inner.max(axis=0) - np.maximum(first, second)
    under = np.minimum(first, second) - inner.min(axis=0)
    height, step = np.abs(over - under), np.abs(first - second)
    least = np.maximum(_UNEVEN_HALO * step + _UNEVEN_CODE, _OUTSTANDS * uneven)
    sure = np.clip(height / least - 1.0, 0.0, 1.0)
    sign = np.where(over > under, 1.0, -1.0)
    top = (sign * inner).argmax(axis=0)
    shift, u = np.zeros(len(start)), np.zeros(len(start))
    for b in np.flatnonzero(sure > 0):
        line, peak = sign[b] * inner[:, b], top[b]
        ends = [_flank(line, peak, (line[peak] + sign[b] * face) / 2, way) for face, way in ((first[b], -1), (second[b], 1))]
        if None in ends:
            continue
        near, far = (float(np.interp(end, np.arange(len(at)), at)) for end in ends)
        # A scratch beside the shoulder is none of its line.
        if not near - blur_px - 1.0 <= start[b] <= far + blur_px + 1.0:
            continue
        away = (near + far) / 2 - start[b]
        shift[b] = sure[b] * away
        # As long as the rounding that shines, once the photo's blur is taken off (2.35: width at half height).
        own = np.sqrt(max((far - near) ** 2 - (2.35 * blur_px) ** 2, 0.0))
        # Half believed, it leaves the doubt whether it is one.
        u[b] = np.hypot(sure[b] * own / 2 / np.sqrt(3.0), np.sqrt(sure[b] * (1.0 - sure[b])) * away)
    return shift, u


def _flank(line: np.ndarray, peak: int, level: float, way: int) -> float | None:
    """Where, from its peak on, a line falls through a level; None where it does not."""
    i = peak
    while 0 <= i + way < len(line):
        if line[i + way] <= level:
            return i + way * float((line[i] - level) / max(line[i] - line[i + way], 1e-12))
        i += way
    return None
