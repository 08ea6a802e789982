"""Ten people at once on one server: nobody sees another's photo, and the memory comes back when they have gone."""

from __future__ import annotations

import os
import re
import shutil
import time
from pathlib import Path

import pytest

from app.demo import load
from tests.browser.conftest import STILL

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="memory is read from /proc"),
]
# Streamlit keeps a lost session for two minutes, for a phone that was put away; here it has gone for good.
FORGOTTEN_S = 5


def _rss_mb(pid: int) -> float:
    return int(re.search(r"VmRSS:\s+(\d+)", Path(f"/proc/{pid}/status").read_text())[1]) / 1024


def _upload(page, photo: Path) -> None:
    dropzone = page.get_by_test_id("stFileUploaderDropzoneInput").first
    dropzone.wait_for(state="attached", timeout=120_000)
    # No hand is as quick: a file given while the page is still being built can be lost with what it was given to.
    page.locator("[data-testid=stApp][data-test-script-state=notRunning]").wait_for(timeout=120_000)
    dropzone.set_input_files(photo)


def _looked_at(page, photo: Path) -> str:
    page.get_by_text("Strip and edge are found").wait_for(timeout=300_000)
    assert photo.name in page.content()
    return page.content()


def test_ten_sessions_see_their_own_and_leave_nothing(serve, chromium, tmp_path) -> None:
    shown = [path for demo in load() for path in demo.photos]
    photos = [Path(shutil.copy(shown[i % len(shown)], tmp_path / f"person-{i}.jpg")) for i in range(10)]
    with serve({**os.environ, "STREAMLIT_SERVER_DISCONNECTED_SESSION_TTL": str(FORGOTTEN_S)}) as (address, pid):
        guest = chromium.new_context(**STILL)

        def one() -> None:
            page = guest.new_page()
            page.goto(address)
            _upload(page, photos[0])
            _looked_at(page, photos[0])
            page.close()

        for _ in range(2):
            one()
        before = _rss_mb(pid)
        pages = [chromium.new_page(**STILL) for _ in photos]
        for page in pages:
            page.goto(address)
        for page, photo in zip(pages, photos, strict=True):
            _upload(page, photo)
        for page, photo in zip(pages, photos, strict=True):
            content = _looked_at(page, photo)
            assert not [p.name for p in photos if p != photo and p.name in content], "nobody sees another's photo"
        during = _rss_mb(pid)
        for page in pages:
            page.close()
        # Lost sessions are let go when the next one comes.
        for _ in range(2):
            time.sleep(FORGOTTEN_S + 5)
            one()
        after = _rss_mb(pid)
    print(f"before {before:.0f} MB, with ten {during:.0f} MB, after {after:.0f} MB")
    assert after <= 1.2 * before
