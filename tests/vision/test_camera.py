"""Camera geometry against OpenCV's projection, there and back, priors, and the camera profile."""

import json
import math
from dataclasses import replace

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from calibration_targets.strip import STRIP, draw_raster
from vision.camera import Camera, _Prior, _Problem, fit_camera
from vision.camera_profile import CameraProfile, calibrate, load, solve
from vision.declared import Declared
from vision.errors import PhotoRefused, ResultUnreadable
from vision.target import Target, find_target

SIZE = (4000, 3000)
DOWN = np.diag([1.0, -1.0, -1.0])


def camera(focal=9000.0, k1=0.04, tilt=(1.0, -1.0), turn=0.0, distance=95.0, aim=(25.0, 0.0), size=SIZE):
    """A camera that looks at `aim` on the sheet; tilt about the photo's x and y, degrees."""
    turned = Rotation.from_euler("zxy", [turn, *tilt], degrees=True).as_matrix() @ DOWN
    shift = np.array([0, 0, distance]) - turned @ np.array([*aim, 0.0])
    return Camera(focal, ((size[0] - 1) / 2, (size[1] - 1) / 2), k1, turned, shift)


def seen(view, size=SIZE, noise=0.0, bars=(1.0, 1.0), seed=0):
    """The strip as `view` sees it."""
    nominal = STRIP.corners_mm * (1, -1)
    px = view.project(np.column_stack([nominal * bars, np.zeros(len(nominal))]))
    inside = np.all((px > 5) & (px < np.array(size) - 6), axis=1)
    px = px[inside] + np.random.default_rng(seed).normal(0, noise, (inside.sum(), 2))
    return Target(STRIP, np.flatnonzero(inside), px, nominal[inside], 1.2, 0, 0.05)


def relative(a, b):
    return abs(a / b - 1)


@given(
    st.floats(-0.2, 0.2),
    st.floats(-15, 15),
    st.floats(-15, 15),
    st.floats(-180, 180),
    st.floats(60, 200),
    st.integers(0, 2**31),
)
@settings(max_examples=60, deadline=None)
def test_projection_and_rays_go_there_and_back(k1, tilt_x, tilt_y, turn, distance, seed):
    view = camera(k1=k1, tilt=(tilt_x, tilt_y), turn=turn, distance=distance)
    px = np.random.default_rng(seed).uniform(0, 3000, (20, 2))
    for z in (0.0, 5.0, -3.0):
        mm = view.to_height(px, z)
        assert np.allclose(mm[:, 2], z, atol=1e-9)
        assert np.max(np.abs(view.to_height(view.project(mm), z) - mm)) < 1e-6
    normal = Rotation.from_euler("xy", [10, 5], degrees=True).apply([0, 0, 1.0])
    on_plane = view.to_plane(px, np.array([20.0, 1.0, 2.0]), normal)
    assert np.max(np.abs(view.project(on_plane) - px)) < 1e-6
    assert np.max(np.abs((on_plane - [20.0, 1.0, 2.0]) @ normal)) < 1e-9


@given(st.floats(-0.3, 0.3), st.floats(-15, 15), st.floats(-15, 15), st.integers(0, 2**31))
@settings(max_examples=40, deadline=None)
def test_projection_is_opencvs(k1, tilt_x, tilt_y, seed):
    view = camera(k1=k1, tilt=(tilt_x, tilt_y))
    points = np.random.default_rng(seed).uniform([0, -15, -5], [50, 15, 8], (30, 3))
    matrix = np.array([[view.focal_px, 0, view.centre_px[0]], [0, view.focal_px, view.centre_px[1]], [0, 0, 1]])
    turn = cv2.Rodrigues(view.rotation)[0]
    # Near half a turn OpenCV's matrix -> vector loses digits; vector -> matrix does not: compare one and the same rotation.
    view = replace(view, rotation=cv2.Rodrigues(turn)[0])
    expected, _ = cv2.projectPoints(points, turn, view.translation, matrix, np.array([k1, 0, 0, 0, 0]))
    assert np.max(np.abs(view.project(points) - expected.reshape(-1, 2))) < 1e-8


def test_square_view_has_the_handbook_scale():
    view = camera(k1=0.0, tilt=(0, 0), distance=90.0, focal=9000.0)
    assert view.px_per_mm == pytest.approx(100.0, abs=1e-9)
    assert view.tilt_deg == pytest.approx(0.0, abs=1e-5)
    assert view.distance_to_mm(5.0) == pytest.approx(85.0)
    # Similar triangles: 5 mm above the sheet at 90 mm, 1 mm covers 90/85 as many pixels.
    a, b = view.project(np.array([[25.0, 0, 5.0], [26.0, 0, 5.0]]))
    assert np.linalg.norm(b - a) == pytest.approx(9000 / 85, rel=1e-12)
    assert np.allclose(view.origin_mm, [25, 0, 90])


def test_rays_are_nan_where_the_lens_model_folds_back():
    view = camera(k1=-40.0, tilt=(0, 0))  # r (1 - 40 r^2) peaks at r = 0.0913: bent radius 0.0609 = 548 px
    px = np.array([view.centre_px, (view.centre_px[0] + 540, view.centre_px[1]), (view.centre_px[0] + 560, view.centre_px[1])])
    _, directions = view.rays(px)
    assert np.isfinite(directions[:2]).all()
    assert np.isnan(directions[2]).all()


@pytest.mark.parametrize("turn", [0, 90, 180, -90])
def test_fit_finds_the_camera_from_exif(turn):
    size = SIZE if turn % 180 == 0 else SIZE[::-1]
    truth = camera(turn=turn, size=size)
    fit = fit_camera(seen(truth, size), size, 9000.0, Declared(included_angle_deg=30))
    assert fit.focal_source == "EXIF"
    assert relative(fit.camera.focal_px, 9000) < 1e-3  # the belief that k1 is about 0 pulls a little
    assert fit.camera.k1 == pytest.approx(0.04, abs=2e-3)
    assert np.allclose(fit.camera.origin_mm, truth.origin_mm, atol=0.02)
    assert fit.residual_px < 1e-3


def test_declared_distance_runs_from_lens_to_edge():
    truth = camera(distance=100.0, tilt=(0, 0))
    declared = Declared(included_angle_deg=30, camera_distance_mm=95.0, edge_height_mm=5.0)
    fit = fit_camera(seen(truth), SIZE, None, declared)
    assert fit.focal_source == "declared distance"
    assert fit.camera.distance_to_mm(5.0) == pytest.approx(95.0, abs=0.05)
    _, u, unit = fit.variants["camera distance"]
    assert (u, unit) == (pytest.approx(5 / math.sqrt(3)), "mm")  # rectangular, JCGM 100 4.3.7
    moved = fit.variants["camera distance"][0].distance_to_mm(5.0) - fit.camera.distance_to_mm(5.0)
    assert moved == pytest.approx(5 / math.sqrt(3), rel=0.03)


def test_order_of_sources():
    truth = camera()
    target = seen(truth)
    profile = CameraProfile("phone", *SIZE, 9000.0, 40.0, 0.04, 0.003, 0.1, 8, 25.0, 95.0)
    near = Declared(included_angle_deg=30, camera_distance_mm=95.0)
    none = Declared(included_angle_deg=30)
    assert fit_camera(target, SIZE, 9000.0, near, profile).focal_source == "profile"
    assert fit_camera(target, SIZE, 9000.0, near).focal_source == "declared distance"
    assert fit_camera(target, SIZE, 9000.0, none).focal_source == "EXIF"
    blind = fit_camera(target, SIZE, None, none)
    assert blind.focal_source == "assumed distance"
    assert [n.code for n in blind.notes] == ["camera-distance-assumed"]
    assert "100 ± 40 mm was assumed" in blind.notes[0].text
    assert blind.focal_u_px > 0.1 * blind.camera.focal_px
    assert fit_camera(target, SIZE, 9000.0, none, profile).focal_u_px < fit_camera(target, SIZE, 9000.0, none).focal_u_px


def test_a_real_tilt_outweighs_a_wrong_prior():
    """At 15 degrees the corners know the focal length, by weight; near square they do not."""
    none = Declared(included_angle_deg=30)
    steep = camera(tilt=(-14.0, 6.0), distance=140.0)
    square = camera(tilt=(0.3, 0.0), distance=140.0)
    wrong = 9000 * 1.08
    off_steep = relative(fit_camera(seen(steep), SIZE, wrong, none).camera.focal_px, 9000)
    off_square = relative(fit_camera(seen(square), SIZE, wrong, none).camera.focal_px, 9000)
    assert off_square == pytest.approx(0.08, abs=0.005)
    assert off_steep < 0.5 * off_square


def test_printed_bars_scale_each_axis():
    bars = (0.994, 0.997)
    truth = camera()
    declared = Declared(included_angle_deg=30, printed_bar_mm=(99.4, 99.7))
    fit = fit_camera(seen(truth, bars=bars), SIZE, 9000.0, declared)
    assert np.allclose(fit.camera.origin_mm, truth.origin_mm, atol=0.02)
    px = truth.project(np.array([[30 * bars[0], 2.0, 0.0]]))
    assert fit.printed_x(fit.camera.to_height(px, 0.0)[:, 0]) == pytest.approx(30.0, abs=1e-4)
    # A variant is what a whole fit gives when the bar had been measured one standard uncertainty longer.
    u = 0.1 / math.sqrt(3)
    line = truth.project(np.array([[15.0, 2.0, 0], [15.0, 3.0, 0], [16.0, 2.0, 0]]))
    for axis, name in enumerate(("print scale X", "print scale Y")):
        longer = np.array([99.4, 99.7])
        longer[axis] += u
        again = fit_camera(seen(truth, bars=bars), SIZE, 9000.0, Declared(included_angle_deg=30, printed_bar_mm=tuple(longer)))
        varied, stated, unit = fit.variants[name]
        assert (stated, unit) == (pytest.approx(u), "mm per 100 mm")
        was, expected, found = (np.diff(c.to_height(line, 0.0)[[1, 0, 2]], axis=0) for c in (fit.camera, again.camera, varied))
        shift = np.linalg.norm(expected, axis=1) - np.linalg.norm(was, axis=1)
        assert np.linalg.norm(found, axis=1) - np.linalg.norm(was, axis=1) == pytest.approx(shift, abs=5e-5)
        assert np.abs(shift).max() > 1e-4


def test_variants_cover_the_scatter_of_repeated_photos():
    """Corner noise of 0.3 px: tilts found in 20 draws scatter no more than the corner variants say, nor absurdly less."""
    truth = camera()
    none = Declared(included_angle_deg=30)
    fits = [fit_camera(seen(truth, noise=0.3, seed=i), SIZE, 9000.0, none) for i in range(20)]
    lean = np.array([np.degrees(Rotation.from_matrix(f.camera.rotation @ truth.rotation.T).as_rotvec())[0] for f in fits])
    stated = np.median([f.variants["corners, tilt about x"][1] for f in fits])
    assert 0.05 * stated < np.sqrt(np.mean(lean**2)) < stated


def test_a_tilt_beyond_the_range_and_a_wrong_distance_are_said():
    none = Declared(included_angle_deg=30)
    codes = [n.code for n in fit_camera(seen(camera(tilt=(18, 0))), SIZE, 9000.0, none).notes]
    assert "camera-tilted" in codes
    steep = camera(tilt=(-14.0, 6.0), distance=140.0)
    near = Declared(included_angle_deg=30, camera_distance_mm=60.0, camera_distance_tolerance_mm=2.0)
    notes = {n.code: n.text for n in fit_camera(seen(steep), SIZE, None, near).notes}
    assert " ± " in notes["camera-disagrees"]


TILTS = [(12, 0), (-12, 0), (0, 12), (0, -12), (9, 9), (-9, 9), (2, -3)]


def views(tilts=TILTS, noise=0.05, focal=9000.0):
    return [seen(camera(focal=focal, tilt=t, distance=140.0, turn=15 * i), noise=noise, seed=i) for i, t in enumerate(tilts)]


def test_profile_recovers_focal_length_and_says_how_well(tmp_path):
    profile = calibrate(views(), [SIZE] * len(TILTS), "Phone, rear")
    assert abs(profile.focal_px - 9000) < 3 * profile.focal_u_px
    assert profile.focal_u_px < 0.02 * 9000
    assert profile.k1 == pytest.approx(0.04, abs=0.01)
    assert profile.tilt_spread_deg > 20
    assert profile.distance_mm == pytest.approx(140, rel=0.03)
    profile.save(tmp_path / "phone.json")
    assert load(tmp_path / "phone.json") == profile


@pytest.mark.parametrize("bars", [(1.001, 1.0), (1.0, 1.001)])
def test_a_print_that_is_stretched_one_way_is_in_the_profiles_uncertainty(bars):
    """It passes for a tilt in all photos alike: leaving photos out cannot show it."""

    def photos(bars):
        return [seen(camera(tilt=t, distance=140.0), noise=0.05, bars=bars, seed=i) for i, t in enumerate(TILTS)]

    stretched, sizes, print_u = photos(bars), [SIZE] * len(TILTS), 0.1 / 100 / math.sqrt(3)
    trusted, told = (calibrate(stretched, sizes, print_u=u) for u in (0.0, print_u))
    assert told.focal_px == pytest.approx(trusted.focal_px, rel=1e-6)
    change = trusted.focal_px - calibrate(photos((1.0, 1.0)), sizes).focal_px
    assert abs(change) > 1.5 * trusted.focal_u_px, "it is not seen otherwise"
    # Either axis may be off by 1 / sqrt(3) of the stretch that was drawn.
    assert told.focal_u_px**2 - trusted.focal_u_px**2 == pytest.approx(2 * change**2 / 3, rel=0.15)
    assert abs(told.focal_px - 9000) < 2 * told.focal_u_px
    assert told.k1_u >= trusted.k1_u
    # Bars that nobody measured are good to a percent.
    with pytest.raises(PhotoRefused, match=r"uncertain by [2-9]\.\d %") as refused:
        calibrate(stretched, sizes, print_u=10 * print_u)
    assert "measure both check bars" in str(refused.value)


def test_profile_takes_upright_and_sideways_photos_together():
    targets, sizes = views(noise=0.0), [SIZE] * len(TILTS)
    for i in (1, 4):  # the same photo turned clockwise: (x, y) -> (H - 1 - y, x)
        px = targets[i].corners_px
        turned = np.column_stack([SIZE[1] - 1 - px[:, 1], px[:, 0]])
        targets[i] = Target(STRIP, targets[i].ids, turned, targets[i].board_mm, 1.2, 0, 0.0)
        sizes[i] = SIZE[::-1]
    assert calibrate(targets, sizes).focal_px == pytest.approx(9000, rel=2e-3)


def test_profile_refusals(tmp_path):
    with pytest.raises(PhotoRefused, match="6 tilted photos"):
        calibrate(views()[:5], [SIZE] * 5)
    with pytest.raises(PhotoRefused, match="tilt the camera"):
        solve(views([(1, 0), (0, 1), (1, 1), (-1, 0), (0, 0), (0, -1)], noise=0.1), [SIZE] * 6)
    with pytest.raises(PhotoRefused, match="different sizes"):
        calibrate(views(), [SIZE] * 6 + [(2000, 1500)])
    profile = calibrate(views(), [SIZE] * len(TILTS), "Phone")
    assert profile.for_size(SIZE[::-1]) is profile
    with pytest.raises(PhotoRefused, match="4000 x 3000"):
        fit_camera(seen(camera()), (3000, 3000), None, Declared(included_angle_deg=30), profile)
    path = tmp_path / "p.json"
    with pytest.raises(ResultUnreadable, match="cannot be read"):
        load(path)
    path.write_text("[1, 2")
    with pytest.raises(ResultUnreadable, match="damaged"):
        load(path)
    profile.save(path)
    fields = json.loads(path.read_text())
    for change, words in (({"schema": 9}, "schema is 9"), ({"focal_px": -1.0}, "positive"), ({"extra": 1}, "not a camera profile")):
        path.write_text(json.dumps(fields | change))
        with pytest.raises(ResultUnreadable, match=words):
            load(path)


def test_bars_that_do_not_fit_the_photo_are_noted():
    """Swapped or misread bars stretch the board: a plane can lean, but not take all of it up."""
    picture = draw_raster(STRIP, 60.0, margin_mm=5.0)[:, :2700]
    target = find_target(cv2.GaussianBlur(np.ascontiguousarray(picture), (0, 0), 1.0))
    size = (picture.shape[1], picture.shape[0])

    def codes(bars):
        facts = Declared(included_angle_deg=30, camera_distance_mm=95, printed_bar_mm=bars)
        return {n.code for n in fit_camera(target, size, None, facts).notes}

    assert "bars-disagree" not in codes((100.0, 100.0))
    assert "bars-disagree" not in codes((99.6, 99.6))
    assert "bars-disagree" in codes((101.0, 99.0))


def test_bars_that_nobody_measured_are_not_said_to_be_entered():
    picture = draw_raster(STRIP, 60.0, margin_mm=5.0)[:, :2700]
    # A printer that errs by 2 % along, and not across.
    picture = cv2.resize(np.ascontiguousarray(picture), None, fx=1.02, fy=1.0, interpolation=cv2.INTER_AREA)
    target = find_target(cv2.GaussianBlur(picture, (0, 0), 1.0))
    size = (picture.shape[1], picture.shape[0])
    facts = Declared(included_angle_deg=30, camera_distance_mm=95)
    (note,) = (n for n in fit_camera(target, size, None, facts).notes if n.code == "bars-disagree")
    assert note.text.startswith("with the check bars taken as 100 mm, since nobody measured them, the corners miss by")
    assert note.remedy == "measure both bars and declare them (--printed-bar X,Y)"
    (note,) = (n for n in fit_camera(target, size, None, replace(facts, printed_bar_mm=(100.0, 100.0))).notes if n.code == "bars-disagree")
    assert note.text.startswith("with the check bars as entered the corners miss by")


@pytest.mark.parametrize("by", ["focal length", "distance"])
def test_derivatives_of_the_fit_are_those_of_its_residuals(by):
    view = camera(tilt=(3.0, -5.0), turn=20.0)
    target = seen(view)
    prior = _Prior("test", 9100.0 if by == "focal length" else None, 0.02, 96.0, 2.0, 0.0, 0.05, 0.4)
    points = np.column_stack([target.board_mm, np.zeros(len(target.ids))])
    problem = _Problem(points, target.corners_px + 0.3, view.centre_px, prior, np.linspace(0.1, 0.4, len(points)))
    at = np.array([0.01, -0.02, 0.03, 0.1, 0.2, -0.3, 0.01, 0.02])
    steps = np.diag([1e-5, 1e-5, 1e-5, 1e-3, 1e-3, 1e-3, 1e-4, 1e-5])
    near = [problem.residuals(problem.moved(view, at + e)) - problem.residuals(problem.moved(view, at - e)) for e in steps]
    numeric = np.column_stack([d / (2 * h) for d, h in zip(near, np.diag(steps), strict=True)])
    exact = problem.jacobian(view, at)
    assert np.abs(exact - numeric).max(axis=0) == pytest.approx(np.zeros(8), abs=1e-8 * np.abs(exact).max())
