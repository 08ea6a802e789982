"""The blade turned over: its photos, its own facts, and the landmark that both sides share."""

from __future__ import annotations

from dataclasses import dataclass

import streamlit as st

from app import facts_form, fields
from app.measuring import given, reopen
from app.measuring.photos import KINDS, OWN
from app.session import Upload, uploads
from vision.declared import Declared


@dataclass(frozen=True)
class Other:
    """The second side as it was declared; `landmarks_mm` is where the landmark stands on the first side's scale and on this one's."""

    uploads: tuple[Upload, ...]
    declared: Declared
    landmark: str
    landmarks_mm: tuple[float | None, float | None]
    moved_light: bool = False


def draw(subject: str, waiting: bool) -> Other | None:
    """The fields of the second side; None while it has no photo. `waiting`: an opened job file has brought some.

    Raises
    ------
    DeclarationError
        As `facts_form.draw`.
    """
    job = reopen.opened()
    sides = job.job.sides if job and job.subject == subject and len(job.job.sides) == 2 else None
    with st.expander("The other side, turned over", expanded=sides is not None):
        st.caption("Turned over, the strip runs the other way along the edge: one point of the blade, read on both scales, joins them.")
        key = f"photos-{OWN}-other"
        files = given.files(key, lambda: st.file_uploader("Photos of the other side", type=KINDS, accept_multiple_files=True, key=key))
        if not files and not waiting:
            return None
        name = st.radio(
            "The point that you read on both scales",
            ["heel", "tip"],
            horizontal=True,
            key=fields.lasting(f"{subject}-landmark", "tip" if sides and sides[0].landmark == "tip" else "heel"),
        )
        left, right = st.columns(2)
        known = (sides[0].landmark_mm, sides[1].landmark_mm) if sides else (None, None)
        here = fields.number(
            left, f"Where the {name} stands on the first side's scale, mm", known[0], 1.0,
            key=fields.lasting(f"{subject}-landmark-here", known[0]),
        )  # fmt: skip
        there = fields.number(
            right, f"Where the {name} stands on this side's scale, mm", known[1], 1.0,
            key=fields.lasting(f"{subject}-landmark-there", known[1]),
        )  # fmt: skip
        st.caption("The angle here is twice this side's own angle.")
        moved = st.checkbox(
            "Only the lamp was moved between this side's photos",
            key=fields.lasting(f"{subject}-other-lights", bool(sides) and sides[1].moved_light),
        )
        kept = st.session_state.setdefault("facts", {})
        key = f"{subject}-other"
        facts = facts_form.of(kept[key]) if key in kept else facts_form.Facts()
        # A job's photos show the print of their day.
        facts = facts if sides else facts_form.with_printed_bars(facts)
        kept[key] = declared = facts_form.draw(facts, key, caliper=False, button="Measure both sides")
    return Other(uploads(files), declared, name, (here, there), moved)
