"""What was written reads back: measurement.json to an equal object, profile.csv to its printed digits."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from app import files
from vision.declared import Caliper, Declared, Lie, Reading
from vision.errors import ResultUnreadable
from vision.flags import Note, StationFlag
from vision.hints import DeclaredScale, Guide, Hints, LineKind
from vision.results import Alternative, Measurement, PhotoRecord, ThicknessProfile, WidthProfile

finite = st.floats(-1e6, 1e6)
maybe = st.one_of(finite, st.just(math.nan))


@st.composite
def measurements(draw: st.DrawFn) -> Measurement:
    n = draw(st.integers(0, 6))
    column = lambda of=maybe: draw(hnp.arrays(float, n, elements=of))  # noqa: E731
    pairs = lambda: draw(hnp.arrays(float, (n, 2), elements=maybe))  # noqa: E731
    bits = draw(hnp.arrays(int, n, elements=st.integers(0, 2 * int(StationFlag.NOT_MEASURED) - 1)))
    widths = WidthProfile(
        column(finite), column(finite), np.zeros(n, int), pairs(), pairs(), column(), column(),
        draw(st.dictionaries(st.text(max_size=8), hnp.arrays(float, n, elements=maybe), max_size=3)), draw(finite), bits,
        draw(st.one_of(st.none(), hnp.arrays(float, n, elements=maybe))),
        draw(st.dictionaries(st.text(max_size=8), st.tuples(maybe, st.sampled_from(["mm", "px", "deg"])), max_size=3)),
        draw(st.floats(0, 1)),
    )  # fmt: skip
    thickness = ThicknessProfile(*(column() for _ in range(6)), draw(st.booleans()))
    declared = Declared(
        included_angle_deg=draw(st.one_of(st.none(), st.floats(8, 120))),
        lie=draw(st.sampled_from(Lie)), cheek_angle_deg=draw(st.floats(0, 3)),
        printed_bar_mm=draw(st.one_of(st.none(), st.tuples(st.floats(90, 110), st.floats(90, 110)))),
        readings=tuple(draw(st.lists(st.builds(Reading, st.floats(0, 144), st.floats(0.01, 2.0), st.booleans()), max_size=3))),
        caliper=Caliper(draw(st.floats(0.001, 0.1))),
    )  # fmt: skip
    photo = PhotoRecord(draw(st.text(max_size=12)), "00", 10, 10, draw(maybe), draw(maybe), 1.0, "EXIF", 1.0, 0.0, 4, 0.0)
    notes = tuple(draw(st.lists(st.builds(Note, st.text(max_size=9), st.text(max_size=30), st.text(max_size=30)), max_size=2)))
    return Measurement(declared, (photo,), widths, thickness, None, None, (), notes, "shoulderline", "now", {"numpy": "2"})


@settings(max_examples=60, deadline=None)
@given(measurements())
def test_measurement_reads_back_equal(m: Measurement) -> None:
    text = files.measurement_text(m)
    assert files.measurement_from_text(text) == m
    assert files.measurement_text(files.measurement_from_text(text)) == text


def test_full_measurement_reads_back_equal(measurement: Measurement, tmp_path) -> None:
    path = tmp_path / "measurement.json"
    path.write_text(files.measurement_text(measurement), encoding="utf-8")
    back = files.read_measurement(path)
    assert back == measurement
    assert back.declared.lie is Lie.LEVEL
    assert back != replace(measurement, program="another")


def test_second_lines_and_hints_read_back_equal(measurement: Measurement) -> None:
    line = np.array([[300.25, 600.5], [310.0, math.nan]])
    second = Alternative(0, 8.0, 22.0, 0.9, 1.2, 0.9, math.nan, line)
    hints = Hints((Guide(LineKind.APEX, 1.5, 2.0),), ((1.0, 2.0), (3.0, 4.5)), (5.0, 6.0), DeclaredScale(50.0, 0.01, "two points"))
    pointed = replace(measurement, alternatives=(second,), photos=(replace(measurement.photos[0], hints=hints),))
    assert files.measurement_from_text(files.measurement_text(pointed)) == pointed


def test_nan_is_null_and_no_bare_nan_is_written(measurement: Measurement) -> None:
    text = files.measurement_text(measurement)
    assert "NaN" not in text
    assert None in json.loads(text)["widths"]["width_mm"]


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("no json", "nor JSON"),
        ("[1]", "not a result of Shoulderline"),
        ('{"schema": 0}', "not a result of Shoulderline"),
        ('{"schema": true}', "not a result of Shoulderline"),
        ('{"schema": 1, "focal_px": 4100.0}', "not a result of Shoulderline; choose"),
        ("[" * 100_000, "not a result of Shoulderline"),
        ('{"schema": 2}', "newer"),
        ('{"schema": 1, "declared": {}, "photos": [], "widths": {}, "thickness": {}}', "cannot be read"),
    ],
)
def test_unreadable_measurement_is_refused(text: str, why: str) -> None:
    with pytest.raises(ResultUnreadable, match=why):
        files.measurement_from_text(text)


def test_impossible_stored_fact_is_refused(measurement: Measurement) -> None:
    data = json.loads(files.measurement_text(measurement))
    data["declared"]["included_angle_deg"] = 400
    with pytest.raises(ResultUnreadable, match="must lie between"):
        files.measurement_from_text(json.dumps(data))


def test_missing_file_is_refused(tmp_path) -> None:
    with pytest.raises(ResultUnreadable, match="check the path"):
        files.read_measurement(tmp_path / "none.json")


def test_profile_columns_are_the_contract(measurement: Measurement) -> None:
    header = files.profile_text(measurement).splitlines()[0]
    # design.md section 9, typed in again here on purpose
    assert header == (
        "position_mm,arc_mm,photo,apex_x_px,apex_y_px,shoulder_x_px,shoulder_y_px,bevel_width_mm,bevel_width_u_mm,"
        "angle_per_side_deg,thickness_mm,thickness_low_mm,thickness_high_mm,flags"
    )


def test_profile_reads_back_to_its_digits(measurement: Measurement) -> None:
    back = files.read_profile(files.profile_text(measurement))
    np.testing.assert_allclose(back["position_mm"], measurement.widths.position_mm, atol=5.1e-6)
    np.testing.assert_allclose(back["apex_x_px"], measurement.widths.apex_px[:, 0], atol=5.1e-4)
    np.testing.assert_allclose(back["bevel_width_mm"], measurement.widths.width_mm, atol=5.1e-6)
    np.testing.assert_allclose(back["thickness_high_mm"], measurement.thickness.high_mm, atol=5.1e-6)
    np.testing.assert_array_equal(back["flags"], measurement.widths.flags)
    assert set(back["photo"]) == {"edge-1.jpg"}


def test_unmeasured_station_has_empty_cells(measurement: Measurement) -> None:
    row = next(r for r in files.profile_text(measurement).splitlines() if "not-measured" in r)
    assert row.split(",")[5:13] == [""] * 8


def test_profile_without_a_column_is_refused() -> None:
    with pytest.raises(ResultUnreadable, match="no column arc_mm"):
        files.read_profile("position_mm\n1.0\n")
