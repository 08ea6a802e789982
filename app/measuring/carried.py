"""Other photos in place of those before: what was said of the first stays, and the page says so until somebody has decided."""

from __future__ import annotations

import streamlit as st

from app import facts_form, fields
from app.measuring import blade
from app.measuring.photos import OWN, Chosen
from app.measuring.words import plain
from app.measuring.work import Desk, fresh

_BEFORE, _CARRIED = "own-photos-before", "own-carried"


def watch(chosen: Chosen, desk: Desk) -> None:
    """Notice that none of a visitor's own photos is one of those before, while something was said of them."""
    if chosen.subject != OWN:
        return
    now = {u.sha256: u.name for u in chosen.uploads}
    before: dict[str, str] = st.session_state.get(_BEFORE, {})
    st.session_state[_BEFORE] = now
    if before and not now.keys() & before.keys() and (desk.now != fresh() or _declared()):
        st.session_state[_CARRIED] = ", ".join(before.values())


def draw(desk: Desk) -> None:
    """The question, above the figure that rests on the answer."""
    if name := st.session_state.get(_CARRIED):
        st.warning(
            plain(
                f"Facts, a scale without the strip, spot checks and marked stretches are still those that you gave for {name}. "
                "Do they hold for this edge too?"
            )
        )
        with st.container(horizontal=True):
            st.button("They hold", key="carried-keep", on_click=settle)
            st.button("Start afresh", key="carried-afresh", on_click=_afresh, args=(desk,))


def pending() -> bool:
    """True while nobody has decided."""
    return _CARRIED in st.session_state


def settle() -> None:
    """What stands in the fields holds for these photos."""
    st.session_state.pop(_CARRIED, None)


def _declared() -> bool:
    facts = st.session_state.get("facts", {}).get(OWN)
    return facts is not None and facts_form.of(facts) != facts_form.Facts()


def _afresh(desk: Desk) -> None:
    settle()
    # A step like any other: it can be undone.
    desk.to(fresh())
    st.session_state.get("facts", {}).pop(OWN, None)
    facts_form.fill(OWN, facts_form.Facts())
    fields.give(f"{OWN}-distance", None)
    blade.clear(OWN)
    st.session_state.get("facts", {}).pop(f"{OWN}-other", None)
    fields.forget(*(f"{OWN}-{name}" for name in ("bare", "landmark", "lights", "other-")))
