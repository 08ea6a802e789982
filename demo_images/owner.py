"""What a setup file says, as the measuring core takes it."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

from vision.declared import Declared, Lie, Reading


def declared(setups: Sequence[Path]) -> Declared:
    """The owner's facts from one or more ``NAME.setup.json`` of one blade along one strip; the readings of all of them count together."""
    facts = [json.loads(path.read_text(encoding="utf-8")) for path in setups]
    first = facts[0]

    def number(key: str) -> float | None:
        return None if first[key] is None else float(first[key])

    return Declared(
        included_angle_deg=number("included_angle"),
        angle_tolerance_deg=float(first["angle_tolerance"]),
        lie=Lie(first["lie"]),
        cheek_angle_deg=number("primary_half_angle"),
        edge_height_mm=number("edge_height"),
        edge_height_tolerance_mm=float(first["edge_height_tolerance"]),
        camera_distance_mm=number("camera_distance"),
        printed_bar_mm=(float(first["printed_bar_x"]), float(first["printed_bar_y"])),
        readings=tuple(dict.fromkeys(Reading(float(at), float(read)) for f in facts for at, read in f["caliper"])),
    )
