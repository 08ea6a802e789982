"""What a person points at in one photo: guide points, a line drawn along the edge, a declared scale. Validated once.

Hints change where the searches look, never the fit that gives a line its place to a fraction of a pixel.
"""

from __future__ import annotations

import enum
import math
from dataclasses import dataclass

from vision.errors import DeclarationError

# A picture is shown about 1600 px wide and pointed at to 3 px of that; on a small photo to 4 of its own (common practice, no source).
_SHOWN_PX, _POINTING_SHOWN_PX, _POINTING_LEAST_PX = 1600.0, 3.0, 4.0
# Scales from a whole blade in a phone's frame to a microscope.
SCALES_PX_PER_MM = (1.0, 2000.0)
_MOST_SCALE_U = 0.25


class LineKind(enum.StrEnum):
    """The two lines along an edge."""

    APEX = "apex"
    SHOULDER = "shoulder"


@dataclass(frozen=True)
class Guide:
    """A point that lies on one of the lines, px of the upright photo, the first pixel's centre at (0, 0)."""

    line: LineKind
    x_px: float
    y_px: float

    def __post_init__(self) -> None:
        if not (math.isfinite(self.x_px) and math.isfinite(self.y_px)):
            raise DeclarationError(f"guide {self}", "its place must be two numbers", "point again")

    def __str__(self) -> str:
        return f"{self.line.value}:{self.x_px:g},{self.y_px:g}"


@dataclass(frozen=True)
class DeclaredScale:
    """The scale of a photo without the strip, taken as seen squarely.

    Attributes
    ----------
    px_per_mm : float
        In the plane that it was taken in: the edge is `Declared.edge_height_mm` above it.
    u_relative : float
        Its relative standard uncertainty.
    source : str
        Where it comes from, in words.
    """

    px_per_mm: float
    u_relative: float
    source: str

    def __post_init__(self) -> None:
        low, high = SCALES_PX_PER_MM
        if not (math.isfinite(self.px_per_mm) and low <= self.px_per_mm <= high):
            raise DeclarationError(
                f"scale of {self.px_per_mm:g} px per mm", f"it must lie between {low:g} and {high:g}", "check its figures"
            )
        if not (math.isfinite(self.u_relative) and 0.0 <= self.u_relative <= _MOST_SCALE_U):
            rule = f"its standard uncertainty must lie between 0 and {100 * _MOST_SCALE_U:g} %"
            raise DeclarationError(f"scale good to {100 * self.u_relative:g} %", rule, "measure the scale again")


@dataclass(frozen=True)
class Hints:
    """All that a person pointed at in one photo; empty when nothing was.

    Attributes
    ----------
    guides : tuple of Guide
    along_px : tuple of (float, float)
        Two or more points of a line drawn roughly along the edge.
    cheek_px : (float, float) or None
        A point on the blade, beyond the bevel: on which side of the drawn line the blade lies.
    scale : DeclaredScale or None
        None: the strip is in the photo.
    """

    guides: tuple[Guide, ...] = ()
    along_px: tuple[tuple[float, float], ...] = ()
    cheek_px: tuple[float, float] | None = None
    scale: DeclaredScale | None = None

    def __post_init__(self) -> None:
        points = (*self.along_px, *((self.cheek_px,) if self.cheek_px else ()))
        if not all(len(p) == 2 and all(math.isfinite(v) for v in p) for p in points):
            raise DeclarationError("a point of the drawn line", "its place must be two numbers", "draw it again")
        if len(self.along_px) == 1 or len(set(self.along_px)) < len(self.along_px):
            raise DeclarationError(f"--along with {len(self.along_px)} points", "a line needs two different ones at least", "draw it again")

    def __bool__(self) -> bool:
        return bool(self.guides or self.along_px or self.cheek_px or self.scale)

    @property
    def pointed_at(self) -> tuple[str, ...]:
        """What the search follows in this photo, in words with the command's flag: ``"the point on the cheek (--cheek)"``."""
        said = ["the line along the edge (--along)"] if self.along_px else []
        said += ["the point on the cheek (--cheek)"] if self.cheek_px else []
        said += [f"the guide point on the {kind.value} (--guide)" for kind in LineKind if self.points_of(kind)]
        return tuple(said)

    def points_of(self, line: LineKind) -> tuple[tuple[float, float], ...]:
        """Guide points of one line, px."""
        return tuple((g.x_px, g.y_px) for g in self.guides if g.line is line)

    def check_inside(self, photo: str, size_px: tuple[int, int]) -> None:
        """Refuse what lies outside a photo of this width and height.

        Raises
        ------
        DeclarationError
        """
        drawn = [("a point of --along at ", p) for p in self.along_px] + ([("--cheek ", self.cheek_px)] if self.cheek_px else [])
        points = [(f"guide {g}", (g.x_px, g.y_px)) for g in self.guides] + [(f"{k}{p[0]:g},{p[1]:g}", p) for k, p in drawn]
        for what, place in points:
            check_place(what, place, photo, size_px)


def check_place(what: str, place_px: tuple[float, float], photo: str, size_px: tuple[int, int]) -> None:
    """Refuse a place outside a photo of this width and height; raises `DeclarationError`."""
    x, y = place_px
    if not (-0.5 <= x <= size_px[0] - 0.5 and -0.5 <= y <= size_px[1] - 0.5):
        rule = f"it lies outside {photo}, which is {size_px[0]} x {size_px[1]} px"
        raise DeclarationError(what, rule, "point at the upright photo, x to the right and y down, in its own pixels")


def pointing_px(size_px: tuple[int, int], enlarged: int = 1) -> float:
    """How far from what a person means their point may lie: the reach of a guide, px of a photo of this width and height.

    `enlarged`: px of it to one of the file that was pointed at (`vision.finer`).
    """
    return max(_POINTING_SHOWN_PX * max(size_px) / _SHOWN_PX, _POINTING_LEAST_PX * enlarged)
