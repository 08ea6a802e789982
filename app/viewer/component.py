"""Mounts the viewer in a page and hands back what was pointed at."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import streamlit as st
from streamlit.runtime import get_instance

from app.viewer.tiles import Pack

_HERE = Path(__file__).parent
# Both libraries and their licences are in this folder; the browser gets them from this server and keeps them.
_LIBRARIES = ("openseadragon.min.js", "uPlot.iife.min.js")


@dataclass(frozen=True)
class Mode:
    """What a click does: `name` comes back with it, `label` is on the button, `hint` is read out, `kind` is "point" or "stretch".

    `needs_edge`: a place in the photo means something only by its place along the edge.
    """

    name: str
    label: str
    hint: str
    kind: str = "point"
    needs_edge: bool = False


@dataclass(frozen=True)
class Picture:
    """One photo to look at: its name, its tiles, and places marked in it as (kind, x, y) in px."""

    name: str
    pack: Pack
    guides: tuple[tuple[str, float, float], ...] = ()


def show(key: str, profile: dict[str, Any], pictures: Sequence[Picture], modes: Sequence[Mode], picked: Callable[[], None]) -> None:
    """Draw the viewer; `picked` is called when the person points at something, which is then in ``st.session_state[key]["picked"]``.

    That is ``{"mode", "photo", "x_px", "y_px", "position_mm"}`` for a point and ``{"mode", "start_mm", "end_mm"}`` for a stretch.
    """
    media = get_instance().media_file_mgr
    photos = []
    for i, picture in enumerate(pictures):
        url = media.add(picture.pack.data, "application/octet-stream", f"{key}-tiles-{i}")
        photos.append({"name": picture.name, "url": url, "guides": picture.guides, **picture.pack.index()})
    libraries = [media.add(data, "text/javascript", f"{key}-library-{name}") for name, data in _libraries().items()]
    data = {"photos": photos, "profile": profile, "modes": [vars(m) for m in modes], "libraries": libraries}
    _component()(key=key, data=data, on_picked_change=picked)


@cache
def _libraries() -> dict[str, bytes]:
    return {name: (_HERE / "library" / name).read_bytes() for name in _LIBRARIES}


def _component() -> Callable[..., Any]:
    # Registered in every run: a fresh server, or a test's, has a registry of its own.
    return st.components.v2.component(
        "shoulderline_viewer", html='<div class="sl-viewer"></div>', css=_text("library/uPlot.min.css", "viewer.css"),
        js=_text("picture.js", "charts.js", "viewer.js"), isolate_styles=False,
    )  # fmt: skip


@cache
def _text(*names: str) -> str:
    return "\n".join((_HERE / name).read_text(encoding="utf-8") for name in names)
