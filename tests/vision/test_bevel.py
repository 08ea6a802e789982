"""Rays and planes against handbook trigonometry (reference-values.md, Geometry) and against OpenCV's projection."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from vision.bevel import Lines, Pose, apex_points, face_frames, per_radian, tangents, widths
from vision.camera import Camera


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
