"""Bevel widths in mm: rays of both lines onto the planes of apex and bevel face (design.md section 5), with their uncertainty."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import gaussian_filter1d

from vision.camera import Camera, CameraFit
from vision.declared import Declared, Lie
from vision.results import WidthProfile
from vision.shoulder import ROUNDING_UM
from vision.sources import APEX_LINE, DECLARED_CHEEK_TOLERANCE_DEG, DRIFT_U_DEG, SHOULDER_LINE, prior_angle_deg

# Stations per mm of arc: denser than the shortest waviness of a ground edge (1-2 mm), sparser than the fits' own reach.
STATION_STEP_MM = 0.1
# The edge's direction is taken over this length (standard deviation): chips do not turn it, a belly does.
_TANGENT_MM = 1.0
# One unknown for all photos of a side (`vision.merge`).
ROUNDING_SOURCE = "shoulder rounding"
# Holding a blade level by eye or on a rest (half-width; common practice, no source).
_LEVEL_TOLERANCE_DEG = 2.0


@dataclass(frozen=True)
class Pose:
    """How the blade's centre plane and face lie: edge height and the angles per side and of the lie, mm and radians."""

    height_mm: float
    half_angle: float
    raise_angle: float

    @classmethod
    def of(cls, declared: Declared) -> Pose:
        """From the declared facts; an undeclared angle is replaced for the geometry alone."""
        half = prior_angle_deg(declared)[0]
        raised = declared.cheek_angle_deg if declared.lie is Lie.CHEEK_DOWN else 0.0
        return cls(declared.height_mm[0], math.radians(half), math.radians(raised or 0.0))


@dataclass(frozen=True, eq=False)
class Lines:
    """Both lines at N stations of one photo, px, with the uncertainty of each normal to the edge.

    `random_u_px` (N,) is independent beyond `random_length_px` of arc; `apex_systematic_px`, `shoulder_systematic_px` (N,) are
    shared by the whole photo. `rival_px` (N, 2) is another line that could be the shoulder, to a px or two, NaN where there is none
    worth naming, and `rival_share` (N,) its evidence over the shoulder's own.
    """

    apex_px: np.ndarray
    shoulder_px: np.ndarray
    random_u_px: np.ndarray
    apex_systematic_px: np.ndarray
    shoulder_systematic_px: np.ndarray
    flags: np.ndarray
    rival_px: np.ndarray | None = None
    rival_share: np.ndarray | None = None


def apex_points(camera: Camera, apex_px: np.ndarray, height_mm: float) -> np.ndarray:
    """(N, 3) sheet mm where the apex pixels' rays meet the plane of the edge."""
    return camera.to_height(apex_px, height_mm)


def face_frames(apex_mm: np.ndarray, tangent: np.ndarray, pose: Pose) -> tuple[np.ndarray, np.ndarray]:
    """Direction `b` (N, 3) up the bevel face and the face's normal (N, 3), unit vectors in the sheet frame.

    Parameters
    ----------
    apex_mm : (N, 3) float
    tangent : (N, 3) float
        Unit tangents of the apex in the plane of the edge, heel to tip (+X).
    pose : Pose
        `n` lies in the centre plane, raised by `raise_angle` about the edge; ``b = n cos a + m sin a``.
    """
    up = np.array([0.0, 0.0, 1.0])
    level = _cross(np.broadcast_to(up, tangent.shape), tangent)
    c, s = math.cos(pose.raise_angle), math.sin(pose.raise_angle)
    inward, normal = level * c + up * s, up * c - level * s
    b = inward * math.cos(pose.half_angle) + normal * math.sin(pose.half_angle)
    return b, _cross(tangent, b)


def _cross(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """(N, 3) cross products, at a fraction of the overhead of numpy's own."""
    a, b = one.T, other.T
    return np.stack([a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]], axis=1)


def widths(camera: Camera, apex_px: np.ndarray, shoulder_px: np.ndarray, pose: Pose) -> np.ndarray:
    """(N,) bevel widths, mm along the face: ``w = (S - A) . b`` with S the shoulder's ray on the bevel plane."""
    apex = apex_points(camera, apex_px, pose.height_mm)
    b, normal = face_frames(apex, tangents(apex), pose)
    origin, direction = camera.rays(shoulder_px)
    reach = ((apex - origin) * normal).sum(axis=1) / (direction * normal).sum(axis=1)
    shoulder = origin + reach[:, None] * direction
    return ((shoulder - apex) * b).sum(axis=1)


def tangents(apex_mm: np.ndarray) -> np.ndarray:
    """(N, 3) unit tangents of the smoothed apex, toward growing X; gaps are bridged."""
    known = np.isfinite(apex_mm).all(axis=1)
    at = np.arange(len(apex_mm))
    filled = np.column_stack([np.interp(at, at[known], apex_mm[known, i]) for i in range(3)])
    step = np.median(np.linalg.norm(np.diff(filled, axis=0), axis=1))
    sigma = min(_TANGENT_MM / max(step, 1e-6), max(len(at) / 6, 0.1))
    # Smooth the slope, not the points: a straight edge keeps its direction up to the ends.
    slope = gaussian_filter1d(np.gradient(filled, axis=0), sigma, axis=0, mode="nearest")
    slope[:, 2] = 0.0
    return slope / np.linalg.norm(slope, axis=1)[:, None]


def profile(lines: Lines, fit: CameraFit, declared: Declared, local_length_mm: float) -> WidthProfile:
    """Widths of one photo with their budget.

    Each systematic source is one unknown shared by all stations: the widths are computed anew with that source one standard
    uncertainty off (JCGM 101 would sample it; the model is smooth, so the one-sided difference serves).
    """
    pose = Pose.of(declared)
    camera = fit.camera
    width = widths(camera, lines.apex_px, lines.shoulder_px, pose)
    seen = np.linalg.norm(lines.shoulder_px - lines.apex_px, axis=1)
    mm_per_px = width / seen
    shifts = {name: widths(other, lines.apex_px, lines.shoulder_px, pose) - width for name, (other, _, _) in fit.variants.items()}
    own = {name: (u, unit) for name, (_, u, unit) in fit.variants.items()}
    for name, (moved, u, unit) in _lies(pose, declared).items():
        shifts[name], own[name] = widths(camera, lines.apex_px, lines.shoulder_px, moved) - width, (u, unit)
    # Where the light ends within a rounding is the lamp's and the grind's doing, alike in all photos of a side; the rest was met anew.
    rounding_px = np.minimum(lines.shoulder_systematic_px, 1e-3 * ROUNDING_UM / mm_per_px)
    rest_px = np.sqrt(np.maximum(lines.shoulder_systematic_px**2 - rounding_px**2, 0.0))
    for name, px in ((APEX_LINE, lines.apex_systematic_px), (ROUNDING_SOURCE, rounding_px), (SHOULDER_LINE, rest_px)):
        shifts[name], own[name] = px * mm_per_px, (_rms(px), "px")
    apex = apex_points(camera, lines.apex_px, pose.height_mm)
    step = np.linalg.norm(np.diff(apex, axis=0), axis=1)
    arc = np.concatenate([[0.0], np.cumsum(np.where(np.isfinite(step), step, 0.0))])
    return WidthProfile(
        position_mm=fit.position_mm(apex, lines.apex_px),
        arc_mm=arc,
        photo=np.zeros(len(arc), int),
        apex_px=lines.apex_px,
        shoulder_px=lines.shoulder_px,
        width_mm=width,
        local_u_mm=lines.random_u_px * mm_per_px,
        systematic_u_mm=shifts,
        local_length_mm=local_length_mm,
        flags=lines.flags,
        width_per_rad_mm=per_radian(camera, lines, pose),
        source_u=own,
        angle_u_rad=math.radians(math.hypot(prior_angle_deg(declared)[1], DRIFT_U_DEG)),
    )


def _lies(pose: Pose, declared: Declared) -> dict[str, tuple[Pose, float, str]]:
    """The blade's place and lie, each one standard uncertainty off: the moved pose, that uncertainty and its unit."""
    height_u = declared.height_mm[1] / math.sqrt(3)
    lie_u = (DECLARED_CHEEK_TOLERANCE_DEG if declared.lie is Lie.CHEEK_DOWN else _LEVEL_TOLERANCE_DEG) / math.sqrt(3)
    return {
        "edge height": (replace(pose, height_mm=pose.height_mm + height_u), height_u, "mm"),
        "lie of the blade": (replace(pose, raise_angle=pose.raise_angle + math.radians(lie_u)), lie_u, "deg"),
    }


def _rms(values: np.ndarray) -> float:
    known = values[np.isfinite(values)]
    return float(np.sqrt(np.mean(known**2))) if known.size else math.nan


def per_radian(camera: Camera, lines: Lines, pose: Pose) -> np.ndarray:
    """(N,) change of each width with the angle per side at fixed pixels, mm per radian (about ``w tan a`` seen squarely)."""
    h = 1e-3
    at = [widths(camera, lines.apex_px, lines.shoulder_px, Pose(pose.height_mm, pose.half_angle + d, pose.raise_angle)) for d in (-h, h)]
    return (at[1] - at[0]) / (2 * h)
