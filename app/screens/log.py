"""Screen: look up what knives measured, by model or one measurement at a time."""

from __future__ import annotations

import streamlit as st

from app import fields, log_charts, log_session, log_view
from app.reference_log import search, words
from app.reference_log.records import Condition, Edge, Source, knife_key
from app.reference_log.store import Store
from app.reference_log.summary import Choice, Summary

_ANY = "any"
_MODELS, _RECORDS = "Models", "Measurements"


def main() -> None:
    """Draw the screen from the top."""
    log_session.head("Reference log")
    with log_session.reading() as store:
        text = st.text_input("Search", placeholder="maker, model, variant or note", key="log_text").strip()
        view = st.segmented_control("Show", [_MODELS, _RECORDS], default=_MODELS, required=True)
        with st.expander("Filter and sort"):
            wanted, sort, descending = _filter(text, view)
        if view == _MODELS:
            _models(store, wanted, sort, descending)
        else:
            _records(store, wanted, sort, descending)


def _filter(text: str, view: str) -> tuple[search.Filter, str, bool]:
    # A row at a time: on a phone the fields keep this order.
    row = [place for _ in range(5) for place in st.columns(2)]
    maker, model = row[0].text_input("Maker"), row[1].text_input("Model")
    edge = row[2].selectbox("Kind of edge", [_ANY, *map(str, Edge)])
    condition = row[3].selectbox("Condition", [_ANY, *map(str, Condition)])
    method = row[4].selectbox("How it was had", [_ANY, *map(str, Source)], help="Figures had in unlike ways are never averaged together.")
    contributor = row[5].text_input("Contributor")
    low = fields.number(row[6], "At least, mm", None, 0.05, key="log_low")
    high = fields.number(row[7], "At most, mm", None, 0.05, key="log_high")
    sort = row[8].selectbox("Sort by", list(log_view.SORTS) if view == _MODELS else list(search.SORTS))
    descending = row[9].toggle("Largest or last first")
    superseded = view == _RECORDS and row[9].toggle("Also what a correction replaced")
    e, c, m = ("" if v == _ANY else v for v in (edge, condition, method))
    wanted = search.Filter(
        text=text, maker=maker, model=model, edge=e, condition=c, method=m, contributor=contributor, low_mm=low, high_mm=high,
        superseded=superseded,
    )  # fmt: skip
    return wanted, sort, descending


def _models(store: Store, wanted: search.Filter, sort: str, descending: bool) -> None:
    choice = Choice(*(kind(v) if v else None for kind, v in ((Edge, wanted.edge), (Condition, wanted.condition), (Source, wanted.method))))
    # A thickness is sought among the means: single measurements between two bounds would give a mean of their own.
    named = search.Filter(text=wanted.text, maker=wanted.maker, model=wanted.model, contributor=wanted.contributor)
    keys = None if named == search.Filter() else set(search.models(store, named))
    found = log_view.chosen(log_session.summaries(store, choice), keys, wanted.low_mm, wanted.high_mm, sort, descending)
    if not found:
        st.info("No model fits. Widen the filter, or look among the measurements.")
        return
    specimens, left = sum(s.specimens for s in found), sum(words.left_out_count(s) for s in found)
    counted = f"{len(found)} model{'s' * (len(found) > 1)}, {specimens} specimen{'s' * (specimens > 1)}"
    st.write(counted + (f"; in no figure, since they cannot be averaged with these: {left} measurement{'s' * (left > 1)}" if left else ""))
    _charts(found)
    st.caption("Choose a line to open that model. ± is the 95 % interval of the mean; of a single specimen k = 2.")
    alt = "Every model with its thickness, range, number of specimens, and how it was had"
    line = log_session.chosen_line(log_view.models(found), "log_models", alt)
    if line is not None:
        st.session_state["log_model"] = knife_key(found[line].maker, found[line].model)
        st.switch_page(log_session.MODEL_SCREEN)


def _charts(found: list[Summary]) -> None:
    colours = log_session.colours()
    pages = -(-len(found) // log_charts.PAGE)
    if pages > 1:
        text = f"{len(found)} models in order: lines from thinnest to thickest specimen, dots at the mean, larger for more specimens"
        st.caption("All of them: a line from thinnest to thickest specimen, a dot at the mean, larger for more specimens.")
        st.vega_lite_chart(spec=log_charts.all_models(found, colours), width="stretch", alt=text)
        starts = [f"{i * log_charts.PAGE + 1} to {min(len(found), (i + 1) * log_charts.PAGE)}" for i in range(pages)]
        at = starts.index(st.selectbox("By name, models", starts)) * log_charts.PAGE
    else:
        at = 0
    part = found[at : at + log_charts.PAGE]
    st.caption("Bar: thinnest to thickest specimen; thin line: with their own 95 % bands; dot: mean; at the end: how many specimens.")
    alt = f"Range, mean and number of specimens of {len(part)} models by name; the table below holds the same figures"
    st.vega_lite_chart(spec=log_charts.by_name(part, log_charts.top_mm(part), colours), width="stretch", alt=alt)


def _records(store: Store, wanted: search.Filter, sort: str, descending: bool) -> None:
    total, found = search.find(store, wanted, sort=sort, descending=descending, limit=log_view.ROWS_SHOWN)
    if not found:
        st.info("No measurement fits. Widen the filter.")
        return
    st.write(f"{total} measurement{'s' * (total > 1)}" + (f"; the first {len(found)} are shown" if len(found) < total else ""))
    st.caption("Choose a line to see that record, its history, or to correct it. ± is the expanded uncertainty, k = 2 (about 95 %).")
    log_session.draw_records(found, "log_records")


main()
