"""Screen: photos in, facts declared, both lines seen on the photo, profile and headline out."""

from __future__ import annotations

import streamlit as st

from app import facts_form, first, session
from app.measuring import bare, blade, figures, look, other_side, photos, readings, tasks, work
from app.measuring.words import plain
from app.refusals import refusable
from app.report import CAUTION
from app.viewer.component import Mode
from vision.declared import Declared
from vision.job import Blade


def main() -> None:
    """Draw the screen from the top; what is shown above may rest on what is typed below, so places are kept free."""
    # Nothing that another screen takes up may be an earlier photo's: a refusal leaves no result.
    st.session_state.pop("result", None)
    first.warm()
    st.title("Thickness behind the edge", anchor=False)
    st.caption(CAUTION)
    # One block however much it says, so that what stands below keeps its place on the page.
    with st.container():
        chosen = refusable(photos.choose)
    if chosen is None:
        return
    subject = chosen.subject
    desk = work.desk(subject, chosen.declared.readings if chosen.declared else ())
    result_place, spots = st.container(), st.container()
    with st.expander("What you declare", expanded=True):
        declared = refusable(lambda: _facts(chosen))
    other = refusable(lambda: other_side.draw(subject, bool(chosen.other))) if chosen.declared is None else None
    called = blade.draw(subject) if chosen.declared is None else Blade()
    without = bare.draw(subject) if chosen.declared is None and len(chosen.uploads) == 1 else None
    with spots:
        readings.edit(desk, subject)
    below = st.container()
    if declared is None:
        return
    with result_place:
        task = tasks.of(chosen, declared, desk.now, other, called)
        result = refusable(lambda: _measured(task if without is None else _pointed(task, desk.now, without)))
        if result is not None:
            st.session_state["result"] = result
            _above(result, desk, subject, bare.MODES if without else ())
        elif without is not None:
            look.draw_bare(chosen.uploads, session.bench(), desk, f"viewer-{subject}", bare.MODES)
        # Also beside a refusal: a misplaced guide point can be the cause of it.
        look.corrections(desk, subject)
    if result is not None:
        with spots:
            readings.checks(desk, result.measurement)
        with below:
            _below(result)


def _below(result: session.Result) -> None:
    figures.draw_remarks(result.measurement)
    figures.draw_budget(result.measurement)
    figures.draw_narrowing(session.bench().narrowing(result))
    figures.draw_downloads(result)


def _facts(chosen: photos.Chosen) -> Declared:
    """The form, filled with what was declared last for this subject."""
    kept = st.session_state.setdefault("facts", {})
    before = kept.get(chosen.subject, chosen.declared)
    facts = facts_form.of(before) if before else facts_form.Facts()
    if chosen.declared is None:
        # A demo's owner measured bars of her own.
        facts = facts_form.with_printed_bars(facts)
    kept[chosen.subject] = declared = facts_form.draw(facts, chosen.subject)
    return declared


def _pointed(task: session.Task, done: work.Work, without: bare.Bare) -> session.Task | None:
    """The task with the scale and the line of its one photo; None, and a sentence, while something is missing."""
    upload, bench = task.uploads[0], session.bench()
    if missing := bare.missing(without, done, upload):
        st.info(f"Still to say or to point at: {'; '.join(missing)}.")
        return None
    return tasks.without_strip(task, bare.hints(without, done, upload, lambda: bench.pack(upload).size_px))


def _measured(task: session.Task | None) -> session.Result | None:
    """The result, or None where nothing says yet what the widths mean; the photo checks are shown in either case."""
    if task is None:
        return None
    declared = task.sides[0].declared
    place, bench = st.empty(), session.bench()
    bar = place.progress(0.0, "Find the strip, the apex and the shoulder …")
    try:
        seen = bench.look(task, lambda stage, share: bar.progress(min(share, 1.0), f"{plain(stage)} …"))
        if declared.included_angle_deg is None and not declared.readings:
            figures.draw_checks([s.record for group in seen for s in group])
            st.info("Strip and edge are found. Now say what you know: the included angle, or caliper readings (below), then press Measure.")
            return None
        return bench.measure(task)
    finally:
        place.empty()


def _above(result: session.Result, desk: work.Desk, subject: str, more: tuple[Mode, ...]) -> None:
    figures.draw_headline(result.measurement, len(desk.now.said()))
    st.page_link("screens/log_add.py", label="Add to the log")
    figures.draw_checks(result.measurement.photos)
    look.draw(result, session.bench(), desk, f"viewer-{subject}", more)
    figures.draw_seams(result)


main()
