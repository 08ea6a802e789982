"""Photos of one setting with the lamp moved: drawn with a rounded shoulder whose light falls off as a rounding's does."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from vision import lights, rounded
from vision.declared import Declared
from vision.errors import DeclarationError, PhotoRefused
from vision.hints import Guide, Hints, LineKind, pointing_px
from vision.lights import sight_together
from vision.measure import Side, measure_sides
from vision.photo import open_photo
from vision.sighting import sight

DECLARED = Declared(included_angle_deg=30.0, edge_height_mm=0.0, printed_bar_mm=(100.0, 100.0))
WIDTH_MM, EDGE_MM, REACH_MM = 0.9, 4.5, 0.05
# Linear light of bevel and cheek under three lamps: bevel far brighter, cheek brighter, bevel a little brighter.
LAMPS = ((0.55, 0.12), (0.14, 0.40), (0.45, 0.24))


def waves(x, seed=5):
    """A ground edge's waviness (mm), the same in every photo of one blade."""
    grid = np.arange(-10.0, 60.0, 0.05)
    noise = np.convolve(
        np.random.default_rng(seed).standard_normal(len(grid)), np.exp(-0.5 * (np.arange(-2, 2.01, 0.05) / 0.5) ** 2), "same"
    )
    return np.interp(x, grid, 0.015 * noise / noise.std())


def lit(hopeless, lamp, seed, *, edge_mm=EDGE_MM, along_mm=0.0, blade=5, reach_mm=REACH_MM, lines=0.04, tint=(1.0, 0.98, 0.96)):
    """One photo (uint8 RGB): the blade under one lamp; between the faces the light falls off exponentially with the turn."""
    c = hopeless.Canvas(seed=seed)
    bevel, cheek = (np.log(v) for v in lamp)
    up = c.y - edge_mm
    turned = (np.clip((up - WIDTH_MM - waves(c.x + along_mm, blade)) / reach_mm, -1, 1) + 1) / 2
    light = np.exp(bevel + (cheek - bevel) * turned)
    grind = 1.0 + lines * np.random.default_rng(blade).standard_normal(c.x.shape[1])[None]
    c.cover(up, (light * np.where(turned < 0.5, grind, 1.0))[..., None] * np.array(tint))
    return c.photo(f"lamp-{seed}")


def moved(photo, angle_deg, scale, name):
    """The same photo from another place of the hand."""
    height, width = photo.pixels.shape[:2]
    turn = cv2.getRotationMatrix2D((width / 2, height / 2), angle_deg, scale)
    pixels = cv2.warpAffine(photo.pixels, turn, (width, height), flags=cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REPLICATE)
    return open_photo(cv2.imencode(".png", np.ascontiguousarray(pixels[..., ::-1]))[1].tobytes(), name)


@pytest.fixture(scope="module")
def setting(hopeless):
    return tuple(lit(hopeless, lamp, 11 + i) for i, lamp in enumerate(LAMPS))


def errors_um(sighting):
    """Seen width less the true one, um, station by station: the view is square, so a seen px is a px of the sheet."""
    seen = (sighting.lines.apex_px[:, 1] - sighting.lines.shoulder_px[:, 1]) / sighting.record.px_per_mm
    known = np.isfinite(seen)
    position = sighting.fit.camera.to_height(sighting.lines.apex_px, 0.0)[:, 0]
    return 1000 * (seen - WIDTH_MM - waves(position))[known]


def shoulder_u_um(sighting):
    """Systematic standard uncertainty of the shoulder, um of width."""
    shifts = sighting.widths(DECLARED).systematic_u_mm
    return 1000 * np.hypot(shifts["shoulder line"], shifts["shoulder rounding"])


def test_three_lights_find_the_corner_that_none_shows(hopeless):
    # Nearly polished: no grind lines whose end would show the corner in every single photo.
    polished = tuple(lit(hopeless, lamp, 11 + i, lines=0.01) for i, lamp in enumerate(LAMPS))
    singles = [float(np.median(np.abs(errors_um(sight(p, DECLARED))))) for p in polished]
    together = sight_together(polished, DECLARED)
    error = errors_um(together)
    assert len(error) > 200
    # The middle of the light lies at 0.29 and 0.25 of the rounding toward the brighter face: 14 and 13 um.
    assert max(singles) > 10.0
    assert float(np.median(np.abs(error))) < min(2.0 / 3.0 * min(singles), 4.0)
    u_um = shoulder_u_um(together)
    assert abs(float(np.median(error))) < 2.0 * float(np.nanmedian(u_um))
    assert "3 photos with the lamp moved" in next(n.text for n in together.notes if n.code == "lights")


def test_photos_by_hand_are_brought_together_by_the_strip(setting):
    by_hand = (setting[0], moved(setting[1], 1.1, 0.985, "two.png"), moved(setting[2], -0.8, 0.97, "three.png"))
    together = sight_together(by_hand, DECLARED)
    assert together.place == 0
    assert float(np.median(np.abs(errors_um(together)))) < 5.0


def test_measured_as_one_with_every_photo_on_record(setting):
    result = measure_sides((Side(setting, DECLARED, moved_light=True),))
    assert [p.name for p in result.photos] == [p.name for p in setting]
    assert len(np.unique(result.widths.photo)) == 1
    assert all(p.checks for p in result.photos)
    assert result.zones is not None


@pytest.mark.parametrize("count", [2, 3])
def test_photos_of_one_light_tell_no_more_of_the_corner_than_one(hopeless, count):
    """Fresh noise and another exposure are no other light: the systematic part stays that of a single photo, and the person is told."""
    photos = tuple(lit(hopeless, [k * v for v in LAMPS[0]], 31 + i) for i, k in zip(range(count), (1.0, 0.8, 1.1), strict=False))
    seen = sight_together(photos, DECLARED)
    assert "lamp-unmoved" in [n.code for n in seen.notes]
    one = min(float(np.nanmedian(sight(p, DECLARED).lines.shoulder_systematic_px)) for p in photos)
    assert float(np.nanmedian(seen.lines.shoulder_systematic_px)) > 0.9 * one


def test_moved_lights_are_not_called_one(setting):
    assert "lamp-unmoved" not in [n.code for n in sight_together(setting, DECLARED).notes]


def test_sharp_lines_that_agree_are_not_shifted_by_a_rounding(hopeless):
    # A coating as dark under every lamp, ground off to a sharp corner: nothing speaks of a rounding.
    coated = tuple(lit(hopeless, lamp, 41 + i, reach_mm=0.002) for i, lamp in enumerate(((0.50, 0.04), (0.35, 0.03), (0.25, 0.02))))
    best = min(float(np.median(np.abs(errors_um(sight(p, DECLARED))))) for p in coated)
    together = sight_together(coated, DECLARED)
    off = float(np.median(np.abs(errors_um(together))))
    assert off < best + 2.0
    # The sharp singles carry 10 um for a rounding that may be there; three lights that agree need not.
    assert float(np.nanmedian(shoulder_u_um(together))) < 8.0


def test_an_edge_that_one_lamp_hides_is_found_by_the_others(hopeless, setting):
    # A bevel as bright as its lane and without lines: the first line of this photo is the shoulder, and what it shows there still counts.
    hidden = lit(hopeless, (0.70, 0.20), 31, lines=0.0, tint=np.array(hopeless.WHITE) / 0.70)
    together = sight_together((*setting[:2], hidden), DECLARED)
    assert len(errors_um(together)) > 200
    assert float(np.median(np.abs(errors_um(together)))) < 8.0
    # The same photo of a blade that lies elsewhere shows a shoulder where nobody else has one.
    elsewhere = lit(hopeless, (0.70, 0.20), 32, lines=0.0, tint=np.array(hopeless.WHITE) / 0.70, edge_mm=EDGE_MM + 0.3)
    with pytest.raises(PhotoRefused, match=r"lamp-32.png: its edge does not lie where the other photos show it"):
        sight_together((*setting[:2], elsewhere), DECLARED)


def test_a_strip_that_was_moved_is_refused(hopeless, setting):
    across = lit(hopeless, LAMPS[2], 21, edge_mm=EDGE_MM + 0.4)
    with pytest.raises(PhotoRefused, match=r"lamp-21.png: its edge does not lie where the other photos show it"):
        sight_together((*setting[:2], across), DECLARED)
    along = lit(hopeless, LAMPS[2], 22, along_mm=2.0)
    with pytest.raises(PhotoRefused, match=r"lamp-22.png: its edge lies 2.0 mm farther along the strip"):
        sight_together((*setting[:2], along), DECLARED)


def test_a_guide_reaches_as_far_in_a_smaller_photo_of_the_setting(setting, monkeypatch):
    """A hand is off by so many px of the photo that it points at; rows and columns are those of the sharpest photo, here twice as fine."""
    asked = []
    monkeypatch.setattr(lights, "guide_on", lambda strip, hints, line, about, reach: asked.append((bool(hints.guides), reach)))
    small = open_photo(cv2.imencode(".png", cv2.resize(setting[1].pixels, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA))[1].tobytes())
    large = sight(setting[0], DECLARED)
    x, y = large.lines.shoulder_px[np.isfinite(large.lines.shoulder_px[:, 1])][100] / 2
    photos, guides = (setting[0], small), (None, Hints(guides=(Guide(LineKind.SHOULDER, x, y),)))
    fine, reach = large.record.px_per_mm, pointing_px((small.width_px, small.height_px))
    sight_together(photos, DECLARED, hints=guides)
    of_small = [found for guided, found in asked if guided]
    assert of_small
    assert np.array(of_small) == pytest.approx(np.tile([fine, 2.0 * reach], (len(of_small), 1)), rel=0.01)


def test_a_guide_outside_its_photo_is_refused(setting):
    outside = Hints(guides=(Guide(LineKind.SHOULDER, 9000.0, 10.0),))
    with pytest.raises(DeclarationError, match="lies outside"):
        sight_together(setting[:2], DECLARED, hints=(None, outside))


def test_one_photo_and_seven_are_no_setting(setting):
    for photos in (setting[:1], setting * 2 + setting[:1]):
        with pytest.raises(DeclarationError, match="2 to 6"):
            sight_together(photos, DECLARED)


def test_a_light_that_shows_nothing_has_no_voice():
    light = rounded.Light(*(np.full(80, v) for v in (0.05, 0.0, 0.8, 0.3, 0.1, 0.0)))
    rows = np.array([np.full(80, 30.0), np.full(80, np.nan), np.full(80, np.nan)])
    rows[0, 40:] = np.nan
    place = rounded.corner(rows, [light] * 3, 60.0).place
    assert np.isfinite(place.row[:40]).all()
    assert np.isnan(place.row[40:]).all()
    assert place.systematic_px[10] > 0.3, "one light alone cannot tell the corner from its rounding"


def test_two_photos_of_one_light_beside_another_light_count_once():
    """Their common error is one: three photos of two lights know the corner no better than two of them."""
    rows = np.zeros((3, 600)) + np.array([0.0, 0.0, 1.0])[:, None]
    one = rounded.Light(*(np.full(600, v) for v in (0.05, 0.5, 0.3, 0.5, 0.1, 0.0)))
    other = replace(one, log_ratio=np.full(600, -0.6))
    three, two = rounded.corner(rows, [one, one, other], 60.0), rounded.corner(rows[1:], [one, other], 60.0)
    assert not three.alike
    assert np.median(three.place.systematic_px) == pytest.approx(float(np.median(two.place.systematic_px)), rel=0.02)
    # Three lights that differ tell more.
    third = replace(one, log_ratio=np.full(600, 1.0))
    assert np.median(rounded.corner(rows, [one, third, other], 60.0).place.systematic_px) < 0.97 * np.median(three.place.systematic_px)
    assert rounded.corner(rows, [one, one, one], 60.0).alike
