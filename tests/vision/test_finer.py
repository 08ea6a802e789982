"""Photos made smaller after they were taken: drawn with exact truth, reduced as messengers and editors do it."""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest

from vision import finer
from vision.bevel import Lines
from vision.camera import Camera, CameraFit
from vision.declared import Declared
from vision.hints import DeclaredScale, Guide, Hints, LineKind
from vision.lights import sight_together
from vision.photo import open_photo
from vision.sighting import sight

FACTS = Declared(
    included_angle_deg=30,
    edge_height_mm=0.0,
    edge_height_tolerance_mm=0.0,
    camera_distance_mm=1000,
    camera_distance_tolerance_mm=100,
    printed_bar_mm=(100.0, 100.0),
)
WIDTH_MM, PX_PER_MM = 0.9 / math.cos(math.radians(15)), 60.0
APEX_Y, SHOULDER_Y = (14.0 - 4.5) * PX_PER_MM, (14.0 - 5.4) * PX_PER_MM


def at(px: float, share: float) -> float:
    """A coordinate of the whole picture in the reduced one."""
    return (px + 0.5) * share - 0.5


def reduced(photo, share, name="small.png", quality=None):
    """The photo at `share` of its width, means over areas, as a lossless file or as a JPEG of this quality with coarse colour."""
    pixels = cv2.resize(photo.pixels, None, fx=share, fy=share, interpolation=cv2.INTER_AREA)
    how = (
        ([], ".png")
        if quality is None
        else ([cv2.IMWRITE_JPEG_QUALITY, quality, cv2.IMWRITE_JPEG_SAMPLING_FACTOR, cv2.IMWRITE_JPEG_SAMPLING_FACTOR_420], ".jpg")
    )
    return open_photo(cv2.imencode(how[1], np.ascontiguousarray(pixels[..., ::-1]), how[0])[1].tobytes(), name)


@pytest.mark.parametrize(("share", "quality"), [(0.5, None), (0.5, 70), (0.4, 85), (0.4, 70), (1 / 3, 85)])
def test_widths_of_a_reduced_photo_are_true_in_its_own_pixels(drawn, share, quality):
    small = reduced(drawn(grind=0.15, noise=0.01).photo(), share, quality=quality)
    seen = sight(small, FACTS)
    assert "photo-reduced" in [n.code for n in seen.notes]
    assert (seen.record.width_px, seen.record.height_px) == (small.width_px, small.height_px)
    assert seen.record.px_per_mm == pytest.approx(PX_PER_MM * share, rel=2e-3)
    assert seen.record.blur_px < 0.7
    assert float(np.median(np.abs(seen.lines.apex_px[:, 1] - at(APEX_Y, share)))) < 0.15
    widths = seen.widths(FACTS)
    known = np.isfinite(widths.width_mm)
    # At half the width and a quality of 70 the first 2 mm show no line of their own.
    assert known.mean() > 0.95
    off = np.abs(widths.width_mm[known] - WIDTH_MM)
    assert float(np.median(off)) < 0.012
    assert (off < 2 * widths.width_u_mm[known]).mean() > 0.95


def test_a_photo_as_the_camera_saved_it_is_searched_as_it_is(drawn):
    photo = drawn(blur_px=0.9).photo()
    assert finer.for_search(photo, Hints())[0] is photo
    assert "photo-reduced" not in [n.code for n in sight(photo, FACTS).notes]


@pytest.mark.parametrize("seed", [1, 2])
def test_ripples_of_jpeg_before_the_edge_are_no_line(drawn, seed):
    """The edge along the rows of JPEG's blocks: they ring in the even lane by what the grind lines vary, with a border of their own."""
    small = reduced(drawn(grind=0.15, noise=0.01, seed=seed).photo(), 0.6, quality=85)
    seen = sight(small, FACTS)
    assert float(np.median(np.abs(seen.lines.apex_px[:, 1] - at(APEX_Y, 0.6)))) < 0.15
    assert abs(float(np.nanmedian(seen.widths(FACTS).width_mm)) - WIDTH_MM) < 0.012


def test_a_large_photo_is_not_looked_at_twice(drawn):
    small = reduced(drawn().photo(), 0.4)
    large = replace(small, pixels=np.broadcast_to(small.pixels[:1, :1], (2000, 2001, 3)))
    assert finer.for_search(large, Hints())[0] is large


def test_what_was_pointed_at_stays_in_the_photos_own_pixels(drawn):
    share = 0.4
    small = reduced(drawn(grind=0.15).photo(), share)
    x, y = at(900.0, share), at(SHOULDER_Y, share) + 1.0
    pointed = Hints(guides=(Guide(LineKind.SHOULDER, x, y),))
    seen = sight(small, FACTS, hints=pointed)
    assert seen.record.hints == pointed
    assert "guide-missed" not in [n.code for n in seen.notes]
    assert abs(float(np.nanmedian(seen.widths(FACTS).width_mm)) - WIDTH_MM) < 0.012
    # A guide where no line is: the remark counts pixels of this photo, not of the enlarged one.
    nowhere = Hints(guides=(Guide(LineKind.SHOULDER, x, at(SHOULDER_Y, share) - 18.0),))
    (told,) = (n for n in sight(small, FACTS, hints=nowhere).notes if n.code == "guide-missed")
    assert "within 4 px of it" in told.text


def test_without_the_strip_the_edge_itself_tells(drawn):
    share = 0.4
    photo = drawn(grind=0.15, noise=0.01).photo()
    pixels = photo.pixels.copy()
    pixels[round(12.5 * PX_PER_MM) :] = pixels[round(11.0 * PX_PER_MM), 5]
    small = reduced(replace(photo, pixels=pixels), share, quality=95)
    line = tuple((at(px, share), at(APEX_Y + off, share)) for px, off in ((60.0, 6.0), (1700.0, -5.0)))
    scale = DeclaredScale(PX_PER_MM * share, 0.0, "drawn")
    seen = sight(small, FACTS, hints=Hints((), line, (at(900.0, share), at(330.0, share)), scale))
    assert "photo-reduced" in [n.code for n in seen.notes]
    assert seen.record.px_per_mm == pytest.approx(PX_PER_MM * share)
    assert seen.record.hints.along_px == line
    widths = seen.widths(FACTS)
    assert float(np.nanmedian(np.abs(widths.width_mm - WIDTH_MM))) < 0.012
    # Lengths along the drawn line from its first point, in its own mm.
    assert widths.position_mm.max() == pytest.approx(1640.0 / PX_PER_MM, abs=0.3)


def test_lights_in_reduced_photos_are_told_in_their_own_pixels(drawn):
    lamps = [((0.55, 0.53, 0.57), (0.15, 0.15, 0.16)), ((0.4, 0.39, 0.52), (0.2, 0.2, 0.21))]
    photos = [reduced(drawn(bevel=b, cheek=c, grind=0.15, seed=i).photo(), 0.5, f"lamp-{i}.png") for i, (b, c) in enumerate(lamps)]
    seen = sight_together(photos, FACTS)
    assert {(r.width_px, r.height_px) for r in seen.records} == {(photos[0].width_px, photos[0].height_px)}
    assert float(np.median(np.abs(seen.lines.apex_px[:, 1] - at(APEX_Y, 0.5)))) < 0.15
    assert abs(float(np.nanmedian(seen.widths(FACTS).width_mm)) - WIDTH_MM) < 0.012


def test_lines_and_camera_go_back_to_the_photos_own_pixels():
    camera = Camera(5000.0, (999.5, 749.5), -0.05, np.diag([1.0, -1.0, -1.0]), np.array([-15.0, 3.0, 100.0]))
    points = np.random.default_rng(4).uniform(0, 30, (20, 3)) * [1, 0.3, 0.05]
    fit = CameraFit(camera, "EXIF", 40.0, 0.2, {"focal length": (replace(camera, focal_px=5040.0), 40.0, "px")}, (1.0, 1.0))
    own = finer.own_fit(fit, 2)
    expected = (camera.project(points) + 0.5) / 2 - 0.5
    np.testing.assert_allclose(own.camera.project(points), expected, atol=1e-9)
    changed, u, unit = own.variants["focal length"]
    assert (changed.focal_px, u, unit) == (2520.0, 20.0, "px")
    assert (own.focal_u_px, own.residual_px, own.drawn_px) == (20.0, 0.1, None)
    one, two = np.full((3, 2), 10.0), np.full((3, 2), 20.0)
    lines = finer.own_lines(Lines(one, two, np.full(3, 0.1), np.full(3, 0.2), np.full(3, 0.4), np.zeros(3, int), two), 2)
    assert (lines.apex_px[0, 0], lines.shoulder_px[0, 0], lines.rival_px[0, 0]) == (4.75, 9.75, 9.75)
    assert (lines.apex_systematic_px[0], lines.shoulder_systematic_px[0]) == (0.1, 0.2)
    # One of four samples is independent: the random part is twice what the fits say, in half as many px.
    assert lines.random_u_px[0] == 0.1
