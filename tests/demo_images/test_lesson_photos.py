"""The six pictures of the screen that shows a good photo, against the scenarios that made them."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from PIL import Image

from app.lessons import CAUTIONS, FOLDER, LESSONS
from calibration_targets.strip import STRIP
from demo_images.lessons import LESSON_SCENES, SCALE
from demo_images.render import scaled
from demo_images.truth import inside, project, stations

# No marker can be read in these at the size shown.
BLURRED = ("soft", "target-too-low")
BY_NAME = {lesson.name: lesson for lesson in LESSONS}


def grey(name: str) -> np.ndarray:
    with Image.open(BY_NAME[name].picture) as image:
        return np.asarray(image.convert("L"), float)


def test_lessons_are_the_scenarios_and_the_files() -> None:
    assert [f"lesson-{lesson.name}" for lesson in LESSONS] == list(LESSON_SCENES)
    assert {p.name for p in FOLDER.iterdir()} == {lesson.picture.name for lesson in LESSONS}


@pytest.mark.parametrize("lesson", LESSONS, ids=lambda lesson: lesson.name)
def test_picture_is_small_and_shows_its_scenario(lesson) -> None:
    assert lesson.picture.stat().st_size < 150_000
    scene = LESSON_SCENES[f"lesson-{lesson.name}"]
    camera = scaled(scene.camera, SCALE)
    image = grey(lesson.name)
    assert image.shape == camera.size[::-1]
    # The middle of every black square that the picture shows is black, that of none is where another scenario would have it.
    column, row = np.meshgrid(np.arange(STRIP.columns), np.arange(STRIP.rows))
    black = ((column + row) % 2 == 0).ravel()
    middle = np.column_stack([column.ravel() + 0.5, -row.ravel() - 0.5, np.zeros(column.size)])[black] * STRIP.square_mm
    px = np.round(project(camera, middle)).astype(int)
    px = px[inside(camera, px, 10.0)]
    assert len(px) > 20
    assert image[px[:, 1], px[:, 0]].max() < 0.5 * np.percentile(image, 50)
    corners, ids, _, _ = cv2.aruco.CharucoDetector(STRIP.charuco()).detectBoard(image.astype(np.uint8))
    assert (ids is None) == (lesson.name in BLURRED)
    if ids is not None:
        board = STRIP.corners_mm[np.ravel(ids)]
        off = np.reshape(corners, (-1, 2)) - project(camera, np.column_stack([board[:, 0], -board[:, 1], np.zeros(len(board))]))
        assert np.median(np.hypot(*off.T)) < 0.3


def test_each_picture_has_its_fault_and_the_good_one_none() -> None:
    """Faults by numbers: px across the bevel, tilt, share burnt out along the bevel, sharpness of the strip's squares and of the edge."""
    across, burnt, strip = {}, {}, {}
    for name in BY_NAME:
        scene = LESSON_SCENES[f"lesson-{name}"]
        camera, image = scaled(scene.camera, SCALE), grey(name)
        rows = stations(type(scene)(**{**scene.__dict__, "camera": camera}))
        apex, shoulder = (np.array([r[key] for r in rows]) for key in ("apex_px", "shoulder_px"))
        across[name] = float(np.median(np.hypot(*(apex - shoulder).T)))
        middle = np.round((apex + shoulder) / 2).astype(int)
        burnt[name] = float(np.mean(image[middle[:, 1], middle[:, 0]] >= 250))
        # The steepest place of the strip's printed borders, as a share of black to white in one pixel.
        low = image[int(apex[:, 1].max()) + 60 :]
        strip[name] = float(np.percentile(np.abs(np.diff(low, axis=1)), 99.5) / np.ptp(np.percentile(low, (5, 95))))
    assert across["too-far"] < 0.5 * across["good"]
    assert burnt["glare"] > 0.9
    assert burnt["good"] < 0.2
    assert max(strip["soft"], strip["target-too-low"]) < 0.6 * strip["good"]
    assert np.hypot(*LESSON_SCENES["lesson-tilted"].camera.tilt_deg) > 20


def test_every_lesson_says_what_is_seen_what_to_do_and_describes_itself() -> None:
    assert len(LESSONS) == 6
    for lesson in LESSONS:
        assert min(len(lesson.seen), len(lesson.do), len(lesson.alt)) > 60
    assert "Blades cut" in CAUTIONS[0]
    assert "Local rules" in CAUTIONS[-1]
