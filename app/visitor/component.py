"""Mounts the helpers in a page."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import Any

import streamlit as st

_HERE = Path(__file__).parent
_LOOK = "margin:0;padding-left:.6rem;border-left:4px solid #c05a00;font-weight:600"
_PENDING = f'<p class="sl-pending" role="status" style="{_LOOK};visibility:hidden"></p>'


def commas() -> None:
    """From here on a comma in a field for a figure is a decimal point, on every screen."""
    _component("shoulderline_commas", "commas.js")(key="commas")


def memory(keep: str | None, *, forget: bool, ask: bool, found: Callable[[str], None]) -> None:
    """Keep a text in the browser or forget it; with `ask`, `found` is called with what was kept there, if anything was."""
    key = "memory"

    def told() -> None:
        if text := st.session_state[key].get("found"):
            found(str(text))

    _component("shoulderline_memory", "memory.js")(key=key, data={"keep": keep, "forget": forget, "ask": ask}, on_found_change=told)


def filled(key: str, fields: Mapping[str, Any], missed: Callable[[Sequence[str]], None]) -> None:
    """Watch that the browser shows what these widgets, by key, were filled with; `missed` is called with the keys of others."""

    def told() -> None:
        if keys := st.session_state[key].get("missed"):
            missed([str(k) for k in keys])

    plain = {name: value for name, value in fields.items() if value is None or isinstance(value, str | bool | int | float)}
    _component("shoulderline_filled", "inputs.js", "filled.js")(key=key, data={"filled": plain}, on_missed_change=told)


def pending(key: str, fields: Mapping[str, float | None], text: str, *, keeps: bool = False) -> None:
    """Say `text` while a field of a form holds something else than this (by the field's key: a figure, or the number of what is chosen).

    `keeps`: its room on the page is kept while there is nothing to say.
    """
    data = {"fields": dict(fields), "text": text, "keeps": keeps}
    _component("shoulderline_pending", "inputs.js", "pending.js", html=_PENDING)(key=key, data=data)


def _component(name: str, *files: str, html: str = "<span></span>") -> Callable[..., Any]:
    # Registered in every run: a fresh server, or a test's, has a registry of its own.
    return st.components.v2.component(name, html=html, js="".join(map(_text, files)), isolate_styles=False)


@cache
def _text(name: str) -> str:
    return (_HERE / name).read_text(encoding="utf-8")
