"""A refusal said on a screen in one sentence, in place of a traceback."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

import streamlit as st

from app.measuring.words import plain
from vision.errors import ShoulderlineError

T = TypeVar("T")


def refusable(make: Callable[[], T]) -> T | None:
    """What `make` returns, or None with the refusal on the screen."""
    try:
        return make()
    except ShoulderlineError as error:
        st.error(f"**{plain(error.what)}**: {plain(error.why)}. What to do: {plain(error.remedy)}.")
        return None
