"""A band beside the apex: shadow or facet, what it means for the apex, and how several findings of one join. Arrays only."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np

from vision.apex import ONE_WAY_DOUBT, ApexLine
from vision.flags import Note, StationFlag
from vision.rounding import round_pair

# What reading a row of a picture is good to.
WHOLE_ROWS = 1.0
# An edge that is moved to a penumbra's far end by more than half a px is told of.
TOLD_PX = 0.5
# Shorter stretches are specks (mm).
_LEAST_MM = 1.0
_SHADOW = Note(
    "shadow-band",
    "along {length:.0f} mm a dark band {width} mm wide lies before the edge: taken for the blade's own shadow, since the bevel's grind "
    "lines, light or colour begin behind it",
    "look at the overlay; soften the light or move the lamp, or point at the apex with a guide point",
)
_FACET = Note(
    "second-facet",
    "along {length:.0f} mm a second facet {width} mm wide runs beside the apex; the bevel width is that of the whole",
    "move the lamp: a micro-bevel stays where it is, a reflection moves",
    "info",
)


_BEFORE = Note(
    "line-before",
    "along {length:.0f} mm a fainter line runs {width} mm before the one taken for the edge: the border of a shadow, or the edge itself "
    "with a facet as bright as its lane; half of that distance is in doubt",
    "look at the overlay; turn the lamp, or point at the apex with a guide point",
)
_INTO_THE_EDGE = Note(
    "shadow-at-edge",
    "along {length:.0f} mm the line of the edge is softer than the photo: the blade's own shadow runs into a bevel as dark, and the edge "
    "is taken {width} mm behind the middle of that line",
    "look at the overlay; move the lamp to the edge's side, so that no shadow falls before the edge",
)


@dataclass(frozen=True, eq=False)
class Band:
    """What lies before the bevel's grind lines.

    Attributes
    ----------
    course : (S,) float
        Row of the apex where a shadow was taken for part of the bevel, elsewhere the apex as it was.
    shadow, facet : (S,) bool
        Where there is a shadow before the apex; where a facet runs along it.
    rows : (S,) float
        How wide the band is, rows; NaN where there is none.
    doubt : (S,) float
        Standard uncertainty, rows, of an apex that was left where it is though the grind lines rather begin behind a dark band.
    """

    course: np.ndarray
    shadow: np.ndarray
    facet: np.ndarray
    rows: np.ndarray
    doubt: np.ndarray

    def on(self, edge: ApexLine) -> ApexLine:
        """The apex with what the band means for its uncertainty and flags."""
        told = self.shadow | (self.doubt > 0)
        flags = np.where(told, edge.flags | int(StationFlag.SHADOW), edge.flags)
        return replace(edge, systematic_px=np.hypot(edge.systematic_px, self.doubt), flags=flags)

    def notes(self, px_per_mm: float, column_px: int = 1) -> tuple[Note, ...]:
        """Remarks on the photo, with the length along the edge, columns of so many px, and the band's width."""
        scale = px_per_mm, column_px
        return _said(_SHADOW, self.shadow, self.rows, scale) + _said(_FACET, self.facet, self.rows, scale)


def notes_of(edge: ApexLine, px_per_mm: float, column_px: int = 1) -> tuple[Note, ...]:
    """What is said of a line before the one taken for the edge, and of a shadow that runs into it."""
    told = (_BEFORE, edge.ahead, 0.0), (_INTO_THE_EDGE, edge.moved, TOLD_PX)
    return tuple(note for kind, rows, least in told if rows is not None for note in _said(kind, rows > least, rows, (px_per_mm, column_px)))


def _said(note: Note, where: np.ndarray, rows: np.ndarray, scale: tuple[float, int]) -> tuple[Note, ...]:
    px_per_mm, column_px = scale
    length = column_px * where.sum() / px_per_mm
    if length < _LEAST_MM:
        return ()
    # Whole rows: the width is good to one of them, two for k = 2.
    width = " ± ".join(round_pair(float(np.median(rows[where])) / px_per_mm, 2.0 * WHOLE_ROWS / px_per_mm))
    return (replace(note, text=note.text.format(length=length, width=width)),)


def runs(where: np.ndarray) -> np.ndarray:
    """(N, 2) first column and the one behind the last of each run of True in `where` (S,)."""
    return np.flatnonzero(np.diff(np.concatenate([[False], where, [False]]).astype(int))).reshape(-1, 2)


def closed(band: Band, first: np.ndarray, longest: int) -> Band:
    """The shadow carried on through gaps of at most `longest` columns where the line taken first (S,) runs on before it as on both sides:
    a shadow does not end and begin again within some mm, while the evidence may."""
    ends = runs(band.shadow)
    shadow, course, rows = band.shadow.copy(), band.course.copy(), band.rows.copy()
    for start, stop in zip(ends[:-1, 1], ends[1:, 0], strict=True):
        if stop - start > longest:
            continue
        at, sides = np.arange(start, stop), [start - 1, stop]
        level = np.interp(at, sides, band.course[sides])
        ahead = level - first[at]
        alike = np.abs(ahead - np.interp(at, sides, band.rows[sides])) <= 2.0 * WHOLE_ROWS
        shadow[at], course[at], rows[at] = alike, np.where(alike, level, course[at]), np.where(alike, ahead, rows[at])
    return replace(band, shadow=shadow, course=course, rows=rows, doubt=np.where(shadow & ~band.shadow, ONE_WAY_DOUBT * rows, band.doubt))


def carried(band: Band, first: np.ndarray) -> Band:
    """The doubt at a shadow's ends carried on where the line taken first (S,) runs on from the shadow's far end: beside such a stretch the
    search had passed the dark band already, and whether that was shadow or facet is one question."""
    doubt = band.doubt.copy()
    for start, stop in runs(band.shadow):
        for end, step in ((start, -1), (stop - 1, 1)):
            beside = np.arange(end + step, -1 if step < 0 else len(first), step)
            if not len(beside) or abs(first[beside[0]] - band.course[end]) > 2.0 * WHOLE_ROWS:
                continue
            on = ~band.shadow[beside] & (np.abs(np.diff(first[beside], prepend=first[beside[0]])) <= WHOLE_ROWS)
            on = beside[: len(on) if on.all() else int(np.argmin(on))]
            doubt[on] = np.maximum(doubt[on], band.doubt[end])
    return replace(band, doubt=doubt)


def joined(first: Band | None, second: Band | None) -> Band | None:
    """Both findings, the first where it tells of a shadow."""
    if first is None or second is None:
        return first or second
    pairs = {f.name: (getattr(first, f.name), getattr(second, f.name)) for f in fields(Band)}
    # A shadow that a second cue ends at the same place is no more in doubt; between two places it is either's.
    apart = np.where(second.shadow, np.abs(second.course - first.course), 0.0)
    said = np.where(second.shadow, np.where(apart <= 2.0 * WHOLE_ROWS, 0.0, np.hypot(first.doubt, 0.5 * apart)), first.doubt)
    pairs["doubt"] = said, second.doubt
    return Band(**{name: np.where(first.shadow, one, two) for name, (one, two) in pairs.items()})
