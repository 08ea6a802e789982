"""Compare, Plan, Print and How to: what they show is the library's (Streamlit's AppTest: no browser)."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from streamlit.testing.v1 import AppTest

import app.screens
from app import at_hand, compare_chart, comparing, files, plan_commands, plan_view, printing
from app.lessons import LESSONS
from app.measuring.words import plain
from calibration_targets import strip
from tests.app.test_plan_commands import wider
from tests.conftest import drawn_measurement
from tests.vision.test_compare import snapshot
from vision.compare import Align, Common, Terms, compare
from vision.errors import ResultUnreadable
from vision.plan import Request, plan
from vision.results import Measurement
from vision.section import section

SCREENS = Path(app.screens.__file__).parent


def opened(name: str, measurement: Measurement | None = None) -> AppTest:
    screen = AppTest.from_file(str(SCREENS / f"{name}.py"), default_timeout=300)
    if measurement is not None:
        screen.session_state["result"] = SimpleNamespace(measurement=measurement)
    screen = screen.run()
    assert not screen.exception
    return screen


# Plan


def test_plan_shows_the_librarys_figures_for_the_sessions_result(measurement) -> None:
    screen = opened("plan", measurement)
    screen.slider(key="plan-angle").set_value(24.0).run()
    made = plan(measurement, Request(new_included_deg=24.0))
    assert len(screen.table) == len(made.rows)
    for shown, row in zip(screen.table, made.rows, strict=True):
        assert shown.value.to_dict("list") == plan_view.table(row)
        assert plan_commands.figure_text(row.thickness) in shown.value["after"].to_list()
    assert plan_view.heading(made.rows[0]) == screen.subheader[0].value.replace("\\", "")
    assert "Blades cut" in screen.warning[0].value


def test_plan_takes_the_apex_back_and_says_what_stays(measurement) -> None:
    screen = opened("plan", measurement)
    screen.slider(key="plan-angle").set_value(40.0)
    screen.checkbox(key="plan-renew").uncheck().run()
    screen.slider(key="plan-back").set_value(0.02).run()
    made = plan(measurement, Request(new_included_deg=40.0, take_back_mm=0.02))
    assert screen.table[0].value.to_dict("list") == plan_view.table(made.rows[0])
    assert any("a strip of the old bevel stays" in i.value for i in screen.info)


def test_plan_for_a_width_and_another_cheek(measurement) -> None:
    screen = opened("plan", measurement)
    screen.radio(key="plan-goal").set_value("a bevel of a certain width").run()
    screen.slider(key="plan-width").set_value(1.4)
    screen.number_input(key="plan-cheek").set_value(2.0).run()
    made = plan(measurement, Request(bevel_width_mm=1.4, cheek_deg=2.0))
    assert screen.table[0].value.to_dict("list") == plan_view.table(made.rows[0])
    assert not any("the usual one" in c.value for c in screen.caption)


def test_the_usual_cheek_angle_is_a_range_and_its_band_stands_once(measurement) -> None:
    screen = opened("plan", measurement)
    assert screen.number_input(key="plan-cheek").proto.placeholder == "the usual one, 1 to 5"
    assert any("Cheek angle 3.0 ± 2.3°, the usual one" in c.value for c in screen.caption)


def test_the_section_says_what_becomes_of_the_apex(measurement) -> None:
    flatter, back = (plan(measurement, request) for request in (Request(new_included_deg=24.0), Request(take_back_mm=0.1)))
    assert "; the apex stays where it is." in plan_view.alt(section(measurement, flatter, 12.0))
    assert "; the apex moves back by 0.10 mm." in plan_view.alt(section(measurement, back, 12.0))


def test_the_cheek_angle_of_one_blade_is_not_taken_for_the_next(measurement) -> None:
    one, other = (
        replace(
            measurement, declared=replace(measurement.declared, cheek_angle_deg=deg), photos=(replace(measurement.photos[0], sha256=s),)
        )
        for deg, s in ((4.0, "a" * 64), (2.0, "b" * 64))
    )
    screen = opened("plan", one)
    assert screen.number_input(key="plan-cheek").value == 4.0
    screen.number_input(key="plan-cheek").set_value(5.0).run()
    assert "Cheek angle 5.0" in screen.caption[0].value
    text = files.measurement_text(other).encode()
    screen.file_uploader(key="plan-file").set_value(("measurement.json", text, "application/json")).run()
    assert screen.number_input(key="plan-cheek").value == 2.0
    assert "Cheek angle 2.0" in screen.caption[0].value
    screen.number_input(key="plan-cheek").set_value(None).run()
    assert screen.number_input(key="plan-cheek").proto.placeholder == "as declared, 2"
    assert "Cheek angle 2.0" in screen.caption[0].value


def test_a_plan_that_cannot_be_is_said_in_one_sentence(measurement) -> None:
    screen = opened("plan", measurement)
    screen.number_input(key="plan-cheek").set_value(18.0)
    screen.slider(key="plan-angle").set_value(24.0).run()
    assert "must exceed the cheek" in screen.error[0].value
    assert not screen.table


def test_plan_without_a_result_is_for_the_demo_blade() -> None:
    screen = opened("plan")
    assert "demo blade" in screen.info[0].value
    assert len(screen.table) >= 1


def test_a_section_is_described_in_words(measurement) -> None:
    from vision.section import section

    made = plan(measurement, Request(new_included_deg=24.0))
    drawn = section(measurement, made, 10.0)
    words = plan_view.alt(drawn)
    assert f"{2 * drawn.shoulder_before_mm[1]:.2f} mm thick at the shoulder now" in words
    axes = plan_view.drawing(drawn).axes[0]
    assert axes.get_aspect() == 1.0


# Compare


def test_compare_shows_an_example_at_first_with_the_librarys_figures() -> None:
    screen = opened("compare")
    assert "Nothing to compare yet" in screen.info[0].value
    assert len(screen.table[0].value) == 2
    assert screen.subheader[0].value.startswith("B")


def test_compare_sets_files_against_each_other(measurement) -> None:
    screen = opened("compare", measurement)
    thicker = wider(measurement, 1.2, "a" * 64)
    screen.file_uploader(key="compare-files").set_value(
        [("measurement.json", files.measurement_text(thicker).encode(), "application/json")]
    )
    screen.run()
    expected = compare(thicker, measurement)
    said = screen.success[0].value if screen.success else screen.info[0].value
    for sentence in comparing.sentences(expected):
        assert plain(sentence) in said
    assert list(screen.table[0].value["main stretch"]) == [comparing.figure_of(thicker), comparing.figure_of(measurement)]
    screen.radio(key="compare-align").set_value(Align.TIP)
    screen.multiselect(key="compare-common").set_value([Common.CALIPER]).run()
    again = compare(thicker, measurement, Terms(Align.TIP, 0.5, frozenset({Common.CALIPER})))
    said = screen.success[0].value if screen.success else screen.info[0].value
    assert plain(comparing.sentences(again)[0]) in said
    assert any("the caliper" in m.value for m in screen.markdown)


def test_compare_shows_no_places_of_a_photo_without_the_strip(measurement) -> None:
    screen = opened("compare", measurement)
    bare = files.measurement_text(snapshot("b" * 64)).encode()
    screen.file_uploader(key="compare-files").set_value([("measurement.json", bare, "application/json")]).run()
    assert not screen.exception
    assert plain(comparing.NOT_PLACED) in screen.info[0].value
    assert not screen.get("download_button")
    assert not any("printed scale, taken" in m.value for m in screen.markdown)


def test_a_result_put_by_is_compared_with_the_next(measurement) -> None:
    screen = opened("compare", measurement)
    assert "One result so far" in screen.info[0].value
    screen.text_input(key="compare-name").set_value("before")
    screen.button(key="compare-keep").click().run()
    screen.session_state["result"] = SimpleNamespace(measurement=wider(measurement, 0.8, "b" * 64))
    screen.run()
    assert list(screen.table[0].value["result"]) == ["A: before", "B: edge-1.jpg"]
    screen.button(key="compare-forget").click().run()
    assert "One result so far" in screen.info[0].value


def test_a_file_that_is_no_result_is_said(measurement) -> None:
    screen = opened("compare", measurement)
    screen.file_uploader(key="compare-files").set_value([("notes.json", b"{}", "application/json")]).run()
    assert "not a result of Shoulderline" in screen.error[0].value
    with pytest.raises(ResultUnreadable, match="not text"):
        at_hand.from_files([("photo.json", b"\xff\xd8\xff")])


def test_the_same_file_twice_is_one_result(measurement) -> None:
    data = files.measurement_text(measurement).encode()
    assert len(at_hand.from_files([("a.json", data), ("b.json", data)])) == 1


def test_a_gap_is_no_line_on_the_chart() -> None:
    m = drawn_measurement()
    chart = compare_chart.draw("A", [("B", compare(m, m))])
    line = chart.axes[0].lines[0]
    x = line.get_xdata()
    assert np.isnan(x).sum() == np.isnan(line.get_ydata()).sum() >= 1


# Print


def test_print_gives_the_page_that_the_command_writes(tmp_path) -> None:
    for paper in printing.PAPERS:
        strip.draw_pdf(tmp_path / "page.pdf", paper)
        assert printing.page_pdf(paper) == (tmp_path / "page.pdf").read_bytes()
        assert printing.page_png(paper)[:4] == b"\x89PNG"
    screen = opened("print")
    assert len(screen.get("download_button")) == 1
    screen.radio(key="print-paper").set_value("letter").run()
    assert "US Letter" in screen.get("download_button")[0].label


def test_measured_bars_are_judged_and_remembered() -> None:
    screen = opened("print")
    assert "within 1 %" in screen.info[0].value
    screen.number_input(key="print-bar-x").set_value(99.6)
    screen.number_input(key="print-bar-y").set_value(99.8).run()
    assert screen.session_state["bars_mm"] == (99.6, 99.8)
    assert "as printers err" in screen.success[0].value
    assert screen.code[0].value == "--printed-bar 99.6,99.8"
    screen.number_input(key="print-bar-y").set_value(97.0).run()
    assert "more apart" in screen.warning[0].value
    assert "bars_mm" not in screen.session_state
    screen.number_input(key="print-bar-y").set_value(5.0).run()
    assert "must lie between 90 and 110" in screen.error[0].value


# How to


def test_how_to_shows_six_pictures_each_with_its_description() -> None:
    screen = opened("howto")
    assert [s.value for s in screen.subheader] == [f"{i}. {lesson.title}" for i, lesson in enumerate(LESSONS, start=1)]
    alts = [image.proto.imgs[0].alt for image in screen.get("image")]
    assert alts == [lesson.alt for lesson in LESSONS]
    assert "Blades cut" in screen.warning[0].value


# Colours


def contrast(one: str, other: str) -> float:
    """Contrast ratio of two colours (WCAG 2.2, definition of contrast ratio and relative luminance)."""

    def luminance(colour: str) -> float:
        c = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255
        linear = np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)
        return float(linear @ (0.2126, 0.7152, 0.0722))

    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_contrast_is_that_of_the_standard() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    # 4.48 : 1, the well-known grey just below the limit (computed).
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.01)


@pytest.mark.parametrize("colour", [*compare_chart.COLOURS, plan_view.BEFORE_COLOUR, plan_view.AFTER_COLOUR])
def test_our_own_colours_read_on_their_ground(colour) -> None:
    # Charts have a white ground in either theme.
    assert contrast(colour, "#ffffff") >= 4.5


def test_results_on_one_chart_differ_without_colour() -> None:
    m = replace(drawn_measurement(), notes=())
    chart = compare_chart.draw("A", [("B", compare(m, m)), ("C", compare(m, m))])
    dashes = [line._dash_pattern for line in chart.axes[0].lines]
    assert len({str(d) for d in dashes}) == 3


# Print and Measure


def test_bars_found_plausible_stand_in_the_form_of_the_persons_own_photo_and_not_in_a_demos() -> None:
    script = """
import streamlit as st
from app import facts_form
from vision.declared import Declared
st.session_state["bars_mm"] = (99.6, 99.8)
own = facts_form.draw(facts_form.with_printed_bars(facts_form.Facts(angle=30.0)), "own")
typed = facts_form.with_printed_bars(facts_form.of(Declared(included_angle_deg=30.0, printed_bar_mm=(100.1, 100.2))))
st.write(str(own.printed_bar_mm), str((typed.bar_x, typed.bar_y)))
"""
    screen = AppTest.from_string(script, default_timeout=60).run()
    assert not screen.exception
    assert screen.markdown[-1].value == "(99.6, 99.8) (100.1, 100.2)"
    assert screen.number_input(key="own-bar-x").value == 99.6
    demo = AppTest.from_file(str(SCREENS / "measure.py"), default_timeout=300)
    demo.session_state["bars_mm"] = (95.0, 95.0)
    assert demo.run().number_input(key="demo:plain-edge-bar-x").value > 99.0
