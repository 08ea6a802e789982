"""A field for a figure: what is typed counts or is refused, and what is emptied is empty."""

from __future__ import annotations

from typing import Any

import streamlit as st
from streamlit.delta_generator import DeltaGenerator


def number(place: DeltaGenerator, label: str, value: float | None, step: float, *, key: str, **more: Any) -> float | None:
    """Draw the field in `place`; `value` is what it holds at first, None for nothing.

    Without limits of its own: a field with limits keeps on the screen what lies outside them and silently goes on with the figure
    before it. Whoever takes the figure refuses what cannot be, in a sentence. And without a default of its own: a field with one goes
    back to it when it is emptied, so that a fact from a job file could not be taken back.
    """
    if key not in st.session_state:
        st.session_state[key] = value
    return place.number_input(label, value=None, step=step, key=key, **{"format": "%g"} | more)
