"""Compare, Plan, Print and How to in a real browser: narrow, dark, by keyboard, and every picture described."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from app import files
from tests.browser.contrast import faint
from tests.browser.measuring import calls_into, downloaded, settled
from tests.conftest import drawn_measurement

pytestmark = pytest.mark.browser

# Path of each screen and what tells that it is drawn to its end.
SCREENS = {
    "compare": ("/compare", "What this rests on"),
    "plan": ("/plan", "The drawing has no band"),
    "print": ("/print", "Glue it to card"),
    "howto": ("/howto", "Strip too low"),
}
THEMES = ("light", "dark")

# Every screen that the entry names; Streamlit makes the address of a page's file name.
NAMED = re.findall(r"screens/(\w+)\.py", (Path(files.__file__).with_name("main.py")).read_text(encoding="utf-8"))


# Whether the page's ground is light or dark, as was asked for.
FOLLOWS = """(scheme) => {
  const ground = getComputedStyle(document.querySelector('[data-testid=stApp]')).backgroundColor.match(/\\d+/g).map(Number);
  return (ground[0] + ground[1] + ground[2] > 384) === (scheme === 'light');
}"""


def _drawn(page, text: str) -> None:
    page.get_by_text(text).first.wait_for(timeout=180_000)
    page.locator("[data-testid=stApp][data-test-script-state=notRunning]").wait_for(timeout=60_000)


@pytest.mark.parametrize("name", SCREENS)
@pytest.mark.parametrize(("kind", "width"), [("desktop", 1280), ("phone", 390)])
def test_screen_fits_and_describes_its_pictures_and_calls_nobody(open_page, picture, address, name: str, kind: str, width: int) -> None:
    path, last = SCREENS[name]
    hosts: set[str] = set()
    page = open_page(width, path=path, prepare=calls_into(hosts))
    _drawn(page, last)
    for scheme in THEMES:
        page.emulate_media(color_scheme=scheme)
        page.wait_for_function(FOLLOWS, arg=scheme, timeout=60_000)
        settled(page)
        assert page.evaluate("document.documentElement.scrollWidth") <= width, "the page does not scroll sideways"
        page.wait_for_function("[...document.querySelectorAll('[data-testid=stMain] img')].every(i => i.complete && i.naturalWidth > 0)")
        assert page.evaluate("[...document.querySelectorAll('[data-testid=stMain] img')].every(i => i.alt.length > 20)")
        assert not faint(page), scheme
        picture(page, f"{name}-{kind}-{scheme}", 4200 if width < 500 else 2600)
    assert hosts == {address.split("//")[1]}, "no other host is called"


def test_two_files_are_compared_and_the_table_comes_down(open_page, tmp_path) -> None:
    first, second = drawn_measurement(), drawn_measurement(photos=2)
    for name, m in (("one", first), ("two", second)):
        (tmp_path / f"{name}.json").write_text(files.measurement_text(m), encoding="utf-8")
    page = open_page(path="/compare")
    _drawn(page, "What this rests on")
    page.locator("input[type=file]").set_input_files([str(tmp_path / "one.json"), str(tmp_path / "two.json")])
    page.get_by_role("heading", name="B: edge-1.jpg, edge-2.jpg minus A: edge-1.jpg").wait_for(timeout=60_000)
    lines = downloaded(page, "difference.csv").read_text().splitlines()
    assert lines[0].startswith("result,at_mm")
    assert len(lines) > 100


def test_a_new_angle_is_set_by_keyboard_alone(open_page) -> None:
    page = open_page(path="/plan")
    _drawn(page, "The drawing has no band")
    slider = page.get_by_role("slider", name="New included angle, degrees")
    slider.focus()
    before = float(slider.input_value())
    page.keyboard.press("ArrowLeft")
    page.keyboard.press("ArrowLeft")
    page.wait_for_timeout(1500)
    _drawn(page, "The drawing has no band")
    assert float(slider.input_value()) == before - 1.0
    assert page.get_by_text(f"{before - 1.0:g}°").first.is_visible()


def test_bars_are_checked_and_the_page_comes_down(open_page) -> None:
    page = open_page(path="/print")
    _drawn(page, "Glue it to card")
    assert page.title() == "Print the strip · Shoulderline", "two tabs, and the pages gone back to, are told apart"
    for name, value in (("Check bar X", "99.6"), ("Check bar Y", "99.8")):
        field = page.get_by_role("spinbutton", name=name)
        field.fill(value)
        field.press("Tab")
        page.wait_for_timeout(600)
    page.get_by_text("--printed-bar 99.6,99.8").wait_for(timeout=30_000)
    assert downloaded(page, "Download the page for A4").read_bytes().startswith(b"%PDF")


def test_text_of_every_other_screen_reads_in_either_theme(open_page) -> None:
    others = [name for name in NAMED if name not in SCREENS]
    assert len(others) == len(NAMED) - len(SCREENS) > 5
    for name in others:
        page = open_page(scheme="light", path="/" if name == "measure" else f"/{name}")
        page.get_by_role("heading").first.wait_for(timeout=180_000)
        page.wait_for_timeout(2000)
        for scheme in THEMES:
            page.emulate_media(color_scheme=scheme)
            page.wait_for_function(FOLLOWS, arg=scheme, timeout=60_000)
            settled(page)
            assert not faint(page), (name, scheme)
        assert page.evaluate("[...document.querySelectorAll('[data-testid=stMain] img')].every(i => i.alt)"), name
        page.close()
