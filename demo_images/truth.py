"""Camera projection, and the truth of a photograph computed from its scenario alone (no renderer)."""

from __future__ import annotations

import json
from dataclasses import asdict

import numpy as np

from demo_images.mesh import apex_offset
from demo_images.scene import Camera, Scene
from demo_images.section import cut, mitred, scallop_depth

CALIPER_LIMIT_MM = 0.03  # common practice for a workshop caliper, no source: rectangular, shared by all readings of one session
CALIPER_STEP_MM = 0.01


def camera_axes(camera: Camera) -> tuple[np.ndarray, np.ndarray]:
    """Rows of the first array: the photo's right, its down and the viewing direction on the sheet; second array: the lens's centre."""
    tx, ty, roll = np.radians([*camera.tilt_deg, camera.roll_deg])
    about_x = np.array([[1, 0, 0], [0, np.cos(tx), -np.sin(tx)], [0, np.sin(tx), np.cos(tx)]])
    about_y = np.array([[np.cos(ty), 0, np.sin(ty)], [0, 1, 0], [-np.sin(ty), 0, np.cos(ty)]])
    about_z = np.array([[np.cos(roll), -np.sin(roll), 0], [np.sin(roll), np.cos(roll), 0], [0, 0, 1]])
    square = np.array([[1.0, 0, 0], [0, -1.0, 0], [0, 0, -1.0]])
    axes = square @ (about_y @ about_x @ about_z).T
    return axes, np.asarray(camera.aim, float) - camera.distance_mm * axes[2]


def project(camera: Camera, points: np.ndarray) -> np.ndarray:
    """(N, 3) sheet mm -> (N, 2) px of the upright photo, first pixel's centre at (0, 0)."""
    axes, centre = camera_axes(camera)
    local = (np.asarray(points, float) - centre) @ axes.T
    flat = local[:, :2] / local[:, 2:]
    flat = flat * (1.0 + camera.k1 * (flat**2).sum(axis=1, keepdims=True))
    return flat * camera.focal_px + (np.array(camera.size) - 1) / 2


def inside(camera: Camera, px: np.ndarray, margin_px: float = 2.0) -> np.ndarray:
    """(N,) whether each pixel lies on the photo."""
    return ((px >= margin_px) & (px <= np.array(camera.size) - 1 - margin_px)).all(axis=1)


def stations(scene: Scene, step_mm: float = 0.1) -> list[dict]:
    """True stations whose apex and shoulder both show, ``step_mm`` apart by arc; none where there is no blade."""
    if scene.blade is None:
        return []
    s = np.arange(0.0, scene.blade.length_mm - 0.05, step_mm)
    sections = cut(scene.blade, s)
    apex, shoulder = project(scene.camera, sections.apex), project(scene.camera, sections.shoulder)
    serrated = scallop_depth(scene.blade, s) > 0
    chipped = (apex_offset(scene.blade, s) > 0) & ~serrated
    at_corner = mitred(scene.blade, sections) < sections.width * np.cos(sections.half_angle)
    facet = scene.blade.micro_mm / np.cos(np.radians(scene.blade.micro_extra_deg))
    rows = []
    for i in np.flatnonzero(inside(scene.camera, apex) & inside(scene.camera, shoulder)):
        rows.append(
            {
                "s": round(float(s[i]), 3),
                "apex_px": np.round(apex[i], 3).tolist(),
                "shoulder_px": np.round(shoulder[i], 3).tolist(),
                "bevel_width": round(float(sections.width[i]), 5),
                "half_angle": round(float(np.degrees(sections.half_angle[i])), 4),
                "thickness": round(float(sections.thickness[i]), 5),
                "position_mm": round(float(sections.apex[i, 0] / scene.target.print_scale[0]), 4),
            }
        )
        if chipped[i]:  # the apex given is the one that the blade had: the chip is to be bridged
            rows[-1]["chip"] = True
        if serrated[i]:  # the apex given joins the points of the teeth: no bevel width of a plain edge
            rows[-1]["serrated"] = True
        if at_corner[i]:  # normal to the edge the face ends at the other edge's face, not at the shoulder
            rows[-1]["corner"] = True
        if facet:
            rows[-1]["facet_width"] = round(facet, 5)
    return rows


def truth(scene: Scene) -> dict:
    """Everything that goes to ``NAME.truth.json``."""
    return {
        "name": scene.name,
        "focal_px": scene.camera.focal_px,
        "scene": json.loads(json.dumps(asdict(scene))),
        "stations": stations(scene),
    }


def setup(scene: Scene, rows: list[dict]) -> dict:
    """What the owner declares and reads off (``NAME.setup.json``): five readings at visible places, one instrument error for all."""
    declared, shared = scene.declared, np.random.default_rng(scene.declared.session)
    common = shared.uniform(-CALIPER_LIMIT_MM, CALIPER_LIMIT_MM)
    bars = np.round(100 * np.array(scene.target.print_scale) + shared.normal(0, 0.015, 2), 2)
    rng = np.random.default_rng(declared.seed)
    plain = [i for i in range(5, len(rows) - 5) if not rows[i].keys() & {"serrated", "corner"}]
    if scene.blade is None or scene.blade.thickness_mm < CALIPER_STEP_MM:  # nothing to read
        plain = []
    places = np.sort(rng.choice(plain, 5, replace=False)) if plain else ()
    caliper = []
    for i in places:
        reading = rows[i]["thickness"] + common + rng.normal(0, 0.003)
        caliper.append([round(rows[i]["position_mm"], 1), round(round(reading / CALIPER_STEP_MM) * CALIPER_STEP_MM, 2)])
    return {
        "included_angle": declared.included_angle,
        "angle_tolerance": declared.angle_tolerance,
        "lie": scene.blade.lie if scene.blade else "level",
        "primary_half_angle": declared.primary_half_angle,
        "edge_height": declared.edge_height,
        "edge_height_tolerance": declared.edge_height_tolerance,
        "printed_bar_x": float(bars[0]),
        "printed_bar_y": float(bars[1]),
        "camera_distance": declared.camera_distance,
        "caliper": caliper,
        "photo": f"{scene.name}.jpg",
    }
