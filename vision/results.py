"""Frozen results. Units in the names; NaN where a figure could not be had."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, fields

import numpy as np

from vision.checks import PhotoCheck
from vision.declared import Declared, Reading
from vision.flags import Note
from vision.hints import Hints

SCHEMA = 1
# Thickness behind the edge of production knives as they are seen, with a margin (common practice, no source).
COMMON_MM = (0.05, 2.0)


class _ArrayEquality:
    """Equality of frozen dataclasses that hold arrays: same shapes, same values, NaN equal to NaN."""

    def __eq__(self, other: object) -> bool:
        if type(self) is not type(other):
            return NotImplemented
        return all(_same(getattr(self, f.name), getattr(other, f.name)) for f in fields(self))  # type: ignore[arg-type]

    __hash__ = None  # type: ignore[assignment]


def _same(a: object, b: object) -> bool:
    if isinstance(a, np.ndarray) or isinstance(b, np.ndarray):
        a, b = np.asarray(a), np.asarray(b)
        return a.shape == b.shape and bool(np.array_equal(a, b, equal_nan=a.dtype.kind == "f" and b.dtype.kind == "f"))
    if isinstance(a, Mapping) and isinstance(b, Mapping):
        return a.keys() == b.keys() and all(_same(a[k], b[k]) for k in a)
    if isinstance(a, float) and isinstance(b, float):
        return a == b or (a != a and b != b)
    if isinstance(a, tuple) and isinstance(b, tuple):
        return len(a) == len(b) and all(_same(x, y) for x, y in zip(a, b, strict=True))
    if isinstance(a, PhotoRecord | PhotoCheck) and type(a) is type(b):
        return all(_same(getattr(a, f.name), getattr(b, f.name)) for f in fields(a))
    return a == b


@dataclass(frozen=True, eq=False)
class WidthProfile(_ArrayEquality):
    """Bevel widths along the edge, N stations in order of `position_mm`.

    Attributes
    ----------
    position_mm, arc_mm : (N,) float
        X of the apex on the printed scale; length along the apex curve from the heel-side end.
    photo : (N,) int
        Index into the measurement's photos.
    apex_px, shoulder_px : (N, 2) float
        x, y in the upright photo, centre of the first pixel at (0, 0).
    width_mm : (N,) float
        Along the bevel face; NaN where not measured.
    local_u_mm : (N,) float
        Standard uncertainty of the part that is random along the edge (line fits), correlated over `local_length_mm`.
    systematic_u_mm : mapping of str to (N,) float
        Source -> signed shift of every width for one standard deviation of that source. Each source is one unknown
        shared by all stations (of a line in doubt only in part, `vision.sources.doubt_apart`); sources are independent of each other.
    local_length_mm : float
        Correlation length of the local part (Gaussian kernel).
    flags : (N,) int
        Bits of `vision.flags.StationFlag`.
    width_per_rad_mm : (N,) float or None
        Change of each width with the angle per side at the same pixels; None: taken as 0 (widths measured on the face itself).
    source_u : mapping of str to (float, str)
        Source -> its own standard uncertainty and unit, for those of `systematic_u_mm` that have one other than mm of width.
    angle_u_rad : float
        Standard uncertainty of the angle per side that the widths were measured with. Thickness has the angle as an unknown of its
        own, so it is no entry of `systematic_u_mm`; only `width_u_mm` counts it.
    """

    position_mm: np.ndarray
    arc_mm: np.ndarray
    photo: np.ndarray
    apex_px: np.ndarray
    shoulder_px: np.ndarray
    width_mm: np.ndarray
    local_u_mm: np.ndarray
    systematic_u_mm: Mapping[str, np.ndarray]
    local_length_mm: float
    flags: np.ndarray
    width_per_rad_mm: np.ndarray | None = None
    source_u: Mapping[str, tuple[float, str]] = field(default_factory=dict)
    angle_u_rad: float = 0.0

    @property
    def width_u_mm(self) -> np.ndarray:
        """(N,) combined standard uncertainty of each width, the angle's part included (JCGM 100, 5.1.2)."""
        var = self.local_u_mm**2
        if self.width_per_rad_mm is not None:
            var = var + (self.width_per_rad_mm * self.angle_u_rad) ** 2
        for shift in self.systematic_u_mm.values():
            var = var + shift**2
        return np.sqrt(var)


@dataclass(frozen=True, eq=False)
class ThicknessProfile(_ArrayEquality):
    """Thickness behind the edge at the same N stations: the estimate, its 95 % band (k = 2) and the angle behind it."""

    thickness_mm: np.ndarray
    u_mm: np.ndarray
    low_mm: np.ndarray
    high_mm: np.ndarray
    angle_per_side_deg: np.ndarray
    angle_u_deg: np.ndarray
    fused: bool


@dataclass(frozen=True)
class Figure:
    """One reported figure: value and standard uncertainty in mm (NaN when it could not be had)."""

    value_mm: float
    u_mm: float


@dataclass(frozen=True)
class Stretch:
    """A named part of the edge by `position_mm`, with its mean thickness.

    `length_mm` is how much of it was measured and counted; parts between the ends may have been left out. All NaN when nothing
    was measured in it; `length_mm` alone is NaN in results of an earlier program.
    """

    name: str
    start_mm: float
    end_mm: float
    mean: Figure
    length_mm: float = math.nan


@dataclass(frozen=True)
class Rise:
    """The stretch that thickens toward the tip; `at_tip` is taken at `end_mm`, the last that was measured, not the tip itself."""

    start_mm: float
    start_u_mm: float
    slope_mm_per_mm: float
    slope_u_mm_per_mm: float
    at_tip: Figure
    ratio: float
    ratio_u: float
    end_mm: float = math.nan


@dataclass(frozen=True)
class Zones:
    """Main stretch, rise toward the tip (None where the profile is flat) and the headline figures.

    `whole`, `minimum` and `maximum` are of all that was measured and not left out: `measured_mm` of edge within `span_mm`.
    """

    main: Stretch
    rise: Rise | None
    whole: Figure
    minimum: Figure
    maximum: Figure
    stretches: tuple[Stretch, ...] = ()
    span_mm: tuple[float, float] = (math.nan, math.nan)
    measured_mm: float = math.nan


@dataclass(frozen=True)
class BudgetRow:
    """One source: standard uncertainty `u` in `unit`, sensitivity in mm per unit, contribution in mm."""

    source: str
    u: float
    unit: str
    sensitivity_mm_per_unit: float
    contribution_mm: float


@dataclass(frozen=True)
class Budget:
    """Rows whose contributions add up in quadrature to `total_mm` (one standard uncertainty, mean of the main stretch)."""

    rows: tuple[BudgetRow, ...]
    total_mm: float


@dataclass(frozen=True)
class CrossCheck:
    """One reading against the prediction from the photo and the other readings (design.md section 7)."""

    reading: Reading
    predicted_mm: float
    predicted_u_mm: float
    difference_mm: float
    e_n: float
    questioned: bool
    causes: tuple[str, ...] = ()


@dataclass(frozen=True)
class PhotoRecord:
    """What is kept of a photo: enough to know which one it was, how it was seen, and what a person pointed at in it.

    `checks` stands in the order of `vision.checks.CHECKS`; empty in results of an earlier program.
    """

    name: str
    sha256: str
    width_px: int
    height_px: int
    px_per_mm: float
    blur_px: float
    focal_px: float
    focal_source: str
    camera_distance_mm: float
    tilt_deg: float
    target_corners: int
    target_residual_px: float
    hints: Hints = field(default_factory=Hints)
    checks: tuple[PhotoCheck, ...] = ()


@dataclass(frozen=True, eq=False)
class OtherSide(_ArrayEquality):
    """The second photographed side, as seen along its own strip.

    Attributes
    ----------
    declared : Declared
        What was declared of this side; readings are on the first side's scale and stay there.
    widths : WidthProfile
        At this side's own stations and positions.
    landmarks_mm : (float, float)
        Position of the one landmark on the printed scale: on the first side, and on this one.
    """

    declared: Declared
    widths: WidthProfile
    landmarks_mm: tuple[float, float]


@dataclass(frozen=True, eq=False)
class Alternative(_ArrayEquality):
    """A stretch over which a second line explains the picture nearly as well as the shoulder taken.

    Attributes
    ----------
    photo : int
        Index into the measurement's photos.
    start_mm, end_mm : float
        Positions on its side's scale.
    share : float
        The second line's evidence over that of the line taken.
    width_mm, taken_mm : float
        Bevel width by the second line (to a px or two) and by the line taken, in the middle of the stretch.
    thickness_mm : float
        What the second line would mean at the same angle; NaN where both sides were photographed.
    line_px : (N, 2) float
        The second line in the upright photo.
    """

    photo: int
    start_mm: float
    end_mm: float
    share: float
    width_mm: float
    taken_mm: float
    thickness_mm: float
    line_px: np.ndarray


@dataclass(frozen=True, eq=False)
class Measurement(_ArrayEquality):
    """Everything a measurement says, as written to `measurement.json`.

    `declared`, `widths` and the stations of `thickness` are those of the first (often the only) photographed side; where the other
    side was photographed too, `thickness` adds both. `photos` lists the first side's photos, then the other's.
    """

    declared: Declared
    photos: tuple[PhotoRecord, ...]
    widths: WidthProfile
    thickness: ThicknessProfile
    zones: Zones | None
    budget: Budget | None
    cross_checks: tuple[CrossCheck, ...]
    notes: tuple[Note, ...]
    program: str
    created: str
    versions: Mapping[str, str] = field(default_factory=dict)
    schema: int = SCHEMA
    other: OtherSide | None = None
    alternatives: tuple[Alternative, ...] = ()

    @property
    def corrected_by_hand(self) -> bool:
        """True when a person's guide points steered the search in a photo."""
        return any(p.hints.guides for p in self.photos)

    @property
    def scale_declared(self) -> bool:
        """True when the first side was seen without the strip: positions are then lengths along the drawn line."""
        return bool(self.photos) and self.photos[0].hints.scale is not None

    def widths_of(self, photo: int) -> WidthProfile:
        """Widths of the side that the photo of this index shows."""
        theirs = self.other is not None and bool((self.other.widths.photo == photo).any())
        return self.other.widths if self.other is not None and theirs else self.widths
