"""A refusal said on a screen in one sentence, in place of a traceback."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

import streamlit as st

from app.measuring.words import on_screen, plain
from vision.errors import ShoulderlineError

T = TypeVar("T")


def refusable(make: Callable[[], T]) -> T | None:
    """What `make` returns, or None with the refusal on the screen."""
    try:
        return make()
    except ShoulderlineError as error:
        what, why, remedy = (plain(on_screen(text)) for text in (error.what, error.why, error.remedy))
        st.error(f"**{what}**: {why}. What to do: {remedy}.")
        return None
