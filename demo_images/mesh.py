"""The blade as triangle patches: upper bevel, upper cheek (each with half of the rounded shoulder), and the unseen rest."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from demo_images.scene import Blade, Finish
from demo_images.section import Sections, cut, mitred, scallop_depth, smooth_noise

STATION_MM = 0.05


@dataclass(frozen=True)
class Patch:
    """Triangles with vertex normals and texture places in mm (``uv_mm``: along and across the finish's lines)."""

    name: str
    points: np.ndarray
    normals: np.ndarray
    uv_mm: np.ndarray
    faces: np.ndarray
    finish: Finish | None


def grid_faces(rows: int, columns: int) -> np.ndarray:
    """(M, 3) triangles of a grid of vertices, row by row."""
    index = np.arange(rows * columns).reshape(rows, columns)
    a, b, c, d = index[:-1, :-1], index[1:, :-1], index[1:, 1:], index[:-1, 1:]
    return np.concatenate([np.stack([a, b, c], -1).reshape(-1, 3), np.stack([a, c, d], -1).reshape(-1, 3)])


def _line_places(s: np.ndarray, v: np.ndarray, direction_deg: float) -> np.ndarray:
    turn = np.radians(direction_deg)
    return np.stack([s * np.cos(turn) + v * np.sin(turn), -s * np.sin(turn) + v * np.cos(turn)], axis=-1)


def apex_offset(blade: Blade, s: np.ndarray) -> np.ndarray:
    """(N,) where the metal really begins along the bevel face: > 0 in a chip, < 0 where a burr stands."""
    offset = scallop_depth(blade, s)
    if blade.burr_mm > 0:
        arcs, noise = smooth_noise(blade.length_mm, 0.12, blade.seed + 100)
        offset -= blade.burr_mm * np.clip(0.5 + 0.7 * np.interp(s, arcs, noise), 0.0, 2.0)
    for chip in blade.chips:
        u = (s - chip.s_mm) / (chip.width_mm / 2)
        offset = np.where(u**2 < 1, np.maximum(offset, chip.depth_mm * np.sqrt(np.clip(1 - u**2, 0, None))), offset)
    return offset


def bevel_relief(blade: Blade, width: np.ndarray, v: np.ndarray) -> np.ndarray:
    """Height of the face above the plane apex - shoulder (mm) at distance ``v`` from the apex; both (N, M)."""
    u = v / width
    relief = 4 * blade.convex_mm * u * (1 - u)
    if blade.micro_mm > 0:
        rise = np.tan(np.radians(blade.micro_extra_deg)) * blade.micro_mm
        # The micro-bevel leaves the chord at the extra angle and the main bevel returns to it at the shoulder.
        relief = relief + np.where(v < blade.micro_mm, rise * v / blade.micro_mm, rise * (width - v) / (width - blade.micro_mm))
    return np.where(u >= 0, relief, 0.0)


def _profile(blade: Blade, cuts: Sections, side: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Section points of the bevel (N, J, 3), the cheek (N, K, 3) and the bevel's v (N, J) on the upper (+1) or lower (-1) side."""
    m = cuts.m * side
    a = cuts.half_angle[:, None]
    b = cuts.n * np.cos(a) + m * np.sin(a)
    c = np.radians(blade.cheek_angle_deg)
    k, face = cuts.n * np.cos(c) + m * np.sin(c), m * np.cos(a) - cuts.n * np.sin(a)
    w = cuts.width[:, None]
    rounding = np.minimum(blade.rounding_mm, 0.4 * w)
    start = apex_offset(blade, cuts.s)[:, None]
    split = np.maximum(start, blade.micro_mm)
    v = np.concatenate([start + (split - start) * np.linspace(0, 1, 4), split + (w - rounding - split) * np.linspace(0, 1, 14)[1:]], axis=1)
    points = cuts.apex[:, None] + v[..., None] * b[:, None] + bevel_relief(blade, w, v)[..., None] * face[:, None]
    # The rounding: a parabola tangent to both planes, the same as the circle to second order for these small angles.
    u = np.linspace(0, 1, 17)
    corner = (cuts.apex + w * b)[:, None]
    first, last = corner - rounding[..., None] * b[:, None], corner + rounding[..., None] * k[:, None]
    t = u[None, :, None]
    curve = (1 - t) ** 2 * first + 2 * t * (1 - t) * corner + t**2 * last
    length = np.full_like(cuts.s, blade.cheek_length_mm)
    if blade.tip_taper_mm > 0:
        left = np.clip((blade.length_mm - cuts.s) / blade.tip_taper_mm, 0, 1)
        length = 0.15 + (length - 0.15) * np.sqrt(left * (2 - left))
    reach = np.linspace(0, 1, 24) ** 1.5
    along = rounding + (length[:, None] - rounding) * reach
    cheek = corner + along[..., None] * k[:, None]
    # The finish runs on over the rounding: places that stood still there would leave it no direction, and its lobe would turn at the start.
    v_all = np.concatenate([v, w + rounding * (2 * u[1:9] - 1)], axis=1)
    return np.concatenate([points, curve[:, 1:9]], axis=1), np.concatenate([curve[:, 8:16], cheek], axis=1), v_all


def _cut_at_corner(blade: Blade, cuts: Sections, bevel: np.ndarray, cheek: np.ndarray) -> None:
    """Draw what lies beyond an angular corner's bisector back onto it, in place."""
    limit, rows = mitred(blade, cuts), np.concatenate([bevel, cheek], axis=1)
    depth = ((rows - cuts.apex[:, None]) * cuts.n[:, None]).sum(axis=-1)
    for i in np.flatnonzero(limit < depth.max(axis=1)):
        at = np.minimum(depth[i], limit[i])
        rows[i] = np.stack([np.interp(at, depth[i], rows[i, :, k]) for k in range(3)], axis=-1)
    bevel[:], cheek[:] = rows[:, : bevel.shape[1]], rows[:, bevel.shape[1] :]


def _normals(cuts: Sections, points: np.ndarray) -> np.ndarray:
    across = np.gradient(points, axis=1)
    for j in range(points.shape[1] - 2, -1, -1):  # rows that coincide (no micro-bevel) have no direction: take the next one's
        empty = np.linalg.norm(across[:, j], axis=-1) < 1e-9
        across[empty, j] = across[empty, j + 1]
    normal = np.cross(np.broadcast_to(cuts.tangent[:, None], across.shape), across)
    return normal / np.maximum(np.linalg.norm(normal, axis=-1, keepdims=True), 1e-12)


def _patch(name: str, points: np.ndarray, normals: np.ndarray, uv: np.ndarray, finish: Finish | None) -> Patch:
    rows, columns = points.shape[:2]
    return Patch(name, points.reshape(-1, 3), normals.reshape(-1, 3), uv.reshape(-1, 2), grid_faces(rows, columns), finish)


def blade_patches(blade: Blade) -> list[Patch]:
    """All patches of a blade."""
    extra = [np.linspace(c.s_mm - c.width_mm, c.s_mm + c.width_mm, 120) for c in blade.chips]
    step = 0.02 if blade.burr_mm > 0 else STATION_MM
    if blade.corner is not None:
        extra.append(blade.corner.s_mm + np.array([-0.006, 0.006]))
    s = np.unique(np.clip(np.concatenate([np.arange(0, blade.length_mm, step), [blade.length_mm], *extra]), 0, blade.length_mm))
    cuts = cut(blade, s)
    bevel, cheek, v = _profile(blade, cuts, 1.0)
    low_bevel, low_cheek, _ = _profile(blade, cuts, -1.0)
    bevel_uv = _line_places(s[:, None] + 0 * v, v, blade.bevel.direction_deg)
    heading = np.radians(blade.heading_deg)
    x = cheek[..., 0] * np.cos(heading) + cheek[..., 1] * np.sin(heading)
    y = -cheek[..., 0] * np.sin(heading) + cheek[..., 1] * np.cos(heading)
    normals = _normals(cuts, bevel), _normals(cuts, cheek)  # of the whole faces: what a corner cuts off has none
    for side in ((bevel, cheek), (low_bevel, low_cheek)):
        _cut_at_corner(blade, cuts, *side)
    patches = [
        _patch("bevel", bevel, normals[0], bevel_uv, blade.bevel),
        _patch("cheek", cheek, normals[1], _line_places(x, y, blade.cheek.direction_deg), blade.cheek),
    ]
    # What the camera does not see still blocks light: apex wall (in chips), lower faces and the spine, then both ends.
    rest = np.concatenate([bevel[:, :1], low_bevel, low_cheek, cheek[:, -1:]], axis=1)
    patches.append(_patch("rest", rest, _normals(cuts, rest), np.zeros((*rest.shape[:2], 2)), None))
    upper = np.concatenate([bevel, cheek], axis=1)
    lower = np.concatenate([low_bevel, low_cheek], axis=1)
    for name, i in (("heel end", 0), ("tip end", -1)):
        wall = np.stack([upper[i], lower[i]])
        normal = np.broadcast_to(cuts.tangent[i], wall.shape)
        patches.append(_patch(name, wall, normal, np.zeros((*wall.shape[:2], 2)), None))
    return patches
