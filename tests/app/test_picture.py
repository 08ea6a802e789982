"""The picture for sharing: its words fit and are the library's, its view stands as the edge lies, whichever way it was photographed."""

from __future__ import annotations

import io
import math
from dataclasses import replace

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure as Chart
from PIL import Image

from app import picture
from app.headline import headline
from app.overlay import APEX_RGB, SHOULDER_RGB
from vision.declared import Reading
from vision.hints import DeclaredScale
from vision.results import CrossCheck, Measurement

GREY = np.full((960, 1280, 3), 128, np.uint8)


def turned(m: Measurement, quarter_turns: int) -> tuple[Measurement, np.ndarray]:
    """The same blade photographed with the phone turned, counter-clockwise, about the photo's middle."""
    out, h, w = m, 960, 1280
    for _ in range(quarter_turns):
        points = [np.column_stack([p[:, 1], (w - 1) - p[:, 0]]) for p in (out.widths.apex_px, out.widths.shoulder_px)]
        h, w = w, h
        records = tuple(replace(r, width_px=w, height_px=h) for r in out.photos)
        out = replace(out, photos=records, widths=replace(out.widths, apex_px=points[0], shoulder_px=points[1]))
    return out, np.full((h, w, 3), 128, np.uint8)


def rows_of(view: np.ndarray, colour: tuple[int, int, int]) -> np.ndarray:
    return np.nonzero((view == np.array(colour, np.uint8)).all(axis=2))[0]


@pytest.mark.parametrize("turns", [0, 1, 2, 3])
def test_bevel_is_up_and_the_edge_level_whichever_way_the_phone_was_held(measurement, turns) -> None:
    m, photo = turned(measurement, turns)
    view = picture._view(m, photo, 0)
    assert view.shape == (190, 1160, 3)
    apex, shoulder = rows_of(view, APEX_RGB), rows_of(view, SHOULDER_RGB)
    assert shoulder.max() < apex.min(), "the bevel stands above its apex"
    # 0.9 mm at 15 degrees a side, seen squarely, 16 mm over 1160 px.
    assert np.median(apex) - np.median(shoulder) == pytest.approx(0.9 * np.cos(np.radians(15)) * 1160 / 16, abs=3)
    assert np.ptp(apex) < 40
    assert (apex.mean() + shoulder.mean()) / 2 == pytest.approx(95, abs=12)


def test_beside_a_seam_the_view_keeps_to_its_own_photos_lines(two_photo_measurement) -> None:
    """The second photo begins at 18 mm; a main stretch about 19 mm would leave half of the view without lines."""
    main = replace(two_photo_measurement.zones.main, start_mm=15.0, end_mm=23.0)
    m = replace(two_photo_measurement, zones=replace(two_photo_measurement.zones, main=main))
    view = picture._view(m, GREY, 1)
    columns = np.nonzero((view == np.array(APEX_RGB, np.uint8)).all(axis=2))[1]
    # 12 mm are known there, of the 16 mm shown, and they stand in the middle.
    assert np.ptp(columns) == pytest.approx(11.4 / 16 * 1160, abs=40)
    assert (columns.min() + columns.max()) / 2 == pytest.approx(580, abs=30)


def test_half_a_turn_mirrors_nothing(measurement) -> None:
    """The turn keeps left and right as the metal has them: its determinant is that of a rotation."""
    for turns in range(4):
        m, _ = turned(measurement, turns)
        a, s = m.widths.apex_px[:50], m.widths.shoulder_px[:50]
        assert np.linalg.det(picture._turn(a, s, 1.0)[:, :2]) == pytest.approx(1.0)


def words(m: Measurement) -> Chart:
    sheet = Chart(figsize=(12, 6.3), dpi=100)
    FigureCanvasAgg(sheet)
    picture._words(sheet, m)
    return sheet


def test_words_are_the_headline_in_mm_and_inch_and_what_it_rests_on(measurement) -> None:
    said = [t.get_text() for t in words(measurement).texts]
    mm, _, inch = headline(measurement)[0].text.partition(" (")
    assert {mm, inch.rstrip(")")} <= set(said)
    assert "2 caliper readings" in said[-1]
    assert "included angle 30.4 ± 1.2°" in said[-1]
    assert "2026-11-25" in said[-1]
    assert any("questioned" in text for text in said), "a doubtful reading is not kept back"


def test_readings_that_were_not_used_are_not_counted(measurement) -> None:
    alone = replace(measurement, thickness=replace(measurement.thickness, fused=False))
    assert "no caliper reading used" in picture.method_line(alone)
    # One that no width is near is in no figure either.
    far = CrossCheck(measurement.declared.readings[1], math.nan, math.nan, math.nan, math.nan, False)
    assert "1 caliper reading ·" in picture.method_line(replace(measurement, cross_checks=(*measurement.cross_checks, far)))


def test_a_reading_far_off_the_edge_does_not_squeeze_the_curve(measurement) -> None:
    far = replace(measurement.declared, readings=(*measurement.declared.readings, Reading(500.0, 0.48)))
    axes = Chart().subplots()
    picture._curve(axes, replace(measurement, declared=far))
    assert axes.get_xlim()[1] < 40.0


def test_words_keep_to_the_sheet_and_off_each_other(measurement, two_photo_measurement) -> None:
    for m in (measurement, two_photo_measurement, replace(measurement, zones=None)):
        boxes = [t.get_window_extent() for t in words(m).texts]
        for i, box in enumerate(boxes):
            assert min(box.x0, box.y0) >= 0
            assert max(box.x1 / 1200, box.y1 / 630) <= 1
            assert not any(box.overlaps(other) for other in boxes[:i])


def test_letters_can_be_read_at_390_px(measurement) -> None:
    """26 px of 1200 are 8.5 px of 390: about the size of a phone's smallest labels."""
    for text in words(measurement).texts:
        assert text.get_fontsize() * 100 / 72 >= 24


def test_photo_shown_is_the_one_of_the_main_stretchs_middle(two_photo_measurement) -> None:
    # The main stretch runs from 6 to 22 mm, its middle lies in the first half.
    assert picture.photo_to_show(two_photo_measurement) == 0
    main = replace(two_photo_measurement.zones.main, start_mm=22.0, end_mm=30.0)
    assert picture.photo_to_show(replace(two_photo_measurement, zones=replace(two_photo_measurement.zones, main=main))) == 1


def test_nothing_measured_still_gives_a_picture(measurement) -> None:
    nowhere = np.full_like(measurement.widths.apex_px, np.nan)
    gone = np.full_like(measurement.widths.width_mm, np.nan)
    widths = replace(measurement.widths, shoulder_px=nowhere, width_mm=gone)
    band = measurement.thickness
    band = replace(band, thickness_mm=gone, u_mm=gone, low_mm=gone, high_mm=gone)
    data = picture.png(replace(measurement, widths=widths, thickness=band, zones=None), GREY)
    with Image.open(io.BytesIO(data)) as shown:
        assert shown.size == (1200, 630)


def test_without_the_strip_the_axis_names_the_drawn_line(measurement) -> None:
    hints = replace(measurement.photos[0].hints, scale=DeclaredScale(50.0, 0.01, "two points"))
    bare = replace(measurement, photos=(replace(measurement.photos[0], hints=hints),))
    for m, words in ((measurement, "mm along the printed scale"), (bare, "mm along the drawn line")):
        axes = Chart().add_subplot()
        picture._curve(axes, m)
        assert words in [t.get_text() for t in axes.texts]
