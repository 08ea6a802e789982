"""Where the parts of a result stand on the measuring screen, and how they go away while something else is searched."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from app.measuring.words import plain
from app.session import Task

_SHOWN = "shown-photos"


class Place:
    """A part of the page. Until a run of the page ends, what the run before drew in it stays; `clear` takes that away at once."""

    def __init__(self) -> None:
        self._block = st.container()
        self._first: DeltaGenerator | None = None

    def clear(self) -> None:
        """Show nothing here."""
        self._first = (self._first or self._block).empty()

    def progress(self, share: float, text: str) -> None:
        """Show a bar, and nothing else, here."""
        self._first = (self._first or self._block).progress(share, text)

    def open(self) -> DeltaGenerator:
        """A container in which to draw; drawn again it keeps what it holds, the photo's zoom for one. Opened once a run."""
        return (self._first or self._block).container()


@dataclass(frozen=True)
class Page:
    """Refusals, the headline with its cautions, the photo, what was pointed at in it, words on each reading, and the rest.

    Made in the order in which they stand; `words` and `rest` stand below the table of readings and the facts, and come later.
    """

    refusals: DeltaGenerator = field(default_factory=st.container)
    headline: Place = field(default_factory=Place)
    picture: Place = field(default_factory=Place)
    corrected: Place = field(default_factory=Place)
    later: list[Place] = field(default_factory=list)

    def place(self) -> Place:
        """One more place, further down."""
        self.later.append(Place())
        return self.later[-1]

    @contextmanager
    def searching(self, task: Task) -> Iterator[_Search]:
        """Around a search. No figure of an earlier state stands while it runs, and of other photos than those shown nothing at all."""
        shown = tuple(u.sha256 for u in task.uploads)
        search = _Search(self)
        if st.session_state.get(_SHOWN) != shown:
            for place in (self.picture, self.corrected):
                place.clear()
            search.begin()
        st.session_state[_SHOWN] = shown
        try:
            yield search
        finally:
            if search.began:
                self.headline.clear()


class _Search:
    """Hears how far a search is."""

    def __init__(self, page: Page) -> None:
        self._page, self.began = page, False

    def begin(self) -> None:
        """Take the figures away and show a bar; a state that was searched before needs none."""
        self.began = True
        for place in self._page.later:
            place.clear()
        self._page.headline.progress(0.0, "Find the strip, the apex and the shoulder …")

    def __call__(self, stage: str, share: float) -> None:
        if not self.began:
            self.begin()
        self._page.headline.progress(min(share, 1.0), f"{plain(stage)} …")
