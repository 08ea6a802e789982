"""Screen: what the log says of one model, what it leaves out, and where the figure stands."""

from __future__ import annotations

from collections.abc import Sequence

import streamlit as st

from app import log_charts, log_session, log_view
from app.reference_log import bands, search, words
from app.reference_log.escape import markdown, visible
from app.reference_log.records import Condition, Edge, Source
from app.reference_log.store import Stored
from app.reference_log.summary import MOST_COMPARED, Choice, Summary, model_summary

_ITSELF = "by itself"


def main() -> None:
    """Draw the screen from the top."""
    log_session.head("One model")
    with log_session.reading() as store:
        known = search.models(store, search.Filter())
        if not known:
            st.info("The log holds no measurement yet.")
            return
        key = st.selectbox(
            "Model", list(known), key=log_session.asked_for("log_model", next(iter(known)), known),
            format_func=lambda k: f"{visible(known[k][0], 60)} {visible(known[k][1], 60)}",
        )  # fmt: skip
        maker, model, _ = known[key]
        _, found = search.find(store, search.Filter(key=key, superseded=True), sort="date", limit=log_view.ROWS_SHOWN)
        with log_session.refusals():
            _summary(model_summary(store, maker, model, _choice(found)))
        st.subheader("Its measurements", anchor=False)
        st.caption("With those that a correction replaced. Choose a line to see that record, its history, or to correct it.")
        log_session.draw_records(found, "model_records")


def _choice(found: Sequence[Stored]) -> Choice:
    """What the summary is to be about, among what this model has."""
    own = [s.record for s in found]
    with st.expander("Which figures"):
        row = [place for _ in range(2) for place in st.columns(2)]
        variant = row[0].selectbox("Variant", ["all", *sorted({r.variant for r in own if r.variant})], format_func=lambda v: visible(v, 60))
        edge = row[1].selectbox("Kind of edge", [_ITSELF, *sorted({r.edge for r in own})])
        condition = row[2].selectbox("Condition", [_ITSELF, *sorted({r.condition for r in own})])
        method = row[3].selectbox("How it was had", [_ITSELF, *sorted({r.source for r in own})])
        st.caption("By itself: factory edges where there are any, then the way with most specimens, then the smallest ±.")
    return Choice(
        None if edge == _ITSELF else Edge(edge),
        None if condition == _ITSELF else Condition(condition),
        None if method == _ITSELF else Source(method),
        None if variant == "all" else variant,
    )


def _summary(s: Summary) -> None:
    st.write(f"Thickness behind the edge of {markdown(log_view.title(s))}")
    st.header(words.figure(s), anchor=False)
    st.caption(f"{markdown(visible(s.group.name, 200))}. {words.what_follows(s).capitalize()}.")
    if 1 < s.specimens <= 3:
        st.caption(
            f"{s.specimens} specimens hardly say how far knives of this model differ, so the interval of their mean is wide; "
            "each further specimen narrows it."
        )
    if s.remarked:
        st.caption(f"{words.remarked(s).capitalize()} (below).")
    for line in words.disagreements(s, lambda text: markdown(visible(text, 60))):
        st.warning(f"{line}.")
    st.table(log_view.facts(s), hide_index=True, hide_header=True)
    colours = log_session.colours()
    st.subheader("Specimens", anchor=False)
    means = (
        "broken line: the mean; shaded: where a new one will lie with 95 %" if s.specimens > 1 else "nothing says where a new one will lie"
    )
    st.caption(f"Lines: 95 % band of each specimen; {means}.")
    if s.specimens <= log_charts.PAGE:
        alt = f"{s.specimens} specimens from {words.specimens_lie(s)}, mean {words.figure(s)}; {words.next_one(s)}"
        st.vega_lite_chart(spec=log_charts.specimens(s, colours), width="stretch", alt=alt)
    st.dataframe(log_view.specimens(s), hide_index=True, alt="Each specimen's own figure and who measured it")
    if s.comparisons:
        st.subheader("Contributors", anchor=False)
        st.caption(
            "E_n: difference over the root sum of squares of both expanded uncertainties; above 1 two figures disagree (ISO 13528). k = 2; "
            "of several knives that both measured the largest is shown, with the k that leaves the largest of so many the same chance."
        )
        # k = 2 leaves out one honest difference in twenty.
        if len(s.comparisons) >= 20:
            st.caption(f"Of {len(s.comparisons)} pairs about {len(s.comparisons) / 20:.0f} would pass 1 by chance alone.")
        if len(s.contributors) > MOST_COMPARED:
            st.caption(f"Only the {MOST_COMPARED} of the {len(s.contributors)} who measured most are compared.")
        st.dataframe(log_view.contributors(s), hide_index=True, alt="Every two contributors with their figures and E_n")
    if s.left_out:
        st.subheader("Left out of the figure", anchor=False)
        st.dataframe(log_view.left_out(s), hide_index=True, alt="How many measurements were left out, and why")
    st.subheader("Among common figures", anchor=False)
    st.write(f"A thickness of {words.figure(s)} is {words.stands(s)}.")
    own = "line: the mean; shaded: its 95 % interval" if s.specimens > 1 else "line: this one specimen"
    st.caption(f"Bars: what is common in general practice; {own}.")
    alt = f"Bands of general practice, from {bands.BANDS[0][0]} to {bands.BANDS[-1][0]}, and the figure among them"
    st.vega_lite_chart(spec=log_charts.among_bands(s, colours), width="stretch", alt=alt)
    st.subheader("For a post", anchor=False)
    st.code(words.post(s), language=None, wrap_lines=True)


main()
