"""The headline, the angle found, where the uncertainty comes from, and the remarks."""

from __future__ import annotations

import streamlit as st

from app import charts
from app.headline import angle_found, flag_lines, headline, readings_remark, seen_share
from app.measuring.words import plain
from app.session import Result
from vision import rounding
from vision.results import Measurement

_MIME = {"csv": "text/csv", "json": "application/json", "jpg": "image/jpeg", "pdf": "application/pdf", "toml": "application/toml"}


def draw_headline(m: Measurement, by_hand: int) -> None:
    """Main stretch large, the others in a table; mm and inch."""
    seen, stations = seen_share(m)
    figures = headline(m)
    if not figures:
        st.warning("No headline figure could be had; see the cautions below.")
    for line in figures[:1]:
        # Not st.metric: on a narrow screen it cuts the figure off.
        remarks = [r for r in (readings_remark(m), f"corrected by hand in {by_hand} place{'s' * (by_hand > 1)}" if by_hand else "") if r]
        st.write("; ".join([f"Thickness behind the edge, {line.label}", *remarks]))
        st.header(line.text, anchor=False)
    if figures[1:]:
        st.table({"stretch": [f.label for f in figures[1:]], "thickness": [f.text for f in figures[1:]]})
    if found := angle_found(m):
        st.write(found)
    st.caption(f"{rounding.COVERAGE}. {seen} of {stations} stations measured.")


def draw_budget(m: Measurement) -> None:
    """The budget as a bar chart and as text."""
    if m.budget is None:
        return
    st.subheader("Where the uncertainty comes from", anchor=False)
    rows = sorted(m.budget.rows, key=lambda r: -r.contribution_mm)
    # The table below the chart says the same in text.
    st.pyplot(charts.budget_bars(m.budget), width="stretch", alt="Bar chart of the sources in the table below, largest first")
    with st.expander("The same as figures"):
        st.table({"source": [r.source for r in rows], "µm (one standard uncertainty)": [f"{1000 * r.contribution_mm:.1f}" for r in rows]})


def draw_remarks(m: Measurement) -> None:
    """Every note, and the flags that stations carry."""
    for note in m.notes:
        (st.warning if note.severity == "caution" else st.info)(plain(f"{note.text[:1].upper()}{note.text[1:]}; {note.remedy}."))
    if found := flag_lines(m):
        with st.expander("Flagged stations (dashed in the picture)"):
            st.write("\n".join(f"- {plain(line)}" for line in found))


def draw_downloads(result: Result) -> None:
    """Each file is made when it is asked for."""
    st.subheader("Files", anchor=False)
    with st.container(horizontal=True):
        for name in result.names():
            mime = _MIME[name.rsplit(".", 1)[-1]]
            st.download_button(name, lambda name=name: result.file(name), file_name=name, mime=mime, on_click="ignore", key=f"file-{name}")
