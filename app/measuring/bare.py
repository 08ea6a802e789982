"""A photo without the strip: a length the person knows, or the scale itself, and a line pointed out along the edge."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import streamlit as st

from app import fields
from app.measuring.work import Work
from app.session import Upload
from app.viewer.component import Mode
from vision import scales
from vision.hints import Hints, LineKind

_BETWEEN, _STATED = "two points whose distance I know", "how many photo px a mm takes"
MODES = (
    Mode(
        "along",
        "draws along the edge",
        "Click along the edge from the heel's end to the tip's: two points on a straight edge, more on a belly.",
    ),
    Mode("scale", "marks the known length", "Click both ends of the length that you know."),
    Mode("cheek", "marks the cheek", "Click once on the bare cheek, just beyond the bevel."),
)


@dataclass(frozen=True)
class Bare:
    """How the scale is known: `between` two points `value` mm apart, else `value` px per mm; `tolerance` in mm or percent.

    A value of 0 or less, and a tolerance of 0 or less, are not said yet."""

    between: bool
    value: float
    tolerance: float


def draw(subject: str) -> Bare | None:
    """The fields; None while the strip is in the photo, or the length is not said yet."""
    with st.expander("No strip in the photo?"):
        st.caption("Then the scale is what you say it is, as seen squarely at the height of the edge; the band says what that costs.")
        if not st.toggle("Measure without the strip", key=fields.lasting(f"{subject}-bare", False)):
            return None
        between = st.radio("What I know", [_BETWEEN, _STATED], key=fields.lasting(f"{subject}-bare-kind", _BETWEEN)) == _BETWEEN
        left, right = st.columns(2)
        if between:
            value = fields.number(left, "Their distance, mm", None, 0.1, key=fields.lasting(f"{subject}-bare-mm", None))
            off = fields.number(right, "It may be off by, mm", 0.1, 0.05, key=fields.lasting(f"{subject}-bare-mm-off", 0.1))
        else:
            value = fields.number(left, "Photo px a mm", None, 1.0, key=fields.lasting(f"{subject}-bare-px", None))
            off = fields.number(right, "It may be off by, %", 2.0, 0.5, key=fields.lasting(f"{subject}-bare-px-off", 2.0))
        st.caption("Now point at it in the photo: choose above what a click does.")
    return Bare(between, value or 0.0, off or 0.0)


def missing(bare: Bare, work: Work, upload: Upload) -> tuple[str, ...]:
    """What still has to be said or pointed at."""
    out = [] if bare.value > 0 else [f"{'the known length' if bare.between else 'the scale'}, more than zero"]
    if not bare.tolerance > 0:
        out.append("how far off that may be, more than zero")
    if bare.between and len(work.places(upload.sha256, "scale")) < 2:
        out.append("both ends of the known length (clicks in the photo)")
    if len(work.places(upload.sha256, "along")) < 2:
        out.append("the line along the edge (two clicks or more)")
    if not work.places(upload.sha256, "cheek") + work.places(upload.sha256, LineKind.SHOULDER):
        out.append("on which side of it the blade lies (one click on the cheek)")
    return tuple(out)


def hints(bare: Bare, work: Work, upload: Upload, size_px: Callable[[], tuple[int, int]]) -> Hints:
    """Everything pointed at in one photo, with its scale; nothing must be `missing`.

    Raises
    ------
    DeclarationError
        As `vision.scales.between_points`.
    """
    along, ends, cheek = (work.places(upload.sha256, kind) for kind in ("along", "scale", "cheek"))
    if bare.between:
        scale = scales.between_points((ends[-2], ends[-1]), bare.value, bare.tolerance, size_px())
    else:
        scale = scales.declared_scale(bare.value, bare.tolerance)
    return replace(work.hints(upload.sha256), along_px=along, cheek_px=cheek[-1] if cheek else None, scale=scale)
