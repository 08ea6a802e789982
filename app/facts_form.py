"""The form in which a person declares the facts of one side; its fields explain themselves."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import streamlit as st

from app import drawings, fields
from app.visitor import component
from vision.declared import ASSUMABLE, Caliper, Declared, Lie
from vision.errors import DeclarationError

_LIES = {
    "level: held or propped so that its centre plane is parallel to the strip": Lie.LEVEL,
    "cheek-down: lying on its lower cheek": Lie.CHEEK_DOWN,
}


_FIELDS = ("angle", "tolerance", "lie", "cheek", "height", "height-off", "bar-x", "bar-y", "distance", "accuracy", "step")
# Lengths (X, Y) of the check bars, mm, in the session.
PRINTED_BARS = "bars_mm"


@dataclass(frozen=True)
class Facts:
    """What the fields show before anybody touches them; None leaves a field empty, which means not declared."""

    angle: float | None = None
    tolerance: float = 2.0
    lie: Lie = Lie.LEVEL
    cheek: float | None = None
    height: float | None = None
    height_tolerance: float = 0.2
    distance: float | None = None
    bar_x: float | None = None
    bar_y: float | None = None
    accuracy: float = 0.03
    resolution: float = 0.01
    # What a job file can say and the form has no field for, and which facts it says though they equal the program's defaults.
    distance_tolerance: float = 5.0
    bar_tolerance: float = 0.1
    said: tuple[str, ...] = ()


def of(declared: Declared) -> Facts:
    """The fields that show these facts."""
    d, bars = declared, declared.printed_bar_mm or (None, None)
    fields = (
        d.angle_tolerance_deg, d.lie, d.cheek_angle_deg, d.edge_height_mm, d.edge_height_tolerance_mm, d.camera_distance_mm, *bars,
        d.caliper.accuracy_mm, d.caliper.resolution_mm, d.camera_distance_tolerance_mm, d.printed_bar_tolerance_mm,
    )  # fmt: skip
    said = tuple(n for n in ASSUMABLE if n not in (d.assumed or ()))
    # Number fields insist on floats; a library caller may have written 30.
    return Facts(*(float(v) if isinstance(v, int) else v for v in (d.included_angle_deg, *fields)), said)


def with_printed_bars(facts: Facts) -> Facts:
    """The same, with the check bars that the screen Print found plausible where none are declared; the form shows them."""
    bars = st.session_state.get(PRINTED_BARS)
    return replace(facts, bar_x=bars[0], bar_y=bars[1]) if bars and (facts.bar_x, facts.bar_y) == (None, None) else facts


def with_printed_bars_of_today(facts: Facts) -> Facts:
    """The same with the bars of the print that was checked in this session, whatever an earlier print had."""
    bars = st.session_state.get(PRINTED_BARS)
    return replace(facts, bar_x=bars[0], bar_y=bars[1]) if bars else facts


def fill(key: str, facts: Facts) -> None:
    """Put these into the fields of the form `key`, the camera's distance aside; to be called before it is drawn."""
    values = {
        "angle": facts.angle, "tolerance": facts.tolerance, "lie": _label(facts.lie), "cheek": facts.cheek, "height": facts.height,
        "height-off": facts.height_tolerance, "bar-x": facts.bar_x, "bar-y": facts.bar_y, "accuracy": facts.accuracy,
        "step": facts.resolution,
    }  # fmt: skip
    for name, value in values.items():
        fields.give(f"{key}-{name}", value)


def in_effect(*keys: str) -> dict[str, float | None]:
    """By its key, what every field of these forms held when its button was last pressed; the lie by its number."""
    held: dict[str, float | None] = {}
    for key in keys:
        for field in (f"{key}-{name}" for name in _FIELDS if f"{key}-{name}" in st.session_state):
            value = st.session_state[field]
            held[field] = list(_LIES).index(value) if value in _LIES else value
    return held


def draw(facts: Facts, key: str, *, caliper: bool = True, button: str = "Measure", pressed: Callable[[], None] | None = None) -> Declared:
    """Show the form and return what it declares, without readings; `caliper` False leaves the caliper's two fields out.

    `pressed` is called before the run of the page that the button causes.

    Raises
    ------
    DeclarationError
        A fact is impossible or contradicts another.
    """
    with st.form(f"facts-{key}"):
        angle, tolerance = _angle(facts, key)
        height, height_off, bars = _strip(facts, key)
        lie, cheek = _lie(facts, key)
        with st.expander("Camera distance" + (" and caliper" if caliper else "")):
            distance = fields.number(
                st.container(), "Lens to edge, mm", facts.distance, 1.0, key=f"{key}-distance", placeholder="from the photo's focal length",
                help="Along the line of sight, to within 5 mm. Empty: from the focal length that the photo carries.",
            )  # fmt: skip
            accuracy, resolution = _caliper(facts, key) if caliper else (facts.accuracy, facts.resolution)
        st.form_submit_button(button, type="primary", key=f"{key}-submit", on_click=pressed)
        component.pending(f"{key}-pending", in_effect(key), f"Changed and not taken in yet: press “{button}”.")
    if (bars[0] is None) != (bars[1] is None):
        raise DeclarationError(
            "one printed check bar", "printers err differently along and across", "measure both bars or leave both empty"
        )
    return Declared(
        included_angle_deg=angle, angle_tolerance_deg=_said("It may be off by, degrees", tolerance), lie=lie, cheek_angle_deg=cheek,
        edge_height_mm=height, edge_height_tolerance_mm=_said("Height may be off by, mm", height_off), camera_distance_mm=distance,
        camera_distance_tolerance_mm=facts.distance_tolerance, printed_bar_mm=None if bars[0] is None else bars,
        printed_bar_tolerance_mm=facts.bar_tolerance,
        caliper=Caliper(_said("Caliper's limit of error, mm", accuracy), _said("Caliper's step, mm", resolution)),
        assumed=tuple(n for n in ASSUMABLE if n not in facts.said),
    )  # fmt: skip


def _said(label: str, value: float | None) -> float:
    """A figure that nothing can stand in for."""
    if value is None:
        raise DeclarationError(f"“{label}”", "it is empty, and no figure is as good as any", "say how far off it may be")
    return value


def _angle(facts: Facts, key: str) -> tuple[float | None, float | None]:
    left, right = st.columns(2)
    angle = fields.number(
        left, "Included angle, degrees", facts.angle, 1.0, key=f"{key}-angle", placeholder="found from readings",
        help="Both sides together, as sharpened; 30 means 15 a side. Empty: found from your caliper readings.",
    )  # fmt: skip
    tolerance = fields.number(
        left, "It may be off by, degrees", facts.tolerance, 0.5, key=f"{key}-tolerance",
        help="Half-width, of the included angle: 30 with 2 means 28 to 32. 2 for a guided system is common practice.",
    )  # fmt: skip
    right.image(drawings.angle(), alt=drawings.ANGLE_ALT, width="stretch")
    return angle, tolerance


def _strip(facts: Facts, key: str) -> tuple[float | None, float | None, tuple[float | None, float | None]]:
    # Row by row: on a phone the columns of a row stand below each other.
    left, right = st.columns(2)
    height = fields.number(
        left, "Edge above the strip's face, mm", facts.height, 0.1, key=f"{key}-height", placeholder="level to within 1 mm",
        help="How high the edge stands above the printed paper; below it is negative. Empty: taken as level, to within 1 mm.",
    )  # fmt: skip
    off = fields.number(
        right, "Height may be off by, mm", facts.height_tolerance, 0.1, key=f"{key}-height-off", help="Counts only with a height beside it."
    )
    left, right = st.columns(2)
    bar_x = fields.number(
        left, "Check bar along the strip, mm", facts.bar_x, 0.01, key=f"{key}-bar-x", placeholder="100 to within 1 %",
        help="Measure the printed 100 mm bar: printers err by up to 1 %. Empty: taken as 100 mm to within 1 %.",
    )  # fmt: skip
    bar_y = fields.number(
        right, "Check bar across it, mm", facts.bar_y, 0.01, key=f"{key}-bar-y", placeholder="100 to within 1 %",
        help="The other 100 mm bar: printers err differently along and across.",
    )  # fmt: skip
    return height, off, (bar_x, bar_y)


def _lie(facts: Facts, key: str) -> tuple[Lie, float | None]:
    left, right = st.columns(2)
    if f"{key}-lie" not in st.session_state:
        fields.give(f"{key}-lie", _label(facts.lie))
    lie = left.radio("How the blade lies", list(_LIES), key=f"{key}-lie")
    cheek = fields.number(
        left, "Cheek angle, degrees", facts.cheek, 0.5, key=f"{key}-cheek", placeholder="needed when cheek-down",
        help="Between a cheek (the primary grind) and the blade's centre plane; needed when the blade lies on its cheek.",
    )  # fmt: skip
    right.image(drawings.lie(), alt=drawings.LIE_ALT, width="stretch")
    return _LIES[lie], cheek


def _label(lie: Lie) -> str:
    return next(label for label, value in _LIES.items() if value is lie)


def _caliper(facts: Facts, key: str) -> tuple[float | None, float | None]:
    left, right = st.columns(2)
    accuracy = fields.number(
        left, "Caliper's limit of error, mm", facts.accuracy, 0.01, key=f"{key}-accuracy",
        help="Its maker's figure; 0.03 is common for a digital caliper.",
    )  # fmt: skip
    resolution = fields.number(
        left, "Caliper's step, mm", facts.resolution, 0.01, key=f"{key}-step", help="The last digit it shows; 0.01 is common."
    )
    right.image(drawings.caliper(), alt=drawings.CALIPER_ALT, width="stretch")
    return accuracy, resolution
