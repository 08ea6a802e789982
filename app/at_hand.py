"""Results that a screen can work with: the one measured in this session, files that were measured earlier, the demo."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, replace

import streamlit as st

from app import files, first, session
from app.comparing import figure_of
from vision.errors import ResultUnreadable
from vision.results import Measurement

KEPT = "kept-results"
# What a person can tell apart on one chart.
_MOST_KEPT = 8


@dataclass(frozen=True, eq=False)
class AtHand:
    """A result and what it is called on the screen."""

    name: str
    measurement: Measurement

    @property
    def told(self) -> str:
        """Name, headline figure and date."""
        return f"{self.name} · {figure_of(self.measurement)} · {self.measurement.created[:10]}"


def of_session() -> AtHand | None:
    """What stands on the screen that measures, if anything was measured."""
    result = st.session_state.get("result")
    return None if result is None else AtHand(_photos(result.measurement), result.measurement)


def kept() -> list[AtHand]:
    """Results of this session put by for a comparison."""
    return st.session_state.setdefault(KEPT, [])


def keep(result: AtHand, name: str) -> None:
    """Put a result by under a name."""
    st.session_state[KEPT] = [*kept(), AtHand(name, result.measurement)][-_MOST_KEPT:]


def from_files(given: Sequence[tuple[str, bytes]]) -> list[AtHand]:
    """Results from the bytes of ``measurement.json`` files; raises `ResultUnreadable`."""
    out, seen = [], set()
    for name, data in given:
        key = hashlib.sha256(data).hexdigest()
        if key in seen:
            continue
        seen.add(key)
        try:
            text = data.decode("utf-8")
        except UnicodeDecodeError as error:
            raise ResultUnreadable(name, "it is not text", "choose a measurement.json") from error
        m = files.measurement_from_text(text, name)
        out.append(AtHand(_photos(m), m))
    return out


def demo(readings: bool = True) -> AtHand:
    """The demo blade as its owner declares it, or by the photo and the declared angle alone."""
    first.warm()
    chosen = first.demo()
    declared = chosen.declared if readings else replace(chosen.declared, readings=())
    task = session.one_side(session.uploads([(p.name, p.read_bytes()) for p in chosen.photos]), declared)
    how = "photo and caliper" if readings else "photo alone"
    return AtHand(f"demo, {how}", session.bench().measure(task).measurement)


def lettered(results: Sequence[AtHand]) -> list[AtHand]:
    """The same with a letter in front, so that two results of one photo can be told apart."""
    return [AtHand(f"{chr(65 + i)}: {r.name}", r.measurement) for i, r in enumerate(results)]


def _photos(m: Measurement) -> str:
    return ", ".join(p.name for p in m.photos)
