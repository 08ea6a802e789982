"""Where a person's guide points led to another line than the search took, and was sure of, by itself."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from vision.band import runs
from vision.bevel import STATION_STEP_MM, Lines
from vision.flags import Note, StationFlag
from vision.steering import along_px

# Shorter stretches are specks (mm).
_LEAST_MM = 1.0
# Two fits of one line differ by less than this beyond what each claims: the curve between stations, another pooling near a guide (px).
_CURVE_PX = 1.0
# What makes a line one that the search was not sure of.
_UNSURE = int(StationFlag.NOT_MEASURED | StationFlag.LOW_CONTRAST | StationFlag.BRIDGED | StationFlag.SHADOW)


def overruled(lines: Lines, alone: Lines, place_mm: np.ndarray, px_per_mm: float) -> tuple[Note, ...]:
    """A caution for each line that guide points moved away from one that nothing else speaks against.

    A point that was meant for the line but set on another gives that other line, as sharp and as sure; nothing in the figures shows it.

    Parameters
    ----------
    lines, alone : Lines
        Found with the guide points (N stations) and without them, px of the same photo.
    place_mm : (N,) float
        Of the stations of `lines`, along the edge.
    px_per_mm : float
    """
    # A second line by name; which of two edges they all belong to (`paper-or-edge`) is another question than which line of one.
    rivalled = np.zeros(len(alone.flags), bool) if alone.rival_px is None else np.isfinite(alone.rival_px).all(axis=1)
    sure = ((alone.flags & _UNSURE) == 0) & ~rivalled
    pairs = (
        ("apex", lines.apex_px, alone.apex_px, lines.apex_systematic_px, alone.apex_systematic_px),
        ("shoulder", lines.shoulder_px, alone.shoulder_px, lines.shoulder_systematic_px, alone.shoulder_systematic_px),
    )
    out: list[Note] = []
    for name, own, other, u_own, u_other in pairs:
        known = sure & np.isfinite(other).all(axis=1)
        there = np.isfinite(own).all(axis=1)
        if known.sum() < 2 or there.sum() < 2:
            continue
        station = cKDTree(other[known]).query(own[there])[1]
        apart = cKDTree(along_px(other[known])).query(own[there])[0]
        u = np.hypot(np.hypot(u_own, lines.random_u_px)[there], np.hypot(u_other, alone.random_u_px)[known][station])
        # Where the search found nothing by itself, nothing speaks against the points.
        along = np.gradient(other[known], axis=0)
        along /= np.maximum(np.linalg.norm(along, axis=1), 1e-9)[:, None]
        beside = (own[there] - other[known][station]) * along[station]
        moved = np.zeros(len(own), bool)
        moved[there] = (apart > 2.0 * u + _CURVE_PX) & (np.abs(beside.sum(axis=1)) < 3.0 * STATION_STEP_MM * px_per_mm)
        off = np.zeros(len(own))
        off[there] = apart / px_per_mm
        out += _note(name, moved, off, place_mm)
    return tuple(out)


def _note(name: str, moved: np.ndarray, off_mm: np.ndarray, place_mm: np.ndarray) -> list[Note]:
    parts = [slice(*run) for run in runs(moved) if (run[1] - run[0]) * STATION_STEP_MM >= _LEAST_MM]
    if not parts:
        return []
    where = ", ".join(f"{np.nanmin(place_mm[p]):z.1f} to {np.nanmax(place_mm[p]):z.1f} mm" for p in parts)
    most = max(float(off_mm[p].max()) for p in parts)
    text = (
        f"guide points led the {name} up to {most:.2f} mm away from a line that the search took without them and found nothing against, "
        f"from {where}; the band takes the points' word"
    )
    return [Note("guide-overrules", text, f"look at the overlay, and take away any point that does not lie on the {name}")]
