"""The committed demo photos, their truth and their setups against the scenarios that made them (no renderer needed)."""

from __future__ import annotations

import json

import cv2
import numpy as np
import pytest
from PIL import Image, ImageOps

from calibration_targets.strip import STRIP
from demo_images import DEMOS, develop
from demo_images.render import STUDY_SCENES, library, main, scaled
from demo_images.scenarios import DEMO_SCENES
from demo_images.truth import CALIPER_LIMIT_MM, project, setup, stations, truth

FILES = [(stem, photo, setup_file, truth_file) for d in DEMOS for stem, photo, setup_file, truth_file in
         zip(d.stems, d.photos, d.setups, d.truths, strict=True)]  # fmt: skip
NAMES = [name for name, *_ in FILES]
PRACTICE_KEYS = {"s", "apex_px", "shoulder_px", "bevel_width", "half_angle", "thickness", "position_mm"}


def read(path):
    return json.loads(path.read_text(encoding="utf-8"))


def upright(path) -> np.ndarray:
    with Image.open(path) as image:
        return np.asarray(ImageOps.exif_transpose(image))


def test_demos_are_the_scenarios_and_the_files() -> None:
    folder = FILES[0][1].parent
    assert set(NAMES) == set(DEMO_SCENES)
    for ending in (".jpg", ".setup.json", ".truth.json"):
        assert {p.name.removesuffix(ending) for p in folder.glob(f"*{ending}")} == set(NAMES)


@pytest.mark.parametrize(("name", "photo", "_setup", "_truth"), FILES, ids=NAMES)
def test_photo_is_what_its_scenario_says(name, photo, _setup, _truth) -> None:
    camera = DEMO_SCENES[name].camera
    assert photo.stat().st_size <= 3_000_000
    with Image.open(photo) as image:
        exif = image.getexif()
        assert exif[0x0112] == camera.orientation
        assert (exif[0x010F], exif[0x0110]) == (develop.MAKE, develop.MODEL)
        focal_px = exif.get_ifd(0x8769)[0xA405] / 43.27 * np.hypot(*image.size)
    # The tag holds whole millimetres: half of one is 0.7 % here.
    assert focal_px == pytest.approx(camera.focal_px, rel=0.008)
    assert upright(photo).shape == (camera.size[1], camera.size[0], 3)


@pytest.mark.parametrize(("name", "_photo", "_setup", "truth_file"), FILES, ids=NAMES)
def test_committed_truth_follows_from_the_scenario(name, _photo, _setup, truth_file) -> None:
    wanted, found = truth(DEMO_SCENES[name]), read(truth_file)
    assert {k: v for k, v in found.items() if k != "stations"} == {k: v for k, v in wanted.items() if k != "stations"}
    assert len(found["stations"]) == len(wanted["stations"])
    for key in PRACTICE_KEYS:
        np.testing.assert_allclose([s[key] for s in found["stations"]], [s[key] for s in wanted["stations"]], atol=2e-3, err_msg=key)


@pytest.mark.parametrize(("name", "_photo", "setup_file", "truth_file"), FILES, ids=NAMES)
def test_committed_setup_follows_from_the_scenario(name, _photo, setup_file, truth_file) -> None:
    rows = read(truth_file)["stations"]
    assert read(setup_file) == setup(DEMO_SCENES[name], rows)
    declared = read(setup_file)
    position, thickness = np.array([(s["position_mm"], s["thickness"]) for s in rows]).T
    errors = [reading - np.interp(at, position, thickness) for at, reading in declared["caliper"]]
    assert len(errors) == 5
    # The instrument's limit, half a step of the display, and 0.01 mm for hand and for the position's rounding.
    assert np.abs(errors).max() < CALIPER_LIMIT_MM + 0.005 + 0.01
    # The owner's angle is off, but nowhere by more than the tolerance that goes with it.
    off = np.abs(2 * np.array([s["half_angle"] for s in rows]) - declared["included_angle"])
    assert off.mean() > 0
    assert off.max() <= declared["angle_tolerance"]


def test_stations_lie_a_tenth_of_a_millimetre_apart_and_on_the_photo() -> None:
    for name, *_, truth_file in FILES:
        rows = read(truth_file)["stations"]
        size = np.array(DEMO_SCENES[name].camera.size)
        np.testing.assert_allclose(np.diff([s["s"] for s in rows]), 0.1, atol=1e-9)
        for key in ("apex_px", "shoulder_px"):
            px = np.array([s[key] for s in rows])
            assert (px >= 0).all()
            assert (px <= size - 1).all()


def test_three_photos_show_one_whole_edge() -> None:
    scenes = [DEMO_SCENES[f"whole-edge-{i}"] for i in (1, 2, 3)]
    assert len({scene.blade for scene in scenes}) == 1
    assert len({scene.target for scene in scenes}) == 1
    arcs = [[s["s"] for s in stations(scene)] for scene in scenes]
    assert arcs[0][0] < 0.5
    assert 90 < arcs[2][-1] < 110
    assert arcs[2][-1] > scenes[0].blade.length_mm - 0.5
    assert arcs[0][-1] - arcs[1][0] >= 8
    assert arcs[1][-1] - arcs[2][0] >= 8


def test_showpiece_thickens_toward_the_tip() -> None:
    rows = stations(DEMO_SCENES["belly-thickens"])
    thickness = np.array([s["thickness"] for s in rows])
    assert thickness[-20:].mean() > 1.5 * thickness[:150].mean()


def corner_errors(name: str, photo) -> np.ndarray:
    """(N, 2) px, corners found by OpenCV minus those projected from the scenario."""
    scene = DEMO_SCENES[name]
    grey = cv2.cvtColor(upright(photo), cv2.COLOR_RGB2GRAY)
    corners, ids, _, _ = cv2.aruco.CharucoDetector(STRIP.charuco()).detectBoard(grey)
    start = np.asarray(corners, np.float32).reshape(-1, 1, 2).copy()
    found = cv2.cornerSubPix(grey, start, (11, 11), (-1, -1), (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 60, 1e-4))
    board = STRIP.corners_mm[np.ravel(ids)] * np.array(scene.target.print_scale)
    return found.reshape(-1, 2) - project(scene.camera, np.column_stack([board[:, 0], -board[:, 1], np.zeros(len(board))]))


def test_strip_corners_found_by_opencv_agree_with_the_truth() -> None:
    errors = [corner_errors(name, photo) for name, photo, *_ in FILES]
    for name, e in zip(NAMES, errors, strict=True):
        assert len(e) >= 12, name
        assert np.median(np.linalg.norm(e, axis=1)) < 0.2, name
        # A single corner is found to about 0.1 px: three standard errors of their mean.
        assert (np.abs(e.mean(axis=0)) < 3 * e.std(axis=0) / np.sqrt(len(e)) + 0.01).all(), name
    pooled = np.concatenate(errors)
    assert (np.abs(pooled.mean(axis=0)) < 0.03).all()


def test_every_scenario_has_its_own_name_and_a_truth() -> None:
    assert not set(DEMO_SCENES) & set(STUDY_SCENES)
    for name, scene in library().items():
        rows = stations(scene)
        assert len(rows) > 200, name
        assert rows == sorted(rows, key=lambda s: s["s"])
        assert set(rows[0]) - {"chip", "serrated", "corner", "facet_width"} == PRACTICE_KEYS
        assert len(setup(scene, rows)["caliper"]) == 5


def test_chips_are_marked_in_the_truth() -> None:
    rows = stations(STUDY_SCENES["chips-burr"])
    marked = [s["s"] for s in rows if s.get("chip")]
    assert all(any(abs(s - c.s_mm) <= c.width_mm / 2 + 1e-9 for c in STUDY_SCENES["chips-burr"].blade.chips) for s in marked)
    assert len(marked) >= 15


def test_facts_only_writes_the_committed_files_again(tmp_path) -> None:
    main(["demo", "--facts-only", "--out", str(tmp_path)])
    for *_, setup_file, truth_file in FILES:
        assert read(tmp_path / setup_file.name) == read(setup_file)
        assert (tmp_path / truth_file.name).read_text() == truth_file.read_text()


def test_unknown_scenario_is_refused(tmp_path, capsys) -> None:
    with pytest.raises(SystemExit):
        main(["no-such-scene", "--out", str(tmp_path)])
    assert "no-such-scene" in capsys.readouterr().err


def test_smaller_pictures_show_the_same_scene() -> None:
    camera = DEMO_SCENES["plain-edge"].camera
    half = scaled(camera, 0.5)
    points = np.array([[5.0, -3.0, 0.0], [30.0, 6.0, 0.4]])
    assert half.size == (2000, 1500)
    np.testing.assert_allclose(project(half, points), (project(camera, points) + 0.5) * 0.5 - 0.5, atol=1e-9)
