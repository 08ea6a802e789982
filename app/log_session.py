"""What the log's screens share: which log is looked at, its summaries kept while it stays the same, names made harmless."""

from __future__ import annotations

import os
from collections.abc import Collection, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import streamlit as st

from app import fields, log_charts, log_view
from app.files import measurement_text
from app.reference_log import demo
from app.reference_log.errors import LogRefused
from app.reference_log.escape import markdown, visible
from app.reference_log.from_result import Knife, filled, record_of
from app.reference_log.records import Record
from app.reference_log.store import Store, Stored, default_path
from app.reference_log.summary import Choice, Summary, all_summaries
from vision.errors import ShoulderlineError
from vision.job import Job

CAUTION = (
    "Blades cut: guard the edge while you measure, and keep caliper jaws off the apex. Local rules come first. "
    "Figures say what was measured and how well; none says that a knife is safe, strong or good."
)
LIST_SCREEN, MODEL_SCREEN, ADD_SCREEN, SHARE_SCREEN, RECORD_SCREEN = (
    f"screens/log{part}.py" for part in ("", "_model", "_add", "_share", "_record")
)


def own_log() -> str:
    """The person's own log: the one that ``shoulderline app --log`` named, else that of the user's data folder."""
    return os.environ.get("SHOULDERLINE_LOG") or str(default_path())


def looked_at() -> str:
    """The log on the screen: the person's own, or the demo."""
    return str(demo.path()) if st.session_state.get("log_demo") else own_log()


def exists(where: str) -> bool:
    """True where a log file lies; a server is asked when it is opened."""
    return "://" in where or Path(where).exists()


def head(title: str, *, own_alone: bool = False) -> None:
    """Title, cautions, and which log this is; `own_alone`: the person's own, since a result among invented knives would be lost."""
    st.title(title, anchor=False)
    st.caption(CAUTION)
    if own_alone:
        st.session_state["log_demo"] = False
    with st.container(horizontal=True, vertical_alignment="center"):
        if st.session_state.get("log_demo"):
            st.markdown(f"**The demo log**, invented knives only: {markdown(looked_at())}")
            st.button("Back from the demo", on_click=lambda: st.session_state.update(log_demo=False))
            return
        st.markdown(f"**{'A shared log' if '://' in own_log() else 'Your own log'}**: {_place()}")
        if not own_alone:
            st.button("Look at the demo log", on_click=_open_demo, help="Invented knives in a file of their own, never mixed with yours.")


@contextmanager
def reading() -> Iterator[Store]:
    """The log that is looked at; where there is none yet, or it cannot be opened, says so and ends the page."""
    where = looked_at()
    if not exists(where):
        st.info("There is no log yet. Add the present result, import a file, or look at the demo log.")
        st.stop()
    with refusals(), Store(where) as store:
        yield store


@contextmanager
def refusals() -> Iterator[None]:
    """Show a refusal as one sentence and end the page."""
    try:
        yield
    except (ShoulderlineError, OSError) as error:
        st.error(sentence(error))
        st.stop()


def sentence(error: ShoulderlineError | OSError) -> str:
    """What, why and what to do, harmless in Markdown."""
    if isinstance(error, OSError):
        why = markdown(error.strerror or type(error).__name__)
        return f"**file {markdown(str(error.filename or ''))}**: {why}. What to do: check the path, its permissions and the free space."
    return f"**{markdown(error.what)}**: {markdown(error.why)}. What to do: {markdown(error.remedy)}."


# One entry holds a summary of every model; what is kept is frozen, so it needs no copy.
@st.cache_resource(max_entries=16, show_spinner="Summarise the models …")
def _summaries(where: str, _store: Store, state: tuple[int, int, str], choice: Choice) -> list[Summary]:
    return all_summaries(_store, choice, compared=False)


def summaries(store: Store, choice: Choice | None = None) -> list[Summary]:
    """A summary of each model without its contributors' comparisons, kept as long as no record comes in."""
    return _summaries(looked_at(), store, store.state(), choice or Choice())


def asked_for(name: str, default: object, allowed: Collection, *, typed: bool = False) -> str:
    """Key of the widget that chooses `name`: set to what another screen asked for, or to what was chosen here last.

    What was `typed` into it stays, allowed or not: the screen is to refuse it.
    """
    at = f"{name}_at"
    wanted = st.session_state.pop(name, None)
    if wanted is None and at not in st.session_state:
        wanted = st.session_state.get(f"{name}_last", default)
    if wanted is not None:
        fields.give(at, wanted)
    # Another log may not have it.
    if st.session_state[at] not in allowed and not (typed and wanted is None):
        fields.give(at, default)
    if st.session_state[at] in allowed:
        st.session_state[f"{name}_last"] = st.session_state[at]
    return at


def chosen_line(shown: log_view.Columns, key: str, alt: str) -> int | None:
    """A table of which one line can be chosen; its index, once it is."""
    picked = st.dataframe(shown, hide_index=True, on_select="rerun", selection_mode="single-row", key=key, alt=alt)
    return picked.selection.rows[0] if picked.selection.rows else None


def draw_records(found: Sequence[Stored], key: str) -> None:
    """Records, one a line; a chosen one is opened."""
    alt = "Measurements with thickness, knife, condition, method, contributor and date"
    line = chosen_line(log_view.records(found), key, alt)
    if line is not None:
        st.session_state["log_record"] = found[line].id
        st.switch_page(RECORD_SCREEN)


def colours() -> log_charts.Colours:
    """What stands out on the page's own scheme."""
    return log_charts.DARK if st.context.theme.type == "dark" else log_charts.LIGHT


def present() -> tuple[Record, Knife] | None:
    """The result on the Measure screen as a record without its knife, and what its job says of the knife; None without a result.

    Raises
    ------
    ShoulderlineError
        The result has no figure that a log could keep.
    """
    result = st.session_state.get("result")
    if result is None:
        return None
    # What it was made from names the knife, where somebody said so.
    job: Job | None = getattr(getattr(result, "task", None), "job", None)
    record = record_of(result.measurement, measurement_text(result.measurement), Knife(), job)
    return record, filled(Knife(), job.blade) if job else Knife()


def present_photos() -> str:
    """Names of the photos that the result on the Measure screen was made from."""
    return ", ".join(visible(p.name, 60) for p in st.session_state["result"].measurement.photos)


def _place() -> str:
    if "://" not in own_log():
        return markdown(own_log())
    # A URL may hold a password, which the store's own name leaves out.
    with refusals(), Store(own_log(), create=True) as store:
        return markdown(store.name)


def _open_demo() -> None:
    try:
        with Store(demo.path(), create=True) as store:
            if store.state()[0] == 0:
                demo.fill(store)
    except (LogRefused, OSError):
        # The page then opens it and says what is wrong.
        pass
    st.session_state["log_demo"] = True
