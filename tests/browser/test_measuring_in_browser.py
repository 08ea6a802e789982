"""What a person does on the measuring screen, in a real browser: point, type, mark, take back."""

from __future__ import annotations

import re

import pytest

pytestmark = pytest.mark.browser


def _ready(page) -> None:
    page.get_by_role("heading", name=" mm (").wait_for(timeout=180_000)
    page.locator(".sl-viewer[data-opened]").wait_for(timeout=60_000)
    page.wait_for_timeout(600)


def _settled(page) -> None:
    """Until the page's program has come to its end."""
    page.wait_for_timeout(400)
    page.locator("[data-testid=stApp][data-test-script-state=notRunning]").wait_for(timeout=30_000)


def _headline(page) -> str:
    """What the main figure is of, and the figure."""
    _settled(page)
    label = page.get_by_text("Thickness behind the edge, ").first.inner_text()
    return f"{label}: {page.get_by_role('heading', name=' mm (').inner_text()}"


def _type(page, text: str) -> None:
    """Into the chosen cell of a table: open it, type as fast as a person, close it."""
    page.keyboard.press("Enter")
    page.wait_for_timeout(300)
    page.keyboard.type(text, delay=60)
    page.keyboard.press("Enter")


def _along(page, share: float) -> tuple[float, float]:
    """A place on the edge in the viewer: it opens on the edge, which runs through its middle."""
    page.locator(".sl-stage").scroll_into_view_if_needed()
    box = page.locator(".sl-stage").bounding_box()
    return box["x"] + share * box["width"], box["y"] + 0.5 * box["height"]


def _chart(page) -> dict[str, float]:
    """Where the thickness chart's plot lies."""
    over = page.locator(".sl-chart .u-over").nth(1)
    over.scroll_into_view_if_needed()
    return over.bounding_box()


def _position(page) -> float:
    page.wait_for_timeout(250)
    page.locator(".sl-viewer:not([data-position=''])[data-position]").wait_for(timeout=5_000)
    return float(page.locator(".sl-viewer").get_attribute("data-position"))


def test_pointing_at_the_photo_and_at_a_chart_is_one_place(open_page) -> None:
    page = open_page()
    _ready(page)
    page.mouse.move(*_along(page, 0.3))
    here = _position(page)
    assert re.match(rf"{here:.1f} mm: bevel width \d", page.locator(".sl-readout").inner_text())
    box = _chart(page)
    page.mouse.move(box["x"] + 0.8 * box["width"], box["y"] + 20)
    there = _position(page)
    assert there > here + 10
    lines = page.locator(".sl-chart .u-cursor-x")
    assert len({round(lines.nth(i).bounding_box()["x"]) for i in range(2)}) == 1, "both charts point at the same place"


def test_a_spot_check_is_picked_in_the_photo_and_its_reading_typed(open_page, picture) -> None:
    page = open_page()
    _ready(page)
    before = _headline(page)
    page.get_by_label("adds a spot check").check()
    page.mouse.move(*_along(page, 0.6))
    place = _position(page)
    page.mouse.click(*_along(page, 0.6))
    pending = page.get_by_text("no reading yet")
    pending.wait_for(timeout=20_000)
    assert f"{place:.1f} mm" in pending.inner_text()
    table = page.get_by_test_id("stDataFrame").first
    table.scroll_into_view_if_needed()
    box = table.bounding_box()
    # Row 6, second column; rows are 35 px high.
    page.mouse.click(box["x"] + 0.5 * box["width"], box["y"] + 35 * 6 + 17)
    _type(page, "0.44")
    page.get_by_text(f"{place:.1f} mm, 0.44 mm").wait_for(timeout=20_000)
    assert _headline(page) != before
    picture(page, "measure-spot-check")
    page.get_by_role("button", name="Undo the last step").click()
    page.get_by_text("no reading yet").wait_for(timeout=20_000)


def test_a_stretch_is_left_out_by_two_clicks_and_taken_back(open_page) -> None:
    page = open_page()
    _ready(page)
    before = _headline(page)
    page.get_by_label("leaves a stretch out").check()
    page.mouse.click(*_along(page, 0.55))
    page.get_by_text("now the other end").wait_for()
    box = _chart(page)
    page.mouse.click(box["x"] + 0.9 * box["width"], box["y"] + 30)
    page.get_by_text("corrected by hand in 1 place").wait_for(timeout=20_000)
    assert _headline(page) != before
    page.get_by_role("button", name="Remove").click()
    page.get_by_text("; corrected by hand").wait_for(state="detached", timeout=20_000)
    assert _headline(page) == before


SHOULDER = """() => {
  const p = document.querySelector('.sl-viewer').slViewer.data.profile;
  return p.sx.map((x, i) => [x, p.sy[i], p.ax[i], p.ay[i]]);
}"""
TO_SCREEN = """([x, y]) => {
  const v = document.querySelector('.sl-viewer').slViewer.picture.view();
  return [v.x + (x + 0.5) * v.k, v.y + (y + 0.5) * v.k];
}"""


def test_a_guide_point_moves_the_line_and_is_taken_back(open_page, picture) -> None:
    page = open_page()
    _ready(page)
    before = page.evaluate(SHOULDER)
    sx, sy, ax, ay = before[len(before) // 2]
    page.get_by_label("puts the shoulder here").check()
    # Half a bevel beyond the shoulder, where grind lines of the cheek are what the search can hold on to.
    x, y = page.evaluate(TO_SCREEN, [sx + 0.5 * (sx - ax), sy + 0.5 * (sy - ay)])
    page.locator(".sl-stage").scroll_into_view_if_needed()
    box = page.locator(".sl-stage").bounding_box()
    page.mouse.click(box["x"] + x, box["y"] + y)
    page.get_by_text("guide point on the shoulder at").wait_for(timeout=60_000)
    _settled(page)
    page.wait_for_timeout(600)
    after = page.evaluate(SHOULDER)
    moved = [a[1] - b[1] for a, b in zip(before, after, strict=True) if a[1] is not None and b[1] is not None and abs(a[1] - b[1]) > 3]
    assert len(moved) > 10, "the line follows the hand near it"
    assert len(moved) < 60, "and only there"
    assert max(moved) > 20
    picture(page, "measure-guide-point")
    page.get_by_role("button", name="Remove").click()
    page.get_by_text("Corrected by hand", exact=True).wait_for(state="detached", timeout=30_000)
    _settled(page)
    page.wait_for_timeout(600)
    assert page.evaluate(SHOULDER) == before


def test_the_keyboard_alone_walks_the_edge_marks_and_downloads(open_page) -> None:
    page = open_page()
    _ready(page)
    mode = page.get_by_label("looks closer")
    mode.focus()
    for _ in range(4):
        page.keyboard.press("ArrowRight")
    assert page.get_by_label("leaves a stretch out").is_checked()
    stage = page.locator(".sl-stage")
    for _ in range(12):
        page.keyboard.press("Tab")
        if stage.evaluate("e => e === document.activeElement"):
            break
    assert stage.evaluate("e => e === document.activeElement"), "the photo is reached by Tab"
    for _ in range(5):
        page.keyboard.press("Shift+ArrowRight")
    first = _position(page)
    page.keyboard.press("Enter")
    for _ in range(5):
        page.keyboard.press("Shift+ArrowRight")
    last = _position(page)
    assert last > first + 3
    page.keyboard.press("Enter")
    page.get_by_text(f"left out: {first:.1f} to {last:.1f} mm").wait_for(timeout=20_000)
    _settled(page)
    page.get_by_role("button", name="report.pdf").focus()
    with page.expect_download(timeout=60_000) as loading:
        page.keyboard.press("Enter")
    assert loading.value.path().read_bytes().startswith(b"%PDF")


def test_full_size_shows_the_photos_own_pixels(open_page) -> None:
    page = open_page()
    _ready(page)
    page.locator(".sl-bar").get_by_label("Show every pixel of the photo").click()
    page.wait_for_timeout(1500)
    # Tiles are cut from the photo at full size: a photo px takes one screen px.
    k = page.evaluate("() => document.querySelector('.sl-viewer').slViewer.picture.view().k * devicePixelRatio")
    assert k == pytest.approx(1.0, abs=0.02)
