"""Screen: what the next grind does to bevel width and thickness, with a section drawn to scale."""

from __future__ import annotations

import numpy as np
import streamlit as st

from app import at_hand, fields, plan_view
from app.measuring.words import plain
from app.plan_commands import CAUTIONS, full_share_text
from app.refusals import refusable
from vision import plan as next_grind
from vision.plan import Plan, Request
from vision.results import Measurement
from vision.rounding import COVERAGE, format_angle
from vision.section import places, section
from vision.sources import USUAL_CHEEK_DEG

# Half-width of a range, not the ± of a figure: that one, k = 2, stands under the tables.
_USUAL, _WITHIN = USUAL_CHEEK_DEG
# Whose cheek angle stands in the field.
_BLADE = "plan-blade"
_GRIND, _WIDTH = "a new angle, or the apex taken back", "a bevel of a certain width"


def main() -> None:
    """Draw the screen from the top."""
    st.title("Plan the next grind", anchor=False)
    st.warning("\n".join(f"- {line}" for line in CAUTIONS))
    chosen = refusable(_choose)
    if chosen is None:
        return
    st.write(f"For: {plain(chosen.told)}")
    request = refusable(lambda: _ask(chosen.measurement))
    made = refusable(lambda: next_grind.plan(chosen.measurement, request)) if request else None
    if made is None:
        return
    _rows(made)
    _section(chosen.measurement, made)


def _choose() -> at_hand.AtHand:
    given = st.file_uploader("A result measured earlier (measurement.json)", type=["json"], key="plan-file")
    if given is not None:
        return at_hand.from_files([(given.name, given.getvalue())])[0]
    shown = at_hand.of_session()
    if shown is None:
        st.info("Nothing was measured in this session yet: this is the demo blade.")
        return at_hand.demo()
    return shown


def _ask(m: Measurement) -> Request:
    goal = st.radio("What is asked for", [_GRIND, _WIDTH], key="plan-goal")
    declared = m.declared.cheek_angle_deg
    # Another blade has cheeks of its own.
    blade = ([p.sha256 for p in m.photos], declared)
    if st.session_state.get(_BLADE) != blade:
        st.session_state[_BLADE] = blade
        fields.give("plan-cheek", declared)
    cheek = fields.number(
        st.container(), "Cheek angle, degrees (between a cheek and the centre plane)", declared, 0.5, key="plan-cheek",
        placeholder=f"the usual one, {_USUAL - _WITHIN:g} to {_USUAL + _WITHIN:g}" if declared is None else f"as declared, {declared:g}",
        help="A cheek is the primary grind. The figures after rest on its angle wherever the new shoulder lies on the cheek.",
    )  # fmt: skip
    if goal == _WIDTH:
        width = st.slider("Bevel width, mm", 0.10, 5.00, _start(m.widths.width_mm, 0.0, 0.1, 5.0), 0.05, key="plan-width")
        return Request(bevel_width_mm=width, cheek_deg=cheek)
    angle = st.slider(
        "New included angle, degrees",
        10.0,
        70.0,
        _start(2 * m.thickness.angle_per_side_deg, 4.0, 10.0, 70.0),
        0.5,
        "%.1f",
        key="plan-angle",
    )
    renew = st.checkbox("Take the apex back just as far as renews the whole bevel", value=True, key="plan-renew")
    back = None if renew else st.slider("Apex taken back by, mm", 0.00, 1.50, 0.10, 0.01, key="plan-back")
    return Request(new_included_deg=angle, take_back_mm=back, cheek_deg=cheek)


def _start(now: np.ndarray, less: float, low: float, high: float) -> float:
    """Where a slider stands at first: at what was measured or that much below, so that before and after can be told apart."""
    known = now[np.isfinite(now)]
    return min(max(round(float(known.mean()) - less, 1), low), high) if known.size else low


def _rows(made: Plan) -> None:
    for row in made.rows:
        st.subheader(plain(plan_view.heading(row)), anchor=False)
        if np.isfinite(row.start_mm):
            st.table(plan_view.table(row), hide_index=True, alt=f"{row.name}: angle, bevel width, thickness and apex, now and after")
        if text := full_share_text(row):
            st.info(text)
    cheek = format_angle(*made.cheek_deg)
    usual = "" if made.cheek_declared else ", the usual one, since none was declared"
    st.caption(f"Cheek angle {cheek}{usual}. {COVERAGE}.")


def _section(m: Measurement, made: Plan) -> None:
    at = places(m, made)
    st.subheader("Section to scale", anchor=False)
    low, high = float(at[0]), float(at[-1])
    place = st.slider("Place on the printed scale, mm", low, high, (low + high) / 2, 0.5, "%.1f", key="plan-place") if high > low else low
    drawn = section(m, made, place)
    words = plan_view.alt(drawn)
    st.pyplot(plan_view.drawing(drawn), width=620, alt=words)
    st.caption(f"{words} The drawing has no band: the figures with theirs are in the table above.")


main()
