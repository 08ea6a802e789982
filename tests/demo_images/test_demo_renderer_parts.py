"""The renderer's own parts, against OpenCV, handbook geometry and known pictures."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from PIL import Image, ImageOps

from calibration_targets.strip import STRIP
from demo_images import develop, textures, things
from demo_images.mesh import blade_patches
from demo_images.scenarios import DEMO_SCENES, MEDIUM
from demo_images.scene import Blade, Camera, Chip, Corner, Mark, Scallops, Target, Thing
from demo_images.section import cut, mitred
from demo_images.truth import camera_axes, project


def test_projection_agrees_with_opencv() -> None:
    camera = Camera(tilt_deg=(7, -5), roll_deg=12, k1=0.05)
    axes, centre = camera_axes(camera)
    points = np.random.default_rng(3).uniform([0, -10, 0], [45, 20, 5], (50, 3))
    matrix = np.array([[camera.focal_px, 0, (camera.size[0] - 1) / 2], [0, camera.focal_px, (camera.size[1] - 1) / 2], [0, 0, 1]])
    wanted, _ = cv2.projectPoints(points, cv2.Rodrigues(axes)[0], -axes @ centre, matrix, np.array([camera.k1, 0, 0, 0.0]))
    np.testing.assert_allclose(project(camera, points), wanted.reshape(-1, 2), atol=1e-6)


def test_optical_axis_meets_the_aim_at_the_stated_distance() -> None:
    camera = Camera(aim=(30, 4, 0.7), distance_mm=90)
    np.testing.assert_allclose(project(camera, [camera.aim])[0], (np.array(camera.size) - 1) / 2, atol=1e-9)
    assert np.linalg.norm(camera_axes(camera)[1] - camera.aim) == pytest.approx(90)


def test_a_level_section_has_the_handbook_proportions() -> None:
    blade = Blade(half_angle=((0, 15.0),), thickness_mm=0.5, waviness=0.0)
    cuts = cut(blade, np.array([3.0, 20.0]))
    w = 0.5 / (2 * np.sin(np.radians(15.0)))
    np.testing.assert_allclose(cuts.width, w)
    # Square to the centre plane: p = w cos a, half of T above it.
    np.testing.assert_allclose(cuts.shoulder - cuts.apex, [[0, w * np.cos(np.radians(15)), 0.25]] * 2, atol=1e-12)


def test_a_blade_lying_on_its_cheek_rests_on_the_sheet() -> None:
    blade = replace(DEMO_SCENES["coated-cheek-down"].blade, waviness=0.0)
    cuts = cut(blade, np.array([10.0]))
    a, c = cuts.half_angle[:, None], np.radians(blade.cheek_angle_deg)
    lower_shoulder = cuts.apex + cuts.width[:, None] * (cuts.n * np.cos(a) - cuts.m * np.sin(a))
    lower_cheek = cuts.n * np.cos(c) - cuts.m * np.sin(c)
    assert lower_shoulder[0, 2] == pytest.approx(0, abs=1e-9)
    assert lower_cheek[0, 2] == pytest.approx(0, abs=1e-9)


def test_belly_turns_by_curvature_times_arc() -> None:
    cuts = cut(Blade(length_mm=60, curvature=((20, 40, 0.02),)), np.array([5.0, 55.0]))
    heading = np.degrees(np.arctan2(cuts.tangent[:, 1], cuts.tangent[:, 0]))
    np.testing.assert_allclose(heading, [0, np.degrees(0.4)], atol=0.1)


def test_mesh_holds_apex_and_shoulder_planes() -> None:
    blade = Blade(rounding_mm=0.02, waviness=0.0, half_angle=((0, 16.0),))
    bevel, cheek = blade_patches(blade)[:2]
    rows = bevel.points.reshape(-1, 25, 3)
    np.testing.assert_allclose(rows[:, 0, 2], 0.4, atol=1e-9)
    # Along the face up to the rounding, and no farther.
    w = 0.5 / (2 * np.sin(np.radians(16)))
    np.testing.assert_allclose(np.linalg.norm(rows[:, 16] - rows[:, 0], axis=1), w - 0.02, atol=1e-9)
    for patch, degrees in ((bevel, 16.0), (cheek, 3.0)):
        # Normals lean toward the edge by the face's angle (away from the rounding).
        index = 0 if patch is bevel else -1
        normals = patch.normals.reshape(-1, 25 if patch is bevel else 32, 3)[:, index]
        np.testing.assert_allclose(np.degrees(np.arctan2(-normals[:, 1], normals[:, 2])), degrees, atol=1e-6)


@pytest.mark.parametrize("direction", [0.0, 62.0, 90.0])
def test_grind_lines_keep_direction_and_scale_over_the_rounding(direction) -> None:
    """A millimetre of the finish is a millimetre of metal up to the corner: where its places stood still, the lines had no direction
    and the highlight ended at the rounding's start instead of within it."""
    blade = Blade(rounding_mm=0.05, waviness=0.0, bevel=replace(MEDIUM, direction_deg=direction))
    patch = next(p for p in blade_patches(blade) if p.name == "bevel")
    p, uv = patch.points[patch.faces], patch.uv_mm[patch.faces]
    edge, place = p[:, 1:] - p[:, :1], uv[:, 1:] - uv[:, :1]
    real = np.linalg.norm(np.cross(edge[:, 0], edge[:, 1]), axis=1) > 1e-9
    along = np.linalg.solve(place[real], edge[real])[:, 0]
    flat = np.array([np.cos(np.radians(direction)), np.sin(np.radians(direction)) * np.cos(np.radians(15))])
    assert np.linalg.norm(along, axis=1) == pytest.approx(1.0, abs=0.02)
    np.testing.assert_allclose(along[:, :2], np.broadcast_to(flat, (real.sum(), 2)), atol=0.03)


def test_chip_takes_metal_away_and_convexity_adds_it() -> None:
    plain = blade_patches(Blade(waviness=0.0))[0].points.reshape(-1, 25, 3)
    convex = blade_patches(Blade(waviness=0.0, convex_mm=0.02))[0].points.reshape(-1, 25, 3)
    assert np.linalg.norm(convex - plain, axis=2).max() == pytest.approx(0.02, rel=0.02)
    chipped = blade_patches(Blade(waviness=0.0, chips=(Chip(20, 0.5, 0.1),)))[0].points.reshape(-1, 25, 3)
    depth = (chipped[:, 0, 1] - 4.6) / np.cos(np.radians(15))
    assert depth.max() == pytest.approx(0.1, rel=0.01)
    assert set(np.flatnonzero(depth > 1e-9)) == set(np.flatnonzero(np.abs(chipped[:, 0, 0] + 3 - 20) < 0.25 - 1e-9))


def test_serrations_take_apex_and_shoulder_back_alike() -> None:
    toothed = Blade(waviness=0.0, scallops=Scallops(20, 40, 4.0, 0.5))
    s = np.array([10.0, 20.0, 22.0, 24.0, 26.0])
    plain, bitten = cut(replace(toothed, scallops=None), s), cut(toothed, s)
    np.testing.assert_allclose(bitten.width - plain.width, [0, 0, 0.5, 0, 0.5], atol=1e-9)
    first = blade_patches(toothed)[0].points.reshape(-1, 25, 3)[:, 0, 1]
    assert (first.max() - 4.6) / np.cos(np.radians(15)) == pytest.approx(0.5, rel=1e-3)


def test_an_angular_corner_turns_at_once_and_its_faces_end_on_the_bisector() -> None:
    blade = Blade(waviness=0.0, corner=Corner(20.0, 40.0))
    cuts = cut(blade, np.array([19.98, 20.02, 25.0]))
    np.testing.assert_allclose(np.degrees(np.arctan2(cuts.tangent[:, 1], cuts.tangent[:, 0])), [0, 40, 40], atol=1e-6)
    # Handbook: two lines that turn by t leave 180 - t inside, and their bisector rises at half of that.
    assert mitred(blade, cuts)[2] == pytest.approx(5.0 * np.tan(np.radians(70)), rel=1e-6)
    corner = cut(blade, np.array([20.0])).apex[0]
    across = np.array([-np.sin(np.radians(20)), np.cos(np.radians(20))])  # along the bisector
    for patch in blade_patches(blade)[:2]:
        first, second = np.split(patch.points.reshape(-1, 25 if patch.name == "bevel" else 32, 3)[..., :2] - corner[:2], [400], axis=0)
        beyond = np.array([across[1], -across[0]])
        assert (first @ beyond).max() < 0.03
        assert (second @ beyond).min() > -0.03


def test_an_etched_mark_has_strokes_inside_and_an_empty_border() -> None:
    board = textures.strokes(Mark(10.0, 0.2, (12.0, 2.0), seed=4))
    assert board.shape == (120, 720)
    assert 0.05 < (board > 0.5).mean() < 0.5
    assert not np.concatenate([board[0], board[-1], board[:, 0], board[:, -1]]).any()


def test_colour_fringe_magnifies_red_and_blue_about_the_middle() -> None:
    light = np.zeros((201, 301, 3), np.float32)
    light[98:103, 248:253] = 1.0
    seen = develop._fringed(light, (0.02, -0.01))
    places = [np.average(np.arange(301), weights=seen[..., c].sum(axis=0)) for c in range(3)]
    np.testing.assert_allclose(places, [150 + 1.02 * 100, 250, 150 + 0.99 * 100], atol=0.02)


def test_a_moved_camera_smears_by_what_it_moved() -> None:
    light = np.zeros((81, 81, 3), np.float32)
    light[40, 40] = 1.0
    seen = develop._moved(light, (20.0, 0.0))[..., 1]
    assert seen.sum() == pytest.approx(1, abs=1e-3)
    assert np.ptp(np.flatnonzero(seen.sum(axis=0) > 1e-3)) == pytest.approx(20, abs=1)
    assert np.count_nonzero(seen.sum(axis=1) > 1e-3) == 1


def test_texture_cells_are_the_strip() -> None:
    _, _, black = STRIP.modules()
    np.testing.assert_array_equal(textures.strip_cells() < 128, black)


def test_strip_edges_lie_where_printed() -> None:
    target = Target(print_scale=(0.99, 1.0), ink=0.0)
    image = textures.sheet_texture(target, (0.013, 12.0), (-2.9, -0.1), 100)
    row = image[100:180, :, 1].mean(axis=0)
    # First row of squares: black to 3 mm (2.97 true). Area under the profile gives the edge to far below a texel.
    part = row[: round((3.3 - 0.013) * 100)] - row[:250].mean()
    edge = 0.013 + (part.size - part.sum() / part[-15:].mean()) / 100
    assert edge == pytest.approx(2.97, abs=0.005)


def test_noise_tiles_without_a_seam() -> None:
    field = textures.periodic_noise((200, 300), (3.0, 12.0), 5)
    assert field.std() == pytest.approx(1, abs=1e-3)
    assert np.abs(field[:, 0] - field[:, -1]).mean() < 1.5 * np.abs(field[:, 1] - field[:, 0]).mean()
    assert np.abs(field[0] - field[-1]).mean() < 1.5 * np.abs(field[1] - field[0]).mean()


def test_finish_has_the_slope_it_states_across_its_lines() -> None:
    slopes, reflectance, size = textures.finish_tile(MEDIUM, 4)
    assert slopes[..., 1].std() == pytest.approx(MEDIUM.slope_rms, rel=0.01)
    assert slopes[..., 0].std() < 0.2 * slopes[..., 1].std()
    assert reflectance.mean(axis=(0, 1)) == pytest.approx(MEDIUM.reflectance, rel=0.02)
    assert size[0] >= 20


def test_colours_survive_mosaic_and_demosaic() -> None:
    camera = Camera(blur_px=0, denoise=0, sharpen=0, contrast=0, full_well=1e6, read_noise=0)
    light = np.broadcast_to(np.array([0.30, 0.15, 0.06], np.float32), (64, 64, 3)).copy()
    seen = develop.develop(light, camera, 1)[8:-8, 8:-8].reshape(-1, 3).mean(axis=0) / 255
    np.testing.assert_allclose(seen, develop.srgb(np.array([0.30, 0.15, 0.06])), atol=0.01)


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_saved_photo_turns_upright(tmp_path, orientation) -> None:
    image = np.zeros((40, 64, 3), np.uint8)
    image[:16, :16] = (250, 20, 20)
    develop.save(image, replace(Camera(size=(64, 40)), orientation=orientation), tmp_path / "a.jpg")
    with Image.open(tmp_path / "a.jpg") as stored:
        back = np.asarray(ImageOps.exif_transpose(stored)).astype(int)
    assert back.shape == image.shape
    assert np.abs(back[2:12, 2:12] - image[2:12, 2:12]).mean() < 12
    assert back[-8:, -8:].mean() < 12


@pytest.mark.parametrize("shape", ["slab", "rod", "dome"])
def test_things_have_their_size_and_face_outward(shape) -> None:
    thing = Thing(shape, (0, 0, 0), (30.0, 8.0, 3.0))
    points, normals, faces = things._box(thing) if shape == "slab" else things._round(thing)
    np.testing.assert_allclose(np.ptp(points, axis=0), thing.size_mm, rtol=2e-3)
    np.testing.assert_allclose(np.linalg.norm(normals, axis=1), 1, atol=1e-6)
    assert ((points * normals).sum(axis=1) > -1e-9).all()
    assert faces.max() < len(points)


def test_a_rule_has_its_ticks_at_the_near_edge() -> None:
    face = things.surface(Thing("slab", (0, 0, 0), (60.0, 15.0, 0.5), "rule", (0.6, 0.6, 0.6)))
    dark = (face[..., 0] < 0.3).mean(axis=1)
    assert dark[:60].mean() > 0.15
    assert not dark[-200:].any()
