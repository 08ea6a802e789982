"""Next grind: what a new angle, or an apex taken back, does to bevel width and thickness behind the edge. Closed form.

Half section, depth d from the apex, half thickness y: the bevel ``y = d tan a`` to the shoulder ``(w cos a, w sin a)``, then the
cheek at angle c. A new bevel of angle b from an apex taken back by x is ``y = (d - x) tan b``; its shoulder is where it meets the
cheek, or the old bevel when it does not reach the old shoulder (a second, smaller bevel). Everything is symmetric.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from vision.errors import DeclarationError
from vision.gaussian import Array


@dataclass(frozen=True, eq=False)
class Grind:
    """The edge after grinding, N stations.

    Attributes
    ----------
    width_mm, thickness_mm : (N,) float
        New bevel width along its face and thickness at its shoulder; NaN where not measured.
    apex_back_mm : (N,) float
        How far the apex moves back.
    full : (N,) bool
        True where the new bevel takes away the whole old one; False where a strip of it remains behind the new bevel, or all of it
        where nothing is ground (a wider angle, the apex not taken back: width and thickness stay).
    """

    width_mm: Array
    thickness_mm: Array
    apex_back_mm: Array
    full: np.ndarray


def least_apex_back_mm(width_mm: Array, angle_deg: Array, new_angle_deg: float) -> Array:
    """(N,) least x for which a bevel of `new_angle_deg` per side takes away the whole old bevel; 0 for a smaller angle."""
    a, b = np.radians(angle_deg), math.radians(new_angle_deg)
    return np.maximum(width_mm * (np.cos(a) - np.sin(a) / math.tan(b)), 0.0)


def regrind(
    width_mm: Array, angle_deg: Array, cheek_deg: float, *, new_angle_deg: float | None = None, apex_back_mm: float | None = None
) -> Grind:
    """Bevel width and thickness after the next grind.

    Parameters
    ----------
    width_mm, angle_deg : (N,) float
        Now: bevel width along the face and angle per side.
    cheek_deg : float
        Angle between a cheek and the centre plane.
    new_angle_deg : float or None
        New angle per side (half of the included angle); None keeps each station's own.
    apex_back_mm : float or None
        How far the apex is taken back; None takes the least that renews the whole bevel.

    Raises
    ------
    DeclarationError
        An angle that cannot meet the cheek, or a negative x.
    """
    width_mm, angle_deg = np.asarray(width_mm, float), np.asarray(angle_deg, float)
    new = np.asarray(angle_deg if new_angle_deg is None else new_angle_deg, float)
    if np.any(new <= cheek_deg) or np.any(new >= 90.0):
        raise DeclarationError(
            f"new angle {np.nanmin(new):g} degrees per side", f"it must exceed the cheek's {cheek_deg:g}", "take a larger angle"
        )
    if apex_back_mm is not None and not (math.isfinite(apex_back_mm) and apex_back_mm >= 0):
        raise DeclarationError(f"apex taken back by {apex_back_mm:g} mm", "it must not be negative", "metal can only be taken away")
    a, b, tan_c = np.radians(angle_deg), np.radians(new) + np.zeros_like(width_mm), math.tan(math.radians(cheek_deg))
    depth, half = width_mm * np.cos(a), width_mm * np.sin(a)
    x = np.maximum(depth - half / np.tan(b), 0.0) if apex_back_mm is None else np.full(width_mm.shape, float(apex_back_mm))
    # A rounding error must not turn a bevel that ends exactly on the old shoulder into one that stops short of it.
    full = (depth - x) * np.tan(b) <= half * (1 + 1e-12)
    on_cheek = (half - depth * tan_c + x * np.tan(b)) / (np.tan(b) - tan_c)
    gap = np.tan(b) - np.tan(a)
    on_bevel = x * np.tan(b) / np.where(full, 1.0, gap)
    shoulder = np.where(full, on_cheek, on_bevel)
    reach = shoulder - x
    # A wider angle at the apex where it is takes nothing away.
    same = ~full & (x == 0.0)
    width, thickness = np.where(same, width_mm, reach / np.cos(b)), np.where(same, 2 * half, 2 * reach * np.tan(b))
    return Grind(width, thickness, np.where(np.isfinite(width_mm), x, math.nan), full & np.isfinite(width_mm))


def angle_for_width(width_mm: Array, angle_deg: Array, cheek_deg: float, wanted_mm: float) -> Array:
    """(N,) angle per side that makes the whole bevel `wanted_mm` wide, degrees; NaN where no angle does.

    A wider bevel keeps the apex: ``b = c + asin(q cos(c) / wanted)``, q the half thickness of the cheek carried to the apex. A narrower
    one keeps the shoulder and takes the apex back: ``b = asin(w sin(a) / wanted)``.
    """
    a, c = np.radians(np.asarray(angle_deg, float)), math.radians(cheek_deg)
    width_mm = np.asarray(width_mm, float)
    half = width_mm * np.sin(a)
    at_apex = half - width_mm * np.cos(a) * math.tan(c)
    sine = np.where(wanted_mm >= width_mm, at_apex * math.cos(c), half) / wanted_mm
    turn = np.arcsin(np.where((sine > 0) & (sine < 1), sine, math.nan))
    return np.degrees(np.where(wanted_mm >= width_mm, c + turn, turn))


def regrind_u_mm(after: Grind, depth_mm: Array, thickness_u_mm: Array, settings: tuple[float, float, float]) -> Array:
    """(N,) standard uncertainty of a full new bevel's thickness.

    Parameters
    ----------
    after : Grind
    depth_mm, thickness_u_mm : (N,) float
        The old shoulder's depth behind the old apex (``w cos a``) and the standard uncertainty of its thickness.
    settings : (cheek_deg, cheek_u_deg, new_angle_deg)

    Notes
    -----
    With ``k = tan b / (tan b - tan c)``, ``dT'/dT = k`` and ``dT'/d(tan c) = 2 k (d' - d)``. Where the new shoulder is the old one,
    T' is T. NaN where a strip of the old bevel remains.
    """
    cheek, cheek_u, new = (math.radians(v) for v in settings)
    lever = math.tan(new) / (math.tan(new) - math.tan(cheek))
    climbed = np.maximum(after.width_mm * math.cos(new) + after.apex_back_mm - depth_mm, 0.0)
    u = np.hypot(lever * thickness_u_mm, 2 * lever * climbed * cheek_u / math.cos(cheek) ** 2)
    # A nanometre: the same shoulder but for rounding.
    return np.where(after.full, np.where(climbed < 1e-6, thickness_u_mm, u), math.nan)
