"""The table of spot checks, and beside each what photo and other readings say of it."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
import streamlit as st

from app.headline import cross_check_footnote
from app.measuring import words
from app.measuring.work import Desk, Spot, number
from vision.results import Measurement

# Short, so that all three fit a phone.
_PLACE, _READ, _ASIDE = "place, mm", "reading, mm", "set aside"


def edit(desk: Desk, key: str) -> None:
    """Draw the table and take over what was typed into it."""
    st.subheader("Spot checks", anchor=False)
    st.caption(
        "Where the caliper was set (read beside the edge on the printed scale) and what it showed at the shoulder. "
        "Add a row, or pick the place in the photo."
    )
    at = f"readings-{key}-{desk.version}"
    if at not in st.session_state:
        # Drawn anew, the table has forgotten what was typed into it.
        desk.drawn_anew()
    base = desk.base.spots
    frame = pd.DataFrame(
        {_PLACE: [s.position_mm for s in base], _READ: [s.thickness_mm for s in base], _ASIDE: [s.set_aside for s in base]}
    ).astype({_PLACE: float, _READ: float, _ASIDE: bool})
    edited = st.data_editor(
        frame, num_rows="dynamic", hide_index=True, width=420, key=at, alt="Spot checks", placeholder="",
        column_config={
            # A reading shows the digits that were read: 0.47 of a caliper, 0.471 of a micrometer.
            # No limits here: the table would drop what lies outside them without a word, `Declared` says why it cannot be.
            _PLACE: st.column_config.NumberColumn(step=0.1, format="%.1f"),
            _READ: st.column_config.NumberColumn(step=0.001, format="plain"),
            _ASIDE: st.column_config.CheckboxColumn(default=False, help="Keeps the reading on record without using it."),
        },
    )  # fmt: skip
    rows = zip(edited[_PLACE], edited[_READ], edited[_ASIDE], strict=True)
    spots = tuple(Spot(number(a), number(b), c is True or bool(c == True)) for a, b, c in rows)  # noqa: E712
    desk.to(replace(desk.now, spots=spots), typed=True)


def checks(desk: Desk, m: Measurement) -> None:
    """What photo and other readings say of each."""
    said = words.checks_by_reading(m)
    lines = []
    for spot in desk.now.spots:
        r = spot.reading
        if r is None and spot.position_mm is not None:
            lines.append(f"- **{spot.position_mm:.1f} mm**: no reading yet; type it into the table")
        elif r is None and spot.thickness_mm is not None:
            lines.append(f"- **{spot.thickness_mm:g} mm**: no place yet, so it counts for nothing; say where it was read")
        elif r is not None:
            lines.append(
                f"- **{r.position_mm:.1f} mm, {r.thickness_mm:g} mm**: {words.plain(said.get((r.position_mm, r.thickness_mm), 'not used'))}"
            )
    if lines:
        st.markdown("\n".join(lines))
    if m.cross_checks:
        st.caption(words.plain(f"{cross_check_footnote(m)} What becomes of it you decide."))
