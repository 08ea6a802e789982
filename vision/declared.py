"""The facts a person declares, validated once. Everything downstream may trust them."""

from __future__ import annotations

import enum
import math
from dataclasses import dataclass, field, fields

from vision.errors import DeclarationError

# Printers err by up to 1 % (design.md section 3; common practice, no source).
UNMEASURED_PRINT_TOLERANCE_MM = 1.0
# A blade brought level with the strip by eye; common practice, no source.
UNDECLARED_HEIGHT_TOLERANCE_MM = 1.0
# Facts that have a value even where nobody says one, in the order in which they are told.
ASSUMABLE = (
    "angle_tolerance_deg", "lie", "edge_height_tolerance_mm", "camera_distance_tolerance_mm", "printed_bar_tolerance_mm",
    "caliper_accuracy_mm", "caliper_resolution_mm",
)  # fmt: skip
# A foil razor and a splitting wedge lie well within (common practice, no source).
INCLUDED_ANGLE_DEG = (4.0, 120.0)


class Lie(enum.StrEnum):
    """How the blade lies: centre plane parallel to the sheet, or resting on its lower cheek."""

    LEVEL = "level"
    CHEEK_DOWN = "cheek-down"


@dataclass(frozen=True)
class Reading:
    """One caliper spot check: ``thickness_mm`` read at ``position_mm`` on the printed scale.

    ``set_aside`` keeps a reading on record without using it.
    """

    position_mm: float
    thickness_mm: float
    set_aside: bool = False


@dataclass(frozen=True)
class Caliper:
    """The instrument: ``accuracy_mm`` is the maker's limit of error (rectangular), ``resolution_mm`` its step."""

    accuracy_mm: float = 0.03
    resolution_mm: float = 0.01


@dataclass(frozen=True, kw_only=True)
class Declared:
    """What the person declares about one photographed side (design.md section 9).

    Attributes
    ----------
    included_angle_deg : float or None
        Declared included sharpening angle; None when it is to be found from readings.
    angle_tolerance_deg : float
        Half-width of the interval the included angle is believed to lie in (rectangular).
    lie, cheek_angle_deg
        How the blade lies, and the cheek's angle to the centre plane (used when cheek-down).
    edge_height_mm, edge_height_tolerance_mm
        Height of the edge above the strip's printed face, and its half-width (rectangular). None when not
        declared: taken as level with the strip to within `UNDECLARED_HEIGHT_TOLERANCE_MM`.
    camera_distance_mm, camera_distance_tolerance_mm
        Lens to edge along the line of sight, None when not declared; half-width.
    printed_bar_mm : (float, float) or None
        The measured 100 mm check bars along X and Y; None when nobody measured them, which costs a
        tolerance of 1 % (`UNMEASURED_PRINT_TOLERANCE_MM`).
    printed_bar_tolerance_mm : float
        How well the bars were measured, half-width.
    readings : tuple of Reading
    caliper : Caliper
    assumed : tuple of str
        Names (`ASSUMABLE`) of the facts that stand at the program's default because nobody said them. Left out: every one that has its
        default's value, since only who asked the person knows better. A fact with another value is never assumed.
    """

    included_angle_deg: float | None
    angle_tolerance_deg: float = 2.0
    lie: Lie = Lie.LEVEL
    cheek_angle_deg: float | None = None
    edge_height_mm: float | None = None
    edge_height_tolerance_mm: float = 0.2
    camera_distance_mm: float | None = None
    camera_distance_tolerance_mm: float = 5.0
    printed_bar_mm: tuple[float, float] | None = None
    printed_bar_tolerance_mm: float = 0.1
    readings: tuple[Reading, ...] = ()
    caliper: Caliper = field(default_factory=Caliper)
    assumed: tuple[str, ...] | None = None

    def __post_init__(self) -> None:
        named = ASSUMABLE if self.assumed is None else self.assumed
        object.__setattr__(self, "assumed", tuple(n for n in ASSUMABLE if n in named and self._fact(n) == _DEFAULTS[n]))
        a = self.included_angle_deg
        if a is not None:
            _within("--angle", a, *INCLUDED_ANGLE_DEG, "degrees, included")
        _within("--angle-tolerance", self.angle_tolerance_deg, 0.0, 20.0, "degrees")
        if self.lie is Lie.CHEEK_DOWN and self.cheek_angle_deg is None:
            raise DeclarationError(
                "--lie cheek-down without --cheek-angle",
                "the cheek's angle tilts the blade and changes every width",
                "measure or look up the cheek angle, or hold the blade level",
            )
        if self.cheek_angle_deg is not None:
            _within("--cheek-angle", self.cheek_angle_deg, 0.0, 20.0, "degrees")
            if a is not None and self.cheek_angle_deg >= a / 2:
                raise DeclarationError(
                    f"--cheek-angle {self.cheek_angle_deg:g}",
                    f"it must be less than the angle per side, {a / 2:g} degrees",
                    "check both angles; --angle is the included angle of both sides",
                )
        if self.edge_height_mm is not None:
            _within("--edge-height", self.edge_height_mm, -20.0, 50.0, "mm")
        _within("--edge-height-tolerance", self.edge_height_tolerance_mm, 0.0, 10.0, "mm")
        if self.camera_distance_mm is not None:
            _within("--camera-distance", self.camera_distance_mm, 15.0, 1000.0, "mm")
        _within("--camera-distance-tolerance", self.camera_distance_tolerance_mm, 0.0, 200.0, "mm")
        for bar in self.printed_bar_mm or ():
            _within("--printed-bar", bar, 90.0, 110.0, "mm")
        _within("tolerance of --printed-bar", self.printed_bar_tolerance_mm, 0.0, 10.0, "mm")
        _within("--caliper-accuracy", self.caliper.accuracy_mm, 0.0001, 1.0, "mm")
        _within("--caliper-resolution", self.caliper.resolution_mm, 0.0001, 1.0, "mm")
        for r in self.readings:
            _within("--caliper POSITION", r.position_mm, -100.0, 2000.0, "mm")
            _within("--caliper READING", r.thickness_mm, 0.005, 10.0, "mm")

    def _fact(self, name: str) -> object:
        own = name.removeprefix("caliper_")
        return getattr(self, name) if own == name else getattr(self.caliper, own)

    @property
    def assumed_in_words(self) -> tuple[str, ...]:
        """What `assumed` facts make of those that are declared: "the angle good to 2°". Those that bear on nothing are left out."""
        words = {
            "angle_tolerance_deg": f"the angle good to {self.angle_tolerance_deg:g}°" if self.included_angle_deg is not None else "",
            "lie": "the blade held level",
            "edge_height_tolerance_mm": f"the edge height good to {self.edge_height_tolerance_mm:g} mm"
            if self.edge_height_mm is not None
            else "",
            "camera_distance_tolerance_mm": f"the camera distance good to {self.camera_distance_tolerance_mm:g} mm"
            if self.camera_distance_mm is not None
            else "",
            "printed_bar_tolerance_mm": f"the printed bars measured to {self.printed_bar_tolerance_mm:g} mm" if self.printed_bar_mm else "",
            "caliper_accuracy_mm": f"the caliper right to {self.caliper.accuracy_mm:g} mm" if self.readings else "",
            "caliper_resolution_mm": f"its step {self.caliper.resolution_mm:g} mm" if self.readings else "",
        }
        return tuple(words[n] for n in self.assumed or () if words[n])

    @property
    def of_the_view(self) -> Declared:
        """The facts that the search for both lines rests on, everything else at its default: equal ones need no new search."""
        return Declared(
            included_angle_deg=None,
            edge_height_mm=self.edge_height_mm,
            edge_height_tolerance_mm=self.edge_height_tolerance_mm,
            camera_distance_mm=self.camera_distance_mm,
            camera_distance_tolerance_mm=self.camera_distance_tolerance_mm,
            printed_bar_mm=self.printed_bar_mm,
            printed_bar_tolerance_mm=self.printed_bar_tolerance_mm,
        )

    @property
    def half_angle_deg(self) -> float | None:
        """Declared angle per side."""
        return None if self.included_angle_deg is None else self.included_angle_deg / 2

    @property
    def height_mm(self) -> tuple[float, float]:
        """Edge height above the strip's face and its half-width, mm."""
        if self.edge_height_mm is None:
            return 0.0, UNDECLARED_HEIGHT_TOLERANCE_MM
        return self.edge_height_mm, self.edge_height_tolerance_mm

    @property
    def bars_mm(self) -> tuple[tuple[float, float], float]:
        """Lengths of the printed bars (X, Y) and their half-width, mm."""
        if self.printed_bar_mm is None:
            return (100.0, 100.0), UNMEASURED_PRINT_TOLERANCE_MM
        return self.printed_bar_mm, self.printed_bar_tolerance_mm


_DEFAULTS = {f.name: f.default for f in fields(Declared)} | {f"caliper_{f.name}": f.default for f in fields(Caliper)}


def _within(name: str, value: float, low: float, high: float, unit: str) -> None:
    if not (math.isfinite(value) and low <= value <= high):
        raise DeclarationError(f"{name} {value:g}", f"it must lie between {low:g} and {high:g} {unit}", "check the figure and its unit")
