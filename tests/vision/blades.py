"""Simulated blades with known truth for the thickness model's tests (no pictures needed)."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from vision.declared import Declared, Reading
from vision.gaussian import smooth_factor
from vision.results import WidthProfile


def profile(x, width, *, local_u=0.004, length=0.3, systematic=None, photo=0):
    """A `WidthProfile` on a straight edge."""
    n = len(x)
    return WidthProfile(
        position_mm=np.asarray(x, float),
        arc_mm=np.asarray(x, float) - x[0],
        photo=np.full(n, photo),
        apex_px=np.zeros((n, 2)),
        shoulder_px=np.zeros((n, 2)),
        width_mm=np.asarray(width, float),
        local_u_mm=np.full(n, local_u),
        systematic_u_mm=dict(systematic or {}),
        local_length_mm=length,
        flags=np.zeros(n, int),
    )


def wave(rng, n, step, length):
    """(n,) unit noise with Gaussian correlation of the given length."""
    reach = int(np.ceil(4 * length / step))
    kernel = np.exp(-((np.arange(-reach, reach + 1) * step / length) ** 2))
    kernel /= np.sqrt((kernel**2).sum())
    return np.convolve(rng.standard_normal(n + 2 * reach), kernel, "valid")


@cache
def drift_factor(scene):
    """(N, r) factor of the model's own angle change."""
    return smooth_factor(scene.x, 30.0)


@dataclass(frozen=True)
class Scene:
    """How the blades of one simulation are made; angles in degrees per side unless said otherwise.

    `included_deg` is the declared included angle; the true one lies within the tolerance of it plus `off_deg` (included too).
    """

    start_mm: float = 6.0
    end_mm: float = 48.0
    step_mm: float = 0.2
    included_deg: float = 30.0
    tolerance_deg: float = 2.0
    drift_deg: float = 0.75
    toward_tip_deg: float = 0.0
    off_deg: float = 0.0
    waviness: float = 0.015
    readings: int = 5
    local_u: float = 0.004
    gaussian: bool = False

    @property
    def x(self):
        return np.arange(self.start_mm, self.end_mm, self.step_mm)


def spread(rng, half_width, size=None, *, gaussian=False):
    """Rectangular within a half-width, or normal with the same standard deviation."""
    return rng.normal(0.0, half_width / np.sqrt(3), size) if gaussian else rng.uniform(-half_width, half_width, size)


def read(rng, x, thickness, scene):
    """Caliper readings: 0.03 mm limit of error common to all, seating one step, a 0.01 mm step, placed by eye to 0.5 mm."""
    count, kind = scene.readings, {"gaussian": scene.gaussian}
    at = np.sort(rng.uniform(x[0] + 1, x[-1] - 1, count))
    common = spread(rng, 0.03, **kind)
    true = np.interp(at + spread(rng, 0.5, count, **kind), x, thickness)
    seen = np.round((true + common + spread(rng, 0.01, count, **kind)) / 0.01) * 0.01
    return tuple(Reading(float(p), float(max(t, 0.01))) for p, t in zip(at, seen, strict=True))


def blade(rng, scene, shape=None):
    """One blade: (WidthProfile, Declared, true thickness (N,)). `shape` (N,) is the thickness before waviness; 0.5 mm if None."""
    x = scene.x
    base = np.full(x.size, 0.5) if shape is None else shape
    thickness = base * (1 + scene.waviness * wave(rng, x.size, scene.step_mm, 1.0))
    factor = drift_factor(scene)
    angle = (scene.included_deg + scene.off_deg) / 2 + spread(rng, scene.tolerance_deg / 2, gaussian=scene.gaussian)
    angle = angle + scene.drift_deg * factor @ rng.standard_normal(factor.shape[1])
    angle = angle + scene.toward_tip_deg * (x - x[0]) / (x[-1] - x[0])
    # A photo shows p = w cos a; the declared angle makes a width of it.
    width = thickness / 2 / np.tan(np.radians(angle)) / np.cos(np.radians(scene.included_deg / 2))
    systematic = {"height": width * 0.0012, "shoulder": np.full(x.size, 0.004)}
    seen = width + scene.local_u * wave(rng, x.size, scene.step_mm, 0.3) + sum(s * rng.standard_normal() for s in systematic.values())
    readings = read(rng, x, thickness, scene)
    declared = Declared(included_angle_deg=scene.included_deg, angle_tolerance_deg=scene.tolerance_deg, readings=readings)
    return profile(x, seen, local_u=scene.local_u, systematic=systematic), declared, thickness
