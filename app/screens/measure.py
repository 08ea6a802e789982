"""Screen: photos in, facts declared, both lines seen on the photo, profile and headline out."""

from __future__ import annotations

from collections.abc import Callable

import streamlit as st

from app import facts_form, first, session
from app.measuring import bare, blade, carried, figures, look, memory, other_side, photos, readings, reopen, tasks, work
from app.measuring.page import Page, Place
from app.refusals import Refusals, refusable
from app.report import CAUTION
from app.visitor import component
from vision.declared import Declared
from vision.job import Blade
from vision.sighting import Sighting

_PRESSED = "own-facts-pressed"
# The last result that was shown, of these photos or of others.
_LAST = "last-shown"


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
    carried.watch(chosen, desk)
    page, spots = Page(), st.container()
    with st.expander("What you declare", expanded=True):
        form, beside = st.container(), st.container()
        # At the top, where the figure stood, and beside the button: who presses it on a phone sees only one of them.
        refusals = Refusals(page.refusals, beside)
        with form:
            declared = refusals.hear(lambda: _facts(chosen))
        # After the form, which may have just said something to keep.
        memory.mount()
    other = refusable(lambda: other_side.draw(subject, bool(chosen.other))) if chosen.declared is None else None
    called = blade.draw(subject) if chosen.declared is None else Blade()
    without = bare.draw(subject) if chosen.declared is None and len(chosen.uploads) == 1 else None
    with spots:
        readings.edit(desk, subject)
        words = page.place()
    rest = page.place()

    def task() -> session.Task | None:
        if declared is None:
            return None
        whole = tasks.of(chosen, declared, desk.now, other, called)
        return whole if without is None else _pointed(whole, desk.now, without)

    result = _draw(page, task, chosen, (desk, rest, refusals), without)
    if result is not None:
        st.session_state["result"] = st.session_state[_LAST] = result
        with words.open():
            readings.checks(desk, result.measurement)
        with rest.open():
            _rest(result)


def _draw(
    page: Page,
    make: Callable[[], session.Task | None],
    chosen: photos.Chosen,
    below: tuple[work.Desk, Place, Refusals],
    without: bare.Bare | None,
) -> session.Result | None:
    """Everything down to the photo and what was pointed at in it; the result, once there is one."""
    desk, rest, refusals = below
    bench, key, more = session.bench(), f"viewer-{chosen.subject}", bare.MODES if without else ()
    with page.refusals:
        task = refusals.hear(make)
        seen = refusals.hear(lambda: _seen(page, task)) if task else None
        result = refusals.hear(lambda: bench.measure(task)) if task and seen and _says_enough(task) else None
    last = _last_of(chosen) if refusals.said else None
    with page.headline.open():
        if chosen.subject == photos.OWN:
            carried.draw(desk)
        if result is not None or last is not None:
            text = "The fields below say something else by now: this figure is not by them. Press Measure."
            component.pending("figure-pending", facts_form.in_effect(chosen.subject, f"{chosen.subject}-other"), text, keeps=True)
        if result is not None:
            _above(result, len(desk.now.said()), _unchecked(chosen))
        elif last is not None:
            figures.draw_last(last.measurement)
        elif task and seen and not _says_enough(task):
            figures.draw_checks([record for group in seen for s in group for record in s.records])
            st.info("Strip and edge are found. Now say what you know: the included angle, or caliper readings (below), then press Measure.")
            # Who presses Measure on a phone sees nothing of what stands above the photo.
            with rest.open():
                st.info(
                    "No figure yet: say the included angle, or type caliper readings into the table of spot checks, then press Measure."
                )
    with page.picture.open():
        if shown := result or last:
            look.draw(shown, bench, desk, key, more)
        elif task and seen:
            look.draw_found(task, seen, bench, desk, key, more)
        elif without is not None:
            look.draw_bare(chosen.uploads, bench, desk, key, more)
    with page.corrected.open():
        if result is not None:
            figures.draw_seams(result)
        # Also beside a refusal: a misplaced guide point can be the cause of it.
        look.corrections(desk, chosen.subject)
    return result


def _last_of(chosen: photos.Chosen) -> session.Result | None:
    """What these photos gave before something was refused; never another photo's."""
    last: session.Result | None = st.session_state.get(_LAST)
    here = [u.sha256 for u in chosen.uploads]
    return last if last is not None and [p.sha256 for p in last.task.sides[0].photos] == here else None


def _seen(page: Page, task: session.Task) -> list[list[Sighting]]:
    with page.searching(task) as search:
        return session.bench().look(task, search)


def _says_enough(task: session.Task) -> bool:
    """False where nothing says yet what the widths mean."""
    declared = task.sides[0].declared
    return declared.included_angle_deg is not None or bool(declared.readings)


def _rest(result: session.Result) -> None:
    figures.draw_remarks(result.measurement)
    figures.draw_budget(result.measurement)
    figures.draw_narrowing(session.bench().narrowing(result), result.measurement)
    figures.draw_downloads(result)


def _facts(chosen: photos.Chosen) -> Declared:
    """The form, filled with what was declared last for this subject; above it, for a visitor's own photo, the offer of the last visit's."""
    kept = st.session_state.setdefault("facts", {})
    before = kept.get(chosen.subject, chosen.declared)
    facts = facts_form.of(before) if before else facts_form.Facts()
    job = reopen.opened()
    if chosen.declared is None and (job is None or job.subject != chosen.subject):
        # A demo's owner measured bars of her own; a job's photos show the print of their day.
        facts = facts_form.with_printed_bars(facts)
    own = chosen.subject == photos.OWN
    if own:
        memory.offer(photos.OWN)
    kept[chosen.subject] = declared = facts_form.draw(facts, chosen.subject, pressed=_pressed if own else None)
    if own:
        if st.session_state.pop(_PRESSED, False):
            memory.keep(declared)
            carried.settle()
        memory.kept()
    return declared


def _pressed() -> None:
    st.session_state[_PRESSED] = True


def _pointed(task: session.Task, done: work.Work, without: bare.Bare) -> session.Task | None:
    """The task with the scale and the line of its one photo; None, and a sentence, while something is missing."""
    upload, bench = task.uploads[0], session.bench()
    if missing := bare.missing(without, done, upload):
        st.info(f"Still to say or to point at: {'; '.join(missing)}.")
        return None
    return tasks.without_strip(task, bare.hints(without, done, upload, lambda: bench.pack(upload).size_px))


def _unchecked(chosen: photos.Chosen) -> str:
    """What the figure rests on that nobody has confirmed for these photos."""
    if chosen.strange:
        return "by a job file made for other photos"
    if chosen.subject != photos.OWN:
        return ""
    if carried.pending():
        return "by what you gave for other photos, not confirmed yet"
    return "by the facts of your last visit, not checked yet" if memory.unchecked() else ""


def _above(result: session.Result, by_hand: int, unchecked: str) -> None:
    figures.draw_headline(result.measurement, by_hand, unchecked)
    figures.draw_cautions(result.measurement)
    st.page_link("screens/log_add.py", label="Add to the log")
    figures.draw_checks(result.measurement.photos)


main()
