"""Which other line the edge may be, when the surfaces beside the two lines found say that these are none of a bevel.

The edge is searched for from the lane. Where a lamp behind the blade leaves lane and bevel alike, the shoulder is the first clear line;
where the strip ends and a dark lane begins, that border may be. Either way one of the two lines was right and in the wrong role, and
the edge is the line before the first one, or the second. Each is tried; the photo checks judge what follows.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from vision.apex import ApexLine
from vision.checks import PhotoCheck, Verdict
from vision.flags import Note, StationFlag
from vision.shoulder import ShoulderLine, bridged, find_shoulder
from vision.straighten import StraightStrip, from_behind

# Ground steel is brighter than this check allows: where it refuses, what lies behind the first line is a coating, a shadow or a dark lane.
_NO_STEEL = "bevel-dark"
# Checks of the lines and of the surfaces beside them; no other line mends a tilted strip or an edge out of the frame.
_OF_THE_LINES = frozenset((_NO_STEEL, "bevel-px", "edge-blur", "edge-measured", "faces-alike", "shoulder-slope", "lane-beyond", "no-metal"))
# On a second try nothing about the lines may be in doubt but how few px they are apart.
_DOUBTED = (_OF_THE_LINES - {"bevel-px", "edge-blur"}) | {"edge-bridged", "apex-faint", "apex-soft", "shoulder-soft"}
# A line that shows along less of the edge than this may be chance.
_MOSTLY = 0.5
# What makes a column no witness for a reading.
_UNSURE = int(StationFlag.LOW_CONTRAST | StationFlag.BRIDGED | StationFlag.RIVAL_LINE)


def misread(found: Sequence[PhotoCheck]) -> PhotoCheck | None:
    """The check that says the first line has no ground steel behind it; None where none does, or where a photo is refused anyway."""
    refused = {c.name: c for c in found if c.verdict is Verdict.REFUSED}
    return refused.get(_NO_STEEL) if refused.keys() <= _OF_THE_LINES else None


def convincing(edge: ApexLine, line: ShoulderLine, found: Sequence[PhotoCheck]) -> bool:
    """Whether a second reading may be taken: no refusal, no caution about its lines and surfaces, and lines that mostly are sure."""
    return sureness(edge, line) >= _MOSTLY and not any(c.verdict is Verdict.REFUSED or (c.verdict is Verdict.CAUTION and c.name in _DOUBTED) for c in found)


def other_edges(strip: StraightStrip, edge: ApexLine, line: ShoulderLine, px_per_mm: float) -> Iterator[np.ndarray]:
    """(S,) rows of lines that may be the edge instead: the one before the first line, and the second line.

    Parameters
    ----------
    strip : StraightStrip
        With as many rows before its curve as a bevel may have.
    edge, line : ApexLine, ShoulderLine
        As misread, in the strip's rows.
    px_per_mm : float
    """
    last = len(strip.valid) - 1
    if np.isfinite(edge.row).any():
        before = find_shoulder(from_behind(strip), last - edge.row, edge.blur_px, px_per_mm)
        if np.isfinite(before.row).mean() >= _MOSTLY:
            yield last - bridged(before.row)
    if np.isfinite(line.row).mean() >= _MOSTLY:
        yield bridged(line.row)


def sureness(edge: ApexLine, line: ShoulderLine) -> float:
    """Share 0..1 of the columns in which both lines stand by themselves, with no other as good."""
    seen = np.isfinite(edge.row) & np.isfinite(line.row)
    return float((seen & (((edge.flags | line.flags) & _UNSURE) == 0)).mean())


def note(why: PhotoCheck, moved_mm: float) -> Note:
    """What is said of a photo whose edge was taken `moved_mm` farther into the blade than at first."""
    where = f"{abs(moved_mm):.2f} mm {'before' if moved_mm < 0 else 'behind'} it"
    return Note(
        "edge-taken-anew",
        f"the first line beyond the strip is no edge ({why.text}); the edge was taken to be the line {where}",
        "look at the overlay; turn the lamp until bevel and lane differ, or point at the apex with a guide point",
    )
