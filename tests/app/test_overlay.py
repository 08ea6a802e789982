"""The overlay shows the lines where the result has them, one pixel wide, and hides nothing else."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from app import overlay
from vision.results import Alternative, Measurement

GREY = np.full((960, 1280, 3), 128, np.uint8)


def _is(picture: np.ndarray, colour: tuple[int, int, int]) -> np.ndarray:
    return (picture == np.array(colour, np.uint8)).all(axis=2)


def test_lines_are_where_the_result_has_them_and_one_pixel_wide(measurement: Measurement) -> None:
    picture = overlay.draw(GREY, measurement, 0)
    for points, colour in ((measurement.widths.apex_px, overlay.APEX_RGB), (measurement.widths.shoulder_px, overlay.SHOULDER_RGB)):
        marked = _is(picture, colour)
        for x, y in points[measurement.widths.flags == 0][1:-1]:
            # Half a pixel for rounding, one more where a slanted line steps between two stations.
            column = np.flatnonzero(marked[round(y) - 3 : round(y) + 4, round(x)]) + round(y) - 3
            assert len(column) == 1, "a line is one pixel wide"
            assert abs(column[0] - y) <= 1.5


def test_flagged_stretch_is_dashed_and_gap_is_left_open(measurement: Measurement) -> None:
    shoulder = _is(overlay.draw(GREY, measurement, 0), overlay.SHOULDER_RGB)
    w = measurement.widths

    def cover(start_mm: float, end_mm: float) -> float:
        x0, x1 = round(start_mm * 40), round(end_mm * 40)
        near = slice(int(np.nanmin(w.shoulder_px[:, 1])) - 2, int(np.nanmax(w.shoulder_px[:, 1])) + 3)
        return float(shoulder[near, x0:x1].any(axis=0).mean())

    assert cover(7.0, 11.5) == 1.0
    assert 0.35 < cover(12.2, 13.8) < 0.65
    assert cover(18.2, 18.5) == 0.0


def test_bevel_is_not_hidden(measurement: Measurement) -> None:
    picture = overlay.draw(GREY, measurement, 0)
    w = measurement.widths
    for (ax, ay), (_, sy) in zip(w.apex_px[::10], w.shoulder_px[::10], strict=True):
        if np.isfinite(sy):
            assert (picture[round(sy) + 3 : round(ay) - 2, round(ax)] == 128).all()


def test_reduced_and_cropped_copy_keeps_pixel_centres(measurement: Measurement) -> None:
    picture = overlay.draw(GREY, measurement, 0, reduce=0.5)
    assert picture.shape == (480, 640, 3)
    x, y = measurement.widths.apex_px[20]
    column = np.flatnonzero(_is(picture, overlay.APEX_RGB)[:, round((x + 0.5) / 2 - 0.5)])
    assert np.abs(column - ((y + 0.5) / 2 - 0.5)).min() <= 1.5
    cropped = overlay.draw(GREY, measurement, 0, margin_mm=2.0)
    assert cropped.shape[0] < 320
    assert cropped.shape[1] == pytest.approx(24 * 40 + 2 * 80, abs=3)


def test_on_paper_the_numbers_are_legible_and_the_key_is_the_pages(measurement: Measurement) -> None:
    screen = overlay.draw(GREY, measurement, 0, reduce=0.5)
    # 640 px printed 64 mm wide: a number is 1.8 mm high there, 18 px, and 11 px by the blade's own scale of 20 px/mm.
    paper = overlay.draw(GREY, measurement, 0, reduce=0.5, px_per_printed_mm=10.0)
    assert (screen[0, :40] == 255).all(), "on a screen the key lies in the corner"
    assert (paper[0] == 128).all()
    # The number 15 alone: the edge is drawn aslant, so numbers do not stand at one height.
    heights = [int(np.ptp(np.flatnonzero((p[150:, 280:320] < 110).all(axis=2).any(axis=1)))) for p in (screen, paper)]
    assert heights[0] < 14 < 15 <= heights[1] <= 19
    assert overlay.size_px(measurement, 0) == (1280, 960)
    assert overlay.draw(GREY, measurement, 0, margin_mm=2.0).shape[1::-1] == overlay.size_px(measurement, 0, 2.0)


def test_each_photo_shows_its_own_stations(two_photo_measurement: Measurement) -> None:
    first, second = (_is(overlay.draw(GREY, two_photo_measurement, i), overlay.SHOULDER_RGB) for i in (0, 1))
    assert first[:, : 17 * 40].any()
    assert not second[200:, : 17 * 40].any()


def test_nothing_measured_still_gives_a_picture(measurement: Measurement) -> None:
    w = measurement.widths
    blank = replace(
        measurement, widths=replace(w, apex_px=np.full_like(w.apex_px, np.nan), shoulder_px=np.full_like(w.shoulder_px, np.nan))
    )
    assert not _is(overlay.draw(GREY, blank, 0, margin_mm=2.0)[200:], overlay.APEX_RGB).any()


@pytest.mark.parametrize("picture", [GREY[:100], GREY.astype(np.uint16), GREY[..., 0]])
def test_picture_of_another_photo_is_refused(measurement: Measurement, picture: np.ndarray) -> None:
    with pytest.raises(ValueError, match="rgb must be"):
        overlay.draw(picture, measurement, 0)


def test_a_second_line_is_dotted_and_named_in_the_key(measurement: Measurement) -> None:
    line = np.column_stack([np.linspace(300.0, 900.0, 60), np.full(60, 600.0)])
    second = Alternative(0, 8.0, 22.0, 0.9, 1.2, 0.9, 0.62, line)
    plain = overlay.draw(GREY, measurement, 0)
    shown = overlay.draw(GREY, replace(measurement, alternatives=(second,)), 0)
    changed = (shown[600, 300:901] != plain[600, 300:901]).any(axis=1)
    assert 0.1 < changed.mean() < 0.25
    assert not (shown[598:600, 300:901] != plain[598:600, 300:901]).any()
    other = overlay.draw(GREY, replace(measurement, alternatives=(replace(second, photo=1),)), 0)
    assert (other == plain).all()
