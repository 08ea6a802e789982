"""Steps on the measuring screen that several tests take."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np

from vision.photo import Photo


def calls_into(hosts: set[str]) -> Callable[..., None]:
    """For `open_page`: collects whom the page calls, from its first request on."""
    return lambda page: page.on("request", lambda request: hosts.add(request.url.split("/")[2]) if request.url.startswith("http") else None)


def ready(page) -> None:
    """Until the page's program shows a figure and the photo."""
    page.get_by_role("heading", name=" mm (").wait_for(timeout=180_000)
    page.locator(".sl-viewer[data-opened]").wait_for(timeout=60_000)
    settled(page)


def settled(page) -> None:
    """Until the page's program has come to its end."""
    page.wait_for_timeout(400)
    page.locator("[data-testid=stApp][data-test-script-state=notRunning]").wait_for(timeout=60_000)


def holds(field, text: str) -> None:
    """Until the field holds this; fails by what it holds instead."""
    from playwright.sync_api import expect

    expect(field).to_have_value(text, timeout=20_000)


def downloaded(page, name: str, *, key: bool = False) -> Path:
    """The file that a button gives, by the mouse or by the keyboard alone."""
    # Not before the page stands still: a button that moves between the press and the release has not been clicked.
    settled(page)
    button = page.get_by_role("button", name=name)
    button.focus()
    with page.expect_download(timeout=60_000) as loading:
        page.keyboard.press("Enter") if key else button.click()
    return loading.value.path()


def headline(page) -> str:
    """What the main figure is of, and the figure."""
    settled(page)
    label = page.get_by_text("Thickness behind the edge, ").first.inner_text()
    return f"{label}: {page.get_by_role('heading', name=' mm (').inner_text()}"


def fill(page, row: int, share: float, text: str, *, touch: bool = False) -> None:
    """A cell of the table of spot checks, `share` of the table's width from its left, as a person would: choose it, open it, type."""
    settled(page)
    table, editor = page.get_by_test_id("stDataFrame").first, page.locator("#portal input")
    table.scroll_into_view_if_needed()
    for _ in range(8):
        box = _at_rest(page, table)
        # Rows are 35 px high, the first is the heading. The table draws itself on a canvas and must have seen the mouse come.
        place = box["x"] + share * box["width"], box["y"] + 35 * row + 17
        if touch:
            # The first tap chooses, the second opens; a phone then shows its keyboard.
            page.touchscreen.tap(*place)
        else:
            page.mouse.move(*place)
            page.wait_for_timeout(300)
            page.mouse.click(*place)
            page.wait_for_timeout(300)
            page.keyboard.press("Enter")
        # A slow browser has not seen the first of them before the next comes; what is typed before the editor has the keyboard is lost.
        if _comes_true(page, "document.activeElement?.matches('#portal input')", within_ms=6_000):
            break
    for _ in range(4):
        # What the cell held is selected once its editor is drawn: on a slow browser after the first letter, which the second then replaces.
        page.keyboard.press("Control+A")
        page.keyboard.type(text, delay=60)
        if _comes_true(page, f"document.activeElement.value === '{text.replace(',', '.')}'", within_ms=2_000):
            break
    holds(editor, text.replace(",", "."))
    page.keyboard.press("Enter")
    editor.wait_for(state="detached", timeout=20_000)
    settled(page)


def _at_rest(page, place) -> dict[str, float]:
    """Where it stands once it stands still: what is drawn above it late moves it."""
    box = None
    while box != (box := place.bounding_box()):
        page.wait_for_timeout(300)
    return box


def _comes_true(page, what: str, within_ms: float) -> bool:
    from playwright.sync_api import TimeoutError as Late

    try:
        page.wait_for_function(what, timeout=within_ms)
    except Late:
        return False
    return True


def upload(page, *paths: Path) -> None:
    """Drop a person's own photos."""
    page.get_by_test_id("stFileUploaderDropzoneInput").first.set_input_files(list(paths))
    page.get_by_text("Strip and edge are found").wait_for(timeout=60_000)


def declare_angle(page, text: str) -> None:
    """Say the angle and measure."""
    page.get_by_role("spinbutton", name="Included angle, degrees").fill(text)
    page.get_by_role("button", name="Measure", exact=True).click()
    ready(page)


def to_screen(page, x_px: float, y_px: float) -> tuple[float, float]:
    """Where a place of the photo is on the screen; the page scrolls to the photo first."""
    page.locator(".sl-stage").scroll_into_view_if_needed()
    x, y = page.evaluate(_TO_SCREEN, [x_px, y_px])
    box = page.locator(".sl-stage").bounding_box()
    return box["x"] + x, box["y"] + y


def save(photo: Photo, path: Path) -> Path:
    """The photo's pixels in a file without loss."""
    path.write_bytes(cv2.imencode(".png", np.ascontiguousarray(photo.pixels[..., ::-1]))[1].tobytes())
    return path


_TO_SCREEN = """([x, y]) => {
  const v = document.querySelector('.sl-viewer').slViewer.picture.view();
  return [v.x + (x + 0.5) * v.k, v.y + (y + 0.5) * v.k];
}"""
