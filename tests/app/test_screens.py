"""The screens show the library's own figures (Streamlit's AppTest: no browser)."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

import app
from app import facts_form
from app.demo import load
from app.headline import headline
from app.measuring.work import Spot
from vision import rounding
from vision.declared import Declared, Reading
from vision.measure import measure
from vision.photo import open_photo

# By way of the entry: links between screens are known there alone.
SCREEN = Path(app.__file__).with_name("main.py")
SUBJECT = "demo:plain-edge"


@pytest.fixture(scope="module")
def demo():
    return next(d for d in load() if d.name == "plain-edge")


def _open() -> AppTest:
    return AppTest.from_file(str(SCREEN), default_timeout=300).run()


def _measured(demo, **facts):
    return measure([open_photo(path) for path in demo.photos], replace(demo.declared, **facts))


def _read(screen: AppTest, *spots: Spot) -> None:
    """Type these spot checks: AppTest cannot fill in a table."""
    desk = screen.session_state["desks"][SUBJECT]
    desk.to(replace(desk.now, spots=spots))
    screen.run()


def test_the_page_opens_on_the_demo_with_the_librarys_figures(demo) -> None:
    screen = _open()
    expected = _measured(demo)
    assert not screen.exception
    assert screen.header[0].value == headline(expected)[0].text
    assert list(screen.table[0].value["thickness"]) == [line.text for line in headline(expected)[1:]]
    (shares,) = [t.value for t in screen.table if "source" in t.value]
    said = [rounding.two_digits(1000 * r.contribution_mm) for r in sorted(expected.budget.rows, key=lambda r: -r.contribution_mm)]
    assert list(shares["µm (one standard uncertainty)"]) == [*said, rounding.two_digits(1000 * expected.budget.total_mm)]
    assert {b.label for b in screen.get("download_button")} == {
        "report.pdf",
        "profile.csv",
        "overlay.jpg",
        "picture.png",
        "measurement.json",
        "job.toml",
    }
    assert "Blades cut" in screen.caption[0].value
    now = 2 * expected.zones.main.mean.u_mm
    assert any(m.value.startswith("1. ") and f"instead of ± {now:.3f} mm" in m.value for m in screen.markdown), "what would narrow it"
    shown = screen.session_state["result"].measurement
    assert (shown.thickness, shown.widths, shown.zones, shown.budget) == (
        expected.thickness,
        expected.widths,
        expected.zones,
        expected.budget,
    ), "what the page opens on is what measuring anew gives"


def test_another_angle_gives_the_librarys_figure_for_it_without_another_search(demo) -> None:
    screen = _open()
    _read(screen)
    screen.number_input(key=f"{SUBJECT}-angle").set_value(34.0)
    screen.button(key=f"{SUBJECT}-submit").click().run()
    assert screen.header[0].value == headline(_measured(demo, included_angle_deg=34.0, readings=()))[0].text
    assert screen.session_state["bench"].searches == 0, "the first page's lines were used again"


def test_a_questioned_reading_is_said_above_the_figure_and_in_its_row() -> None:
    screen = _open()
    # Half as thick again as the photo and the other readings say.
    _read(screen, Spot(12.0, 0.75), Spot(20.0, 0.5), Spot(28.0, 0.5), Spot(33.0), Spot(None, 0.5))
    said = [m.value for m in screen.markdown]
    assert any("includes 1 questioned reading" in text for text in said)
    rows = next(text for text in said if text.startswith("- **12.0 mm")).splitlines()
    assert "QUESTIONED" in rows[0]
    assert "agrees: this caliper should read" in rows[1].replace("\\", "")
    assert not any("photo and other readings say" in text for text in said)
    assert any("cancels and is not in the ±" in c.value for c in screen.caption)
    assert "no reading yet" in rows[3]
    assert "no place yet" in rows[4]


def test_marked_stretches_change_the_figures_and_can_be_taken_back(demo) -> None:
    screen = _open()
    before = screen.header[0].value
    desk = screen.session_state["desks"][SUBJECT]
    desk.to(desk.now.picked({"mode": "leave-out", "start_mm": 24.02, "end_mm": 42.0}, ""))
    desk.to(desk.now.picked({"mode": "apart", "start_mm": 0.0, "end_mm": 8.0}, ""))
    screen.run()
    said = [m.value for m in screen.markdown]
    assert "left out: 24.0 to 42.0 mm" in said
    assert any("corrected by hand in 2 places" in text for text in said)
    assert any("stretch 1" in label for label in screen.table[0].value["stretch"])
    assert screen.header[0].value != before
    screen.button(key=f"{SUBJECT}-remove-0").click().run()
    screen.button(key=f"{SUBJECT}-undo").click().run()
    assert "left out: 24.0 to 42.0 mm" in [m.value for m in screen.markdown], "the removal itself was taken back"
    for _ in range(2):
        screen.button(key=f"{SUBJECT}-undo").click().run()
    assert screen.header[0].value == before


def test_a_guide_point_is_on_record_and_a_wrong_one_can_be_taken_back(demo) -> None:
    screen = _open()
    sha256 = screen.session_state["result"].measurement.photos[0].sha256
    desk = screen.session_state["desks"][SUBJECT]
    desk.to(desk.now.picked({"mode": "guide-apex", "x_px": -900.0, "y_px": 5.0}, sha256))
    screen.run()
    assert "it lies outside" in screen.error[0].value
    screen.button(key=f"{SUBJECT}-undo").click().run()
    assert not screen.error
    x, y = (float(v) for v in screen.session_state["result"].measurement.widths.apex_px[200])
    desk.to(desk.now.picked({"mode": "guide-apex", "x_px": x, "y_px": y}, sha256))
    screen.run()
    assert any(m.value.startswith("guide point on the apex at (") for m in screen.markdown)
    assert any("the search was steered" in i.value for i in screen.info)


def test_contradicting_facts_are_said_in_words_and_no_figure_is_shown() -> None:
    screen = _open()
    screen.number_input(key=f"{SUBJECT}-angle").set_value(10.0)
    screen.number_input(key=f"{SUBJECT}-cheek").set_value(6.0)
    screen.button(key=f"{SUBJECT}-submit").click().run()
    assert not screen.exception
    assert "must be less than the angle per side" in screen.error[0].value
    assert not screen.header


@pytest.mark.parametrize(
    ("field", "value", "said"),
    [
        ("angle", 900.0, "“Included angle” 900**: it must lie between 4 and 120 degrees"),
        ("height", 400.0, "“Edge above the strip's face” 400**: it must lie between"),
        ("tolerance", -1.0, "“may be off by” -1**: it must lie between 0 and 20"),
        ("accuracy", 0.0, "“Caliper's limit of error” 0**"),
    ],
)
def test_an_impossible_fact_is_refused_and_never_passed_over(field: str, value: float, said: str) -> None:
    """A field with limits of its own would show what was typed and go on with the figure before it."""
    screen = _open()
    screen.number_input(key=f"{SUBJECT}-{field}").set_value(value)
    screen.button(key=f"{SUBJECT}-submit").click().run()
    # At the top and beside the button.
    assert [said in e.value for e in screen.error] == [True, True]
    assert not screen.header
    assert "result" not in screen.session_state
    assert screen.number_input(key=f"{SUBJECT}-{field}").value == value, "nothing typed is lost"


def _last_figures(screen: AppTest) -> list[str]:
    return [m.value for m in screen.markdown if m.value.startswith("The last figure")]


def test_what_was_measured_stays_in_view_when_a_fact_is_refused() -> None:
    screen = _open()
    before, components = screen.header[0].value, len(screen.get("bidi_component"))
    assert not _last_figures(screen)
    screen.number_input(key=f"{SUBJECT}-angle").set_value(500.0)
    screen.button(key=f"{SUBJECT}-submit").click().run()
    assert not screen.exception
    (said,) = _last_figures(screen)
    assert before in said
    assert "not by what is refused above" in said
    assert len(screen.get("bidi_component")) == components, "photo and charts"
    assert not screen.get("download_button"), "no file of a refused state"
    screen.number_input(key=f"{SUBJECT}-angle").set_value(30.0)
    screen.button(key=f"{SUBJECT}-submit").click().run()
    assert not _last_figures(screen)
    assert screen.header[0].value


def test_no_figure_of_another_photo_stays_in_view() -> None:
    screen = _open()
    other = screen.session_state["last-shown"]
    screen.selectbox(key="demo").set_value("coated-cheek-down").run()
    screen.session_state["last-shown"] = other
    screen.number_input(key="demo:coated-cheek-down-angle").set_value(500.0)
    screen.button(key="demo:coated-cheek-down-submit").click().run()
    assert len(screen.error) == 2
    assert not _last_figures(screen)


def test_an_impossible_reading_is_refused_and_stays_in_the_table() -> None:
    screen = _open()
    _read(screen, Spot(12.0, 47.0), Spot(16.0, 0.46))
    assert not screen.exception
    assert "reading of a spot check, 47**: it must lie between 0.005 and 10 mm" in screen.error[0].value
    assert not screen.header
    _read(screen, Spot(12.0, 0.47), Spot(16.0, 0.46))
    assert screen.header


def test_cautions_stand_beside_the_figure_and_name_the_pages_fields(demo) -> None:
    screen = _open()
    screen.number_input(key=f"{SUBJECT}-height").set_value(None)
    screen.button(key=f"{SUBJECT}-submit").click().run()
    said = next(w.value for w in screen.warning if "Before you trust this figure" in w.value)
    assert "measure it and fill in “Edge above the strip's face”" in said
    assert not any("--" in i.value.replace("\\", "") for i in [*screen.info, *screen.warning])


def test_form_shows_what_was_declared() -> None:
    declared = Declared(included_angle_deg=31.0, printed_bar_mm=(99.5, 99.9), readings=(Reading(5.0, 0.4),))
    facts = facts_form.of(declared)
    assert (facts.angle, facts.bar_x, facts.bar_y, facts.height) == (31.0, 99.5, 99.9, None)


def test_a_job_opened_again_loses_no_fact_that_the_form_has_no_field_for() -> None:
    script = """
import streamlit as st
from app import facts_form
from vision.declared import Declared
told = Declared(
    included_angle_deg=30.0, camera_distance_mm=95.0, camera_distance_tolerance_mm=2.0, printed_bar_mm=(99.6, 99.8),
    printed_bar_tolerance_mm=0.02, assumed=("lie", "caliper_resolution_mm"),
)
st.write(str(facts_form.draw(facts_form.of(told), "told") == told))
"""
    screen = AppTest.from_string(script, default_timeout=60).run()
    assert not screen.exception
    assert screen.markdown[-1].value == "True"
