"""Screen: results against each other on one chart, and whether they differ by more than both can tell."""

from __future__ import annotations

import streamlit as st

from app import at_hand, compare_chart, comparing, fields
from app.measuring.words import plain
from app.refusals import refusable
from vision.compare import Align, Common, Comparison, Terms, compare
from vision.errors import DeclarationError
from vision.rounding import COVERAGE
from vision.sources import PLACEMENT_MM

_ALIGNED = {
    Align.POSITION: "the printed scale (one strip that stayed on the blade)",
    Align.HEEL: "the heel: where the edge begins in each photo",
    Align.TIP: "the tip: where the edge ends in each photo",
}
_COMMON = {
    Common.STRIP: "one printed strip",
    Common.CALIPER: "one caliper",
    Common.EDGE: "one edge as ground, nothing taken off between",
}


def main() -> None:
    """Draw the screen from the top."""
    st.title("Compare results", anchor=False)
    st.write("Specimens of one model, before and after sharpening, or two methods on one edge.")
    results = refusable(_results)
    if not results:
        return
    results = at_hand.lettered(results)
    figures, days = [comparing.figure_of(r.measurement) for r in results], [r.measurement.created[:10] for r in results]
    shown = {"result": [r.name for r in results], "main stretch": figures, "measured on": days}
    st.table(shown, hide_index=True, alt="The results that are compared")
    if len(results) < 2:
        return
    names = [r.name for r in results]
    first = results[names.index(st.selectbox("Compare with", names, key="compare-first"))]
    terms = refusable(_terms)
    if terms is None:
        return
    others = [r for r in results if r is not first]
    found = [(r.name, c) for r in others if (c := refusable(lambda r=r: compare(first.measurement, r.measurement, terms))) is not None]
    if found:
        _show(first.name, found)


def _results() -> list[at_hand.AtHand]:
    files = st.file_uploader("Results measured earlier (measurement.json)", type=["json"], accept_multiple_files=True, key="compare-files")
    shown = at_hand.of_session()
    if shown is not None:
        with st.container(horizontal=True, vertical_alignment="bottom"):
            st.text_input("Name of the result now on the screen Measure", shown.name, key="compare-name")
            st.button("Put it by", on_click=_put_by, args=(shown,), key="compare-keep", help="To measure another one and compare")
    if at_hand.kept():
        st.button("Forget what was put by", on_click=at_hand.kept().clear, key="compare-forget")
    mine = [*at_hand.kept(), *at_hand.from_files([(f.name, f.getvalue()) for f in files])]
    if shown is not None and all(r.measurement is not shown.measurement for r in mine):
        mine.append(shown)
    if len(mine) > 1:
        return mine
    said = "One result so far: put it by and measure another, or add a file." if mine else "Nothing to compare yet: measure, or add files."
    st.info(said)
    if st.toggle("Show an example: the demo blade measured in two ways from one photo", value=not mine, key="compare-example"):
        return [at_hand.demo(readings=False), at_hand.demo()]
    return mine


def _put_by(shown: at_hand.AtHand) -> None:
    # Read here and not handed over: a name still being typed is known by now.
    at_hand.keep(shown, st.session_state["compare-name"].strip() or shown.name)


def _terms() -> Terms:
    align = st.radio("Laid upon each other by", list(_ALIGNED), format_func=_ALIGNED.__getitem__, key="compare-align")
    good = fields.number(st.container(), "How well they lie upon each other, ± mm", PLACEMENT_MM, 0.1, key="compare-alignment")
    common = st.multiselect(
        "One and the same in all of them", list(_COMMON), format_func=_COMMON.__getitem__, key="compare-common",
        help="What the results share is an error of both at once. Left empty, nothing is taken off for it.",
    )  # fmt: skip
    if good is None:
        raise DeclarationError("“How well they lie upon each other”", "it is empty", "say it in mm; 0 for a perfect fit")
    return Terms(align, good, frozenset(common))


def _show(first: str, found: list[tuple[str, Comparison]]) -> None:
    for name, c in found:
        st.subheader(plain(f"{name} minus {first}"), anchor=False)
        (st.success if c.main.exceeds or c.mean.exceeds else st.info)("\n".join(f"- {plain(s)}" for s in comparing.sentences(c)))
    drawn = comparing.placed(found)
    if drawn:
        words = "; ".join(s for _, c in drawn for s in comparing.sentences(c)[1:])
        st.pyplot(
            compare_chart.draw(first, drawn), width=640, alt=f"Thickness of each result with its band, and the difference below. {words}."
        )
    st.caption(
        f"{COVERAGE}. E_n is the difference as a share of what both can tell."
        + (" Bars at the foot: the difference exceeds what both results can tell there." if drawn else "")
    )
    st.write("**What this rests on**")
    st.write("\n".join(f"- {plain(s)}" for s in dict.fromkeys(s for _, c in found for s in comparing.assumptions(c))))
    if drawn:
        st.download_button("difference.csv", comparing.csv_text(drawn), "difference.csv", "text/csv", on_click="ignore")


main()
