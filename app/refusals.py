"""A refusal said on a screen in one sentence, in place of a traceback."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

import streamlit as st

from app.measuring.words import on_screen, plain
from vision.errors import ShoulderlineError

T = TypeVar("T")


def refusable(make: Callable[[], T]) -> T | None:
    """What `make` returns, or None with the refusal on the screen."""
    return Refusals(st).hear(make)


class Refusals:
    """Places of one screen that each say what is refused; `said` once anything was."""

    def __init__(self, *places: Any) -> None:
        self._places, self.said = places, False

    def hear(self, make: Callable[[], T]) -> T | None:
        """What `make` returns, or None with the refusal in each place."""
        try:
            return make()
        except ShoulderlineError as error:
            what, why, remedy = (plain(on_screen(text)) for text in (error.what, error.why, error.remedy))
            for place in self._places:
                place.error(f"**{what}**: {why}. What to do: {remedy}.")
            self.said = True
            return None
