"""The log's screens show the library's own figures, and hostile text as text (Streamlit's AppTest: no browser)."""

from __future__ import annotations

import datetime
import json
import re
from decimal import Decimal
from pathlib import Path
from types import SimpleNamespace

import pytest
from streamlit.testing.v1 import AppTest

import app
from app import log_charts, log_session, log_view
from app.cli import main
from app.files import measurement_text
from app.reference_log import columns, contributions, demo, publish, remembered, words
from app.reference_log.records import Condition, Edge, Record, Source, knife_key
from app.reference_log.store import Store
from app.reference_log.summary import Choice, all_summaries, model_summary

MAIN = Path(app.__file__).with_name("main.py")
HOSTILE = (
    '=HYPERLINK("http://x.invalid","y")', "<script>alert(1)</script>", "<img src=x onerror=alert(1)>", "'; DROP TABLE record; --", "a\nb",
    "\u202eevil", "\u200f", "![x](http://x.invalid/y.png)", "[x](javascript:alert(1))", "$x$ :red[y] **z** `c`", "x" * 10_000, "\x1b[31m",
    "{{7*7}} ${x}", "datum.constructor", "| a | b |", "# h",
)  # fmt: skip


@pytest.fixture
def own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Where the person's own log would lie; nothing is there yet."""
    monkeypatch.setattr("app.reference_log.store.platformdirs.user_data_dir", lambda *_, **__: str(tmp_path / "data"))
    monkeypatch.delenv("SHOULDERLINE_LOG", raising=False)
    return tmp_path / "data" / "reference-log.sqlite"


def _open(screen: str, **state: object) -> AppTest:
    page = AppTest.from_file(str(MAIN), default_timeout=120)
    for name, value in state.items():
        page.session_state[name] = value
    # An empty first page: the one that measures is tested elsewhere, and takes its time.
    page.switch_page(f"screens/{screen}.py")
    page.run()
    assert not page.exception, page.exception[0].value
    return page


def _record(**given: object) -> Record:
    facts: dict = {
        "maker": "Ostfeld", "model": "Heron", "specimen": "a1", "condition": Condition.FACTORY, "source": Source.READINGS,
        "instrument": "digital caliper", "instrument_step": Decimal("0.01"), "instrument_accuracy": Decimal("0.03"),
        "thickness": Decimal("0.42"), "contributor": "Mirel", "date": datetime.date(2026, 3, 1),
    }  # fmt: skip
    return Record(**(facts | given))


def _button(page: AppTest, label: str):
    return next(b for b in page.button if b.label == label)


def _frames(page: AppTest) -> list[dict[str, list]]:
    return [f.value.to_dict(orient="list") for f in page.dataframe]


def _charts(page: AppTest) -> list[dict]:
    return [json.loads(c.proto.spec) for c in page.get("vega_lite_chart")]


def test_an_empty_log_says_so_and_offers_the_demo_apart(own: Path) -> None:
    page = _open("log")
    assert "There is no log yet" in page.info[0].value
    assert not own.exists(), "looking makes no log"
    _button(page, "Look at the demo log").click().run()
    assert not own.exists()
    assert demo.path().exists()
    assert any("30 models" in m.value for m in page.markdown)
    _button(page, "Back from the demo").click().run()
    assert "There is no log yet" in page.info[0].value


def test_every_models_figures_are_the_librarys(own: Path) -> None:
    with Store(demo.path(), create=True) as store:
        demo.fill(store)
        expected = sorted(all_summaries(store), key=lambda s: s.mean_mm)
    page = _open("log", log_demo=True)
    (shown,) = _frames(page)
    assert shown["thickness"] == [words.figure(s) for s in expected]
    assert shown["specimens lie"] == [words.specimens_lie(s) for s in expected]
    assert shown["specimens"] == [s.specimens for s in expected]
    # Nothing of the log goes uncounted: 120 measurements, those in a figure and those in none.
    left = 120 - sum(s.measurements for s in expected)
    assert any(m.value.startswith("30 models") and m.value.endswith(f": {left} measurements") for m in page.markdown)
    (chart,) = _charts(page)
    assert [row["mean"] for row in _values(page, 0, chart)] == [s.mean_mm for s in expected]
    page.text_input(key="log_text").set_value("ostfeld").run()
    assert _frames(page)[0]["maker"] == ["Ostfeld"]
    low = next(n for n in page.number_input if n.label == "At least, mm")
    page.text_input(key="log_text").set_value("").run()
    low.set_value(0.6).run()
    assert _frames(page)[0]["thickness"] == [words.figure(s) for s in expected if s.mean_mm >= 0.6]
    # A browser keeps what lies outside a field's limits on the screen, and silently goes on with the figure before it.
    for n in (n for n in page.number_input if n.label in ("At least, mm", "At most, mm")):
        assert (n.proto.has_min, n.proto.has_max) == (False, False)


def _values(page: AppTest, index: int, chart: dict) -> list[dict]:
    """The rows of a chart: within its specification, or beside it as Streamlit sends them."""
    if "values" in chart.get("data", {}):
        return chart["data"]["values"]
    import pyarrow as pa

    proto = page.get("vega_lite_chart")[index].proto
    data = proto.datasets[0].data.data if proto.datasets else proto.data.data
    return pa.ipc.open_stream(data).read_all().to_pylist()


def test_measurements_are_found_sorted_and_in_both_units(own: Path) -> None:
    with Store(own, create=True) as store:
        store.add(_record())
        store.add(_record(specimen="b", unit="inch", thickness=Decimal("0.0160"), instrument_step=Decimal("0.0005"),
                          instrument_accuracy=Decimal("0.001")))  # fmt: skip
    page = _open("log")
    page.button_group[0].set_value("Measurements").run()
    (shown,) = _frames(page)
    assert shown["specimen"] == ["b", "a1"]
    assert shown["thickness"][0].endswith("given as 0.0160 inch")
    assert " mm (" in shown["thickness"][1]


def test_one_models_summary_is_the_librarys(own: Path) -> None:
    rows = [
        ("a", "0.40", "Mirel", {}),
        ("b", "0.44", "Mirel", {}),
        ("b", "0.60", "Tomas", {}),
        ("c", "0.70", "Mirel", {"condition": Condition.UNKNOWN}),
    ]
    with Store(own, create=True) as store:
        for specimen, thickness, contributor, further in rows:
            store.add(_record(specimen=specimen, thickness=Decimal(thickness), contributor=contributor, **further))
        s = model_summary(store, "Ostfeld", "Heron")
    page = _open("log_model")
    assert page.header[0].value == words.figure(s)
    facts = dict(zip(*page.table[0].value.to_dict(orient="list").values(), strict=True))
    assert (facts["specimens lie"], facts["next one"], facts["spread between specimens"]) == (
        words.specimens_lie(s), words.next_one(s), words.spread(s),
    )  # fmt: skip
    assert any("Mirel and Tomas disagree" in w.value for w in page.warning)
    frames = _frames(page)
    assert any(f.get("why they are left out") == ["not comparable: " + _other_group(s)] for f in frames)
    assert any(f.get("E_n") == [f"{s.comparisons[0].e_n:.2f}"] for f in frames)
    assert any("general practice, no source" in m.value and "common for" in m.value for m in page.markdown)
    assert page.code[0].value == words.post(s)


def test_another_choice_gives_the_librarys_figure_for_it(own: Path) -> None:
    with Store(own, create=True) as store:
        for specimen, condition in (("a", Condition.FACTORY), ("b", Condition.FACTORY), ("c", Condition.RESHARPENED)):
            store.add(_record(specimen=specimen, condition=condition, thickness=Decimal("0.4") + Decimal(len(condition)) / 100))
        store.add(_record(model="Other", thickness=Decimal("0.9")))
        expected = model_summary(store, "Ostfeld", "Heron", Choice(condition=Condition.RESHARPENED))
    page = _open("log_model")
    next(s for s in page.selectbox if s.label == "Condition").set_value("resharpened").run()
    assert page.header[0].value == words.figure(expected)
    next(s for s in page.selectbox if s.label == "Model").set_value(knife_key("Ostfeld", "Other")).run()
    assert not page.exception
    assert page.header[0].value.startswith("0.900 ")
    page = _open("log_model", log_model="a model of another log")
    assert page.header[0].value.startswith("0.4")


def _other_group(s) -> str:
    return s.left_out[0].why.removeprefix("not comparable: ")


def test_one_specimen_yields_no_spread_on_the_screen(own: Path) -> None:
    with Store(own, create=True) as store:
        store.add(_record())
    page = _open("log_model")
    facts = dict(zip(*page.table[0].value.to_dict(orient="list").values(), strict=True))
    assert facts["spread between specimens"] == "not known from one specimen"
    assert facts["next one"] == "one specimen says nothing about the next"
    assert facts["95 % interval of the mean"] == "not known from one specimen"
    # Nothing is shaded as an interval that one specimen does not have, and no caption speaks of one.
    assert not any("interval" in c.value or "shaded" in c.value for c in page.caption)
    marks = [layer["mark"]["type"] for chart in _charts(page) for layer in chart["layer"]]
    assert marks
    assert "rect" not in marks
    with Store(own) as store:
        store.add(_record(specimen="a2", thickness=Decimal("0.44")))
    page = _open("log_model")
    assert sum("shaded" in c.value for c in page.caption) == 2
    assert [layer["mark"]["type"] for chart in _charts(page) for layer in chart["layer"]].count("rect") == 2


def test_adding_asks_for_what_no_photo_shows_and_remembers_it(own: Path, measurement) -> None:
    result = SimpleNamespace(measurement=measurement)
    page = _open("log_add", result=result)
    assert page.header[0].value == "0.472 ± 0.024 mm (0.0186 ± 0.0010 in)"
    _button(page, "Add to the log").click().run()
    assert "Not added yet: say the maker, the model, the kind of edge, the condition, who measured it" in page.error[0].value
    assert not own.exists()
    for label, text in (("Maker", "Ostfeld"), ("Model", "Heron"), ("Measured by", "Mirel")):
        next(t for t in page.text_input if t.label == label).set_value(text)
    page.selectbox[0].set_value(Edge.PLAIN)
    page.selectbox[1].set_value(Condition.FACTORY)
    _button(page, "Add to the log").click().run()
    assert not page.exception
    assert "In the log as record 1" in page.success[0].value
    with Store(own) as store:
        (kept,) = store.all()
    r = kept.record
    assert (r.maker, r.model, r.contributor, r.edge, r.condition) == ("Ostfeld", "Heron", "Mirel", "plain", "factory")
    assert (r.photos, r.result) == (("0" * 64,), measurement_text(measurement))
    assert r.cautions == ("no specimen given", "1 of 1 readings questioned by the photo")
    assert remembered.load().maker == "Ostfeld"


def test_the_second_knife_takes_one_click_and_the_same_photo_makes_a_correction(own: Path, measurement) -> None:
    remembered.save(remembered.Knife(maker="Ostfeld", model="Heron", edge=Edge.PLAIN, condition=Condition.FACTORY, contributor="Mirel"))
    page = _open("log_add", result=SimpleNamespace(measurement=measurement))
    _button(page, "Add to the log").click().run()
    assert "In the log as record 1" in page.success[0].value
    assert not page.text_input, "nothing more to confirm"
    remembered.save(remembered.Knife(maker="Another", model="Knife"))
    page = _open("log_add", result=SimpleNamespace(measurement=measurement))
    assert "This photo is in the log as record 1" in page.info[0].value
    next(t for t in page.text_area if t.label == "Note").set_value("looked again")
    _button(page, "Correct record 1").click().run()
    assert "In the log as record 2" in page.success[0].value
    with Store(own) as store:
        assert [s.id for s in store.history(1)] == [1, 2]
        assert [s.record.note for s in store.all()] == ["looked again"]


def test_a_used_edge_declared_as_factory_is_refused_on_the_screen(own: Path, measurement) -> None:
    remembered.save(remembered.Knife(maker="Ostfeld", model="Heron", edge=Edge.PLAIN, condition=Condition.FACTORY, contributor="Mirel"))
    page = _open("log_add", result=SimpleNamespace(measurement=measurement))
    next(t for t in page.text_area if t.label == "Note").set_value("resharpened twice")
    _button(page, "Add to the log").click().run()
    assert "a used edge declared as factory" in page.error[0].value


def test_without_a_result_adding_says_what_to_do(own: Path) -> None:
    assert "measure a photo first" in _open("log_add").info[0].value


def _rows(*changes: dict[str, str]) -> bytes:
    facts = {
        "maker": "Ostfeld", "model": "Heron", "edge": "plain", "condition": "factory", "method": "readings", "instrument": "caliper",
        "instrument_step": "0.01", "instrument_accuracy": "0.03", "thickness": "0.42", "unit": "mm", "contributor": "Mirel",
        "date": "2026-03-01",
    }  # fmt: skip
    rows = [facts | {"specimen": f"s{i}"} | change for i, change in enumerate(changes)]
    return contributions.csv_text(columns.TEMPLATE, rows).encode()


def test_an_import_shows_each_row_first_and_takes_it_when_told(own: Path) -> None:
    data = _rows({}, {"readings": "0.42;0.42;0.42"}, {"instrument": "steel ruler"}, {"note": HOSTILE[1], "instrument": ""})
    page = _open("log_share")
    page.file_uploader[0].set_value(("rows.csv", data, "text/csv")).run()
    assert not page.exception
    assert page.info[0].value == "Of 4 rows: 2 can be taken, 1 of them with a caution; 2 turned away."
    cautioned, away = _frames(page)
    assert cautioned["caution"] == ["all 3 readings are equal"]
    assert [("ruler" in away["reason"][0]), ("no instrument" in away["reason"][1])] == [True, True]
    with Store(own) as store:
        assert list(store.all()) == [], "nothing goes in before it is said"
    assert "Turned-away rows with reasons as CSV" in {b.label for b in page.get("download_button")}
    _button(page, "Take 2 rows into the log").click().run()
    assert not page.exception
    assert page.success[0].value == "Of 4 rows: 2 taken, 1 of them with a caution; 2 turned away."
    with Store(own) as store:
        assert len(list(store.all())) == 2


def test_a_file_that_cannot_be_read_is_one_sentence(own: Path) -> None:
    page = _open("log_share")
    page.file_uploader[0].set_value(("rows.csv", b"maker,model\nA,B\n", "text/csv")).run()
    assert not page.exception
    assert "it has no column specimen" in page.error[0].value


def test_the_demo_takes_no_contributions(own: Path) -> None:
    with Store(demo.path(), create=True) as store:
        demo.fill(store)
    page = _open("log_share", log_demo=True)
    assert not page.file_uploader
    assert {b.label for b in page.get("download_button")} >= {"Every measurement as CSV", "The models as one web page"}


def test_a_correction_supersedes_and_the_history_says_what_changed(own: Path) -> None:
    with Store(own, create=True) as store:
        store.add(_record(model="Hernon"))
    page = _open("log_record")
    next(t for t in page.text_input if t.label == "model").set_value("Heron")
    _button(page, "Add the correction").click().run()
    assert not page.exception
    assert "Record 2 supersedes record 1" in page.success[0].value
    changed = next(f for f in _frames(page) if "before" in f)
    assert (changed["column"], changed["before"], changed["after"]) == (["model"], ["Hernon"], ["Heron"])
    page = _open("log_record", log_record=1)
    assert any("Record 2 corrected this one" in w.value for w in page.warning)
    assert not page.text_input, "what was corrected is corrected no more"
    assert publish.export(Store(own), "csv").count("Hernon") == 0


def test_a_record_that_is_not_there_is_refused_and_no_other_is_shown(own: Path) -> None:
    with Store(own, create=True) as store:
        store.add(_record())
        store.add(_record(specimen="another one"))
    page = _open("log_record")
    number = next(n for n in page.number_input if n.label == "Record")
    assert (number.proto.has_min, number.proto.has_max) == (False, False), "a browser would show it and go on with the one before"
    for typed, said in ((0, "there is no 0"), (-3, "there is no -3"), (10**9, "there is no 1000000000"), (None, "it is empty")):
        next(n for n in page.number_input if n.label == "Record").set_value(typed).run()
        what = f"“Record”: {said}; this log has records 1 to 2. What to do: type one of these numbers."
        assert [e.value for e in page.error] == [what]
        assert next(n for n in page.number_input if n.label == "Record").value == typed
        assert not page.header, "no other record's figure stands beside it"
    next(n for n in page.number_input if n.label == "Record").set_value(1).run()
    assert not page.error
    assert len(page.header) == 1


def test_hostile_text_is_shown_as_text_on_every_screen(own: Path) -> None:
    with Store(own, create=True) as store:
        for i, text in enumerate(HOSTILE):
            store.add(_record(maker=text, model=text, variant=text, specimen=f"{i}{text}", contributor=text, note=text, zone=text))
    for screen in ("log", "log_model", "log_share"):
        page = _open(screen)
        _assert_harmless(page)
    for number in range(1, len(HOSTILE) + 1):
        page = _open("log_record", log_record=number)
        _assert_harmless(page)
        text = HOSTILE[number - 1]
        assert next(t for t in page.text_input if t.label == "maker").value == text, "a field holds it unchanged"
        _open("log_model", log_model=page.session_state["log_model"])


def _assert_harmless(page: AppTest) -> None:
    written = [e.value for kind in (page.markdown, page.caption, page.warning, page.info, page.success, page.header) for e in kind]
    for text in written:
        assert not set(text) & {"\u202e", "\u200f", "\x1b"}
        # A mark that Markdown would obey stands behind a backslash, and HTML is no element.
        assert not re.search(r"<script|<img|(?<!\\)\]\(|(?<!\\)\$x|(?<!\\)`c", text)
    assert not [m for m in page.markdown if m.proto.allow_html]
    for frame in _frames(page):
        cells = [str(c) for column in frame.values() for c in column]
        assert not [c for c in cells if set(c) & {"\u202e", "\u200f", "\x1b", "\n"}]
        assert max(map(len, cells), default=0) <= 2100
    for chart in _charts(page):
        assert "DROP TABLE" not in json.dumps({k: v for k, v in chart.items() if k not in ("data", "datasets")}), "names are data alone"


def test_the_log_that_the_command_named_is_shown(own: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    other = tmp_path / "other.sqlite"
    with Store(other, create=True) as store:
        store.add(_record(maker="Elsewhere"))
    served: list[list[str]] = []
    monkeypatch.setattr("streamlit.web.cli.main", lambda arguments, **_: served.append(arguments))
    monkeypatch.setenv("SHOULDERLINE_LOG", "")
    assert main(["app", "--headless", "--log", str(other)]) == 0
    assert served
    page = _open("log")
    assert _frames(page)[0]["maker"] == ["Elsewhere"]
    assert any(log_session.markdown(str(other)) in m.value for m in page.markdown)


def test_a_log_where_none_can_be_is_refused_before_the_page_opens(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys) -> None:
    """A mistyped path was served as an empty log."""
    served: list[list[str]] = []
    monkeypatch.setattr("streamlit.web.cli.main", lambda arguments, **_: served.append(arguments))
    monkeypatch.setenv("SHOULDERLINE_LOG", "")
    (tmp_path / "no-log").write_text("words")
    for where, why in (
        ("gone/log.sqlite", "the folder it would lie in does not exist"),
        ("no-log", "it is no log"),
        ("", "it is a folder"),
    ):
        assert main(["app", "--headless", "--log", str(tmp_path / where)]) == 3
        said = capsys.readouterr().err
        assert why in said
        assert said.count("\n") == 1
    assert not served
    assert not (tmp_path / "gone").exists()
    # One that is still to begin is none to refuse.
    assert main(["app", "--headless", "--log", str(tmp_path / "new.sqlite")]) == 0
    assert served


def test_a_folder_that_takes_no_file_is_one_sentence(own: Path, measurement) -> None:
    remembered.save(remembered.Knife(maker="Ostfeld", model="Heron", edge=Edge.PLAIN, condition=Condition.FACTORY, contributor="Mirel"))
    own.mkdir()
    page = _open("log_add", result=SimpleNamespace(measurement=measurement))
    assert not page.exception
    assert "What to do" in page.error[0].value


def test_names_that_look_alike_keep_a_line_each(own: Path) -> None:
    with Store(own, create=True) as store:
        for i in range(3):
            store.add(_record(model="x" * 100 + str(i)))
        found = all_summaries(store)
    names = [row["name"] for row in log_charts.by_name(found, 1.0, log_charts.LIGHT)["data"]["values"]]
    assert len(set(names)) == 3


def test_five_hundred_models_come_in_pages_with_one_view_of_all(own: Path) -> None:
    with Store(own, create=True) as store, store.writing() as connection:
        store.insert(connection, [_record(model=f"Model {i}", thickness=Decimal(200 + i) / 1000) for i in range(500)])
    page = _open("log")
    assert any(m.value.startswith("500 models") for m in page.markdown)
    every, named = _charts(page)
    assert (len(_values(page, 0, every)), len(_values(page, 1, named))) == (500, log_charts.PAGE)
    picker = next(s for s in page.selectbox if s.label == "By name, models")
    assert (len(picker.options), picker.options[-1]) == (13, "481 to 500")
    picker.set_value("481 to 500").run()
    assert len(_values(page, 1, _charts(page)[1])) == 20
    assert len(_frames(page)[0]["model"]) == 500


def test_facts_name_variants_that_are_averaged_together(own: Path) -> None:
    with Store(own, create=True) as store:
        store.add(_record(variant="1"))
        store.add(_record(variant="2", specimen="b"))
        summary = model_summary(store, "Ostfeld", "Heron")
        shown = log_view.facts(summary)
    assert "Variants averaged together: 1, 2." in words.post(summary)
    assert "variants averaged together: 1, 2" in shown["figure"][-1]
