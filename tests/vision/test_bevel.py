"""Rays and planes against handbook trigonometry (reference-values.md, Geometry) and against OpenCV's projection."""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from vision.bevel import Lines, Pose, apex_points, face_frames, per_radian, profile, tangents, widths
from vision.budget import budget
from vision.camera import Camera, CameraFit
from vision.declared import Declared, Lie
from vision.sources import DECLARED_CHEEK_TOLERANCE_DEG, DRIFT_U_DEG, Face, cheek_deg
from vision.thickness import estimate


def camera(tilt=(0.0, 0.0), distance=95.0, k1=0.0, focal=9000.0) -> Camera:
    """Over (20, 2), looking down, then tilted about X and Y in degrees; y of the photo runs against Y of the sheet."""
    down = np.diag([1.0, -1.0, -1.0])
    rotation = Rotation.from_euler("xy", tilt, degrees=True).as_matrix() @ down
    return Camera(focal, (1999.5, 1499.5), k1, rotation, np.array([0.0, 0.0, distance]) - rotation @ np.array([20.0, 2.0, 0.0]))


def blade(width, half, lift=0.0, height=0.4, heading=0.0, n=60):
    """Apex and shoulder in sheet mm: written out with sines and cosines, not with the code under test."""
    s = np.linspace(5, 35, n)
    apex = np.column_stack([s * math.cos(heading), 2 + s * math.sin(heading), np.full(n, height)])
    out = width * math.cos(half + lift)
    shoulder = apex + np.array([-out * math.sin(heading), out * math.cos(heading), width * math.sin(half + lift)])
    return apex, shoulder


@pytest.mark.parametrize("half", [10.0, 15.0, 20.0, 25.0])
@pytest.mark.parametrize("lift", [0.0, 4.2])
@pytest.mark.parametrize("tilt", [(0, 0), (4, -3), (-12, 8)])
def test_width_of_a_drawn_section(half, lift, tilt):
    cam = camera(tilt, k1=0.04)
    apex, shoulder = blade(1.0, math.radians(half), math.radians(lift), heading=0.05)
    got = widths(cam, cam.project(apex), cam.project(shoulder), Pose(0.4, math.radians(half), math.radians(lift)))
    np.testing.assert_allclose(got, 1.0, atol=1e-6)


def test_thickness_of_a_millimetre_at_fifteen_degrees():
    """w = 1.000 mm, 15 degrees a side: T = 0.51764; the same seen width square to the centre plane: T = 0.53590 (trigonometry)."""
    half = math.radians(15)
    cam = camera(distance=1e5, focal=9e6)
    apex, shoulder = blade(1.0, half)
    w = widths(cam, cam.project(apex), cam.project(shoulder), Pose(0.4, half, 0.0))
    assert 2 * w.mean() * math.sin(half) == pytest.approx(0.51764, abs=1e-5)
    apex, shoulder = blade(1.0 / math.cos(half), half)
    w = widths(cam, cam.project(apex), cam.project(shoulder), Pose(0.4, half, 0.0))
    assert 2 * w.mean() * math.sin(half) == pytest.approx(0.53590, abs=1e-5)


def test_height_ignored_is_a_scale_error():
    """Something z above the target looks larger by z / D (design.md section 4): 5 mm at 90 mm."""
    half = math.radians(15)
    cam = camera(distance=90.0)
    apex, shoulder = blade(0.5, half, height=5.0)
    right = widths(cam, cam.project(apex), cam.project(shoulder), Pose(5.0, half, 0.0))
    wrong = widths(cam, cam.project(apex), cam.project(shoulder), Pose(0.0, half, 0.0))
    np.testing.assert_allclose(right, 0.5, atol=1e-6)
    assert np.mean(wrong / right) == pytest.approx(90 / 85, rel=0.02)


def test_camera_agrees_with_opencv():
    cam = camera((3, -2), k1=0.05)
    apex, _ = blade(1.0, 0.3)
    matrix = np.array([[cam.focal_px, 0, cam.centre_px[0]], [0, cam.focal_px, cam.centre_px[1]], [0, 0, 1.0]])
    want = cv2.projectPoints(apex, cv2.Rodrigues(cam.rotation)[0], cam.translation, matrix, np.array([cam.k1, 0, 0, 0.0]))[0][:, 0]
    np.testing.assert_allclose(cam.project(apex), want, atol=1e-6)


@settings(max_examples=60, deadline=None)
@given(
    x=st.floats(0, 40),
    y=st.floats(0, 10),
    z=st.floats(-2, 8),
    tilt=st.tuples(st.floats(-15, 15), st.floats(-15, 15)),
    k1=st.floats(-0.1, 0.1),
)
def test_there_and_back_through_the_camera(x, y, z, tilt, k1):
    cam = camera(tilt, k1=k1)
    point = np.array([[x, y, z]])
    np.testing.assert_allclose(apex_points(cam, cam.project(point), z), point, atol=1e-6)


@settings(max_examples=60, deadline=None)
@given(
    width=st.floats(0.08, 3.0),
    half=st.floats(math.radians(6), math.radians(35)),
    lift=st.floats(0, math.radians(6)),
    heading=st.floats(-0.6, 0.6),
    tilt=st.tuples(st.floats(-12, 12), st.floats(-12, 12)),
)
def test_width_survives_any_pose(width, half, lift, heading, tilt):
    cam = camera(tilt, k1=0.03)
    apex, shoulder = blade(width, half, lift, heading=heading)
    np.testing.assert_allclose(widths(cam, cam.project(apex), cam.project(shoulder), Pose(0.4, half, lift)), width, atol=1e-6)


def test_frames_are_orthonormal():
    tangent = tangents(blade(1, 0.3, heading=0.3)[0])
    b, normal = face_frames(np.zeros_like(tangent), tangent, Pose(0.0, 0.3, 0.05))
    for v in (b, normal):
        np.testing.assert_allclose(np.linalg.norm(v, axis=1), 1.0, atol=1e-12)
    np.testing.assert_allclose((b * tangent).sum(axis=1), 0.0, atol=1e-12)


def test_change_with_the_angle_is_the_derivative():
    """Seen squarely ``w = p / cos a``: dw/da = w tan a."""
    half = math.radians(20)
    cam = camera(distance=1e5, focal=9e6)
    apex, shoulder = blade(1.0, half)
    zeros = np.zeros(len(apex))
    lines = Lines(cam.project(apex), cam.project(shoulder), zeros, zeros, zeros, zeros.astype(int))
    np.testing.assert_allclose(per_radian(cam, lines, Pose(0.4, half, 0.0)), math.tan(half), rtol=1e-3)


def seen(declared, half=15.0):
    cam = camera()
    apex, shoulder = blade(1.0, math.radians(half))
    n = len(apex)
    lines = Lines(cam.project(apex), cam.project(shoulder), np.full(n, 0.2), np.full(n, 0.3), np.full(n, 0.5), np.zeros(n, int))
    moved = replace(cam, focal_px=9090.0, translation=cam.translation * np.array([1, 1, 1.01]))
    fit = CameraFit(cam, "EXIF", 90.0, 0.1, {"focal length": (moved, 90.0, "px")}, (1.0, 1.0), ())
    return profile(lines, fit, declared, 0.12)


def test_every_source_carries_its_own_uncertainty_and_unit():
    w = seen(Declared(included_angle_deg=30.0, edge_height_mm=0.4, edge_height_tolerance_mm=0.2))
    assert set(w.source_u) == set(w.systematic_u_mm)
    assert w.source_u["edge height"] == (pytest.approx(0.2 / math.sqrt(3)), "mm")
    assert w.source_u["lie of the blade"] == (pytest.approx(2 / math.sqrt(3)), "deg")
    assert w.source_u["focal length"] == (90.0, "px")
    assert w.source_u["apex line"] == (pytest.approx(0.3), "px")
    rows = {r.source: r for r in budget(estimate(w, Declared(included_angle_deg=30.0)), np.ones(60, bool)).rows}
    row = rows["edge height"]
    assert (row.u, row.unit) == (pytest.approx(0.1155, abs=1e-4), "mm")
    # 0.1 mm nearer at 94.6 mm looks 0.1 % larger: dT/dz = T / D = 0.5176 / 94.6 mm per mm.
    assert abs(row.sensitivity_mm_per_unit) == pytest.approx(0.5176 / 94.6, rel=0.02)
    assert abs(row.sensitivity_mm_per_unit) * row.u == pytest.approx(row.contribution_mm, rel=1e-12)


def test_the_angle_counts_in_the_widths_uncertainty_and_once_in_thickness():
    known = Declared(included_angle_deg=30.0, angle_tolerance_deg=2.0, edge_height_mm=0.4)
    w = seen(known)
    u = math.radians(math.hypot(2 / math.sqrt(3) / 2, DRIFT_U_DEG))
    assert w.angle_u_rad == pytest.approx(u)
    without = replace(w, angle_u_rad=0.0)
    np.testing.assert_allclose(w.width_u_mm**2 - without.width_u_mm**2, (w.width_per_rad_mm * u) ** 2, rtol=1e-6)
    np.testing.assert_array_equal(estimate(w, known).profile.u_mm, estimate(without, known).profile.u_mm)
    # Undeclared: 18 +- 10 degrees a side, so w = p / cos a is known to 6 % at best (tan 18 deg x 10 deg).
    free = seen(Declared(included_angle_deg=None), 18.0)
    assert np.median(free.width_u_mm / free.width_mm) > 0.056


def test_one_cheek_tolerance():
    d = Declared(included_angle_deg=30.0, lie=Lie.CHEEK_DOWN, cheek_angle_deg=4.0)
    assert seen(d).source_u["lie of the blade"] == (pytest.approx(DECLARED_CHEEK_TOLERANCE_DEG / math.sqrt(3)), "deg")
    assert cheek_deg((Face(seen(d), d),)) == (4.0, pytest.approx(DECLARED_CHEEK_TOLERANCE_DEG / math.sqrt(3)))
