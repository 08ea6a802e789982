"""The blade's true section along its edge: plane curves in, 3-D points out. Arrays only; no renderer needed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter1d

from demo_images.scene import Blade

_STEP_MM = 0.01  # arc step of every integral below


@dataclass(frozen=True)
class Sections:
    """The blade cut at N arcs (all arrays (N,) or (N, 3), mm and radians, sheet frame).

    ``n`` points inward in the centre plane, ``m`` is that plane's normal toward the camera, ``b`` and ``k`` run along the upper
    bevel face and the upper cheek away from the apex.
    """

    s: np.ndarray
    apex: np.ndarray
    tangent: np.ndarray
    n: np.ndarray
    m: np.ndarray
    b: np.ndarray
    k: np.ndarray
    half_angle: np.ndarray
    width: np.ndarray
    thickness: np.ndarray

    @property
    def shoulder(self) -> np.ndarray:
        """(N, 3) where the two planes meet."""
        return self.apex + self.width[:, None] * self.b


def smooth_noise(length_mm: float, correlation_mm: float, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Arcs and a zero-mean, unit-rms Gaussian random curve along them."""
    s = np.arange(-1.0, length_mm + 1.0, _STEP_MM)
    noise = gaussian_filter1d(np.random.default_rng(seed).standard_normal(s.size), correlation_mm / _STEP_MM, mode="wrap")
    return s, (noise - noise.mean()) / noise.std()


def _edge_curve(blade: Blade, s: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    grid = np.arange(0.0, blade.length_mm + _STEP_MM, _STEP_MM)
    kappa = np.zeros_like(grid)
    for start, end, value in blade.curvature:
        kappa += np.where((grid >= start) & (grid < end), value, 0.0)
    kappa = gaussian_filter1d(kappa, 2.0 / _STEP_MM, mode="nearest")  # a hand-made belly begins gently
    heading = np.radians(blade.heading_deg) + np.concatenate([[0.0], np.cumsum((kappa[1:] + kappa[:-1]) / 2) * _STEP_MM])
    if blade.corner is not None:
        heading = heading + np.where(grid >= blade.corner.s_mm, np.radians(blade.corner.turn_deg), 0.0)
    middle = (heading[1:] + heading[:-1]) / 2
    x = blade.x0_mm + np.concatenate([[0.0], np.cumsum(np.cos(middle)) * _STEP_MM])
    y = blade.y0_mm + np.concatenate([[0.0], np.cumsum(np.sin(middle)) * _STEP_MM])
    return np.stack([np.interp(s, grid, x), np.interp(s, grid, y)], axis=1), np.interp(s, grid, heading)


def thickness_along(blade: Blade, s: np.ndarray) -> np.ndarray:
    """Thickness behind the edge (mm) at arcs ``s``."""
    arcs, noise = smooth_noise(blade.length_mm, blade.waviness_mm, blade.seed)
    thickness = blade.thickness_mm * (1.0 + blade.waviness * np.interp(s, arcs, noise))
    if blade.thicken is not None:
        start, slope = blade.thicken
        thickness = thickness + slope * np.maximum(s - start, 0.0)
    return thickness


def scallop_depth(blade: Blade, s: np.ndarray) -> np.ndarray:
    """(N,) how far (mm, along the face) serrations take the apex back at arcs ``s``; 0 where there are none."""
    if blade.scallops is None:
        return np.zeros_like(s)
    bites = blade.scallops
    u = 2 * np.mod((s - bites.start_mm) / bites.pitch_mm, 1.0) - 1
    return np.where((s > bites.start_mm) & (s < bites.end_mm), bites.depth_mm * (1 - u**2), 0.0)


def mitred(blade: Blade, cuts: Sections) -> np.ndarray:
    """(N,) depth inward (mm) at which each section meets the other edge's faces behind an angular corner; infinite where there is none."""
    if blade.corner is None:
        return np.full_like(cuts.s, np.inf)
    # Both edges' faces meet over the line that bisects the corner.
    return np.abs(cuts.s - blade.corner.s_mm) / np.tan(np.radians(blade.corner.turn_deg) / 2)


def edge_height(blade: Blade) -> float:
    """Height of the apex above the strip's face: given, or what follows from resting on the lower cheek."""
    if blade.edge_height_mm is not None:
        return blade.edge_height_mm
    a, c = np.radians(blade.half_angle[0][1]), np.radians(blade.cheek_angle_deg)
    return float(blade.thickness_mm / (2 * np.sin(a)) * np.sin(a - c))


def cut(blade: Blade, s: np.ndarray) -> Sections:
    """The blade's sections at arcs ``s`` (N,) in mm."""
    xy, heading = _edge_curve(blade, s)
    arcs, angles = np.array(blade.half_angle).T
    a, c = np.radians(np.interp(s, arcs, angles)), np.radians(blade.cheek_angle_deg)
    zero, one = np.zeros_like(s), np.ones_like(s)
    flat = np.stack([-np.sin(heading), np.cos(heading), zero], axis=1)
    up = np.stack([zero, zero, one], axis=1)
    lean = c if blade.lie == "cheek-down" else 0.0
    n, m = flat * np.cos(lean) + up * np.sin(lean), up * np.cos(lean) - flat * np.sin(lean)
    # A serration is ground into the face at the face's own angle: its shoulder goes back as far as its apex.
    thickness = thickness_along(blade, s) + 2 * np.sin(a) * scallop_depth(blade, s)
    return Sections(
        s=s,
        apex=np.column_stack([xy, np.full_like(s, edge_height(blade))]),
        tangent=np.stack([np.cos(heading), np.sin(heading), zero], axis=1),
        n=n,
        m=m,
        b=n * np.cos(a)[:, None] + m * np.sin(a)[:, None],
        k=n * np.cos(c) + m * np.sin(c),
        half_angle=a,
        width=thickness / (2 * np.sin(a)),
        thickness=thickness,
    )
