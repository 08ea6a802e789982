"""Files that a person gave, kept for the session: the page's own fields lose theirs as soon as another screen is looked at."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

import streamlit as st

from app.measuring.words import plain

File = tuple[str, bytes]


def files(key: str, draw: Callable[[], Iterable[Any]]) -> tuple[File, ...]:
    """What the field `key`, which `draw` draws, holds now, after what it held before it was last taken off the page.

    The latter are listed with a button each: the field shows them no more, and they must not count unseen.
    """
    live, before = f"{key}-live", f"{key}-before"
    if key not in st.session_state:
        known = st.session_state.get(before, ())
        st.session_state[before] = (*known, *(f for f in st.session_state.pop(live, ()) if f not in known))
    st.session_state[live] = now = tuple((f.name, f.getvalue()) for f in draw())
    earlier = tuple(f for f in st.session_state.get(before, ()) if f not in now)
    for i, (name, _) in enumerate(earlier):
        with st.container(horizontal=True, vertical_alignment="center"):
            st.write(f"Still here: {plain(name)}")
            st.button("Remove", key=f"{key}-drop-{i}", help=plain(f"Remove: {name}"), on_click=_drop, args=(before, earlier[i]))
    return (*earlier, *now)


def _drop(before: str, file: File) -> None:
    st.session_state[before] = tuple(f for f in st.session_state[before] if f != file)
