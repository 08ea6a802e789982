"""What a visitor declared last time, kept in their own browser and offered for the next photo.

Nothing of it stays on the server beyond the session, and nothing is taken from it unseen: it is listed first, and only a click fills it
in. What belongs to a photo (the camera's distance, readings) is not kept, and neither a demo nor a job file is ever filled from it.
"""

from __future__ import annotations

import json

import streamlit as st

from app import facts_form
from app.measuring.words import plain
from app.visitor import component
from vision.declared import Caliper, Declared, Lie
from vision.errors import DeclarationError

_VERSION = 1
# What a browser hands back is a visitor's own business, but not its length.
_MOST = 2000
_FOUND, _KEEP, _FORGET, _UNCHECKED = "memory-found", "memory-keep", "memory-forget", "memory-unchecked"
_NAMES = ("angle", "tolerance", "cheek", "height", "height_tolerance", "bar_x", "bar_y", "accuracy", "resolution")


def text(declared: Declared) -> str:
    """The facts as they are kept."""
    facts = facts_form.of(declared)
    return json.dumps({"version": _VERSION, "lie": facts.lie.value} | {name: getattr(facts, name) for name in _NAMES})


def read(kept: str) -> Declared | None:
    """Facts from such a text; None for anything else, whoever wrote it."""
    try:
        data = json.loads(kept) if len(kept) <= _MOST else None
        if not isinstance(data, dict) or data.get("version") != _VERSION:
            return None
        lie = Lie(data["lie"])
        v = {name: data[name] for name in _NAMES}
        if any(isinstance(x, bool) or not (x is None or isinstance(x, int | float)) for x in v.values()):
            return None
        return Declared(
            included_angle_deg=v["angle"], angle_tolerance_deg=v["tolerance"], lie=lie, cheek_angle_deg=v["cheek"],
            edge_height_mm=v["height"], edge_height_tolerance_mm=v["height_tolerance"],
            printed_bar_mm=None if v["bar_x"] is None or v["bar_y"] is None else (v["bar_x"], v["bar_y"]),
            caliper=Caliper(v["accuracy"], v["resolution"]),
        )  # fmt: skip
    except (ValueError, KeyError, TypeError, DeclarationError):
        return None


def words(d: Declared) -> str:
    """The facts in a line."""
    out = [] if d.included_angle_deg is None else [f"included angle {d.included_angle_deg:g} ± {d.angle_tolerance_deg:g}°"]
    out.append("cheek-down" if d.lie is Lie.CHEEK_DOWN else "level")
    if d.cheek_angle_deg is not None:
        out.append(f"cheek angle {d.cheek_angle_deg:g}°")
    if d.edge_height_mm is not None:
        out.append(f"edge {d.edge_height_mm:g} ± {d.edge_height_tolerance_mm:g} mm above the strip")
    if d.printed_bar_mm is not None:
        out.append(f"check bars {d.printed_bar_mm[0]:g} and {d.printed_bar_mm[1]:g} mm")
    out.append(f"caliper good to {d.caliper.accuracy_mm:g} mm, step {d.caliper.resolution_mm:g} mm")
    return ", ".join(out)


def mount() -> None:
    """Once a run: hand the browser what is to be kept or forgotten, and ask what it holds."""
    state = st.session_state
    ask = _FOUND not in state and not state.get(_KEEP)
    component.memory(state.get(_KEEP), forget=state.get(_FORGET, False), ask=ask, found=_found)


def offer(key: str) -> None:
    """Above the form `key` of a visitor's own photo: what was declared last time, to be filled in by a click; then a reminder of it."""
    if unchecked():
        st.info("Filled in as you declared it last time in this browser. Check every field against this blade, then press Measure.")
        return
    last = read(st.session_state.get(_FOUND) or "")
    if last is None or st.session_state.get(_KEEP):
        return
    with st.container(border=True):
        st.write(plain(f"Last time in this browser you declared: {words(last)}."))
        with st.container(horizontal=True):
            st.button("Fill these in", key="memory-fill", on_click=_fill, args=(key, last))
            st.button("Forget them", key="memory-drop", on_click=forget)


def keep(declared: Declared) -> None:
    """After Measure was pressed: these are the facts of the visit."""
    st.session_state[_UNCHECKED] = False
    st.session_state[_KEEP], st.session_state[_FORGET] = text(declared), False


def kept() -> None:
    """Below the form: that its facts are kept, and the way to forget them."""
    if st.session_state.get(_KEEP):
        with st.container(horizontal=True, vertical_alignment="center"):
            st.caption("Kept in this browser for your next photo; on no server.")
            st.button("Forget them", key="memory-forget-kept", on_click=forget)


def forget() -> None:
    """Take it out of the browser; what stands in the form stays there."""
    st.session_state[_KEEP], st.session_state[_FOUND], st.session_state[_FORGET] = None, "", True


def unchecked() -> bool:
    """True while the form holds what was declared last time, and nobody has pressed Measure since."""
    return bool(st.session_state.get(_UNCHECKED))


def _fill(key: str, last: Declared) -> None:
    facts_form.fill(key, facts_form.with_printed_bars_of_today(facts_form.of(last)))
    st.session_state[_UNCHECKED] = True


def _found(kept: str) -> None:
    st.session_state[_FOUND] = kept
