"""Marks on the cheek of a blade photographed without the strip: etched letters, a maker's stamp, stains, what lies past the spine.

A person's point on the cheek says how far to look for the shoulder, and may lie beyond a mark. Letters outshine any shoulder, but their
step comes and goes along the edge; a shoulder's stays. So a line whose step comes and goes, and that is stronger than a lasting one nearer
the apex, is a mark: neither a shoulder nor a sample of the cheek.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import gaussian_filter1d, median_filter

from vision.evidence import shoulder_evidence
from vision.faces import Evidence
from vision.paths import best_path
from vision.sheet import DARK
from vision.shoulder import CROOK, RIVAL_APART, bridged, steepest
from vision.steering import LineGuide
from vision.straighten import StraightStrip

# Of a line's step (power), what lasts in the means of a twelfth of the edge: a chip or a glint may hide a tenth of a shoulder; letters
# leave a third of their line bare and more, or stand on both sides of it.
_LASTS, _GOES = 0.9, 2 / 3
_PARTS = 12
# Lines tried one before the other, from what the cheek point leaves to the apex.
_MOST_LINES = 4
# Rows nearer than this to a mark are its blur and halo.
_CLEAR_ROWS = 7.0


@dataclass(frozen=True, eq=False)
class Bare:
    """What may be searched for the shoulder: evidence up to the cheek point or the first mark, and the strip with nothing behind that."""

    evidence: Evidence
    strip: StraightStrip


@dataclass(frozen=True, eq=False)
class _Line:
    """A path: rows from the apex (C,), the share of its step's power that lasts, and its step, log, root mean square."""

    row: np.ndarray
    lasts: float
    step: float


def bare(strip: StraightStrip, apex_row: np.ndarray, scale: tuple[float, float], depth_px: float, guide: LineGuide | None = None) -> Bare:
    """The evidence for a shoulder at most `depth_px` from the apex (S,), nothing behind a mark in it; `scale` is blur and px per mm."""
    blur_px, px_per_mm = scale
    apex = bridged(apex_row)
    evidence = shoulder_evidence(strip, apex, blur_px, px_per_mm)
    rows = np.arange(len(evidence.allowed))[:, None]
    evidence = replace(evidence, allowed=evidence.allowed & (rows <= depth_px))
    allowed = evidence.allowed
    if guide is not None:
        barred = guide.barred(allowed.shape, evidence.column, np.interp(evidence.column, np.arange(len(apex)), apex))
        allowed = allowed & ~np.where((allowed & ~barred).any(axis=0), barred, False)
    marked = _first_mark(_Picture(strip, apex, blur_px, evidence), allowed)
    end = np.full(evidence.score.shape[1], depth_px) if marked is None else np.minimum(marked, depth_px)
    # What the person left out is no sample of the cheek either; the windows of the line's own fit may look at it.
    last = apex + np.interp(np.arange(len(apex)), evidence.column, end)
    seen = strip.valid & (np.arange(len(strip.valid))[:, None] <= last)
    return Bare(replace(evidence, allowed=evidence.allowed & (rows <= end)), replace(strip, valid=seen))


@dataclass(frozen=True, eq=False)
class _Picture:
    strip: StraightStrip
    apex: np.ndarray
    blur_px: float
    evidence: Evidence


def _first_mark(picture: _Picture, allowed: np.ndarray) -> np.ndarray | None:
    """(C,) rows from the apex at which marks begin; None where there are none. `allowed` (W, C) is where the shoulder may be."""
    rows, marked = np.arange(len(allowed))[:, None], None
    line = strongest = _best(picture, allowed)
    for _ in range(_MOST_LINES):
        if line is None or line.lasts >= _LASTS:
            break
        marked = line.row - _apart(line.row)
        line = _best(picture, allowed & (rows < marked))
    if line is None or strongest is None or line.lasts < _LASTS:
        return None
    if line is not strongest:
        return marked if _outshines(strongest, line) else None
    # The shoulder itself; a mark as near behind it as the bevel is wide still is no sample of the cheek.
    behind = _best(picture, picture.evidence.allowed & (rows > line.row + _apart(line.row)) & (rows < 2 * line.row))
    return behind.row - _apart(behind.row) if behind is not None and _outshines(behind, line) else None


def _outshines(mark: _Line, line: _Line) -> bool:
    return mark.lasts < _GOES and mark.step > line.step


def _apart(row: np.ndarray) -> np.ndarray:
    return np.maximum(RIVAL_APART * row, _CLEAR_ROWS)


def _best(picture: _Picture, allowed: np.ndarray) -> _Line | None:
    """The connected line of most evidence in the allowed cells; None where none fits in."""
    strip, apex, evidence = picture.strip, picture.apex, picture.evidence
    try:
        row = best_path(-evidence.score, steepest(strip), CROOK, ~allowed, through=False).row
    except ValueError:
        return None
    columns = np.arange(len(apex))
    line = apex + np.interp(columns, evidence.column, median_filter(row.astype(float), 3, mode="nearest"))

    def light(side: int) -> np.ndarray:
        at = [np.clip(np.rint(line + side * (1.5 * picture.blur_px + 1.0 + k)).astype(int), 0, len(strip.linear) - 1) for k in range(3)]
        return np.log(np.maximum(np.mean([strip.linear[r, columns] for r in at], axis=0), 0.0) + DARK)

    step = light(1) - light(-1)
    along = len(columns) / _PARTS
    power = gaussian_filter1d((step**2).sum(axis=1), along, mode="nearest")
    lasting = (gaussian_filter1d(step, along, axis=0, mode="nearest") ** 2).sum(axis=1)
    return _Line(row, float(np.median(lasting / np.maximum(power, 1e-12))), float(np.sqrt(np.median(power))))
