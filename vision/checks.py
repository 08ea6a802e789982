"""The registry of photo checks: what is measured, from where on it is a caution or a refusal, why, and what to do.

Code, result files, report, screens and README.md read this one table. `vision.examine` measures; this module judges.
"""

from __future__ import annotations

import enum
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from vision.errors import EdgeNotFound
from vision.flags import Note
from vision.rounding import two_digits


class Verdict(enum.StrEnum):
    """How a photo stands to one check; `NOT_MEASURED` where the photo gave no figure to judge by."""

    FINE = "fine"
    CAUTION = "caution"
    REFUSED = "refused"
    NOT_MEASURED = "not-measured"


@dataclass(frozen=True)
class Check:
    """One entry of the registry.

    Attributes
    ----------
    name : str
        Stable, lower-case, hyphenated.
    what : str
        What is measured, with its place.
    unit : str
        "" for a ratio.
    caution, refuse : float or None
        From where on the figure is a caution, and a refusal; None: never.
    bad : str
        ``"above"`` or ``"below"``: on which side of its limits a figure is bad.
    why : str
        The physics behind the limits.
    remedy : str
    """

    name: str
    what: str
    unit: str
    caution: float | None
    refuse: float | None
    bad: str
    why: str
    remedy: str

    def judge(self, measured: float) -> PhotoCheck:
        """The verdict on one photo's figure."""
        if not math.isfinite(measured):
            return self._found(measured, self.refuse if self.caution is None else self.caution, Verdict.NOT_MEASURED)
        for limit, verdict in ((self.refuse, Verdict.REFUSED), (self.caution, Verdict.CAUTION)):
            if limit is not None and (measured > limit if self.bad == "above" else measured < limit):
                return self._found(measured, limit, verdict)
        return self._found(measured, self.refuse if self.caution is None else self.caution, Verdict.FINE)

    def _found(self, measured: float, limit: float | None, verdict: Verdict) -> PhotoCheck:
        return PhotoCheck(
            self.name, self.what, float(measured), float("nan") if limit is None else limit, self.unit, verdict, self.why, self.remedy
        )


@dataclass(frozen=True)
class PhotoCheck:
    """One check of one photo; `threshold` is the limit that decided, or the nearest one where the photo is fine."""

    name: str
    what: str
    measured: float
    threshold: float
    unit: str
    verdict: Verdict
    why: str
    remedy: str

    @property
    def figure(self) -> str:
        """The measured figure with its unit, two digits, "" where there is none."""
        return _with_unit(two_digits(self.measured), self.unit) if math.isfinite(self.measured) else ""

    @property
    def limit(self) -> str:
        """The limit with its unit."""
        return _with_unit(f"{self.threshold:g}", self.unit) if math.isfinite(self.threshold) else ""

    @property
    def text(self) -> str:
        """What was measured, in words: "width of the bevel is 5.1 px (limit 6 px)"."""
        return f"{self.what} is {self.figure} (limit {self.limit})"


CHECKS: tuple[Check, ...] = (
    Check(
        "strip-tilted", "angle between the line of sight and the strip's normal", "°", 20.0, 45.0, "above",
        "an error in the edge's height moves the edge by its tangent: by a third of itself at 20°, by all of it at 45°",
        "hold the phone square to the strip",
    ),
    Check(
        "strip-bent", "root mean square distance of the strip's corners from a flat sheet", "mm", 0.02, 0.25, "above",
        "a 600 dpi print explains 0.017 mm (its dots stand 0.042 mm apart: 0.012 mm along X and along Y); a quarter of a millimetre "
        "sideways is a sheet more than 1 mm out of its plane, and the edge's height above it means nothing",
        "glue the strip flat on stiff card, or print it again at 100 %",
    ),
    Check(
        "strip-far", "distance between the strip's near side and the edge", "mm", 20.0, None, "above",
        "the strip's squares are 15 mm deep: farther off than that the sheet is carried on by more than was seen of it",
        "lay the edge closer to the strip",
    ),
    Check(
        "strip-low", "height of the edge above the strip, over the lens's distance", "", 0.10, 0.40, "above",
        "the edge is seen larger than the strip by that share, which rests on the declared height and on the distance alone",
        "bring the strip's face level with the edge",
    ),
    Check(
        "edge-in-frame", "length of edge in the frame", "mm", 10.0, 3.0, "below",
        "a ground edge waves over 1-2 mm: a few millimetres say nothing of the edge",
        "move the frame along the edge, or step back",
    ),
    Check(
        "edge-jumps", "largest sideways jump of the line taken for the edge", "mm", 1.0, 1.5, "above",
        "serrations and chips are less deep and a tip is a corner; two blades, or a thing beside the blade, make a step",
        "show one blade, and nothing else beside the strip",
    ),
    Check(
        "bevel-px", "width of the bevel", "px", 8.0, 6.0, "below",
        "an edge's own blur and its sharpening halo reach 3-5 px: within that no second line can be told from the first",
        "go closer, or use a macro lens",
    ),
    Check(
        "edge-blur", "width of the bevel over the blur at its two lines (one standard deviation)", "", 8.0, 4.0, "below",
        "each line is spread over two standard deviations on either side: below four the two run into each other, and no face lies between",
        "focus on the edge, hold the phone still, or use more light",
    ),
    Check(
        "edge-measured",
        "share of the edge, between the first and last measured place, with two trustworthy lines; below 8 px of bevel in proportion", "",
        0.75, 0.5, "below",
        "a bevel is seen along the edge; lines that hold here and there are specks, grain and glints",
        "turn the lamp until the bevel stands out, clean the blade, and focus on the edge",
    ),
    Check(
        "edge-bridged", "share of the measured edge along which its line does not stand out of the noise and is carried over", "", 0.7, 0.9,
        "above",
        "a line is carried over between places that stand out; where nine of ten do not, nothing holds it",
        "turn the lamp until the edge stands out from the lane, or use more light",
    ),
    Check(
        "faces-alike", "difference of the surfaces on either side of the second line, in units of what one ground face varies by; 8 where "
        "grind lines end at it all along", "",
        8.0, 5.0, "below",
        "bevel and cheek reflect or are ground differently, and in the same way all along; streaks of one face differ now this way, "
        "now that, and five times their own variation is no chance",
        "turn the lamp until bevel and cheek differ",
    ),
    Check(
        "shoulder-soft", "blur of the second line beyond that of the edge", "mm", 0.03, 0.05, "above",
        "a corner of 0.05 mm radius that turns by 15° is 0.013 mm wide; a line softened more is the end of a highlight on something round",
        "lay a ground blade beside the strip; turn the lamp until its shoulder stands out",
    ),
    Check(
        "shoulder-slope", "share of the difference between the surfaces on either side of the second line that happens at the line; 1 "
        "where grind lines end at it all along", "",
        0.6, 0.3, "below",
        "a corner is a step, whatever its light; of a slope, light falling off over something round, a line within it has a third or less",
        "lay a ground blade beside the strip; turn the lamp until its shoulder stands out",
    ),
    Check(
        "apex-soft", "blur of the first line beyond that of the second", "mm", 0.03, 0.05, "above",
        "an edge is a silhouette, as sharp as the photo; a softer first line before a sharp one is the border of a shadow",
        "soften the light, so that no shadow falls into the lane",
    ),
    Check(
        "apex-faint", "share of the edge along which its line is as sharp as the photo", "", 0.7, 0.5, "below",
        "an edge is a silhouette all along; a shadow's border or the grain of a surface is that sharp only here and there",
        "lay the blade so that its edge runs along the strip, and turn the lamp until it stands out",
    ),
    Check(
        "lane-beyond", "share of the edge beyond which lies what lies before it", "", 0.3, 0.5, "above",
        "both lines have the same bare surface on either side: a drawn line, a strip of shadow, or paper on paper",
        "lay the blade so that its edge runs along the strip",
    ),
    Check(
        "no-metal", "colour of both surfaces beyond the edge against the strip's white (log ratio)", "", 0.25, 0.35, "above",
        "a ground bevel reflects the light that lights the strip, or a bluer sky (0.2); wood, cloth and plastic have a colour of their own",
        "lay the blade so that its edge runs along the strip; light strip and blade by one kind of lamp",
    ),
    Check(
        "bevel-dark", "brightness of the first surface beyond the edge against the strip's white", "", 0.12, 0.07, "below",
        "printed ink still gives back about 0.06 of what paper does; ground steel that gives back no more cannot be told from a shadow",
        "turn the lamp until the bevel lights up",
    ),
    Check(
        "ruled-marks", "share of the brightness along the edge that repeats every half or whole millimetre or 1/64 inch", "",
        0.3, 0.5, "above",
        "grind lines have no such step; the divisions of a rule have",
        "lay the blade, not a rule, beside the strip",
    ),
    Check(
        "clipped", "share of the measured edge beside which the photo is burnt out", "", 0.6, None, "above",
        "a burnt-out side grows by up to a blur radius",
        "expose less, or soften the light",
    ),
    Check(
        "lane-burnt", "share of the lane just before the edge that is burnt out", "", 0.5, None, "above",
        "white paper and a white bevel both cut off at full scale look alike: the line found may be the shoulder",
        "expose less, until the strip's paper is light grey; look at the overlay",
    ),
)  # fmt: skip


def _with_unit(figure: str, unit: str) -> str:
    return figure + (unit if unit == "°" else f" {unit}" if unit else "")


# Without the strip the view is only taken as square: the focus runs off along and across a blade seen from the side, so that one line
# softer than the other is no sign that it is none.
_CAUTIONS_WITHOUT_STRIP = ("shoulder-soft", "apex-soft")


# What is wrong with a photo whose shoulder lies farther from the edge than is searched.
_TOO_FAR = "faces-alike"
# A point in the wrong place leads to other lines, but neither moves the strip nor burns a photo out.
_WHATEVER_WAS_POINTED_AT = ("strip-tilted", "strip-bent", "strip-far", "strip-low", "edge-in-frame", "clipped", "lane-burnt")


def judge(values: Mapping[str, float], strip: bool = True, enlarged: int = 1, pointed: Sequence[str] = ()) -> tuple[PhotoCheck, ...]:
    """Every check of the registry in its order; a figure that is missing or NaN is `Verdict.NOT_MEASURED`.

    `strip` is False for a photo without the printed strip; pixels are those of a photo `enlarged` so many times, and called so. What a
    person `pointed` at (`vision.hints.Hints.pointed_at`) comes first in the remedy of a check that it can spoil.
    """
    unknown = set(values) - {c.name for c in CHECKS}
    if unknown:
        raise ValueError(f"no check named {', '.join(sorted(unknown))}")
    table = [c if strip or c.name not in _CAUTIONS_WITHOUT_STRIP else replace(c, refuse=None) for c in CHECKS]
    if enlarged > 1:
        table = [replace(c, unit=f"px of the photo at {enlarged} times its size") if c.unit == "px" else c for c in table]
    if not pointed:
        table = [replace(c, remedy=look_farther(c.remedy)) if c.name == _TOO_FAR else c for c in table]
    else:
        table = [c if c.name in _WHATEVER_WAS_POINTED_AT else replace(c, remedy=look_again(pointed, c.remedy)) for c in table]
    return tuple(c.judge(values.get(c.name, math.nan)) for c in table)


def look_farther(remedy: str) -> str:
    """The remedy where no shoulder was found and nobody has pointed at anything: it may lie beyond what is searched by itself."""
    return f"{remedy}; at a bevel wider than 3 mm, point at the shoulder with --guide"


def look_again(pointed: Sequence[str], remedy: str) -> str:
    """The remedy, behind what the search followed: when that is wrong, nothing else helps."""
    return f"look again at {' and '.join(pointed)}, which the search follows; if that is right, {remedy}" if pointed else remedy


# Whether the two lines are those of a bevel. Each limit leaves room for an odd photo; one that is odd in two ways shows something else.
OF_THE_LINES = frozenset(
    ("edge-measured", "edge-bridged", "faces-alike", "shoulder-slope", "apex-faint", "lane-beyond", "no-metal", "bevel-dark")
)  # fmt: skip


def line_doubts(found: Sequence[PhotoCheck]) -> list[PhotoCheck]:
    """The cautions that a photo's two lines are not those of a bevel."""
    return [c for c in found if c.verdict is Verdict.CAUTION and c.name in OF_THE_LINES]


def refusal(found: Sequence[PhotoCheck]) -> tuple[str, str, str] | None:
    """Name, reason and remedy of the first check that refuses a photo, or of two cautions about its lines; None where it may pass."""
    for check in found:
        if check.verdict is Verdict.REFUSED:
            return check.name, f"{check.text}, and {check.why}", check.remedy
    doubts = line_doubts(found)
    if len(doubts) < 2:
        return None
    names, texts = (" and ".join(getattr(c, what) for c in doubts) for what in ("name", "text"))
    return names, f"{texts}: one such doubt may be chance, two of one photo are not", doubts[0].remedy


def refuse(photo: str, found: Sequence[PhotoCheck]) -> None:
    """Raise `EdgeNotFound` where `refusal` has a reason against the photo of this name."""
    against = refusal(found)
    if against is not None:
        name, why, remedy = against
        raise EdgeNotFound(f"{photo} ({name})", why, remedy)


def notes(found: Sequence[PhotoCheck]) -> tuple[Note, ...]:
    """A remark for each caution."""
    return tuple(Note(c.name, c.text, c.remedy) for c in found if c.verdict is Verdict.CAUTION)
