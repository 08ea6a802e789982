"""One photograph's scenario as values: everything that the renderer, the truth and the owner's declaration come from.

Frame: the sheet's (mm): X along the strip from its 0 mark, Y from the strip toward the edge, Z up to the camera.
Every random part is seeded from the names and seeds here, so that one scenario always gives the same photograph.
"""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True)
class Finish:
    """How one face of the blade was worked.

    Attributes
    ----------
    direction_deg : float
        Direction of the grind lines: 0 along the edge, 90 across it.
    alpha_along, alpha_across : float
        GGX roughness along and across the lines (unitless).
    slope_rms : float
        Root mean square slope that the lines add (unitless).
    spacing_mm, length_mm : float
        Correlation length across and along the lines.
    deep : float
        Share of deep lines, 0 to 1: turns the Gaussian slopes into heavy-tailed ones.
    reflectance : tuple of float
        RGB reflectance at normal incidence (of a coating: of its pigment).
    mottle : float
        Relative variation of the reflectance in blotches of ``spacing_mm`` x ``length_mm``.
    kind : str
        ``"metal"`` or ``"coating"`` (a rough plastic).
    """

    direction_deg: float = 90.0
    alpha_along: float = 0.08
    alpha_across: float = 0.2
    slope_rms: float = 0.05
    spacing_mm: float = 0.03
    length_mm: float = 3.0
    deep: float = 0.3
    reflectance: tuple[float, float, float] = (0.60, 0.585, 0.57)
    mottle: float = 0.04
    kind: str = "metal"


@dataclass(frozen=True)
class Chip:
    """A piece missing from the apex: at arc ``s_mm``, ``width_mm`` long, ``depth_mm`` into the face."""

    s_mm: float
    width_mm: float
    depth_mm: float


@dataclass(frozen=True)
class Scallops:
    """Serrations: round bites of ``depth_mm`` along the face, ``pitch_mm`` apart, from arc ``start_mm`` to ``end_mm``."""

    start_mm: float
    end_mm: float
    pitch_mm: float
    depth_mm: float


@dataclass(frozen=True)
class Corner:
    """An angular tip: at arc ``s_mm`` the edge line turns toward the spine by ``turn_deg``, without any rounding."""

    s_mm: float
    turn_deg: float


@dataclass(frozen=True)
class Mark:
    """An etched mark on the cheek: strokes of no alphabet, ``size_mm`` long and high, ``gap_mm`` above the shoulder, from arc ``s_mm``."""

    s_mm: float
    gap_mm: float
    size_mm: tuple[float, float]
    reflectance: float = 0.05
    seed: int = 1


@dataclass(frozen=True)
class Blade:
    """A blade's true shape.

    Attributes
    ----------
    length_mm : float
        Arc length of the edge.
    x0_mm, y0_mm, heading_deg : float
        Where the edge's heel-side end lies on the sheet and which way the edge starts.
    curvature : tuple of (start, end, 1/mm)
        Stretches of constant curvature by arc, positive toward the spine (belly), negative for a recurve.
    half_angle : tuple of (arc, degrees)
        Angle per side, linear between the given arcs.
    cheek_angle_deg : float
        Angle between a cheek and the centre plane.
    thickness_mm, waviness, waviness_mm : float
        Mean thickness behind the edge, its relative rms variation along the edge and the correlation length of that.
    thicken : (arc, mm per mm) or None
        From which arc on the thickness rises toward the tip, and how fast.
    rounding_mm : float
        Distance from the planes' meeting line to where the shoulder's rounding begins, on either face; its radius is
        ``rounding_mm / tan(delta / 2)`` with delta the angle between bevel and cheek.
    lie, edge_height_mm
        ``"level"`` or ``"cheek-down"``; height of the apex above the strip's face. Cheek-down on the sheet itself when None.
    cheek_length_mm, tip_taper_mm : float
        Width of the cheek, and the length over which the spine comes down at the tip (0: the blade goes on).
    convex_mm, micro_mm, micro_extra_deg, burr_mm : float
        Sagitta of a convex bevel, width and extra angle of a micro-bevel at the apex, and height of a burr.
    scallops, corner, mark
        Serrations in part of the edge, an angular tip, an etched mark; None for none.
    """

    length_mm: float = 50.0
    x0_mm: float = -3.0
    y0_mm: float = 4.6
    heading_deg: float = 0.0
    curvature: tuple[tuple[float, float, float], ...] = ()
    half_angle: tuple[tuple[float, float], ...] = ((0.0, 15.0),)
    cheek_angle_deg: float = 3.0
    thickness_mm: float = 0.5
    waviness: float = 0.012
    waviness_mm: float = 1.6
    thicken: tuple[float, float] | None = None
    rounding_mm: float = 0.012
    lie: str = "level"
    edge_height_mm: float | None = 0.4
    cheek_length_mm: float = 22.0
    tip_taper_mm: float = 0.0
    convex_mm: float = 0.0
    micro_mm: float = 0.0
    micro_extra_deg: float = 0.0
    burr_mm: float = 0.0
    chips: tuple[Chip, ...] = ()
    scallops: Scallops | None = None
    corner: Corner | None = None
    mark: Mark | None = None
    bevel: Finish = field(default_factory=Finish)
    cheek: Finish = field(default_factory=Finish)
    seed: int = 1


@dataclass(frozen=True)
class Target:
    """The printed strip and what lies beside it.

    ``print_scale``: true mm per printed mm in X and Y. ``lane``: RGB reflectance; ``lane_kind``: ``"paper"``, ``"wood"`` or ``"cloth"``.
    ``lane_from_mm``: the Y from which the lane's own material begins (the printed sheet ends there).
    """

    print_scale: tuple[float, float] = (1.0, 1.0)
    paper: tuple[float, float, float] = (0.80, 0.80, 0.785)
    ink: float = 0.045
    lane: tuple[float, float, float] = (0.80, 0.80, 0.785)
    lane_kind: str = "paper"
    lane_from_mm: float = 3.1
    seed: int = 5


@dataclass(frozen=True)
class Light:
    """A soft rectangular lamp: centre, what it faces, full width and height (mm), radiance RGB."""

    at: tuple[float, float, float]
    size: tuple[float, float]
    radiance: tuple[float, float, float]
    facing: tuple[float, float, float] = (20.0, 3.0, 0.0)


@dataclass(frozen=True)
class Thing:
    """Something on the sheet that is no blade: a slab, a rod along X or a dome, ``size_mm`` long, wide and high about ``at``.

    ``made_of``: ``"paper"``, ``"wood"``, ``"cloth"``, ``"steel"``, ``"gloss"`` (lacquer, plastic) or ``"rule"`` (of steel, with ticks).
    """

    shape: str
    at: tuple[float, float, float]
    size_mm: tuple[float, float, float]
    made_of: str = "paper"
    reflectance: tuple[float, float, float] = (0.7, 0.7, 0.68)
    turn_deg: float = 0.0
    seed: int = 1


@dataclass(frozen=True)
class Camera:
    """A phone: where it is, its lens, and its sensor.

    ``aim``: the sheet point on the optical axis. ``tilt_deg``: lean of the axis about X and Y. ``k1``: radial term
    ``r' = r (1 + k1 r^2)`` with r in units of the focal length (OpenCV's convention). ``blur_px``: standard deviation of the lens's
    own blur. ``motion_px``: how far the picture moved while it was taken, right and down. ``fringe``: radial scale of red and of blue
    against green, less 1 (lateral colour). ``full_well``: electrons at white. ``paper_level``: linear level that white paper is
    exposed to, 0 to 1.
    ``orientation``: EXIF turn with which the file is stored. Focal length in px; apertures in mm.
    """

    size: tuple[int, int] = (4000, 3000)
    focal_px: float = 9050.0
    distance_mm: float = 95.0
    aim: tuple[float, float, float] = (21.0, 3.6, 0.4)
    tilt_deg: tuple[float, float] = (1.0, -1.0)
    roll_deg: float = 0.4
    k1: float = 0.012
    aperture_radius_mm: float = 0.8
    focus_offset_mm: float = 0.0
    blur_px: float = 0.7
    motion_px: tuple[float, float] = (0.0, 0.0)
    fringe: tuple[float, float] = (0.0, 0.0)
    full_well: float = 5000.0
    read_noise: float = 6.0
    paper_level: float = 0.60
    white_balance: tuple[float, float, float] = (1.9, 1.0, 1.6)
    warmth: tuple[float, float, float] = (1.0, 1.0, 1.0)
    contrast: float = 0.12
    sharpen: float = 0.35
    sharpen_px: float = 1.3
    denoise: float = 0.35
    jpeg_quality: int = 90
    exif_focal: bool = True
    orientation: int = 1


@dataclass(frozen=True)
class Declared:
    """What the blade's owner knows and says; the included angle is the maker's, not the true one.

    ``session`` seeds what all photos of one session share (the caliper's error, the measured bars), ``seed`` where the readings lie.
    """

    included_angle: float = 30.0
    angle_tolerance: float = 2.0
    primary_half_angle: float | None = None
    edge_height: float = 0.4
    edge_height_tolerance: float = 0.2
    camera_distance: float | None = None
    seed: int = 7
    session: int = 1


@dataclass(frozen=True)
class Scene:
    """One photograph. ``blade``: None where there is none; ``things``: what else lies there."""

    name: str
    blade: Blade | None = field(default_factory=Blade)
    target: Target = field(default_factory=Target)
    camera: Camera = field(default_factory=Camera)
    lights: tuple[Light, ...] = ()
    ambient: tuple[float, float, float] = (0.46, 0.465, 0.48)
    declared: Declared = field(default_factory=Declared)
    things: tuple[Thing, ...] = ()
