"""The form in which a person declares the facts; fields explain themselves."""

from __future__ import annotations

from dataclasses import dataclass

import streamlit as st

from vision.declared import Caliper, Declared, Lie, Reading
from vision.errors import DeclarationError

_LIES = {
    "level: held or propped so that its centre plane is parallel to the strip": Lie.LEVEL,
    "cheek-down: lying on its lower cheek": Lie.CHEEK_DOWN,
}


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
    readings: tuple[Reading, ...] = ()
    accuracy: float = 0.03
    resolution: float = 0.01


def of(declared: Declared) -> Facts:
    """The fields that show these facts."""
    d, bars = declared, declared.printed_bar_mm or (None, None)
    fields = (
        d.angle_tolerance_deg, d.lie, d.cheek_angle_deg, d.edge_height_mm, d.edge_height_tolerance_mm, d.camera_distance_mm, *bars,
        d.readings, d.caliper.accuracy_mm, d.caliper.resolution_mm,
    )  # fmt: skip
    # Number fields insist on floats; a library caller may have written 30.
    return Facts(*(float(v) if isinstance(v, int) else v for v in (d.included_angle_deg, *fields)))


def draw(facts: Facts, key: str) -> Declared:
    """Show the form and return what it declares.

    Raises
    ------
    DeclarationError
        A fact is impossible, contradicts another, or a reading cannot be read.
    """
    with st.form(f"facts-{key}"), st.expander("What you declare", expanded=True):
        left, right = st.columns(2)
        angle = left.number_input("Included angle, degrees", value=facts.angle, step=1.0, help="Both sides together, as sharpened.")
        tolerance = right.number_input("Angle may be off by, degrees", value=facts.tolerance, step=0.5)
        lie = left.radio("How the blade lies", list(_LIES), index=list(_LIES.values()).index(facts.lie))
        cheek = right.number_input(
            "Cheek angle, degrees", value=facts.cheek, step=0.5, help="Cheek to centre plane; needed when cheek-down."
        )
        height = left.number_input(
            "Edge above the strip's face, mm", value=facts.height, step=0.1, help="Empty: taken as level, to within 1 mm."
        )
        height_off = right.number_input("Height may be off by, mm", value=facts.height_tolerance, step=0.1)
        bar_x = left.number_input(
            "Printed check bar along the strip, mm", value=facts.bar_x, step=0.01, help="Nominal 100; empty: to within 1 %."
        )
        bar_y = right.number_input("Printed check bar across, mm", value=facts.bar_y, step=0.01)
        distance = left.number_input("Lens to edge, mm", value=facts.distance, step=1.0, help="Empty: from the photo's own focal length.")
        accuracy = right.number_input("Caliper's limit of error, mm", value=facts.accuracy, step=0.01, format="%.3f")
        resolution = right.number_input("Caliper's step, mm", value=facts.resolution, step=0.01, format="%.3f")
        shown = "\n".join(f"{r.position_mm:g} = {r.thickness_mm:g}" for r in facts.readings)
        readings = left.text_area(
            "Caliper readings, one a line: position = thickness, mm", value=shown, help="Position on the printed scale."
        )
        st.form_submit_button("Measure", type="primary")
    if (bar_x is None) != (bar_y is None):
        raise DeclarationError(
            "one printed check bar", "printers err differently along and across", "measure both bars or leave both empty"
        )
    return Declared(
        included_angle_deg=angle, angle_tolerance_deg=tolerance, lie=_LIES[lie], cheek_angle_deg=cheek, edge_height_mm=height,
        edge_height_tolerance_mm=height_off, camera_distance_mm=distance, printed_bar_mm=None if bar_x is None else (bar_x, bar_y),
        readings=parse_readings(readings), caliper=Caliper(accuracy, resolution),
    )  # fmt: skip


def parse_readings(text: str) -> tuple[Reading, ...]:
    """``"20.6 = 0.47"`` a line; a decimal comma is read too. Raises `DeclarationError` for a line that is neither."""
    out = []
    for line in filter(None, (part.strip() for part in text.splitlines())):
        position, _, thickness = line.replace(",", ".").partition("=")
        try:
            out.append(Reading(float(position), float(thickness)))
        except ValueError:
            raise DeclarationError(f"reading {line!r}", "it is not position = thickness", "write it like 20.6 = 0.47") from None
    return tuple(out)
