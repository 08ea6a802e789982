"""A good photo and five faults: what is seen and what to do. The pictures are rendered (`demo_images.lessons`)."""

from __future__ import annotations

from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path

FOLDER = Path(str(files("demo_images"))) / "lesson_photos"


@dataclass(frozen=True)
class Lesson:
    """One picture: its file, what it is called, what is seen in it, what to do, and its description for who cannot see it."""

    name: str
    title: str
    seen: str
    do: str
    alt: str

    @property
    def picture(self) -> Path:
        """The JPEG."""
        return FOLDER / f"lesson-{self.name}.jpg"


LESSONS = (
    Lesson(
        "good",
        "Good",
        "Edge and strip are sharp together. The bevel is a band of its own, evenly lit, and nothing of it is burnt out. "
        "About 45 mm of edge are in the picture.",
        "Take one such photo for every 30 to 40 mm of edge, moving the phone along the strip; they are joined by the printed scale.",
        "Macro photo from straight above: printed strip of coded squares below, its numbered scale, then a narrow bright bevel and the "
        "darker satin cheek of the blade, all sharp.",
    ),
    Lesson(
        "too-far",
        "Too far away",
        "The whole blade is in the picture, and its bevel only a few pixels wide: every error of a line counts more than twice as much.",
        "Go closer, as close as the phone still focuses, or use its macro setting. Take several photos instead of one.",
        "The same blade from farther away: the whole blade and 100 mm of the strip are seen; the bevel is a thin line.",
    ),
    Lesson(
        "tilted",
        "Tilted",
        "The phone leans: squares are narrower at one end, the edge runs out of the sharp depth, and the bevel is seen at another angle "
        "than the one it is measured at.",
        "Hold the phone parallel to the strip; rest it on two stacks of equal height. A few degrees do no harm, the strip tells them.",
        "The same edge photographed obliquely: the strip runs at a slant and its squares are no longer square.",
    ),
    Lesson(
        "glare",
        "Glare",
        "A bare lamp stands where the bevel mirrors it: the bevel is burnt out and looks wider than it is; the shoulder drowns in light.",
        "Turn or move the lamp, or hang white paper between lamp and blade; use a window with an overcast sky. Expose for the bevel.",
        "The same edge under one bare lamp: the bevel is a plain white band without any grain, and the cheek above it is partly white.",
    ),
    Lesson(
        "soft",
        "Out of focus",
        "Neither the edge nor the squares are sharp: each line is a ramp many pixels wide.",
        "Tap on the edge to focus there, wait, hold still or use the self-timer. If the phone is too close to focus, go back a little.",
        "The same photo out of focus: squares, numbers and the bevel's borders are blurred.",
    ),
    Lesson(
        "target-too-low",
        "Strip too low",
        "The edge is sharp and the strip is not: it lies 12 mm below the edge. What lies lower looks smaller, so the scale is wrong by "
        "the height over the distance, more than a tenth here.",
        "Glue the strip to card and raise it until its face is level with the edge; measure and declare what height is left.",
        "The blade lies well above the strip: the edge is sharp, the squares below it are blurred and smaller.",
    ),
)

CAUTIONS = (
    "Blades cut. Keep the edge taped or in its guard until the photo is set up, and cover it again right after.",
    "Fix the blade so that it cannot roll, slip or fall while both hands hold the phone; keep fingers off the edge's path.",
    "Move away from the apex, never along it or toward yourself; cut the card away from yourself.",
    "Bring caliper jaws to the shoulder from the spine side, flat on the cheeks: jaws on an apex harm both.",
    "Put the blade away before you turn to the screen. Local rules about blades, workshops and who may handle them come first.",
)
