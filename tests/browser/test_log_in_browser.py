"""The reference log in a real browser: two clicks to add, an import with its turned-away rows, a phone's width; the published page."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import pytest

from app.reference_log import columns, contributions, demo, publish, words
from app.reference_log.store import Store
from app.reference_log.summary import all_summaries
from tests.browser.conftest import STILL
from tests.browser.measuring import calls_into, downloaded, settled

pytestmark = pytest.mark.browser


@pytest.fixture
def own(home: Path) -> Path:
    """The served app's own log; nothing is there yet, and no knife is remembered."""
    folder = home / "shoulderline"
    for path in folder.glob("*"):
        path.unlink()
    return folder / "reference-log.sqlite"


def _no_sideways(page) -> None:
    width = page.viewport_size["width"]
    assert page.evaluate("document.documentElement.scrollWidth") <= width, "the page does not scroll sideways"


@pytest.mark.parametrize(("name", "width", "scheme"), [("phone", 390, "light"), ("dark", 1280, "dark")])
def test_the_present_result_goes_in_by_two_clicks(own: Path, open_page, picture, name: str, width: int, scheme: str) -> None:
    own.parent.mkdir(exist_ok=True)
    last = {"maker": "Ostfeld", "model": "Heron", "contributor": "Mirel", "edge": "plain", "condition": "factory"}
    own.with_name("last-knife.json").write_text(json.dumps(last))
    page = open_page(width, scheme)
    figure = page.get_by_role("heading", name=" mm (")
    figure.wait_for(timeout=180_000)
    measured = figure.inner_text()
    settled(page)
    page.get_by_test_id("stPageLink-NavLink").filter(has_text="Add to the log").click()
    page.get_by_role("heading", name="Add to the log").wait_for()
    button = page.get_by_role("button", name="Add to the log")
    button.wait_for()
    picture(page, f"log-add-{name}", 1600)
    button.click()
    page.get_by_text("In the log as record 1").wait_for()
    _no_sideways(page)
    with Store(own) as store:
        (kept,) = store.all()
    assert words.as_given(kept.record) == measured
    assert (kept.record.maker, kept.record.condition) == ("Ostfeld", "factory")
    assert "a demo photo of an invented blade" in kept.record.cautions


def test_an_import_gives_its_turned_away_rows_back(own: Path, open_page, picture, tmp_path: Path) -> None:
    sound = {
        "maker": "Ostfeld", "model": "Heron", "edge": "plain", "specimen": "a", "condition": "factory", "method": "readings", "unit": "mm",
        "instrument": "caliper", "instrument_step": "0.01", "instrument_accuracy": "0.03", "thickness": "0.42", "contributor": "Mirel",
        "date": "2026-03-01",
    }  # fmt: skip
    rows = [sound, sound | {"specimen": "b", "instrument": "steel ruler"}, sound | {"specimen": "c", "instrument": "", "note": "=1+1"}]
    path = tmp_path / "rows.csv"
    path.write_text(contributions.csv_text(columns.TEMPLATE, rows), encoding="utf-8", newline="")
    page = open_page(390, path="/log_share")
    page.locator("input[type=file]").set_input_files(path)
    page.get_by_text("Of 3 rows: 1 can be taken, 0 of them with a caution; 2 turned away.").wait_for(timeout=60_000)
    settled(page)
    _no_sideways(page)
    picture(page, "log-import-phone", 2000)
    away = downloaded(page, "Turned-away rows with reasons as CSV").read_text(encoding="utf-8")
    given_back = list(csv.DictReader(io.StringIO(away, newline="")))
    assert [r["specimen"] for r in given_back] == ["b", "c"]
    assert "ruler" in given_back[0]["reason"]
    assert given_back[1]["note"] == "'=1+1"
    page.get_by_role("button", name="Take 1 row into the log").click()
    page.get_by_text("Of 3 rows: 1 taken").wait_for()
    with Store(own) as store:
        assert [s.record.specimen for s in store.all()] == ["a"]
    whole = downloaded(page, "Every measurement as CSV").read_bytes()
    with Store(own) as store:
        assert whole.decode() == publish.export(store, "csv")


@pytest.mark.parametrize(("name", "width", "scheme"), [("desktop", 1280, "light"), ("phone", 390, "light"), ("dark", 1280, "dark")])
def test_the_demo_log_is_looked_up_by_keyboard(own: Path, address: str, open_page, picture, name: str, width: int, scheme: str) -> None:
    hosts: set[str] = set()
    page = open_page(width, scheme, "/log", prepare=calls_into(hosts))
    button = page.get_by_role("button", name="Look at the demo log")
    button.wait_for(timeout=60_000)
    button.focus()
    page.keyboard.press("Enter")
    page.get_by_text("30 models").wait_for(timeout=60_000)
    page.get_by_test_id("stVegaLiteChart").first.wait_for()
    settled(page)
    _no_sideways(page)
    picture(page, f"log-models-{name}", 2400)
    page.get_by_role("textbox", name="Search").focus()
    page.keyboard.type("Ostfeld")
    page.keyboard.press("Enter")
    page.get_by_text("1 model,").wait_for()
    if width > 800:
        settled(page)
        page.get_by_role("link", name="One model").focus()
        page.keyboard.press("Enter")
    else:
        page.goto(f"{address}/log_model")
        page.get_by_role("button", name="Look at the demo log").click()
    page.get_by_role("heading", name="For a post").wait_for(timeout=60_000)
    settled(page)
    _no_sideways(page)
    picture(page, f"log-model-{name}", 3600)
    assert not own.exists(), "the demo lies apart"
    assert hosts == {address.split("//")[1]}, "no other host is called"


def test_a_line_of_the_list_opens_its_model(own: Path, open_page) -> None:
    page = open_page(path="/log")
    page.get_by_role("button", name="Look at the demo log").click()
    table = page.get_by_test_id("stDataFrame")
    table.wait_for(timeout=60_000)
    settled(page)
    with Store(own.with_name("demo-log.sqlite")) as store:
        thinnest = min(all_summaries(store), key=lambda s: s.mean_mm)
    # The first column of the first line: the tick that chooses it.
    table.click(position={"x": 20, "y": 52})
    page.get_by_text(f"Thickness behind the edge of {thinnest.maker} {thinnest.model}").wait_for(timeout=30_000)
    assert page.get_by_role("heading", name=" mm (").inner_text() == words.figure(thinnest)


@pytest.mark.parametrize(("width", "scheme"), [(1280, "light"), (390, "dark")])
def test_the_published_page_sorts_without_a_network(tmp_path: Path, chromium, width: int, scheme: str) -> None:
    with Store(tmp_path / "log.sqlite", create=True) as store:
        demo.fill(store)
        (tmp_path / "list.html").write_text(publish.export(store, "html"), encoding="utf-8")
        found = all_summaries(store)
    page = chromium.new_page(viewport={"width": width, "height": 900}, color_scheme=scheme, **STILL)
    page.context.set_offline(True)
    said: list[str] = []
    page.on("console", lambda message: said.append(message.text))
    page.goto((tmp_path / "list.html").as_uri())
    for heading, column, expected in (
        ("mean", 3, [words.figure(s) for s in sorted(found, key=lambda s: s.mean_mm)]),
        ("specimens", 5, [str(s.specimens) for s in sorted(found, key=lambda s: s.specimens)]),
    ):
        button = page.get_by_role("button", name=heading, exact=True)
        for order in (expected, expected[::-1]):
            button.focus()
            page.keyboard.press("Enter")
            shown = page.locator(f"tbody tr td:nth-child({column})").all_inner_texts()
            if heading == "mean":
                shown = [" ".join(t.split("\n")[:2]) for t in shown]
            assert shown == order
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert said == []
    page.close()
