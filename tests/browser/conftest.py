"""The app served by its own command, and Debian's chromium driven by Playwright; nothing is downloaded."""

from __future__ import annotations

import importlib.util
import os
import shutil
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path

import pytest

CHECKOUT = Path(__file__).parents[2]
CHROMIUM = os.environ.get("CHROMIUM") or shutil.which("chromium")
ARGUMENTS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update", "--no-first-run"]
# Streamlit's own animations keep a processor busy that the tests wait for: a page that rests costs a sixth of the drawing.
STILL = {"reduced_motion": "reduce"}
PHONE = {"viewport": {"width": 390, "height": 844}, "has_touch": True, "is_mobile": True, "device_scale_factor": 2, **STILL}
MISSING = "no chromium" if not CHROMIUM else "no playwright" if importlib.util.find_spec("playwright") is None else ""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """A person may lack a browser; CI may not, and there the import or the launch below fails."""
    if MISSING and not os.environ.get("CI"):
        for item in items:
            if item.get_closest_marker("browser"):
                item.add_marker(pytest.mark.skip(reason=f"{MISSING} on this machine"))


@pytest.fixture(scope="session")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The served app's home: nobody's own log is touched."""
    return tmp_path_factory.mktemp("home")


@pytest.fixture(scope="session")
def serve(tmp_path_factory: pytest.TempPathFactory, home: Path) -> Callable[..., AbstractContextManager[tuple[str, int]]]:
    """The app, served by the command itself on a free port: a context that gives its address and process."""

    @contextmanager
    def served(environment: Mapping[str, str] = os.environ) -> Iterator[tuple[str, int]]:
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            port = probe.getsockname()[1]
        folder = tmp_path_factory.mktemp("server")
        command = [sys.executable, "-m", "app.cli", "app", "--headless", "--port", str(port), "--address", "127.0.0.1"]
        own = dict(environment) | {"HOME": str(home), "XDG_DATA_HOME": str(home)}
        own.pop("SHOULDERLINE_LOG", None)
        # The app of this checkout, whichever is installed.
        own["PYTHONPATH"] = os.pathsep.join(p for p in (str(CHECKOUT), own.get("PYTHONPATH")) if p)
        with (folder / "log.txt").open("w") as log:
            server = subprocess.Popen(command, stdout=log, stderr=subprocess.STDOUT, cwd=folder, env=own)
            try:
                _wait_for(f"http://127.0.0.1:{port}/_stcore/health", server)
                yield f"http://127.0.0.1:{port}", server.pid
            finally:
                server.terminate()
                server.wait(20)

    return served


@pytest.fixture(scope="session")
def address(serve) -> Iterator[str]:
    """The address of the one server that most tests share."""
    with serve() as (served, _):
        yield served


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


@pytest.fixture(scope="session")
def chromium() -> Iterator[object]:
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield browser
        browser.close()


@pytest.fixture(scope="session")
def windows(chromium) -> _Windows:
    """Of all tests of this process."""
    return _Windows(chromium)


class _Windows:
    """Browser contexts lent to one test at a time: a browser that was here before has the app's program, two of five seconds of a
    page's processor time; whatever else the site kept in it is forgotten in between. A test that changes a context's own settings (offline,
    permissions) makes one for itself."""

    def __init__(self, chromium) -> None:
        self._chromium, self._free = chromium, {}

    def lend(self, options: Mapping[str, object]):
        """A context that no other page of this test has."""
        free = self._free.setdefault(repr(sorted(options.items())), [])
        return free.pop() if free else self._chromium.new_context(**options)

    def take_back(self, options: Mapping[str, object], context, origin: str) -> None:
        """For the next test, without what the site kept for the visitor."""
        # A page that is still open may write once more.
        for left in context.pages:
            left.close()
        page = context.new_page()
        context.new_cdp_session(page).send("Storage.clearDataForOrigin", {"origin": origin, "storageTypes": "all"})
        page.close()
        self._free[repr(sorted(options.items()))].append(context)


@pytest.fixture
def open_page(address: str, windows: _Windows) -> Iterator[Callable[..., object]]:
    """Opens the app in a window of a browser, and a session, of its own; closed afterwards."""
    lent = []

    def opened(
        width: int = 1280, scheme: str = "light", path: str = "/", *, phone: bool = False, prepare: Callable[..., None] | None = None
    ):
        options = PHONE if phone else {"color_scheme": scheme, **STILL}
        lent.append((options, windows.lend(options)))
        page = lent[-1][1].new_page()
        if not phone:
            page.set_viewport_size({"width": width, "height": 1400})
        if prepare:
            prepare(page)
        page.goto(address + path)
        return page

    yield opened
    for options, context in lent:
        windows.take_back(options, context, address)


@pytest.fixture
def picture() -> Callable[..., None]:
    """A picture of the page for the eye, when SHOULDERLINE_SCREENSHOTS names a folder."""

    def taken(page, name: str, height: int = 3600) -> None:
        if folder := os.environ.get("SHOULDERLINE_SCREENSHOTS"):
            Path(folder).mkdir(parents=True, exist_ok=True)
            page.set_viewport_size({"width": page.viewport_size["width"], "height": height})
            page.wait_for_timeout(1000)
            page.screenshot(path=f"{folder}/{name}.png")

    return taken
