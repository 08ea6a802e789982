from types import SimpleNamespace

import numpy as np
import pytest

from vision.straighten import srgb_to_linear_table, straighten, widest_column_px


def circle(radius, centre, span, count):
    angle = np.linspace(*span, count)
    normal = np.column_stack([np.cos(angle), np.sin(angle)])
    return centre + radius * normal, normal


def ramp(height, width, kind=np.uint16):
    """Codes that rise with x in the red, with y in the green channel."""
    top = np.iinfo(kind).max
    y, x = np.mgrid[:height, :width]
    return np.stack([x / width * top * 0.9, y / height * top * 0.9, np.full(x.shape, top * 0.4)], axis=2).astype(kind)


def test_table_is_the_srgb_curve():
    # IEC 61966-2-1: code 0.5 is 0.2140 of the light; the toe is linear below 0.04045.
    table = srgb_to_linear_table(65536)
    assert table[32768] == pytest.approx(0.21404, abs=2e-5)
    assert table[655] == pytest.approx(655 / 65535 / 12.92, rel=1e-4)
    assert table[0] == 0
    assert table[-1] == pytest.approx(1.0)


@pytest.mark.parametrize("columns", [300, 1300])
def test_rows_and_columns_lie_where_they_say(columns):
    curve, normal = circle(300.0, np.array([400.0, 390.0]), (0.3, 0.3 + columns / 300), columns)
    photo = SimpleNamespace(pixels=ramp(800, 800), enlarged=1)
    strip = straighten(photo, curve, normal, 30, 50)
    assert strip.linear.shape == (81, columns, 3)
    assert strip.row_of_apex == 30
    for row in (0, 30, 77):
        at = strip.to_photo(np.full(columns, row))
        inside = strip.valid[row]
        code = np.stack([at[:, 0], at[:, 1]], axis=1) / 800 * 0.9
        light = ((code + 0.055) / 1.055) ** 2.4
        where = inside & (code > 0.1).all(axis=1)
        # remap holds coordinates to 1/32 px.
        assert np.abs(strip.linear[row, where, :2] - light[where]).max() < 2e-3


def test_to_photo_takes_columns_between_samples():
    curve, normal = circle(300.0, np.array([400.0, 390.0]), (0.3, 1.3), 300)
    strip = straighten(SimpleNamespace(pixels=ramp(800, 800, np.uint8), enlarged=1), curve, normal, 5, 5)
    assert strip.to_photo(np.array([7.0]), np.array([10.5]))[0] == pytest.approx(
        (strip.to_photo(np.full(300, 7.0))[10] + strip.to_photo(np.full(300, 7.0))[11]) / 2
    )


def test_outside_is_invalid_and_burnt_is_marked():
    pixels = np.full((100, 200, 3), 120, np.uint8)
    pixels[:, 100:140, 1] = 255
    curve = np.column_stack([np.arange(200.0), np.full(200, 95.0)])
    strip = straighten(SimpleNamespace(pixels=pixels, enlarged=1), curve, np.tile([0.0, 1.0], (200, 1)), 10, 20)
    assert strip.valid[:15].all()
    assert not strip.valid[15:].any()
    assert strip.clipped[:15, 105:135].all()
    assert not strip.clipped[:, :95].any()
    assert not strip.clipped[15:].any()
    assert (strip.linear[15:] == 0).all()


@pytest.mark.parametrize("wide", [2, 3])
def test_a_wide_column_is_the_mean_of_its_px(wide):
    curve, normal = circle(300.0, np.array([400.0, 390.0]), (0.3, 4.3), 1201)
    photo = SimpleNamespace(pixels=ramp(800, 800, np.uint8), enlarged=1)
    narrow, strip = (straighten(photo, curve, normal, 30, 50, each) for each in (1, wide))
    count = 1201 // wide
    assert strip.linear.shape == (81, count, 3)
    assert strip.column_px == wide
    parts = [np.stack([a[:, c : count * wide : wide] for c in range(wide)]) for a in (narrow.linear, narrow.valid, narrow.clipped)]
    assert (strip.valid == parts[1].all(axis=0)).all()
    assert (strip.clipped == parts[2].any(axis=0) & strip.valid).all()
    assert np.abs(strip.linear - parts[0].mean(axis=0))[strip.valid].max() < 1e-6
    # Points of it lie in the photo where those of its px do in the mean.
    own = narrow.to_photo(np.full(1201, 44.0))[: count * wide].reshape(count, wide, 2).mean(axis=1)
    assert strip.to_photo(np.full(count, 44.0)) == pytest.approx(own)


def test_columns_are_as_wide_as_the_blur_leaves_no_detail_and_the_lines_are_smoothed():
    # A Gaussian of standard deviation s lets exp(-2 pi^2 s^2 f^2) of a frequency f through: at two columns a period less than a third.
    for blur in np.arange(0.4, 4.0, 0.1):
        wide = widest_column_px(blur, 1000.0)
        assert wide == 1 or np.exp(-2.0 * (np.pi * blur / (2.0 * wide)) ** 2) < 0.3
    assert [widest_column_px(1.2, scale) for scale in (20.0, 50.0, 60.0, 120.0)] == [1, 1, 2, 2]
    assert [widest_column_px(4.0, scale) for scale in (20.0, 60.0, 120.0)] == [1, 2, 4]


def test_grey_photo_and_wrong_shapes():
    grey = np.full((60, 80), 100, np.uint8)
    curve = np.column_stack([np.arange(80.0), np.full(80, 30.0)])
    inward = np.tile([0.0, 1.0], (80, 1))
    strip = straighten(SimpleNamespace(pixels=grey, enlarged=1), curve, inward, 5, 5)
    assert strip.linear == pytest.approx(srgb_to_linear_table(256)[100], abs=1e-5)
    with pytest.raises(ValueError, match=r"\(S, 2\)"):
        straighten(SimpleNamespace(pixels=grey, enlarged=1), curve, inward[:-1], 5, 5)
