"""Screen: choose a photo, declare the facts, see both lines, the profile along the edge and the headline."""

from __future__ import annotations

import streamlit as st

from app import charts, facts_form, session
from app.demo import load
from app.headline import flag_lines, headline, readings_remark, seen_share
from app.report import CAUTION
from vision import rounding
from vision.errors import ShoulderlineError
from vision.results import Measurement


def main() -> None:
    """Draw the screen from the top."""
    st.title("Thickness behind the edge", anchor=False)
    st.caption(CAUTION)
    chosen = _choose()
    if chosen is None:
        st.info("Upload a macro photo of the edge beside the printed strip, or choose a demo photo.")
        return
    photos, facts = chosen
    try:
        declared = facts_form.draw(facts, key="+".join(name for name, _ in photos))
        with st.spinner("Find the strip, the apex and the shoulder …"):
            result = session.measured(photos, declared)
    except ShoulderlineError as error:
        st.error(f"**{_plain(error.what)}**: {_plain(error.why)}. What to do: {_plain(error.remedy)}.")
        return
    _headline(result.measurement)
    _pictures(result)
    st.pyplot(charts.along_edge(result.measurement), width="stretch")
    _remarks(result.measurement)
    _downloads(result)


def _choose() -> tuple[tuple[tuple[str, bytes], ...], facts_form.Facts] | None:
    demos = {d.name.replace("-", " "): d for d in load()}
    own = "my own photo"
    choice = st.selectbox("Photo", [*demos, own], help="The demo photos show an invented blade; their truth is known.")
    if choice != own:
        demo = demos[choice]
        return tuple((p.name, p.read_bytes()) for p in demo.photos), facts_form.of(demo.declared)
    kinds = ["jpg", "jpeg", "png", "tif", "tiff", "webp", "heic", "heif"]
    files = st.file_uploader("Photos of one edge along one strip", type=kinds, accept_multiple_files=True)
    return (tuple((f.name, f.getvalue()) for f in files), facts_form.Facts()) if files else None


def _headline(m: Measurement) -> None:
    seen, stations = seen_share(m)
    figures = headline(m)
    if not figures:
        st.warning("No headline figure could be had; see the cautions below.")
    for line in figures[:1]:
        # Not st.metric: on a narrow screen it cuts the figure off.
        remark = readings_remark(m)
        st.write(f"Thickness behind the edge, {line.label}" + (f"; {remark}" if remark else ""))
        st.header(line.text, anchor=False)
    if figures[1:]:
        st.table({"stretch": [f.label for f in figures[1:]], "thickness": [f.text for f in figures[1:]]})
    st.caption(f"{rounding.COVERAGE}. {seen} of {stations} stations measured.")


def _pictures(result: session.Result) -> None:
    for name, picture in result.reduced:
        st.image(picture, caption=f"{name}: apex blue, shoulder orange, dashed where flagged; ticks every mm", width="stretch")


def _remarks(m: Measurement) -> None:
    for note in m.notes:
        (st.warning if note.severity == "caution" else st.info)(_plain(f"{note.text[:1].upper()}{note.text[1:]}; {note.remedy}."))
    if found := flag_lines(m):
        with st.expander("Flagged stations (dashed in the picture)"):
            st.write("\n".join(f"- {_plain(line)}" for line in found))


def _downloads(result: session.Result) -> None:
    kinds = {"csv": "text/csv", "json": "application/json", "jpg": "image/jpeg", "pdf": "application/pdf", "toml": "application/toml"}
    with st.container(horizontal=True):
        for name, data in result.contents.items():
            st.download_button(name, data, file_name=name, mime=kinds[name.rsplit(".", 1)[-1]], on_click="ignore")


def _plain(text: str) -> str:
    """Text that Markdown leaves as it is: file names may hold its signs."""
    return "".join(f"\\{c}" if c in "\\`*_{}[]()<>#+!|$~:" else c for c in text)


main()
