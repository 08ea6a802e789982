"""The first page in a real browser: the demo's figure, the viewer, no other host, no sideways scrolling."""

from __future__ import annotations

import pytest

from app import first
from app.headline import headline
from tests.browser.measuring import calls_into, downloaded
from vision.measure import measure
from vision.photo import open_photo

pytestmark = pytest.mark.browser


@pytest.mark.parametrize(("name", "width", "scheme"), [("desktop", 1280, "light"), ("phone", 390, "light"), ("dark", 1280, "dark")])
def test_demo_shows_headline_viewer_and_downloads(address: str, open_page, picture, name: str, width: int, scheme: str) -> None:
    demo = first.demo()
    expected = headline(measure([open_photo(path) for path in demo.photos], demo.declared))[0].text
    hosts: set[str] = set()
    page = open_page(width, scheme, prepare=calls_into(hosts))
    figure = page.get_by_role("heading", name=" mm (")
    figure.wait_for(timeout=180_000)
    page.locator(".sl-viewer[data-opened]").wait_for(timeout=60_000)
    assert figure.inner_text() == expected
    assert page.evaluate("document.documentElement.scrollWidth") <= width, "the page does not scroll sideways"
    page.get_by_role("button", name="profile.csv").wait_for(timeout=60_000)
    assert downloaded(page, "profile.csv").read_text().startswith("position_mm,")
    picture(page, f"measure-{name}")
    assert hosts == {address.split("//")[1]}, "no other host is called"
