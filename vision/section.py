"""The section across the edge at one place, now and after a planned grind, to be drawn to scale."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from vision.errors import DeclarationError
from vision.gaussian import Array
from vision.plan import Plan
from vision.results import Measurement


@dataclass(frozen=True, eq=False)
class Section:
    """Upper half of a symmetric section; x runs from the present apex toward the spine, y from the centre plane, mm.

    Attributes
    ----------
    position_mm : float
        Place on the printed scale.
    before_mm, after_mm : (N, 2) float
        Apex first, then each corner, the cheek's last point at the reach.
    shoulder_before_mm, shoulder_after_mm : (2,) float
        Where thickness is measured.
    """

    position_mm: float
    before_mm: Array
    after_mm: Array
    shoulder_before_mm: Array
    shoulder_after_mm: Array


def places(measurement: Measurement, made: Plan) -> Array:
    """(N,) positions at which both the measured and the planned section are known."""
    known = np.isfinite(measurement.thickness.thickness_mm) & np.isfinite(made.thickness_mm)
    return np.unique(made.position_mm[known])


def section(measurement: Measurement, made: Plan, position_mm: float) -> Section:
    """The section at the known place nearest to `position_mm`; as the plan itself takes it: flat faces, symmetric.

    Raises
    ------
    DeclarationError
        Nothing is known anywhere.
    """
    at = places(measurement, made)
    if not at.size:
        raise DeclarationError("a plan without any place", "no angle gives what was asked for anywhere", "ask for something else")
    place = at[np.argmin(np.abs(at - position_mm))]
    i = int(np.flatnonzero((made.position_mm == place) & np.isfinite(made.thickness_mm))[0])
    half, angle = measurement.thickness.thickness_mm[i] / 2, math.radians(measurement.thickness.angle_per_side_deg[i])
    old = np.array([half / math.tan(angle), half])
    after = math.radians(made.included_deg[i] / 2)
    new = np.array([made.apex_back_mm[i] + made.width_mm[i] * math.cos(after), made.thickness_mm[i] / 2])
    slope = math.tan(math.radians(made.cheek_deg[0]))
    # Twice the deeper shoulder shows enough of the cheek to see it by.
    reach = 2.0 * max(old[0], new[0])
    end = np.array([reach, old[1] + slope * (reach - old[0])])
    apex = np.array([made.apex_back_mm[i], 0.0])
    # A nanometre: the same shoulder but for rounding.
    kept = [old] if new[0] < old[0] - 1e-6 else []
    return Section(float(place), np.array([(0.0, 0.0), old, end]), np.array([apex, new, *kept, end]), old, new)
