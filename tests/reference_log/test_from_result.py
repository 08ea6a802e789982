"""A result of the program as a record: only what went into its figure."""

from __future__ import annotations

import hashlib
import math
from dataclasses import replace

import numpy as np
import pytest

from app.files import measurement_text
from app.reference_log import checks, columns
from app.reference_log.from_result import Knife, of_record, record_of, record_of_knife
from app.reference_log.records import Source
from demo_images import DEMOS
from vision.declared import Declared, Reading
from vision.flags import Note
from vision.hints import Hints
from vision.job import job_from_text
from vision.results import CrossCheck, OtherSide
from vision.scales import declared_scale


def _record(m, job=None):
    return record_of(m, measurement_text(m), Knife(maker="Ostfeld", model="Heron", contributor="Mirel"), job)


def test_width_and_angle_are_of_the_stretch_that_the_thickness_is_of(measurement) -> None:
    r = _record(measurement)
    x, w = measurement.widths.position_mm, measurement.widths.width_mm
    main = (x >= 6.0) & (x <= 22.0) & np.isfinite(w)
    assert float(r.bevel_width) == pytest.approx(w[main].mean(), abs=1e-5)
    # Flat there; the rise toward the tip is in neither.
    assert float(r.bevel_width) == pytest.approx(0.9, abs=1e-5)
    assert float(r.angle_found_deg) == pytest.approx(30.4, abs=1e-5)
    assert (r.source, len(r.readings)) == (Source.PHOTO_AND_READINGS, 2)
    assert [str(v) for v in (r.angle_deg, r.instrument_step, r.instrument_accuracy)] == ["30", "0.01", "0.03"], "as declared, no digit more"


def test_readings_that_were_not_used_make_it_a_photo_alone(measurement) -> None:
    r = _record(replace(measurement, thickness=replace(measurement.thickness, fused=False)))
    assert (r.source, r.instrument, r.readings, r.instrument_accuracy) == (Source.PHOTO, "photo", (), None)
    assert any("2 readings taken but not used" in c for c in r.cautions)


def test_a_reading_that_no_width_is_near_is_not_said_to_contradict_the_photo(measurement) -> None:
    near, far = measurement.cross_checks[0].reading, Reading(500.0, 0.48)
    away = CrossCheck(far, math.nan, math.nan, math.nan, math.nan, False, ("no width was measured within 1 mm of it",))
    m = replace(measurement, declared=replace(measurement.declared, readings=(near, far)), cross_checks=(*measurement.cross_checks, away))
    r = _record(m)
    assert [float(v) for v in r.readings] == [near.thickness_mm]
    assert "1 reading taken but not used: no width was measured near them" in r.cautions
    assert not any("contradict" in c for c in r.cautions)
    clash = Note("readings-contradict", "both cannot be right", "look", "caution")
    apart = replace(m, thickness=replace(m.thickness, fused=False), notes=(clash,))
    assert "2 readings taken but not used: they contradict the photo" in _record(apart).cautions


def test_unlike_sides_claim_no_one_width(measurement) -> None:
    other = OtherSide(Declared(included_angle_deg=10.0), measurement.widths, (8.0, 30.0))
    r = _record(replace(measurement, other=other))
    assert (float(r.angle_deg), r.bevel_width, r.angle_found_deg) == (20.0, None, None)
    assert checks.reason_against(columns.record(columns.cells(r))) is None, "what is exported can be imported"


def test_a_stretch_left_out_is_a_method_of_its_own(measurement) -> None:
    side = '[[sides]]\n[sides.declared]\nincluded_angle_deg = 30.0\n[[sides.photos]]\npath = "edge.jpg"\n'
    whole, part = (job_from_text(f"schema = 1\n{side}{s}") for s in ("", "[stretches]\nleave_out = [[20.0, 34.0]]\n"))
    assert _record(measurement, whole).method == _record(measurement).method
    assert _record(measurement, part).method != _record(measurement).method


def test_no_tip_where_the_profile_is_flat(measurement) -> None:
    flat = replace(measurement, zones=replace(measurement.zones, rise=None))
    assert _record(flat).tip is None
    assert math.isclose(float(_record(measurement).tip), 0.556)


def test_a_demo_photos_result_says_so(measurement) -> None:
    sha = hashlib.sha256(DEMOS[0].photos[0].read_bytes()).hexdigest()
    assert "a demo photo of an invented blade" not in _record(measurement).cautions
    shown = replace(measurement, photos=(replace(measurement.photos[0], sha256=sha),))
    assert "a demo photo of an invented blade" in _record(shown).cautions


def test_the_knife_of_a_record_comes_back(measurement) -> None:
    r = _record(measurement)
    assert record_of_knife(record_of(measurement, "{}", Knife()), of_record(r)) == replace(r, result="{}")


def test_a_declared_scale_is_said(measurement) -> None:
    without_strip = replace(measurement.photos[0], hints=Hints(scale=declared_scale(40.0, 1.0)))
    assert not [c for c in _record(measurement).cautions if "strip" in c]
    assert "photographed without the strip: its scale was declared" in _record(replace(measurement, photos=(without_strip,))).cautions
