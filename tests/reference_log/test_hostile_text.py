"""Hostile text goes in and out unchanged and runs nowhere; what is exported imports to equal records."""

from __future__ import annotations

import csv
import datetime
import html.parser
import io
import tempfile
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from app.reference_log import contributions, listing, publish, search, words
from app.reference_log.escape import defuse, markdown, page, undefuse, visible
from app.reference_log.records import Condition, Edge, Record, Source, Unit
from app.reference_log.store import Store
from app.reference_log.summary import model_summary

HOSTILE = (
    '=HYPERLINK("http://x.invalid","y")', "+1+1", "-1", "@SUM(A1)", "\t=1", " =1", "'=1", "''@", "＝1", "<script>alert(1)</script>",
    '" onx="1',
    "</bdi></td>", "'; DROP TABLE record; --", "100%_\\", "a\nb", "a\r\nb", "\rb", "\u202eevil", "\u200f", "\x1b[31m", "a|b`c*", "é",
    "e\u0301",
    "x" * 10_000, "\U0001f52a", ";", ",", '"', "{x}", "%s", "NULL", "\u2028",
)  # fmt: skip
TEXT = st.one_of(
    st.sampled_from(HOSTILE),
    st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\x00"), max_size=40),
)
NAME = TEXT.filter(lambda t: t.strip())
LENGTH = st.decimals(Decimal("0.2"), Decimal("0.9"), places=3, allow_nan=False)


@st.composite
def records(draw: st.DrawFn) -> Record:
    unit = draw(st.sampled_from(Unit))
    # In inches the same knife is 25.4 times less.
    scale = Decimal(1) if unit is Unit.MM else Decimal("0.04")
    thickness = draw(LENGTH) * scale
    some = st.one_of(st.none(), LENGTH.map(lambda v: v * scale))
    return Record(
        maker=draw(NAME), model=draw(NAME), variant=draw(TEXT), edge=draw(st.sampled_from(Edge)), specimen=draw(NAME),
        condition=draw(st.sampled_from([c for c in Condition if c is not Condition.FACTORY])), source=draw(st.sampled_from(Source)),
        # Its kind is read from its words: a random name must not happen to hold "ruler".
        instrument="gauge " + draw(TEXT), instrument_accuracy=Decimal("0.03") * scale, thickness=thickness, thickness_u=draw(some),
        tip=draw(some), tip_u=draw(some), angle_found_deg=draw(st.one_of(st.none(), st.just(Decimal("31.25")))), unit=unit,
        contributor=draw(NAME), date=draw(st.dates(datetime.date(1990, 1, 1), datetime.date(2026, 1, 1))), note=draw(TEXT),
        zone=draw(NAME), photos=tuple(draw(st.lists(st.uuids().map(lambda u: u.hex), max_size=2))), program=draw(TEXT), result=draw(TEXT),
    )  # fmt: skip


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
@given(st.lists(records(), min_size=1, max_size=4, unique_by=lambda r: r.row_key), st.sampled_from(["csv", "json"]))
def test_what_is_exported_imports_to_equal_records(given_: list[Record], kind: str) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"log.{kind}"
        with Store(Path(folder) / "a.sqlite", create=True) as store, Store(Path(folder) / "b.sqlite", create=True) as copy:
            with store.writing() as connection:
                store.insert(connection, given_)
            assert [s.record for s in store.all()] == given_
            path.write_text(publish.export(store, kind), encoding="utf-8", newline="")
            outcome = contributions.take(copy, contributions.read(path))
            assert outcome.turned_away == ()
            assert [s.record for s in copy.all()] == given_


@pytest.mark.parametrize("text", HOSTILE)
def test_each_store_gives_hostile_text_back(store: Store, record, text: str) -> None:
    name = text if text.strip() else f"x{text}"
    given_ = record(maker=name, model=name, variant=text, specimen=name, contributor=name, note=text, result=text)
    store.add(given_)
    assert [s.record for s in store.all()] == [given_]
    total, found = search.find(store, search.Filter(maker=name))
    assert (total, found[0].record.maker) == (1, name)
    assert model_summary(store, name, name).specimens == 1
    shown = listing.table(found) + words.text(model_summary(store, name, name))
    assert not {"\x1b", "\u202e", "\r", "\t", "\u2028"} & set(shown)


@given(TEXT)
def test_a_defused_cell_runs_nowhere_and_comes_back(text: str) -> None:
    cell = defuse(text)
    assert undefuse(cell) == text
    # What a spreadsheet takes for the start of a formula, blanks trimmed or not.
    assert cell[:1] not in "=+-@\t\r\n＝＋－＠" or cell == ""
    assert cell.lstrip()[:1] not in "=+-@" or cell.strip() == ""


def test_no_cell_of_an_export_starts_a_formula(store: Store, record) -> None:
    for i, text in enumerate(HOSTILE):
        store.add(record(specimen=f"s{i}", note=text, variant=text))
    cells = [c for line in csv.reader(io.StringIO(publish.export(store, "csv"), newline="")) for c in line]
    assert not [c for c in cells if c[:1] in tuple("=+-@\t\r\n")]


class _Page(html.parser.HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.attributes: set[str] = set()
        self.text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes |= {name for name, _ in attrs}

    def handle_data(self, data: str) -> None:
        self.text += data


def test_the_page_holds_hostile_text_as_text_alone(store: Store, record) -> None:
    for i, text in enumerate(t for t in HOSTILE if t.strip() and len(t) < 100):
        store.add(record(maker=text, specimen=f"s{i}", contributor=text, zone=text))
    source = publish.export(store, "html")
    parsed = _Page()
    parsed.feed(source)
    assert parsed.tags.count("script") == 1, "the page's own"
    assert not {a for a in parsed.attributes if a.startswith("on")}
    assert "<script>alert(1)</script>" in parsed.text
    # Nothing is fetched: no address but in contributed text, no element that loads.
    assert not {"img", "link", "iframe", "a", "object"} & set(parsed.tags)
    assert "Content-Security-Policy" in source
    assert "default-src 'none'" in source


@given(TEXT)
def test_markdown_shows_text_as_it_is(text: str) -> None:
    shown = markdown(text)
    assert "\n" not in shown
    assert "<" not in shown
    assert not [i for i, c in enumerate(shown) if c in "|`*[]" and (i == 0 or shown[i - 1] != "\\")]
    assert page(text).count("<") == 2, "its own element alone"
    assert not [c for c in visible(text) if ord(c) < 32]
