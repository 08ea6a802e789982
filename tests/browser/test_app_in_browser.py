"""The app in a real browser: Debian's chromium, driven by Playwright; nothing is downloaded."""

from __future__ import annotations

import importlib.util
import os
import shutil
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest

from app import first
from app.headline import headline
from vision.measure import measure
from vision.photo import open_photo

CHROMIUM = os.environ.get("CHROMIUM") or shutil.which("chromium")
ARGUMENTS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update", "--no-first-run"]
MISSING = "no chromium" if not CHROMIUM else "no playwright" if importlib.util.find_spec("playwright") is None else ""
pytestmark = [
    pytest.mark.browser,
    # A person may lack a browser; CI may not, and there the import or the launch below fails.
    pytest.mark.skipif(bool(MISSING) and not os.environ.get("CI"), reason=f"{MISSING} on this machine"),
]


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The app, served by the command itself on a free port."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    log = (tmp_path_factory.mktemp("server") / "log.txt").open("w")
    command = [sys.executable, "-m", "app.cli", "app", "--headless", "--port", str(port), "--address", "127.0.0.1"]
    server = subprocess.Popen(command, stdout=log, stderr=subprocess.STDOUT, cwd=log.name.rsplit("/", 1)[0])
    try:
        _wait_for(f"http://127.0.0.1:{port}/_stcore/health", server)
        yield f"http://127.0.0.1:{port}"
    finally:
        server.terminate()
        server.wait(20)
        log.close()


def _wait_for(url: str, server: subprocess.Popen) -> None:
    end = time.monotonic() + 60
    while time.monotonic() < end:
        assert server.poll() is None, "the server ended by itself"
        try:
            with urllib.request.urlopen(url, timeout=2) as answer:
                if answer.status == 200:
                    return
        except OSError:
            time.sleep(0.3)
    raise AssertionError("the server did not answer within a minute")


@pytest.fixture(scope="module")
def chromium() -> Iterator[object]:
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield browser
        browser.close()


@pytest.mark.parametrize(("name", "width", "scheme"), [("desktop", 1280, "light"), ("phone", 390, "light"), ("dark", 1280, "dark")])
def test_demo_shows_headline_viewer_and_downloads(address: str, chromium, name: str, width: int, scheme: str) -> None:
    demo = first.demo()
    expected = headline(measure([open_photo(path) for path in demo.photos], demo.declared))[0].text
    page = chromium.new_page(viewport={"width": width, "height": 1400}, color_scheme=scheme)
    hosts: set[str] = set()
    page.on("request", lambda request: hosts.add(request.url.split("/")[2]) if request.url.startswith("http") else None)
    page.goto(address)
    figure = page.get_by_role("heading", name=" mm (")
    figure.wait_for(timeout=180_000)
    page.locator(".sl-viewer[data-opened]").wait_for(timeout=60_000)
    assert figure.inner_text() == expected
    assert page.evaluate("document.documentElement.scrollWidth") <= width, "the page does not scroll sideways"
    page.get_by_role("button", name="profile.csv").wait_for(timeout=60_000)
    with page.expect_download() as loading:
        page.get_by_role("button", name="profile.csv").click()
    assert loading.value.path().read_text().startswith("position_mm,")
    _picture(page, f"measure-{name}", width)
    page.close()
    assert hosts == {address.split("//")[1]}, "no other host is called"


def _picture(page, name: str, width: int, height: int = 3600) -> None:
    """A picture of the page for the eye, when SHOULDERLINE_SCREENSHOTS names a folder."""
    if folder := os.environ.get("SHOULDERLINE_SCREENSHOTS"):
        Path(folder).mkdir(parents=True, exist_ok=True)
        page.set_viewport_size({"width": width, "height": height})
        page.wait_for_timeout(1000)
        page.screenshot(path=f"{folder}/{name}.png")
