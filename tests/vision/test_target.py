"""Finding the strip on pages drawn by OpenCV and seen through known homographies."""

import cv2
import numpy as np
import pytest

from calibration_targets.strip import STRIP, Board, draw_raster
from vision.checks import Verdict, judge
from vision.errors import TargetNotFound
from vision.target import _apply, _apply_slope, edge_blurs, find_target, linear_light, refine_saddles

PX_PER_MM = 40.0
SQUARE_PX = 120


def to_srgb(light):
    """Linear light 0-1 -> 8-bit sRGB (IEC 61966-2-1)."""
    coded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 0) ** (1 / 2.4) - 0.055)
    return np.clip(np.rint(coded * 255), 0, 255).astype(np.uint8)


@pytest.fixture(scope="module")
def sheet():
    """The strip drawn by OpenCV at 120 px a square, linear light; pixel (0, 0) covers the board's first corner."""
    return STRIP.charuco().generateImage((48 * SQUARE_PX, 5 * SQUARE_PX)).astype(np.float32) / 255 * 0.8 + 0.05


def board_to_px(homography):
    """Board mm -> photo px: the drawing's pixel centres are half a pixel in, x = mm * scale - 0.5."""
    return homography @ np.array([[PX_PER_MM, 0, -0.5], [0, PX_PER_MM, -0.5], [0, 0, 1.0]])


def place(xy, homography):
    q = np.column_stack([xy, np.ones(len(xy))]) @ homography.T
    return q[:, :2] / q[:, 2:]


def photo(sheet, homography, size=(1600, 1200), blur=1.2, noise=0.01, seed=0):
    """Sheet through a homography at threefold sampling, blurred by `blur` px, noise, sRGB."""
    k = 3
    up = np.array([[k, 0, (k - 1) / 2], [0, k, (k - 1) / 2], [0, 0, 1.0]])
    big = cv2.warpPerspective(sheet, up @ homography, (size[0] * k, size[1] * k), flags=cv2.INTER_LINEAR, borderValue=0.8)
    big = cv2.GaussianBlur(big, (0, 0), blur * k)
    light = cv2.resize(big, size, interpolation=cv2.INTER_AREA)
    return to_srgb(light + np.random.default_rng(seed).normal(0, noise, light.shape))


def tilted(degrees, turn=0.0, focal=3000.0, distance_px=3000.0, aim=(1500.0, 300.0), size=(1600, 1200)):
    """Homography of a sheet tilted about the photo's x axis, drawing px -> photo px."""
    a, b = np.radians([degrees, turn])
    rot_x = np.array([[1, 0, 0], [0, np.cos(a), -np.sin(a)], [0, np.sin(a), np.cos(a)]])
    rot_z = np.array([[np.cos(b), -np.sin(b), 0], [np.sin(b), np.cos(b), 0], [0, 0, 1]])
    columns = (rot_x @ rot_z)[:, :2]
    shift = np.array([0, 0, distance_px]) - columns @ np.array(aim)
    camera = np.array([[focal, 0, (size[0] - 1) / 2], [0, focal, (size[1] - 1) / 2], [0, 0, 1.0]])
    return camera @ np.column_stack([columns, shift])


def errors(target, homography):
    board = target.board_mm * (1, -1)
    return target.corners_px - place(board, board_to_px(homography))


def test_drawn_board_lies_where_it_was_drawn():
    """The half-pixel trap: OpenCV 4.12 and 4.13 put corners 0.5 px off (reference-values.md, issue 25539)."""
    margin, squares = 40, 12
    image = (
        Board(squares, 5, 3.0, 2.25, "DICT_4X4_250").charuco().generateImage((squares * 60 + 2 * margin, 300 + 2 * margin), None, margin)
    )
    target = find_target(image, Board(squares, 5, 3.0, 2.25, "DICT_4X4_250"))
    expected = target.board_mm * (1, -1) * 20 + margin - 0.5
    assert len(target.ids) == 44
    assert np.max(np.abs(target.corners_px - expected)) < 0.02


@pytest.mark.parametrize("turn", [0, 37, 90, 180, 270])
@pytest.mark.parametrize("tilt", [0, 15])
def test_any_turn_and_fifteen_degrees(sheet, turn, tilt):
    h = tilted(tilt, turn)
    target = find_target(photo(sheet, h))
    e = errors(target, h)
    assert len(target.ids) >= 30
    assert np.abs(e.mean(axis=0)).max() < 0.01
    assert np.sqrt(np.mean(e**2)) < 0.03
    assert target.rejected <= 2  # a corner too near the border to be refined
    assert target.notes == ()
    assert target.residual_px < 0.05


def test_turning_the_photo_turns_the_corners(sheet):
    image = photo(sheet, tilted(3))
    first = find_target(image)
    for quarter in (1, 2, 3):
        other = find_target(np.ascontiguousarray(np.rot90(image, quarter)))
        px = other.corners_px
        for _ in range(quarter):  # np.rot90 is counter-clockwise: (x, y) of the turned photo <- (W - 1 - y, x)
            px = np.column_stack([px[:, 1], px[:, 0]])
            px = px * (-1, 1)
        common, i, j = np.intersect1d(first.ids, other.ids, return_indices=True)
        assert len(common) >= 0.9 * len(first.ids)
        shift = first.corners_px[i] - px[j]
        assert np.max(np.abs(shift - np.rint(shift.mean(axis=0)))) < 5e-3


@pytest.mark.parametrize("blur", [0.7, 1.5, 3.0])
def test_blur_is_that_of_the_photo(sheet, blur):
    target = find_target(photo(sheet, tilted(2), blur=blur))
    # The blur, the photo's pixel and the drawing's pixel (1/12 px^2 each), bins of a quarter pixel.
    assert target.blur_px == pytest.approx(np.sqrt(blur**2 + 2 / 12 + 1 / 192), rel=0.04)
    assert len(target.blur_at) > 20
    assert np.std(target.blur_at[:, 2]) < 0.1 * blur


def test_uneven_blur_is_said(sheet):
    sharp, soft = photo(sheet, tilted(0), blur=1.0), photo(sheet, tilted(0), blur=3.0)
    sharp[:, 700:] = soft[:, 700:]
    assert "target-focus-varies" in [n.code for n in find_target(sharp).notes]


def test_covered_and_cut(sheet):
    h = tilted(5, 10)
    image = photo(sheet, h)
    cv2.circle(image, (820, 580), 190, 90, -1)
    target = find_target(image)
    assert len(target.ids) >= 12
    assert np.sqrt(np.mean(errors(target, h) ** 2)) < 0.03
    cut = np.ascontiguousarray(photo(sheet, h)[540:, :])  # two rows of squares and a half are left
    target = find_target(cut)
    assert np.sqrt(np.mean((errors(target, h) + np.array([0, 540])) ** 2)) < 0.03


def test_four_squares_are_enough(sheet):
    piece = sheet.copy()
    piece[:, : 8 * SQUARE_PX] = 0.8
    piece[:, 12 * SQUARE_PX :] = 0.8
    h = tilted(4, 20, aim=(10 * SQUARE_PX, 300))
    target = find_target(photo(piece, h))
    assert len(target.ids) == 12
    assert np.sqrt(np.mean(errors(target, h) ** 2)) < 0.03


def test_small_squares_are_found_at_full_size(sheet):
    """150 dpi: 17.7 px a square, where the reduced copies show nothing."""
    small = cv2.resize(
        photo(sheet, np.eye(3), size=(5760, 640), blur=0.5), None, fx=17.7 / 120, fy=17.7 / 120, interpolation=cv2.INTER_AREA
    )
    page = np.full((1650, 1275), 230, np.uint8)
    page[300 : 300 + small.shape[0], 100 : 100 + small.shape[1]] = small
    target = find_target(page)
    assert len(target.ids) > 170
    assert target.residual_px < 0.2


def test_mirrored_photo_is_refused_as_such(sheet):
    with pytest.raises(TargetNotFound, match="mirrored"):
        find_target(np.ascontiguousarray(photo(sheet, tilted(2))[:, ::-1]))


@pytest.mark.parametrize("image", [np.zeros((600, 800), np.uint8), np.random.default_rng(0).integers(0, 255, (600, 800), np.uint8)])
def test_nothing_there(image):
    with pytest.raises(TargetNotFound, match=r"not found.*four squares"):
        find_target(image)


def test_misuse():
    with pytest.raises(ValueError, match="uint8"):
        find_target(np.zeros((10, 10)))


def test_moved_squares_are_thrown_out(sheet):
    """A patch of the strip shifted by 0.25 mm, like a torn and badly glued piece."""
    torn = sheet.copy()
    x = slice(14 * SQUARE_PX, 16 * SQUARE_PX)
    torn[10:, x] = sheet[:-10, x]
    h = tilted(0)
    target = find_target(photo(torn, h))
    assert target.rejected >= 4
    assert np.sqrt(np.mean(errors(target, h) ** 2)) < 0.1
    assert len(target.ids) >= 24


def test_bent_strip_is_flagged(sheet):
    """Waves along the strip, 0.08 mm in the plane, which no lens and no tilt makes."""
    height, width = sheet.shape
    y, x = np.mgrid[:height, :width].astype(np.float32)
    waves = cv2.remap(sheet, x, y + 3.2 * np.sin(x / 160), cv2.INTER_LINEAR, borderValue=0.8)
    target = find_target(photo(waves, tilted(0)))
    found = judge({"strip-bent": target.residual_px / (target.square_px / target.board.square_mm)})
    check = next(c for c in found if c.name == "strip-bent")
    # 0.08 mm / sqrt 2, of which the radial term takes a little.
    assert check.verdict is Verdict.CAUTION
    assert 0.04 < check.measured < 0.06


def test_saddle_noise_follows_the_handbook():
    """The saddle of a sharp corner smoothed by s: u = (noise / half step) * sqrt(2 pi) / 16, whatever s.

    Gradient noise: n / (s^2 sqrt(8 pi)); cross derivative of a corner of half step a: 2 a / (pi s^2). Derived here.
    """
    y, x = np.mgrid[:61, :61] - 30.0
    corner = 128 + 60 * np.sign(x - 0.31) * np.sign(y + 0.17)
    corner = cv2.GaussianBlur(corner, (0, 0), 1.0)
    rng = np.random.default_rng(1)
    found = np.array([refine_saddles(corner + rng.normal(0, 6, corner.shape), np.array([[30.0, 30.0]]), 4.0)[0][0] for _ in range(200)])
    # A drawn sign() has its step between pixels, at 0.5 and -0.5.
    assert np.allclose(found.mean(axis=0), [30.5, 29.5], atol=0.01)
    expected = 6 / 60 * np.pi / (2 * np.sqrt(8 * np.pi))
    assert np.std(found, axis=0) == pytest.approx([expected] * 2, rel=0.3)


def test_saddle_at_the_border_or_on_a_blank_is_no_saddle():
    blank = np.full((60, 60), 90.0)
    _, good = refine_saddles(blank, np.array([[30.0, 30.0], [2.0, 30.0], [58.0, 58.0]]), 2.0)
    assert not good.any()


def test_linear_light_is_srgb():
    # IEC 61966-2-1: 188 is the code of half the light, to a code's width (0.5029 from 188).
    assert linear_light()[[0, 255]] == pytest.approx([0, 1])
    assert linear_light()[188] == pytest.approx(0.5029, abs=2e-4)


def test_blur_needs_room():
    board = Board(5, 5, 3.0, 2.25, "DICT_4X4_250")
    assert edge_blurs(np.zeros((90, 90), np.uint8), np.arange(16), board.corners_mm * 5, board, 1.5).shape == (0, 3)


def test_second_row_cut_by_the_frame():
    """Two and a half rows of squares in the frame: the outer row's corners have one marker beside them and still count."""
    picture = draw_raster(STRIP, 30.0, margin_mm=6.0)
    shown = np.ascontiguousarray(picture[: round((6.0 + 2.6 * STRIP.square_mm) * 30), 300:1800])
    target = find_target(cv2.GaussianBlur(shown, (0, 0), 1.0))
    rows = np.unique(np.round(target.board_mm[:, 1] / STRIP.square_mm))
    assert len(rows) == 2
    assert target.residual_px < 0.05


def test_derivatives_of_the_plane_are_those_of_its_points():
    rng = np.random.default_rng(0)
    xy = rng.uniform(-0.5, 0.5, (20, 2))
    plane = np.r_[np.array([1, 0, 0, 0, 1, 0, 0, 0]) + 0.3 * rng.normal(size=8), 0.03]
    near = [_apply(plane + e, xy, (1, 1)) - _apply(plane - e, xy, (1, 1)) for e in 1e-6 * np.eye(9)]
    assert np.abs(_apply_slope(plane, xy) - np.column_stack([d.ravel() / 2e-6 for d in near])).max() < 1e-8
