"""What nobody declared and what was taken instead, and what was declared in vain: notes of a result."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from vision.declared import Declared
from vision.flags import Note
from vision.sources import USUAL_CHEEK_DEG


def notes(sides: Sequence[Declared], scale_declared: Sequence[bool]) -> list[Note]:
    """For the facts of one or two sides, and whether each one's photo has a declared scale instead of the strip."""
    out = []
    for i, (declared, without_strip) in enumerate(zip(sides, scale_declared, strict=True)):
        of = f" of side {i + 1}" if len(sides) > 1 else ""
        if declared.edge_height_mm is None:
            half = declared.height_mm[1]
            what = "where the scale was taken" if without_strip else "the strip"
            text = f"edge height{of} not declared: taken as level with {what} to within {half:g} mm"
            out.append(Note("height-assumed", text, "measure it and give --edge-height"))
        if without_strip:
            text = "the line is taken as drawn from heel to tip: where the edge thickens is looked for toward its last point alone"
            out.append(Note("drawn-from-heel", text, "draw it the other way if it was not", "info"))
        if declared.printed_bar_mm is None and not without_strip:
            half = declared.bars_mm[1]
            text = f"printed bars{of} not declared: taken as 100 mm to within {half:g} mm"
            out.append(Note("print-assumed", text, "measure both check bars and give --printed-bar", "info"))
        if words := declared.assumed_in_words:
            text = f"nobody said otherwise{of}, so the program's defaults stand: {', '.join(words)}"
            out.append(Note("defaults-assumed", text, "say so where it is otherwise", "info"))
        for name, text in _of_nothing(declared, without_strip):
            out.append(Note("tolerance-unused", f"{text}{of} counts for nothing: {name} not declared", f"declare the {name} too"))
        if "lie" in (declared.assumed or ()) and declared.cheek_angle_deg is not None:
            text = f"the blade{of} is taken as held level (the default): the cheek angle of {declared.cheek_angle_deg:g}° turns no width"
            out.append(Note("lie-level", text, "if it lay on its cheek, give --lie cheek-down", "info"))
    if len(sides) == 2 and all(s.cheek_angle_deg is None for s in sides):
        value, half = USUAL_CHEEK_DEG
        text = f"cheek angle not declared: where one shoulder lies deeper, the other cheek is taken as going on by {value:g} ± {half:g}°"
        out.append(Note("cheek-assumed", text, "measure it and give --cheek-angle", "info"))
    if len(sides) == 1:
        text = "only one side was photographed: the other is taken as its mirror image, and the band does not hold by how much it differs"
        out.append(Note("other-side-assumed", text, "photograph both sides and name them in a job file, or add caliper readings", "info"))
    return out


def _of_nothing(declared: Declared, without_strip: bool) -> Iterator[tuple[str, str]]:
    """The fact that is missing and its tolerance in words, for every tolerance that a person chose and that is of nothing declared."""
    default = Declared(included_angle_deg=None)
    for name, fact, own, unit in (
        ("included angle", declared.included_angle_deg, "angle_tolerance_deg", "°"),
        ("edge height", declared.edge_height_mm, "edge_height_tolerance_mm", " mm"),
        ("camera distance", declared.camera_distance_mm, "camera_distance_tolerance_mm", " mm"),
        ("printed bars", True if without_strip else declared.printed_bar_mm, "printed_bar_tolerance_mm", " mm"),
    ):
        if fact is None and getattr(declared, own) != getattr(default, own):
            yield name, f"the tolerance of {getattr(declared, own):g}{unit}"
