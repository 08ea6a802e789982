"""The photo with its lines and the profile below it, and what pointing at a place does."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import streamlit as st

from app.measuring.work import Desk
from app.session import Bench, Result, Task, Upload
from app.viewer import payload
from app.viewer.component import Mode, Picture, show
from vision.sighting import Sighting

MODES = (
    Mode("look", "looks closer", "Point at the edge, in the photo or a chart; a click in a chart shows that place in the photo."),
    Mode("spot", "adds a spot check", "Click where the caliper was set; then type its reading into the table below.", needs_edge=True),
    Mode(
        "guide-apex", "puts the apex here", "Click on the apex where the line went astray: the search is led there, and the result says so."
    ),
    Mode("guide-shoulder", "puts the shoulder here", "Click on the shoulder where the line went astray: the search is led there."),
    Mode("leave-out", "leaves a stretch out", "Click both ends of the stretch that no figure shall count.", "stretch", True),
    Mode("apart", "reports a stretch apart", "Click both ends of the stretch that shall have a figure of its own.", "stretch", True),
)


def draw(result: Result, bench: Bench, desk: Desk, key: str, more: tuple[Mode, ...] = ()) -> None:
    """Show the viewer with a result; `more` are further things that a click may do."""
    profile = payload.of(result.measurement, result.task.settings.stretches)
    _show(profile, result.task.uploads, bench, desk, key, (*MODES, *more))


def draw_found(task: Task, seen: Sequence[Sequence[Sighting]], bench: Bench, desk: Desk, key: str, more: tuple[Mode, ...] = ()) -> None:
    """Show the viewer with both lines and no figure: nothing was declared yet from which one could be had."""
    profile = payload.found([s.declared for s in task.sides], seen, task.settings.stretches)
    _show(profile, task.uploads, bench, desk, key, (*MODES, *more))


def draw_bare(uploads: tuple[Upload, ...], bench: Bench, desk: Desk, key: str, modes: tuple[Mode, ...]) -> None:
    """Show photos that have no result yet."""
    _show(payload.nothing(), uploads, bench, desk, key, (MODES[0], *modes))


def _show(profile: dict[str, Any], uploads: tuple[Upload, ...], bench: Bench, desk: Desk, key: str, modes: tuple[Mode, ...]) -> None:
    """A pick is taken over before the next run of the page."""
    points = desk.now.points
    pictures = [Picture(u.name, bench.pack(u), tuple((p.line, p.x_px, p.y_px) for p in points if p.sha256 == u.sha256)) for u in uploads]

    def picked() -> None:
        what = st.session_state[key].get("picked")
        if what:
            photo = what.get("photo")
            desk.to(desk.now.picked(what, uploads[int(photo)].sha256 if photo is not None else ""))

    show(key, profile, pictures, modes, picked)


def corrections(desk: Desk, key: str) -> None:
    """What was corrected by hand, each with a button that takes it back."""
    made = desk.now.said()
    if not made and not desk.can_undo:
        return
    with st.container(border=bool(made)):
        if made:
            st.markdown("**Corrected by hand**")
        for i, (text, without) in enumerate(made):
            with st.container(horizontal=True, vertical_alignment="center"):
                st.write(text)
                st.button("Remove", key=f"{key}-remove-{i}", help=f"Remove: {text}", on_click=desk.to, args=(without,))
        st.button("Undo the last step", key=f"{key}-undo", disabled=not desk.can_undo, on_click=desk.undo)
