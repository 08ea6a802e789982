"""Screen: the strip's page, and the check of its two bars after printing."""

from __future__ import annotations

import streamlit as st

from app import fields, printing
from app.facts_form import PRINTED_BARS
from app.lessons import CAUTIONS
from app.measuring.words import plain
from app.refusals import refusable
from vision.bars import NOMINAL_MM, check_bars


def main() -> None:
    """Draw the screen from the top."""
    st.title("Print the strip", anchor=False)
    paper = st.radio("Paper", list(printing.PAPERS), format_func=printing.PAPERS.__getitem__, horizontal=True, key="print-paper")
    name = printing.PAPERS[paper]
    file = f"shoulderline-strip-{paper}.pdf"
    st.download_button(
        f"Download the page for {name} (PDF)", printing.page_pdf(paper), file, "application/pdf", type="primary", on_click="ignore"
    )
    alt = (
        f"The {name} page: a strip of coded squares with a millimetre scale and a blank lane for the edge, one check bar of 100 mm "
        "along and one across, six steps and cautions."
    )
    st.image(printing.page_png(paper), alt=alt, caption="To look at; print the PDF.", width="stretch")
    st.subheader("1. Print at 100 %", anchor=False)
    st.write("Landscape, on plain white paper, without “fit to page” or any other scaling. Let the ink dry: wet paper stretches.")
    st.subheader("2. Measure both check bars", anchor=False)
    st.write(
        "From outer end to outer end, with a steel rule or the caliper, to a tenth of a millimetre. Printers err along and across apart."
    )
    _bars()
    st.subheader("3. Glue it to card and cut it out", anchor=False)
    st.write("Bring its printed face level with the edge when you set up; what is left of the height is declared.")
    st.caption(" ".join((CAUTIONS[0], CAUTIONS[2], CAUTIONS[4])))


def _bars() -> None:
    known = st.session_state.get(PRINTED_BARS) or (None, None)
    left, right = st.columns(2)
    x = fields.number(left, "Check bar X (along the strip), mm", known[0], 0.1, key="print-bar-x", help="Nominal 100 mm")
    y = fields.number(right, "Check bar Y (across), mm", known[1], 0.1, key="print-bar-y", help="Nominal 100 mm")
    if x is None or y is None:
        st.session_state.pop(PRINTED_BARS, None)
        st.info(f"Type in both lengths. Until then the print is taken as {NOMINAL_MM:g} mm to within 1 %, and the band is wider for it.")
        return
    found = refusable(lambda: check_bars(x, y))
    if found is None:
        return
    text = plain(f"{found.why[:1].upper()}{found.why[1:]}. What to do: {found.remedy}.")
    if not found.plausible:
        st.session_state.pop(PRINTED_BARS, None)
        st.warning(f"{text} Not remembered: if both lengths are right after all, declare them yourself.")
        return
    st.session_state[PRINTED_BARS] = (x, y)
    st.success(text)
    st.write("Remembered for the screen that measures. On the command line:")
    st.code(f"--printed-bar {x:g},{y:g}", language=None)


main()
