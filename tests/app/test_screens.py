"""The screens show the library's own figures (Streamlit's AppTest: no browser)."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

import app.screens
from app import facts_form, session
from app.demo import load
from app.headline import headline
from vision.declared import Declared, Reading
from vision.errors import DeclarationError
from vision.job import job_from_text, open_job
from vision.measure import measure
from vision.photo import open_photo

SCREEN = Path(app.screens.__file__).with_name("measure.py")


@pytest.fixture(scope="module")
def demo():
    return next(d for d in load() if d.name == "plain-edge")


def _open(choice: str = "plain edge") -> AppTest:
    screen = AppTest.from_file(str(SCREEN), default_timeout=300).run()
    if screen.selectbox[0].value != choice:
        screen.selectbox[0].select(choice).run()
    return screen


def test_shown_figure_is_the_librarys(demo) -> None:
    screen = _open()
    expected = measure([open_photo(path) for path in demo.photos], demo.declared)
    assert not screen.exception
    assert screen.header[0].value == headline(expected)[0].text
    rest = screen.table[0].value
    assert list(rest["thickness"]) == [line.text for line in headline(expected)[1:]]
    files = {"profile.csv", "measurement.json", "overlay.jpg", "report.pdf", "job.toml"}
    assert {b.label for b in screen.get("download_button")} == files
    assert "Blades cut" in screen.caption[0].value


def test_another_angle_gives_the_librarys_figure_for_it(demo) -> None:
    screen = _open()
    screen.number_input[0].set_value(34.0)
    screen.text_area[0].set_value("")
    screen.button[0].click().run()
    declared = replace(demo.declared, included_angle_deg=34.0, readings=())
    expected = measure([open_photo(path) for path in demo.photos], declared)
    assert screen.header[0].value == headline(expected)[0].text


def test_a_questioned_reading_is_said_above_the_figure() -> None:
    screen = _open()
    # Half as thick again as the photo and the other readings say.
    screen.text_area[0].set_value("12=0.75\n20=0.5\n28=0.5")
    screen.button[0].click().run()
    assert any(m.value.endswith("; includes 1 questioned reading") for m in screen.markdown)


def test_impossible_fact_is_said_in_words_and_nothing_is_shown(demo) -> None:
    screen = _open()
    screen.number_input[0].set_value(400.0)
    screen.button[0].click().run()
    assert not screen.exception
    assert "must lie between 4 and 120" in screen.error[0].value
    assert not screen.header


def test_own_photo_asks_for_one() -> None:
    screen = _open("my own photo")
    assert "Upload" in screen.info[0].value
    assert not screen.exception


def test_readings_are_read_line_by_line() -> None:
    assert facts_form.parse_readings("20.6 = 0.47\n\n 31,5=0,54 ") == (Reading(20.6, 0.47), Reading(31.5, 0.54))
    with pytest.raises(DeclarationError, match="position = thickness"):
        facts_form.parse_readings("0.47")


def test_form_shows_what_was_declared() -> None:
    declared = Declared(included_angle_deg=31.0, printed_bar_mm=(99.5, 99.9), readings=(Reading(5.0, 0.4),))
    facts = facts_form.of(declared)
    assert (facts.angle, facts.bar_x, facts.bar_y, facts.height, facts.readings) == (31.0, 99.5, 99.9, None, declared.readings)


def test_the_apps_job_file_holds_the_facts_and_opens_the_photos(demo) -> None:
    photo = demo.photos[0]
    shown = session.measured(((photo.name, photo.read_bytes()),), demo.declared)
    job = job_from_text(shown.contents["job.toml"].decode())
    assert job.sides[0].declared == demo.declared
    sides, _ = open_job(job, photo.parent)
    assert sides[0].photos[0].sha256 == shown.measurement.photos[0].sha256
