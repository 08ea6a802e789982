"""What a person did to one set of photos by hand: spot checks, stretches, guide points; every step can be taken back.

Kept apart for each subject (a demo, or the person's own photos), in the session.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

import streamlit as st

from vision.declared import Reading
from vision.hints import Guide, Hints, LineKind
from vision.zones import Stretches

# A snapshot is a few numbers; nobody takes more steps back.
_MOST_STEPS = 100
# Five readings along the edge are common practice (no source).
_EMPTY_ROWS = 5
# What is pointed at in a photo without the strip.
_KINDS = {"along": "line along the edge", "scale": "end of the known length", "cheek": "point on the cheek"}


@dataclass(frozen=True)
class Spot:
    """One row of the table of spot checks; a row that is not filled in yet counts for nothing."""

    position_mm: float | None = None
    thickness_mm: float | None = None
    set_aside: bool = False

    @property
    def reading(self) -> Reading | None:
        """The reading, None while the row lacks a figure."""
        if self.position_mm is None or self.thickness_mm is None:
            return None
        return Reading(self.position_mm, self.thickness_mm, self.set_aside)


@dataclass(frozen=True)
class Point:
    """A place pointed at in the photo of this SHA-256, px: `line` is apex or shoulder, or one of `_KINDS`."""

    sha256: str
    line: str
    x_px: float
    y_px: float


@dataclass(frozen=True)
class Work:
    """One state of the corrections; `only` and `drawn` (by SHA-256: lines drawn along the edge, scales) come from a job file."""

    spots: tuple[Spot, ...] = ()
    leave_out: tuple[tuple[float, float], ...] = ()
    apart: tuple[tuple[str, float, float], ...] = ()
    points: tuple[Point, ...] = ()
    only: tuple[tuple[float, float], ...] = ()
    drawn: tuple[tuple[str, Hints], ...] = ()

    @property
    def readings(self) -> tuple[Reading, ...]:
        """Rows that are filled in."""
        return tuple(r for s in self.spots if (r := s.reading) is not None)

    @property
    def stretches(self) -> Stretches | None:
        """Marked stretches as `vision` takes them."""
        if not (self.leave_out or self.apart or self.only):
            return None
        return Stretches(self.only, apart={name: (a, b) for name, a, b in self.apart}, leave_out=self.leave_out)

    def hints(self, sha256: str) -> Hints:
        """What was pointed at in the photo of this SHA-256."""
        drawn = dict(self.drawn).get(sha256, Hints())
        mine = [p for p in self.points if p.sha256 == sha256 and p.line in set(LineKind)]
        return replace(drawn, guides=tuple(Guide(LineKind(p.line), p.x_px, p.y_px) for p in mine))

    def places(self, sha256: str, kind: str) -> tuple[tuple[float, float], ...]:
        """Points of one kind in one photo, px, in the order they were pointed at."""
        return tuple((p.x_px, p.y_px) for p in self.points if p.sha256 == sha256 and p.line == kind)

    def said(self) -> list[tuple[str, Work]]:
        """Each correction made by pointing, in words, and the work without it."""
        out = []
        for i, p in enumerate(self.points):
            what = _KINDS.get(p.line, f"guide point on the {p.line}")
            out.append((f"{what} at ({p.x_px:.0f}, {p.y_px:.0f}) px", replace(self, points=_without(self.points, i))))
        for i, (a, b) in enumerate(self.only):
            out.append((f"headline over {a:z.1f} to {b:z.1f} mm alone", replace(self, only=_without(self.only, i))))
        for i, (a, b) in enumerate(self.leave_out):
            out.append((f"left out: {a:z.1f} to {b:z.1f} mm", replace(self, leave_out=_without(self.leave_out, i))))
        for i, (name, a, b) in enumerate(self.apart):
            out.append((f"reported apart as {name}: {a:z.1f} to {b:z.1f} mm", replace(self, apart=_without(self.apart, i))))
        return out

    def picked(self, what: dict, sha256: str) -> Work:
        """The work after something was pointed at in the viewer (`app.viewer.component.show`)."""
        mode = what["mode"]
        if mode == "spot":
            filled = [s for s in self.spots if s != Spot()]
            spare = [Spot()] * (len(self.spots) - len(filled) - 1)
            return replace(self, spots=(*filled, Spot(round(float(what["position_mm"]), 1)), *spare))
        if mode in ("guide-apex", "guide-shoulder", *_KINDS):
            return replace(
                self, points=(*self.points, Point(sha256, mode.removeprefix("guide-"), float(what["x_px"]), float(what["y_px"])))
            )
        # Tenths of a millimetre: what can be read beside a 1 mm scale.
        start, end = (round(float(what[k]), 1) for k in ("start_mm", "end_mm"))
        if mode == "leave-out":
            return replace(self, leave_out=(*self.leave_out, (start, end)))
        if mode == "apart":
            taken = {name for name, _, _ in self.apart}
            name = next(n for i in range(1, len(taken) + 2) if (n := f"stretch {i}") not in taken)
            return replace(self, apart=(*self.apart, (name, start, end)))
        raise ValueError(f"unknown mode {mode!r}")


class Desk:
    """The work on one subject with its history; `version` changes when the table of spot checks must be drawn anew."""

    def __init__(self, start: Work) -> None:
        self.base, self.version = start, 0
        self._steps = [start]

    @property
    def now(self) -> Work:
        """The present state."""
        return self._steps[-1]

    @property
    def can_undo(self) -> bool:
        """True when there is a step to take back."""
        return len(self._steps) > 1

    def to(self, work: Work, *, typed: bool = False) -> None:
        """Take a step; `typed` when it was made in the table itself, which then shows it already."""
        if work == self.now:
            return
        self._steps = [*self._steps, work][-_MOST_STEPS:]
        if not typed:
            self._redrawn()

    def drawn_anew(self) -> None:
        """The table of spot checks begins with the present state."""
        self.base = self.now

    def undo(self) -> None:
        """Take the last step back."""
        if self.can_undo:
            self._steps.pop()
            self._redrawn()

    def _redrawn(self) -> None:
        self.base, self.version = self.now, self.version + 1


def fresh() -> Work:
    """Work on which nothing was done yet. Empty rows show what is asked for better than an empty table does."""
    return Work((Spot(),) * _EMPTY_ROWS)


def desk(subject: str, readings: Iterable[Reading] = ()) -> Desk:
    """The session's desk for this subject; a new one starts with these readings."""
    desks = st.session_state.setdefault("desks", {})
    if subject not in desks:
        given = tuple(Spot(r.position_mm, r.thickness_mm, r.set_aside) for r in readings)
        desks[subject] = Desk(Work(given) if given else fresh())
    return desks[subject]


def replace_desk(subject: str, work: Work) -> None:
    """Start this subject anew from a job file."""
    st.session_state.setdefault("desks", {})[subject] = Desk(work)


def number(value: object) -> float | None:
    """A table's cell as a number; an empty one is None, whatever stands for empty there."""
    if value is None or not isinstance(value, int | float) or math.isnan(value):
        return None
    return float(value)


def _without(items: tuple, index: int) -> tuple:
    return items[:index] + items[index + 1 :]
