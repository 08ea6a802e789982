"""Which blade it was, in the person's own words; goes into the job file and from there into the log."""

from __future__ import annotations

import streamlit as st

from app import fields
from app.measuring import reopen
from vision.job import Blade

_FIELDS = {
    "maker": "Maker",
    "model": "Model",
    "specimen": "Which one of that model",
    "edge": "Edge (plain, serrated, ...)",
    "condition": "Condition (new as ground, sharpened on ...)",
}


def draw(subject: str) -> Blade:
    """The fields; all may stay empty."""
    job = reopen.opened()
    before = job.job.blade if job and job.subject == subject else st.session_state.setdefault("blades", {}).get(subject, Blade())
    with st.expander("Which blade (for your records)"):
        said = {name: st.text_input(label, getattr(before, name), 200, key=f"{subject}-blade-{name}") for name, label in _FIELDS.items()}
    st.session_state.setdefault("blades", {})[subject] = blade = Blade(**said)
    return blade


def clear(subject: str) -> None:
    """Forget what was said of this subject's blade; to be called before the fields are drawn."""
    st.session_state.setdefault("blades", {}).pop(subject, None)
    for name in _FIELDS:
        fields.give(f"{subject}-blade-{name}", "")
