"""Screen: one record with its history, and its correction, which supersedes it and keeps it."""

from __future__ import annotations

import streamlit as st

from app import fields, log_session, log_view
from app.reference_log import columns, corrections
from app.reference_log.errors import LogRefused
from app.reference_log.escape import markdown
from app.reference_log.records import Condition, Edge, Source, Unit, knife_key
from app.reference_log.store import Store, Stored

_CHOICES = {"edge": list(Edge), "condition": list(Condition), "method": list(Source), "unit": list(Unit)}


def main() -> None:
    """Draw the screen from the top."""
    log_session.head("History and correction")
    with log_session.reading() as store:
        count, newest, _ = store.state()
        if not count:
            st.info("The log holds no measurement yet.")
            return
        known = range(1, newest + 1)
        at = log_session.asked_for("log_record", newest, known, typed=True)
        number = fields.number(st.container(), "Record", None, 1, key=at, format="%d", help="Its number in the log.")
        if number is None or number not in known:
            said = "it is empty" if number is None else f"there is no {number:.0f}"
            st.error(f"“Record”: {said}; this log has records 1 to {newest}. What to do: type one of these numbers.")
            return
        number = int(number)
        if done := st.session_state.pop("log_corrected", None):
            st.success(f"Record {done[1]} supersedes record {done[0]}, which is kept.")
        with log_session.refusals():
            found = store.history(number)
        _shown(number, found)
        if found[-1].id == number:
            _correct(store, found[-1])


def _shown(number: int, found: list[Stored]) -> None:
    own = next(s for s in found if s.id == number)
    st.header(log_view.records([own])["thickness"][0], anchor=False)
    r = own.record
    st.write(f"{markdown(log_view.knife(r))}; added {own.added.replace('T', ' ')[:16]} UTC.")
    if own.superseded_by:
        st.warning(f"Record {own.superseded_by} corrected this one: it stands in no figure any more, and is kept.")
    for caution in r.cautions:
        st.warning(f"{markdown(caution[:400])}.")
    st.session_state["log_model"] = knife_key(r.maker, r.model)
    st.page_link(log_session.MODEL_SCREEN, label="What the log says of this model")
    st.dataframe(log_view.whole_record(r), hide_index=True, height="content", alt="Every column of the record as it was given")
    if r.result:
        st.download_button("The result it came from, as JSON", r.result, f"record-{number}.json", "application/json", on_click="ignore")
    if len(found) > 1:
        st.subheader("History", anchor=False)
        st.dataframe(log_view.records(found), hide_index=True, alt="The record and its corrections, the oldest first")
        st.dataframe(log_view.history(found), hide_index=True, alt="What each correction changed")


def _correct(store: Store, own: Stored) -> None:
    st.subheader("Correct it", anchor=False)
    allowed = corrections.correctable(own.record)
    if own.record.result:
        st.caption("The program measured its figures: to correct those, measure again and add that result. What was said of the knife:")
    cells = columns.cells(own.record)
    with st.expander(f"Correct record {own.id}"), st.form(f"correct-{own.id}"):
        places = [place for _ in range(-(-len(allowed) // 2)) for place in st.columns(2)]
        given = {name: _field(place, name, cells[name]) for name, place in zip(allowed, places, strict=False)}
        pressed = st.form_submit_button("Add the correction", type="primary")
    if not pressed:
        return
    changes = {name: text for name, text in given.items() if text != cells[name]}
    try:
        number, _ = corrections.correct(store, own.id, changes)
    except (LogRefused, OSError) as error:
        st.error(f"Nothing was changed. {log_session.sentence(error)}")
        return
    st.session_state["log_record"] = number
    st.session_state["log_corrected"] = (own.id, number)
    st.rerun()


def _field(place: st.delta_generator.DeltaGenerator, name: str, text: str) -> str:
    label = name.replace("_", " ")
    if name in _CHOICES:
        options = [str(v) for v in _CHOICES[name]]
        return place.selectbox(label, options, index=options.index(text))
    if name == "note":
        return place.text_area(label, text, height=68)
    return place.text_input(label, text)


main()
