"""Screen: add the present result to the log; what a photo cannot know is asked, and offered from last time."""

from __future__ import annotations

from dataclasses import replace

import streamlit as st

from app import log_session, log_view
from app.reference_log import corrections, remembered, words
from app.reference_log.contributions import add_one
from app.reference_log.errors import LogRefused
from app.reference_log.escape import markdown, visible
from app.reference_log.from_result import Knife, of_record, record_of_knife
from app.reference_log.records import Condition, Edge, Record, knife_key
from app.reference_log.store import Store, Stored

_NEEDED = {
    "maker": "the maker",
    "model": "the model",
    "edge": "the kind of edge",
    "condition": "the condition",
    "contributor": "who measured it",
}


def main() -> None:
    """Draw the screen from the top."""
    log_session.head("Add to the log", own_alone=True)
    with log_session.refusals():
        found = log_session.present()
    if found is None:
        st.info("There is no result yet: measure a photo first.")
        return
    record, known = found
    st.write(f"Thickness behind the edge, {markdown(record.zone)}; measured {record.date} from {markdown(log_session.present_photos())}")
    st.header(words.as_given(record), anchor=False)
    for caution in record.cautions:
        if not caution.startswith("no "):
            st.warning(f"To be kept with it: {markdown(caution)}.")
    if added := st.session_state.pop("log_added", None):
        _added(added)
        return
    knife, earlier = remembered.offered(known), _earlier(record)
    if earlier:
        st.info(
            f"This photo is in the log as record {earlier.id}. Adding it again makes a correction: the old one is kept, and superseded."
        )
        knife = of_record(earlier.record)
    confirmed = _form(knife, earlier.id if earlier else None)
    if confirmed is not None:
        _add(record, confirmed, earlier.id if earlier else None)
    with st.expander("What goes into the log besides"):
        st.dataframe(log_view.whole_record(record), hide_index=True, alt="The measured columns of the record")


def _earlier(record: Record) -> Stored | None:
    """The standing record of this photo, if the log has one."""
    where = log_session.own_log()
    if not log_session.exists(where):
        return None
    with log_session.refusals(), Store(where) as store:
        number = store.of_photos(record.photos)
        return corrections.one(store, number) if number else None


def _form(knife: Knife, earlier: int | None) -> Knife | None:
    """The knife as the person confirms it; None until then."""
    with st.form("knife"):
        # A row at a time: on a phone, where columns stand below each other, the fields keep this order.
        row = [place for _ in range(4) for place in st.columns(2)]
        maker, model = row[0].text_input("Maker", knife.maker), row[1].text_input("Model", knife.model)
        edge = row[2].selectbox("Kind of edge", list(Edge), index=_index(list(Edge), knife.edge), placeholder="choose")
        condition = row[3].selectbox(
            "Condition of the edge", list(Condition), index=_index(list(Condition), knife.condition), placeholder="choose"
        )
        contributor = row[4].text_input("Measured by", knife.contributor)
        help_ = "A name that no other knife of the model bears, such as your initials and a number."
        specimen = row[5].text_input("Specimen", knife.specimen, placeholder="after its photo", help=help_)
        variant, note = row[6].text_input("Variant", knife.variant), row[7].text_area("Note", knife.note, height=68)
        pressed = st.form_submit_button(f"Correct record {earlier}" if earlier else "Add to the log", type="primary")
    if not pressed:
        return None
    given = Knife(
        maker=maker, model=model, variant=variant, edge=edge, specimen=specimen, condition=condition, contributor=contributor, note=note
    )
    missing = [words_ for name, words_ in _NEEDED.items() if not str(getattr(given, name) or "").strip()]
    if missing:
        st.error(f"Not added yet: say {', '.join(missing)}. No photo shows that; choose *unknown* for a condition that nobody knows.")
        return None
    return given


def _add(record: Record, knife: Knife, earlier: int | None) -> None:
    try:
        with Store(log_session.own_log(), create=True) as store:
            number, _ = add_one(store, record_of_knife(record, knife), corrects=earlier)
    except (LogRefused, OSError) as error:
        st.error(f"Nothing was added. {log_session.sentence(error)}")
        return
    remembered.save(replace(knife, specimen=""))
    st.session_state["log_added"] = number
    # From the top: the photo is in the log now, and the page says so.
    st.rerun()


def _added(number: int) -> None:
    with log_session.refusals(), Store(log_session.own_log()) as store:
        record = store.history(number)[-1].record
    name = markdown(f"{visible(record.maker, 60)} {visible(record.model, 60)}")
    st.success(f"In the log as record {number}: {name}, specimen {markdown(visible(record.specimen, 60))}.")
    for caution in record.cautions:
        st.warning(f"Kept with it: {markdown(visible(caution, 400))}.")
    st.session_state["log_model"] = knife_key(record.maker, record.model)
    st.page_link(log_session.MODEL_SCREEN, label="What the log says of this model")
    st.button("Correct what was said of it")


def _index(options: list, chosen: object) -> int | None:
    return options.index(chosen) if chosen in options else None


main()
