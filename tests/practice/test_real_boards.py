"""Real photographs of another board (sources in ../shared/real-boards/README.md): corners and the calibration's solver."""

from pathlib import Path

import cv2
import numpy as np
import pytest

from calibration_targets.strip import Board
from vision.camera_profile import calibrate, intrinsics, solve
from vision.errors import PhotoRefused
from vision.target import find_target

pytestmark = pytest.mark.practice

FOLDER = Path(__file__).resolve().parents[3] / "shared" / "real-boards"
BOARD = Board(5, 7, 40.0, 20.0, "DICT_6X6_250")
SIZE = (640, 480)
# opencv_contrib modules/aruco/samples/tutorial_camera_charuco.yml
FX, FY, CX = 452.511, 456.767, 317.703


def grey(name):
    image = cv2.imread(str(FOLDER / name), cv2.IMREAD_GRAYSCALE)
    assert image is not None, f"{FOLDER / name} is missing"
    return image


def views(corners):
    """(board points, corners) of the four photos, corners from `corners(image)` -> ids, px."""
    boards, seen = [], []
    for i in range(4):
        ids, px = corners(grey(f"img_0{i}.jpg"))
        boards.append(np.column_stack([BOARD.corners_mm[ids], np.zeros(len(ids))]).astype(np.float32))
        seen.append(px.astype(np.float32))
    return boards, seen


def by_opencv(image):
    corners, ids, _, _ = cv2.aruco.CharucoDetector(BOARD.charuco()).detectBoard(image)
    return ids.reshape(-1), corners.reshape(-1, 2)


def by_us(image):
    target = find_target(image, BOARD)
    return target.ids, target.corners_px


@pytest.mark.parametrize(
    ("name", "corners"),
    [
        ("img_00.jpg", 24),
        ("img_01.jpg", 24),
        ("img_02.jpg", 24),
        ("img_03.jpg", 24),
        ("choriginal.jpg", 24),
        ("chocclusion_original.jpg", 16),
    ],
)
def test_corners(name, corners):
    image = grey(name)
    target = find_target(image, BOARD)
    assert (len(target.ids), target.rejected) == (corners, 0)
    ids, px = by_opencv(image)
    assert np.array_equal(np.sort(ids), np.sort(target.ids))
    assert np.sqrt(np.mean((target.corners_px[np.argsort(target.ids)] - px[np.argsort(ids)]) ** 2)) < 0.25
    assert target.residual_px < 0.25


def test_solver_reproduces_the_published_calibration():
    """With OpenCV's corners and the published model (everything free): within 2 %."""
    matrix, _, rms, _, _ = intrinsics(*views(by_opencv), SIZE, flags=0)
    assert matrix[0, 0] == pytest.approx(FX, rel=0.02)
    assert matrix[1, 1] == pytest.approx(FY, rel=0.02)
    assert matrix[0, 2] == pytest.approx(CX, rel=0.02)
    assert rms == pytest.approx(0.18776, abs=2e-3)  # reference-values.md, OpenCV 5.0.0


def test_our_corners_agree_with_it_as_far_as_these_photos_can_tell():
    """All four look at the board from one side; `calibrateCameraExtended` gives u(fx) = 15.8 px: k = 2."""
    matrix, _, rms, _, _ = intrinsics(*views(by_us), SIZE, flags=0)
    assert abs(matrix[0, 0] - FX) < 2 * 15.8
    assert abs(matrix[1, 1] - FY) < 2 * 15.0
    assert rms < 0.18776  # the saddle points fit better than OpenCV's corners


def test_four_views_from_one_side_make_no_profile():
    """The tilts do not determine the focal length: 517 px with a fixed principal point, residuals as good as ever."""
    targets = [find_target(grey(f"img_0{i}.jpg"), BOARD) for i in range(4)]
    with pytest.raises(PhotoRefused, match="6 tilted photos"):
        calibrate(targets, [SIZE] * 4)
    with pytest.raises(PhotoRefused, match="leave the focal length uncertain"):
        solve(targets, [SIZE] * 4)
