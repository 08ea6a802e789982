"""What the viewer is given: tiles that are the photo, and plain numbers that are the measurement."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import cv2
import numpy as np

from app.viewer import payload, tiles
from tests.vision.drawn import Drawn
from vision.declared import Declared
from vision.hints import DeclaredScale
from vision.results import Alternative
from vision.sighting import sight
from vision.zones import Stretches


def _photo(width: int, height: int) -> np.ndarray:
    """A smooth picture that every tile shows another piece of."""
    y, x = np.mgrid[0:height, 0:width]
    return np.stack([255 * x / width, 255 * y / height, 128 + 100 * np.sin(x / 90.0)], axis=2).astype(np.uint8)


def _tile(pack: tiles.Pack, number: int) -> np.ndarray:
    start = pack.ends[number - 1] if number else 0
    return cv2.imdecode(np.frombuffer(pack.data[start : pack.ends[number]], np.uint8), cv2.IMREAD_COLOR)[:, :, ::-1]


def test_full_size_tiles_put_together_are_the_photo() -> None:
    rgb = _photo(1300, 700)
    pack = tiles.pack(rgb)
    assert pack.levels == ((0, 3, 2), (1, 2, 1), (2, 1, 1))
    assert len(pack.ends) == 6 + 2 + 1
    rows = [np.hstack([_tile(pack, 3 * y + x) for x in range(3)]) for y in range(2)]
    whole = np.vstack(rows)
    assert whole.shape == rgb.shape
    # JPEG of quality 88: a few grey levels.
    assert np.abs(whole.astype(int) - rgb).max() <= 12
    small = _tile(pack, 8)
    assert small.shape == (175, 325, 3)
    assert np.abs(small[100, 200].astype(int) - rgb[400:404, 800:804].mean(axis=(0, 1))).max() < 6


def test_a_photo_smaller_than_a_tile_is_one_tile() -> None:
    pack = tiles.pack(_photo(300, 200))
    assert pack.levels == ((0, 1, 1),)
    assert pack.ends == (len(pack.data),)


def test_payload_is_the_measurement_and_goes_into_json(measurement) -> None:
    data = payload.of(measurement, Stretches(leave_out=((7.0, 8.0),), apart={"tip": (28.0, 30.0)}))
    json.dumps(data, allow_nan=False)
    known = np.isfinite(measurement.thickness.thickness_mm)
    assert [v is not None for v in data["t"]] == known.tolist()
    i = 40
    assert math.isclose(data["t"][i], measurement.thickness.thickness_mm[i], abs_tol=1e-4)
    assert math.isclose(data["wh"][i] - data["w"][i], 2 * measurement.widths.width_u_mm[i], abs_tol=2e-4)
    assert (data["ax"][i], data["sy"][i]) == (round(measurement.widths.apex_px[i, 0], 2), round(measurement.widths.shoulder_px[i, 1], 2))
    assert data["shown"][int(np.flatnonzero(~known)[0])] == "not measured"
    assert [r["questioned"] for r in data["readings"]] == [True, False]
    assert data["marks"] == [{"kind": "left out", "start": 7.0, "end": 8.0}, {"kind": "tip", "start": 28.0, "end": 30.0}]
    assert data["zones"][0]["mean"] == measurement.zones.main.mean.value_mm


def test_photos_that_leave_a_gap_are_not_joined(two_photo_measurement) -> None:
    w = two_photo_measurement.widths
    w.position_mm[w.photo == 1] += 5.0
    data = payload.of(two_photo_measurement)
    i = data["photo"].index(-1)
    assert data["t"][i] is None
    assert data["photo"][i - 1 : i + 2] == [0, -1, 1]
    assert all(a <= b for a, b in zip(data["x"], data["x"][1:], strict=False))
    assert len({len(data[k]) for k in ("x", "w", "t", "tl", "th", "ax", "sy", "photo", "doubt", "says", "shown")}) == 1


def test_second_lines_are_drawn_where_the_result_names_them(measurement) -> None:
    line = np.array([[10.0, 20.25], [np.nan, np.nan], [12.0, 20.5]])
    second = Alternative(0, 1.0, 2.0, 0.9, 0.8, 0.7, 0.4, line)
    data = payload.of(replace(measurement, alternatives=(second,)))
    assert data["rivals"] == [{"photo": 0, "points": [[10.0, 20.25], [12.0, 20.5]]}]
    json.dumps(data, allow_nan=False)


def test_lines_of_photos_without_a_figure_are_numbered_by_photo() -> None:
    """Two photos of one setting with the lamp moved, sighted as one in the second's px, then one more: photos 0 and 1, and 2."""
    facts = Declared(included_angle_deg=None)
    alone = sight(Drawn().photo(), facts)
    pair = replace(alone, others=(alone.record,), place=1)
    data = payload.found([facts], [[pair, alone]], Stretches(leave_out=((3.0, 4.0),)))
    json.dumps(data, allow_nan=False)
    assert data["x"] == []
    assert {line["photo"] for line in data["other"]} == {1, 2}
    assert data["marks"][0]["kind"] == "left out"
    line = next(line for line in data["other"] if line["photo"] == 2 and line["x"] > 15)
    assert math.isclose(line["apex"][1], (14.0 - 4.5) * 60, abs_tol=0.5)
    assert math.isclose(line["shoulder"][1], (14.0 - 5.4) * 60, abs_tol=0.5)


def test_without_the_strip_no_position_is_on_a_printed_scale(measurement) -> None:
    assert payload.of(measurement)["where"] == payload.nothing()["where"] == "on the printed scale"
    hints = replace(measurement.photos[0].hints, scale=DeclaredScale(50.0, 0.01, "two points"))
    bare = replace(measurement, photos=(replace(measurement.photos[0], hints=hints),))
    assert payload.of(bare)["where"] == "along the drawn line"
    seen = sight(Drawn().photo(), Declared(included_angle_deg=None))
    drawn = replace(seen, record=replace(seen.record, hints=hints))
    assert payload.found([Declared(included_angle_deg=None)], [[drawn]])["where"] == "along the drawn line"
