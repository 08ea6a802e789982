"""The headline, the angle found, where the uncertainty comes from, and the remarks."""

from __future__ import annotations

from collections.abc import Sequence

import altair
import pandas as pd
import streamlit as st

from app.headline import angle_found, check_rows, checks_summary, flag_lines, headline, readings_remark, seen_share
from app.measuring import words
from app.measuring.words import on_screen, plain
from app.session import Result
from vision import rounding
from vision.checks import Verdict
from vision.flags import Note
from vision.narrow import Narrowing
from vision.results import Measurement, PhotoRecord

_SHARE = "µm (one standard uncertainty)"
_FILES = (
    "report: everything on paper; profile: the figures station by station; overlay: the photo with both lines; picture: one to share; "
    "measurement: for the screens Compare and Plan; job: drop it above with the photos, and all of this comes back."
)
_MIME = {
    "csv": "text/csv",
    "json": "application/json",
    "jpg": "image/jpeg",
    "pdf": "application/pdf",
    "png": "image/png",
    "toml": "application/toml",
}


def draw_headline(m: Measurement, by_hand: int, also: str = "") -> None:
    """Main stretch large, the others in a table; mm and inch. `also` is one more thing to say beside the figure."""
    seen, stations = seen_share(m)
    figures = headline(m)
    if not figures:
        st.warning("No headline figure could be had; see the cautions below.")
    for line in figures[:1]:
        # Not st.metric: on a narrow screen it cuts the figure off.
        hand = f"corrected by hand in {by_hand} place{'s' * (by_hand > 1)}" if by_hand else ""
        remarks = [r for r in (readings_remark(m), hand, also) if r]
        st.write("; ".join([f"Thickness behind the edge, {line.label}", *remarks]))
        st.header(line.text, anchor=False)
    if figures[1:]:
        st.table({"stretch": [f.label for f in figures[1:]], "thickness": [f.text for f in figures[1:]]})
    if found := angle_found(m):
        st.write(found)
    st.caption(f"{rounding.COVERAGE}. {seen} of {stations} stations measured.")


def draw_last(m: Measurement) -> None:
    """The figure before something was refused: no headline, since it is not by what the page says now."""
    for line in headline(m)[:1]:
        st.write(f"The last figure, not by what is refused above: {line.label}, {line.text}. Photo and charts below are of it too.")
        st.caption(rounding.COVERAGE)


def draw_budget(m: Measurement) -> None:
    """The budget as a bar chart and as text."""
    if m.budget is None:
        return
    st.subheader("Where the uncertainty comes from", anchor=False)
    rows = [(r.source, 1000.0 * r.contribution_mm) for r in sorted(m.budget.rows, key=lambda r: -r.contribution_mm)]
    total = 1000.0 * m.budget.total_mm
    # Squares add up: what is below a twentieth of the total moves it by less than 0.2 %, and would only be a name without a bar.
    shown = [(name, um) for name, um in rows if um >= 0.05 * total]
    shares = pd.DataFrame(shown, columns=["source", "share"])
    # Two digits at most, as in the report's table.
    shares["said"] = [rounding.two_digits(um) for um in shares["share"]]
    bars = (
        altair.Chart(shares)
        .mark_bar()
        .encode(
            # From the right end of the axis: about its middle, the title of a chart on a phone reaches beyond the page.
            x=altair.X("share", title=_SHARE, axis=altair.Axis(titleAnchor="end")),
            # Long names in full: what cannot be read explains nothing.
            y=altair.Y("source", sort="-x", title=None, axis=altair.Axis(labelLimit=260)),
            tooltip=["source", altair.Tooltip("said", title="µm")],
        )
        .properties(height=60 + 30 * len(shown))
    )
    st.altair_chart(bars, width="stretch", alt="Bars of the largest sources in the table below")
    with st.expander("Every source as a figure"):
        st.table(
            {
                "source": [*(name for name, _ in rows), "together"],
                _SHARE: [rounding.two_digits(um) for um in (*(um for _, um in rows), total)],
            }
        )


def draw_narrowing(found: Narrowing | None, m: Measurement) -> None:
    """What would narrow the band most, worked out by the same model before anybody does it."""
    if found is None:
        return
    st.subheader("What would narrow the band most", anchor=False)
    if not found.steps:
        st.write("None of: more readings, a better caliper, angle, height, print or rest. What is left is in the chart above.")
        return
    # Readings that are left out of the figure, as after a contradiction, are not ones to add to.
    more = m.thickness.fused
    st.markdown("\n".join(f"{i}. {plain(words.step(s, found, more))}" for i, s in enumerate(found.steps[:4], 1)))
    st.caption("If those readings agree with the photo as the present ones do." if more else "If those readings agree with the photo.")


def draw_cautions(m: Measurement) -> None:
    """Beside the headline, since they say how far to trust it."""
    found = [_remark(n) for n in _remarks(m) if n.severity == "caution"]
    if found:
        st.warning("Before you trust this figure:\n\n" + "\n".join(f"- {text}" for text in found))


def draw_remarks(m: Measurement) -> None:
    """Every other note, and the flags that stations carry."""
    for note in _remarks(m):
        if note.severity != "caution":
            st.info(_remark(note))
    if found := flag_lines(m):
        with st.expander("Flagged stations (dashed in the picture)"):
            st.write("\n".join(f"- {plain(on_screen(line))}" for line in found))


def _remarks(m: Measurement) -> list[Note]:
    """Notes but those of the photo checks, which are said beside the photo."""
    checked = {c.name for photo in m.photos for c in photo.checks}
    return [n for n in m.notes if n.code not in checked]


def _remark(note: Note) -> str:
    return plain(on_screen(f"{note.text[:1].upper()}{note.text[1:]}; {note.remedy}."))


def draw_checks(photos: Sequence[PhotoRecord]) -> None:
    """What is doubtful about each photo and what to do, in words; every check in a table to open."""
    for photo in photos:
        for c in photo.checks:
            if c.verdict is Verdict.CAUTION:
                st.warning(plain(on_screen(f"{photo.name}: {c.text}: {c.why}. What to do: {c.remedy}.")))
        if photo.checks:
            with st.expander(plain(f"{photo.name}: strip found; {checks_summary(photo)}")):
                st.table(check_rows(photo))


def draw_seams(result: Result) -> None:
    """Where photos overlap: how well they agree."""
    lines, index = [], 0
    for side, overlaps in zip(result.task.sides, result.seams, strict=True):
        names = [u.name for u in result.task.uploads[index : index + len(side.photos)]]
        lines += [f"- {plain(words.seam(o, names))}" for o in overlaps]
        index += len(side.photos)
    if lines:
        st.markdown("**Seams between photos**\n\n" + "\n".join(lines))


def draw_downloads(result: Result) -> None:
    """Each file is made when it is asked for."""
    st.subheader("Files", anchor=False)
    st.caption(_FILES)
    with st.container(horizontal=True):
        for name in result.names():
            mime = _MIME[name.rsplit(".", 1)[-1]]
            st.download_button(name, lambda name=name: result.file(name), file_name=name, mime=mime, on_click="ignore", key=f"file-{name}")
