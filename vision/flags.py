"""The registry of quality flags: name, meaning, remedy. Code, files, overlay, screens and docs all read this one table."""

from __future__ import annotations

import enum
from dataclasses import dataclass


class StationFlag(enum.IntFlag):
    """Bits that one station can carry; names are frozen by a test because stored results use them."""

    FRAME_END = 1 << 0
    CHIP = 1 << 1
    CLIPPED = 1 << 2
    SOFT = 1 << 3
    RIVAL_LINE = 1 << 4
    LOW_CONTRAST = 1 << 5
    NARROW = 1 << 6
    BRIDGED = 1 << 7
    BY_HAND = 1 << 8
    NOT_MEASURED = 1 << 9
    SHADOW = 1 << 10
    UNSURE = 1 << 11


@dataclass(frozen=True)
class Meaning:
    """What a flag says (`meaning`) and what the person can do (`remedy`)."""

    meaning: str
    remedy: str


STATION_FLAGS: dict[StationFlag, Meaning] = {
    StationFlag.FRAME_END: Meaning("within reach of the photo's border or the blade's end", "leave more edge in the frame"),
    StationFlag.CHIP: Meaning("the apex is chipped or dented here; its line is bridged from both sides", "look at the edge under a lens"),
    StationFlag.CLIPPED: Meaning(
        "one side of a line is burnt out, so the line may sit up to a blur radius off", "expose less, or soften the light"
    ),
    StationFlag.SOFT: Meaning(
        "the line is much softer than the photo (the strip's squares, or without them the edge itself)",
        "focus on the edge, or bring the strip level with it",
    ),
    StationFlag.RIVAL_LINE: Meaning("a second line explains the picture nearly as well", "turn the lamp, or place a guide point"),
    StationFlag.LOW_CONTRAST: Meaning("bevel and cheek hardly differ here", "turn the lamp until the bevel stands out"),
    StationFlag.NARROW: Meaning("the bevel is fewer than 8 px wide here", "go closer, or use a macro lens"),
    StationFlag.BRIDGED: Meaning("a line was carried over a glint, speck or gap from its neighbours", "clean the blade, soften the light"),
    StationFlag.BY_HAND: Meaning("a guide point placed by a person steered the search here", "nothing to do; it is on record"),
    StationFlag.NOT_MEASURED: Meaning("no trustworthy line here; the cells are left empty", "see the other flags of this station"),
    StationFlag.SHADOW: Meaning(
        "a dark band beside the edge could be the blade's shadow or part of the bevel", "soften the light, or point at the apex"
    ),
    StationFlag.UNSURE: Meaning(
        "the two lines place this width to no better than 0.04 mm (k = 2)", "turn the lamp until both lines stand out, or go closer"
    ),
}


def names(bits: int) -> tuple[str, ...]:
    """Lower-case hyphenated names of the set bits, in bit order: ``names(2 | 4) == ("chip", "clipped")``."""
    return tuple(f.name.lower().replace("_", "-") for f in StationFlag if f & bits and f.name)


def parse(text: str) -> int:
    """Inverse of ``" ".join(names(bits))``; raises ``KeyError`` for an unknown name."""
    bits = 0
    for name in text.split():
        bits |= StationFlag[name.upper().replace("-", "_")]
    return int(bits)


@dataclass(frozen=True)
class Note:
    """A remark about a whole photo or result.

    ``code`` is stable (lower-case, hyphenated), ``text`` carries the measured figure, ``remedy`` says what to do,
    ``severity`` is ``"info"`` or ``"caution"``.
    """

    code: str
    text: str
    remedy: str
    severity: str = "caution"
