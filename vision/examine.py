"""The figures behind the photo checks: what the strip, both lines and the surfaces beside them look like. `vision.checks` judges them."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter1d

from vision.alike import difference, lasting_step, step_share
from vision.apex import ApexLine
from vision.camera import CameraFit
from vision.faces import BLOCK_COLUMNS, block_features, texture
from vision.flags import StationFlag
from vision.paths import smooth_along
from vision.photo import Photo
from vision.shoulder import NARROW_PX, ShoulderLine
from vision.straighten import StraightStrip, srgb_to_linear_table
from vision.target import Target
from vision.threads import in_parallel, side_by_side

# The line fits tell a blur to about a third (their own prior and the halo of sharpening), so that much more is no more.
_BLUR_KNOWN = 1.3
# Bare paper or card with the blade's shadow on it: how far the light falls off across a few mm, the printed white's own colour, its grain.
_LANE_FLOOR = np.array([0.1, 0.015, 0.015, 0.15])
# Rows before the apex that show the lane clear of the contact shadow (mm).
_LANE_MM = (0.3, 0.7)
# Cheek beyond the shoulder that tells its nature, rows.
_CHEEK_ROWS = 60
# Divisions of rules (mm): whole and half millimetres, 1/32 and 1/64 inch.
_DIVISIONS_MM = (1.0, 0.5, 25.4 / 32, 25.4 / 64)
# Bins of one division: a mark is a tenth of it or more.
_BINS = 10
# The edge's course on either side of a place is taken within the second (mm), clear of the ramp by which a path changes lines.
_COURSE_MM = (1.0, 3.5)


@dataclass(frozen=True, eq=False)
class Seen:
    """What the stages found in one photo; `target` is None for a photo without the strip, `path_mm` (`lane.ApexCurve`) then too."""

    photo: Photo
    target: Target | None
    fit: CameraFit
    strip: StraightStrip
    edge: ApexLine
    line: ShoulderLine
    height_mm: float
    path_mm: np.ndarray | None = None

    @property
    def px_per_mm(self) -> float:
        """Scale of the photo."""
        return self.fit.camera.px_per_mm


def figures(seen: Seen) -> dict[str, float]:
    """Measured figure of every check by its name; NaN where the photo does not give one."""
    return _of_the_strip(seen) | _of_the_lines(seen) | _of_the_faces(seen)


def _of_the_strip(seen: Seen) -> dict[str, float]:
    camera, target = seen.fit.camera, seen.target
    if target is None:
        return {}
    base = seen.strip.base_px[seen.strip.valid[round(seen.strip.row_of_apex)]]
    at = camera.to_height(base[::BLOCK_COLUMNS], seen.height_mm)[:, :2] if len(base) else np.full((1, 2), np.nan)
    return {
        "strip-tilted": camera.tilt_deg,
        "strip-bent": target.residual_px / camera.px_per_mm,
        "strip-far": float(np.median(at[:, 1])),
        "strip-low": abs(seen.height_mm) / camera.distance_mm,
        "edge-in-frame": float(np.nansum(np.linalg.norm(np.diff(at, axis=0), axis=1))),
        "edge-jumps": largest_jump(at if seen.path_mm is None else seen.path_mm),
    }


def largest_jump(course_mm: np.ndarray) -> float:
    """Largest gap (mm) between the straight courses (N, 2) on either side of any place; NaN where too little is seen."""
    x, y = course_mm.T
    reach = _COURSE_MM[1]
    if len(x) < 8 or np.ptp(x) < 2 * reach:
        return float("nan")
    # One row a place, so that all straight lines are fitted at once.
    off = x - np.arange(x.min() + reach, x.max() - reach, 0.2)[:, None]
    left, right = (_at_zero(off, y, (s * off > _COURSE_MM[0]) & (s * off < reach)) for s in (-1, 1))
    gaps = np.abs(right - left)
    return float(np.nanmax(gaps)) if np.isfinite(gaps).any() else float("nan")


def _at_zero(x: np.ndarray, y: np.ndarray, used: np.ndarray) -> np.ndarray:
    """(H,) where the straight line of least squares through the `used` (H, N) points (x (H, N), y (N,)) crosses x = 0; NaN below four."""
    count = used.sum(axis=1)
    many = np.maximum(count, 1)
    mean_x, mean_y = (x * used).sum(axis=1) / many, used @ y / many
    spread = np.where(used, x - mean_x[:, None], 0.0)
    square = (spread**2).sum(axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        slope = spread @ y / square
    return np.where((count >= 4) & (square > 0), mean_y - slope * mean_x, np.nan)


def _of_the_lines(seen: Seen) -> dict[str, float]:
    width, edge, line = seen.line.row - seen.edge.row, seen.edge, seen.line
    shown = seen.strip.valid[round(seen.strip.row_of_apex)]
    known = np.isfinite(width)
    if not known.any():
        return {"edge-measured": 0.0}
    span = shown & (np.arange(len(width)) >= np.flatnonzero(known)[0]) & (np.arange(len(width)) <= np.flatnonzero(known)[-1])
    first, second = edge.blur_px, float(np.median(line.sigma_px[known]))
    strip_blur = seen.target.blur_px if seen.target is not None and np.isfinite(seen.target.blur_px) else 0.0
    sharp = _BLUR_KNOWN * max(first, strip_blur)
    flags = (edge.flags | line.flags)[known]
    return {
        "bevel-px": float(np.median(width[known])),
        "edge-blur": float(np.median(width[known])) / max(first, second),
        "edge-measured": float(np.clip(width[known] / NARROW_PX, 0.0, 1.0).sum() / max(span.sum(), 1)),
        "edge-bridged": float(((edge.flags[known] & StationFlag.LOW_CONTRAST) > 0).mean()),
        "shoulder-soft": np.sqrt(max(second**2 - sharp**2, 0.0)) / seen.px_per_mm,
        "apex-faint": seen.edge.support,
        "apex-soft": np.sqrt(max(first**2 - (_BLUR_KNOWN * max(second, strip_blur)) ** 2, 0.0)) / seen.px_per_mm,
        "clipped": float(((flags & StationFlag.CLIPPED) > 0).mean()),
        "lane-burnt": _lane_burnt(seen, known),
    }


def _lane_burnt(seen: Seen, known: np.ndarray) -> float:
    """Share of burnt-out cells of the lane, clear of the contact shadow, before the `known` (S,) columns of the edge."""
    at = np.flatnonzero(known)[::BLOCK_COLUMNS]
    offsets = np.arange(int(_LANE_MM[0] * seen.px_per_mm), int(_LANE_MM[1] * seen.px_per_mm) + 1)
    rows = np.rint(seen.edge.row[at]).astype(int) - offsets[:, None]
    cells = np.clip(rows, 0, len(seen.strip.valid) - 1), at
    shown = (rows >= 0) & seen.strip.valid[cells]
    return float(seen.strip.clipped[cells][shown].mean()) if shown.any() else math.nan


# What grind lines that end at the line all along count for, in units of one face's variation: as much as leaves no caution.
_LINES_END_SAY = 12.0


@dataclass(frozen=True, eq=False)
class _Faces:
    """Mean features (N, 4) of lane, bevel and cheek in the blocks where all are seen, smoothed along a millimetre.

    `used` (C,) are those among all blocks, `along` is the smoothing's standard deviation in blocks.
    """

    lane: np.ndarray
    bevel: np.ndarray
    cheek: np.ndarray
    used: np.ndarray
    along: float


def _of_the_faces(seen: Seen) -> dict[str, float]:
    faces, ruled, printed = side_by_side(lambda: _faces(seen), lambda: ruled_share(*_band(seen)), lambda: _white(seen))
    if faces is None:
        return {}
    lane_again = (np.abs(faces.cheek - faces.lane) < _LANE_FLOOR).all(axis=1)
    unlike, share = _unlike(seen, faces)
    out = {
        "faces-alike": unlike,
        "shoulder-slope": share,
        "lane-beyond": float(lane_again.mean()),
        "ruled-marks": ruled,
    }
    if printed is not None:
        brightness, white = printed
        # The lesser of both: a coated cheek has a colour beside a bare bevel, wood and plastic have theirs on both sides.
        colours = [np.abs(np.median(f[:, 1:3], axis=0) - white).max() for f in (faces.bevel, faces.cheek)]
        out["no-metal"] = float(min(colours))
        paper = float(np.median(faces.bevel[:, 0])) - brightness
        out["bevel-dark"] = math.exp(paper)
    return out


def _faces(seen: Seen) -> _Faces | None:
    features, valid, column = block_features(seen.strip, seen.edge.blur_px)
    columns = np.arange(len(seen.edge.row))
    both = np.isfinite(seen.edge.row) & np.isfinite(seen.line.row)
    if not both.any():
        return None
    first, second = (np.interp(column, columns[both], r[both]) for r in (seen.edge.row, seen.line.row))
    row = np.arange(len(features))[:, None]
    scale = seen.px_per_mm
    # Clear of both lines' blur; of a narrow bevel, its middle.
    clear = np.minimum(2.5 * seen.edge.blur_px + 1.0, 0.3 * (second - first))
    far = 2.5 * float(np.nanmedian(seen.line.sigma_px)) + 1.0
    # Where the line strays to the lane side of what was cut out, half of what is left before it.
    away = np.minimum(_LANE_MM[0] * scale, 0.5 * np.maximum(first, 0.0))
    places = (
        (row > first - _LANE_MM[1] * scale) & (row < first - away),
        (row > first + clear) & (row < second - clear),
        (row > second + far) & (row < second + far + np.clip(second - first, 8, _CHEEK_ROWS)),
    )
    values = np.concatenate([features[:, :3], texture(features[:, 3:6])[:, :1]], axis=1)
    shown = [p & valid for p in places]
    counts = [p.sum(axis=0) for p in shown]
    means = [np.einsum("rfc,rc->cf", values, p.astype(np.float32)) / np.maximum(n, 1)[:, None] for p, n in zip(shown, counts, strict=True)]
    good = both[np.clip(np.round(column).astype(int), 0, len(columns) - 1)] & (np.min(counts, axis=0) >= 2)
    if good.sum() < 2:
        return None
    along = max(0.5 * scale / seen.strip.column_px / BLOCK_COLUMNS, 1.0)
    return _Faces(*(gaussian_filter1d(m[good], along, axis=0, mode="nearest") for m in means), good, along)


def _unlike(seen: Seen, faces: _Faces) -> tuple[float, float]:
    """How surely the second line parts two faces, in units of what one face varies by: by their means, by where grind lines end, or by the
    step at the line; one that is sure is enough. And how much of the difference happens at the line, all where grind lines end there."""
    features, valid, column = block_features(seen.strip, seen.edge.blur_px)
    columns, both = np.arange(len(seen.edge.row)), np.isfinite(seen.edge.row) & np.isfinite(seen.line.row)
    first, second = (np.interp(column[faces.used], columns[both], r[both]) for r in (seen.edge.row, seen.line.row))
    sigma = max(float(np.nanmedian(seen.line.sigma_px)), seen.edge.blur_px)
    along = smooth_along(np.ascontiguousarray(features[:, :3].transpose(0, 2, 1)[:, faces.used]), faces.along)
    apart = (faces.cheek - faces.bevel)[:, :3]
    found = max(difference(faces.bevel, faces.cheek), _LINES_END_SAY * seen.line.lines_end)
    if found < _LINES_END_SAY:
        found = max(found, np.nan_to_num(lasting_step(along, valid[:, faces.used], (first, second), sigma, apart)))
    share = step_share(along, second, int(np.ceil(1.5 * sigma)), apart)
    return found, max(share, seen.line.lines_end) if np.isfinite(share) else share


def _band(seen: Seen) -> tuple[np.ndarray, np.ndarray]:
    """Position along the strip (N,) mm and mean log brightness (N,) of the middle half of the bevel, column by column."""
    first, second = seen.edge.row, seen.line.row
    at = np.flatnonzero(np.isfinite(first) & np.isfinite(second))
    shares = np.linspace(0.25, 0.75, 7)[:, None]
    rows = np.round(first[at] + shares * (second[at] - first[at])).astype(int)
    light = seen.strip.linear[np.clip(rows, 0, len(seen.strip.linear) - 1), at, 1].mean(axis=0)
    x = seen.fit.camera.to_height(seen.strip.base_px[at], seen.height_mm)[:, 0]
    return x, np.log(np.maximum(light, 0.0) + 0.01)


def ruled_share(x_mm: np.ndarray, value: np.ndarray) -> float:
    """Share of the variance of `value` (N,) along `x_mm` (N,) that repeats with the step of a rule; NaN on less than 5 mm."""
    if len(x_mm) < 50 or np.ptp(x_mm) < 5.0:
        return float("nan")
    value = value - gaussian_filter1d(value, len(value) / np.ptp(x_mm), mode="nearest")
    total = float((value**2).mean())
    if total < 1e-12:
        return 0.0

    def best(division: float) -> float:
        most, turns = 0.0, np.empty(len(x_mm))
        # Scale and height are known to a few per cent; the folded picture must not smear over the length seen.
        for scale in np.arange(0.96, 1.04, 0.1 * division / np.ptp(x_mm)):
            np.multiply(x_mm, 1.0 / (division * scale), out=turns)
            turns -= np.floor(turns)
            # The bin beyond the last takes what a rounding carries over the end.
            phase = (turns * _BINS).astype(np.intp)
            count = np.bincount(phase, minlength=_BINS + 1)
            mean = np.bincount(phase, weights=value, minlength=_BINS + 1) / np.maximum(count, 1)
            most = max(most, float((mean**2 * count).sum() / len(value)) / total)
        return most

    return max(in_parallel(best, _DIVISIONS_MM))


def _white(seen: Seen) -> tuple[float, np.ndarray] | None:
    """Log brightness and (2,) log colour ratios of the printed white: the brighter pixels among the strip's corners."""
    if seen.target is None:
        return None
    corners, pixels = seen.target.corners_px, seen.photo.pixels
    low, high = np.floor(corners.min(axis=0)).astype(int), np.ceil(corners.max(axis=0)).astype(int) + 1
    part = pixels[max(low[1], 0) : high[1], max(low[0], 0) : high[0]]
    step = max(int(np.sqrt(part.shape[0] * part.shape[1] / 250_000)), 1)
    codes = part[::step, ::step].reshape(-1, *part.shape[2:])
    if codes.ndim == 1:
        codes = np.repeat(codes[:, None], 3, axis=1)
    table = srgb_to_linear_table(65536 if part.dtype == np.uint16 else 256)
    # Half of the strip is black and a third of the rest too; edges are in between. Counted by codes, whose order is that of the light.
    green = np.ascontiguousarray(codes[:, 1])
    white = green >= np.searchsorted(table, np.float32(_quantile(green, table, 0.75)))
    middle = np.array([_quantile(codes[:, i][white], table, 0.5) for i in range(3)], np.float32)
    log = np.log(np.maximum(middle, 0.0) + 0.01)
    return float(log.mean()), np.array([log[0] - log[1], log[2] - log[1]])


def _quantile(codes: np.ndarray, table: np.ndarray, share: float) -> float:
    """Quantile of the light `table` (K,) of `codes` (N,), as `np.quantile` would give it after sorting them all."""
    upto = np.cumsum(np.bincount(codes, minlength=len(table)))
    place = share * (len(codes) - 1)
    low, high = (float(table[np.searchsorted(upto, rank, side="right")]) for rank in (math.floor(place), math.ceil(place)))
    return low + (place - math.floor(place)) * (high - low)
