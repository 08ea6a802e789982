"""Fields: what is typed counts or is refused, what is emptied is empty, and what another screen interrupts is there again."""

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


def lasting(key: str, start: Any) -> str:
    """`key`, for the widget that is drawn next without a value of its own: it begins with `start`, and is as it was left when the person
    comes back from another screen, where Streamlit forgets it."""
    last = f"{key}-last"
    if key in st.session_state:
        st.session_state[last] = st.session_state[key]
    else:
        st.session_state[key] = st.session_state.get(last, start)
    return key
