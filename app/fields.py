"""Fields: what is typed counts or is refused, what is emptied is empty, and what another screen or run interrupts is there again."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from app.visitor import component

_GIVEN, _FILLED = "fields-given", "fields-filled"


def number(place: DeltaGenerator, label: str, value: float | None, step: float, *, key: str, **more: Any) -> float | None:
    """Draw the field in `place`; `value` is what it holds at first, None for nothing.

    Without limits of its own: a field with limits keeps on the screen what lies outside them and silently goes on with the figure
    before it. Whoever takes the figure refuses what cannot be, in a sentence. And without a default of its own: a field with one goes
    back to it when it is emptied, so that a fact from a job file could not be taken back.
    """
    if key not in st.session_state:
        give(key, value)
    return place.number_input(label, value=None, step=step, key=key, **{"format": "%g"} | more)


def lasting(key: str, start: Any) -> str:
    """`key`, for the widget that is drawn next without a value of its own: it begins with `start`, and is as it was left when the person
    comes back from another screen, where Streamlit forgets it."""
    last = f"{key}-last"
    if key in st.session_state:
        st.session_state[last] = st.session_state[key]
    else:
        give(key, st.session_state.get(last, start))
    return key


def forget(*beginnings: str) -> None:
    """Let every lasting widget and field whose key begins so begin anew; to be called from a callback."""
    for key in [k for k in st.session_state if isinstance(k, str) and k.startswith(beginnings)]:
        del st.session_state[key]


def give(key: str, value: Any) -> None:
    """Fill `value` into the widget `key`; to be called before it is drawn."""
    st.session_state[key] = value
    st.session_state.setdefault(_GIVEN, set()).add(key)


def settle() -> None:
    """After the last widget of a page: what was given and a browser does not show is given anew.

    A browser is told once what a widget was filled with. Where another run of the page replaces that before a slow browser has drawn the
    widget, a field stands empty, or a choice on its first, while the server goes on with what it was given.
    """
    held = st.session_state
    filled = {key: held[key] for key in sorted(held.get(_GIVEN, ())) if key in held}

    def missed(keys: Sequence[str]) -> None:
        for key in keys:
            if key in filled:
                # The browser's own, empty one has come in its place by now.
                held[key] = filled[key]

    component.filled(_FILLED, filled, missed)
