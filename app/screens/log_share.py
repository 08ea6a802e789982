"""Screen: import contributions, each row with what becomes of it; publish the list."""

from __future__ import annotations

import io

import streamlit as st

from app import log_session, log_view
from app.reference_log import publish
from app.reference_log.contributions import Contribution, Outcome, check, read_from, take, template
from app.reference_log.escape import markdown, visible
from app.reference_log.store import Store

_KINDS = {
    "csv": ("Every measurement as CSV", "text/csv", "csv"),
    "json": ("Every measurement as JSON", "application/json", "json"),
    "markdown": ("The models as Markdown", "text/markdown", "md"),
    "html": ("The models as one web page", "text/html", "html"),
}


def main() -> None:
    """Draw the screen from the top."""
    log_session.head("Import and publish")
    st.subheader("Import", anchor=False)
    if st.session_state.get("log_demo"):
        st.info("The demo log takes no contributions: go back from it to import.")
    else:
        _import()
    st.subheader("Publish", anchor=False)
    _publish()


def _import() -> None:
    st.write("One row a measurement, in the columns of the template. Every row is checked first; nothing goes in before you say so.")
    with st.container(horizontal=True):
        st.download_button("Template as CSV", template("csv"), "template.csv", "text/csv", on_click="ignore")
        st.download_button("Template as JSON", template("json"), "template.json", "application/json", on_click="ignore")
    file = st.file_uploader("CSV or JSON file", type=["csv", "json"])
    if file is None:
        st.session_state.pop("log_outcome", None)
        return
    done = st.session_state.get("log_outcome")
    if done and done[0] == file.file_id:
        _told(*done[1:], taken=True)
        return
    with log_session.refusals():
        given = read_from(io.BytesIO(file.getvalue()), visible(file.name, 80))
        outcome = _checked(file.file_id, given)
    _told(given, outcome, taken=False)
    if outcome.taken and st.button(f"Take {outcome.taken} row{'s' * (outcome.taken > 1)} into the log", type="primary"):
        with log_session.refusals(), Store(log_session.own_log(), create=True) as store:
            bar = st.progress(0.0)
            outcome = take(store, given, report=lambda stage, share: bar.progress(min(1.0, share), stage))
        st.session_state["log_outcome"] = (file.file_id, given, outcome)
        st.rerun()


@st.cache_resource(max_entries=2, show_spinner=False)
def _kept(file_id: str, state: tuple[str, int, int, str], _given: Contribution, _store: Store) -> Outcome:
    bar = st.progress(0.0)
    outcome = check(_store, _given, report=lambda stage, share: bar.progress(min(1.0, share), stage))
    bar.empty()
    return outcome


def _checked(file_id: str, given: Contribution) -> Outcome:
    # Checked against the log as it is: what came in meanwhile may be a duplicate.
    with Store(log_session.own_log(), create=True) as store:
        return _kept(file_id, (store.name, *store.state()), given, store)


def _told(given: Contribution, outcome: Outcome, taken: bool) -> None:
    away, cautioned = len(outcome.turned_away), len(outcome.cautions)
    line = f"{outcome.taken} {'taken' if taken else 'can be taken'}, {cautioned} of them with a caution; {away} turned away."
    (st.success if taken else st.info)(f"Of {len(given.rows)} row{'s' * (len(given.rows) > 1)}: {line}")
    if outcome.unknown:
        st.warning(f"Columns that nobody reads: {', '.join(markdown(visible(n, 40)) for n in outcome.unknown)}.")
    if cautioned:
        st.write(f"**{'Taken' if taken else 'Can be taken'} with a caution**" + _first(cautioned))
        st.dataframe(log_view.cautioned(given, outcome), hide_index=True, alt="Rows with what a reader should know of each")
    if away:
        st.write("**Turned away**" + _first(away))
        st.dataframe(log_view.turned_away(outcome), hide_index=True, alt="Rows turned away, with the reason")
        with st.container(horizontal=True):
            for kind, mime in (("csv", "text/csv"), ("json", "application/json")):
                label = f"Turned-away rows with reasons as {kind.upper()}"
                st.download_button(label, outcome.turned_away_file(kind), f"turned-away.{kind}", mime, on_click="ignore")
        st.caption("Mend that file and import it: the reason's column is passed over.")


def _first(count: int) -> str:
    return f" (the first {log_view.ROWS_SHOWN} of {count} are shown)" if count > log_view.ROWS_SHOWN else ""


def _publish() -> None:
    with log_session.reading() as store:
        count, *_ = store.state()
    if not count:
        st.info("The log holds no measurement yet.")
        return
    where = log_session.looked_at()

    def text(kind: str) -> str:
        with Store(where) as opened:
            return publish.export(opened, kind)

    st.write("CSV and JSON hold every measurement that stands, and import to equal ones. In CSV, no cell runs as a formula.")
    with st.container(horizontal=True):
        for kind, (label, mime, end) in _KINDS.items():
            # Made when it is asked for: a long list takes seconds.
            st.download_button(label, lambda kind=kind: text(kind), f"reference-log.{end}", mime, on_click="ignore")
    st.caption("The web page is one file: it sorts on a click and asks no network. A short text of one model stands on that model's page.")


main()
