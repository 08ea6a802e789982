"""Facts of the last visit: kept in the visitor's browser, offered in words, filled in by a click, forgotten by another."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

import app
from app.demo import load
from app.measuring import memory
from vision.declared import Caliper, Declared, Lie, Reading

SCREEN = Path(app.__file__).with_name("main.py")
FACTS = Declared(
    included_angle_deg=33.0, angle_tolerance_deg=1.5, lie=Lie.CHEEK_DOWN, cheek_angle_deg=4.5, edge_height_mm=0.3,
    edge_height_tolerance_mm=0.1, printed_bar_mm=(99.6, 99.8), caliper=Caliper(0.02, 0.005),
)  # fmt: skip


def test_what_is_kept_comes_back_and_what_belongs_to_a_photo_does_not() -> None:
    assert memory.read(memory.text(FACTS)) == FACTS
    more = Declared(included_angle_deg=None, camera_distance_mm=95.0, readings=(Reading(5.0, 0.4),))
    assert memory.read(memory.text(more)) == Declared(included_angle_deg=None)


@pytest.mark.parametrize(
    "change",
    [
        {"angle": 900.0}, {"angle": "30"}, {"angle": True}, {"angle": [1]}, {"tolerance": None}, {"lie": "upside-down"}, {"version": 2},
        {"accuracy": -1}, {"height": 1e400}, {"bar_x": 12.0},
    ],
)  # fmt: skip
def test_what_no_form_can_have_written_is_not_offered(change: dict) -> None:
    assert memory.read(json.dumps(json.loads(memory.text(FACTS)) | change)) is None


@pytest.mark.parametrize("text", ["", "soap", "[]", "null", "{}", '{"version": 1}', "x" * 5000, '{"version": 1, "lie": {}}'])
def test_soap_is_not_offered(text: str) -> None:
    assert memory.read(text) is None


def _open(found: str | None = None) -> AppTest:
    screen = AppTest.from_file(str(SCREEN), default_timeout=300)
    if found is not None:
        # What the browser hands over, which AppTest has none of.
        screen.session_state["memory-found"] = found
    return screen.run()


def _drop(screen: AppTest) -> None:
    photo = next(d for d in load() if d.name == "belly-thickens").photos[0]
    screen.file_uploader(key="photos").set_value([(photo.name, photo.read_bytes(), "image/jpeg")]).run()


def test_last_visits_facts_are_listed_filled_in_by_a_click_and_said_to_be_so() -> None:
    screen = _open(memory.text(FACTS))
    assert not any("Last time in this browser" in m.value for m in screen.markdown), "a demo is its owner's"
    assert screen.number_input(key="demo:plain-edge-angle").value == 30
    _drop(screen)
    said = next(m.value for m in screen.markdown if "Last time in this browser" in m.value)
    assert "included angle 33 ± 1.5°, cheek-down, cheek angle 4.5°, edge 0.3 ± 0.1 mm" in said
    assert screen.number_input(key="own-angle").value is None, "nothing is filled in unasked"
    assert not screen.header
    screen.button(key="memory-fill").click().run()
    assert not screen.exception
    facts = screen.session_state["result"].measurement.declared
    assert facts == FACTS
    assert any("facts of your last visit, not checked yet" in m.value for m in screen.markdown)
    assert any("Check every field against this blade" in i.value for i in screen.info)
    screen.button(key="own-submit").click().run()
    assert not any("facts of your last visit" in m.value for m in screen.markdown)
    assert memory.read(screen.session_state["memory-keep"]) == FACTS


def test_forgotten_facts_are_offered_no_more() -> None:
    screen = _open(memory.text(FACTS))
    _drop(screen)
    screen.button(key="memory-drop").click().run()
    assert not any("Last time in this browser" in m.value for m in screen.markdown)
    assert screen.session_state["memory-forget"]
    screen.number_input(key="own-angle").set_value(31.0)
    screen.button(key="own-submit").click().run()
    assert json.loads(screen.session_state["memory-keep"])["angle"] == 31.0
    assert not screen.session_state["memory-forget"]
    screen.button(key="memory-forget-kept").click().run()
    assert screen.session_state["memory-keep"] is None
    assert screen.session_state["memory-forget"]
    assert screen.header, "what stands in the form stays there"


def test_bars_checked_in_this_session_stand_before_last_visits() -> None:
    screen = _open(memory.text(FACTS))
    screen.session_state["bars_mm"] = (99.9, 100.1)
    _drop(screen)
    screen.button(key="memory-fill").click().run()
    assert screen.session_state["result"].measurement.declared.printed_bar_mm == (99.9, 100.1)
