"""Contributed rows: taken, taken with a caution, or turned away with a reason."""

from __future__ import annotations

import csv
import io
import json
import re
from pathlib import Path

import pytest
import sqlalchemy as sa

from app.reference_log import columns, contributions, corrections, publish
from app.reference_log.errors import LogRefused
from app.reference_log.store import Store
from app.reference_log.tables import RECORD


def row(**given: str) -> dict[str, str]:
    facts = {
        "maker": "Ostfeld", "model": "Heron", "variant": "", "edge": "plain", "specimen": "a1", "condition": "factory",
        "method": "readings",
        "instrument": "digital caliper", "instrument_step": "0.01", "instrument_accuracy": "0.03", "readings": "0.41;0.43;0.42",
        "angle_deg": "34", "bevel_width": "0.72", "thickness": "0.42", "thickness_u": "0.018", "tip": "0.50", "unit": "mm",
        "contributor": "Mirel", "date": "2026-03-01", "note": "",
    }  # fmt: skip
    return facts | given


def given(*rows: dict[str, str]) -> contributions.Contribution:
    names = tuple(dict.fromkeys(n for r in rows for n in r))
    return contributions.Contribution(names, tuple(contributions.Row(i, tuple(r.get(n, "") for n in names)) for i, r in enumerate(rows, 1)))


def test_a_sound_row_is_taken_without_remark(store: Store) -> None:
    outcome = contributions.take(store, given(row()))
    assert (outcome.taken, outcome.cautions, outcome.turned_away) == (1, (), ())


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"instrument": " "}, "no instrument"),
        ({"instrument": "n/a"}, "no instrument"),
        ({"instrument": "By eye."}, "no instrument"),
        ({"instrument": "-"}, "no instrument"),
        *(({"instrument": n}, "no instrument") for n in ("eyeballed", "by-eye", "my eye", "(visual estimate)", "rough guess", "Sight")),
        ({"instrument": "steel ruler", "instrument_step": "0.5"}, "cannot resolve.*ruler"),
        ({"instrument": "12 inch stainless rule", "instrument_step": ""}, "cannot resolve.*ruler"),
        ({"instrument": "dial tool", "instrument_step": "0.2"}, "cannot resolve.*its step"),
        ({"instrument_accuracy": "0.5"}, "cannot resolve.*its accuracy"),
        ({"instrument_accuracy": "", "thickness_u": ""}, "nothing says how far to trust"),
        ({"bevel_width": "2.5"}, "impossible geometry: bevel width 2.5 at 34"),
        ({"bevel_width": "0.1", "angle_deg": ""}, "impossible geometry.*over twice"),
        ({"angle_deg": "170"}, "impossible geometry.*no included angle"),
        ({"unit": "inch"}, "impossible geometry.*check the unit"),
        ({"thickness": "0.9", "bevel_width": "", "angle_deg": ""}, "outside its own readings"),
        ({"note": "resharpened twice on a stone"}, "a used edge declared as factory"),
        ({"note": "after six months of use"}, "a used edge declared as factory"),
        ({"note": "bought used"}, "a used edge declared as factory"),
        ({"note": "after one sharpening"}, "a used edge declared as factory"),
        ({"note": "the knife has been used"}, "a used edge declared as factory"),
        ({"note": "a used knife, bought second-hand"}, "a used edge declared as factory"),
        ({"thickness": "0,42"}, "thickness '0,42'.*decimal point"),
        ({"thickness": "-0.42"}, "above nothing"),
        ({"thickness": "0"}, "above nothing"),
        ({"thickness": "nan"}, "above nothing"),
        ({"thickness": "", "readings": ""}, "there are no readings"),
        ({"maker": ""}, "maker: it is empty"),
        ({"edge": ""}, "edge ''.*one of plain"),
        ({"condition": "mint"}, "condition 'mint'.*one of factory"),
        ({"method": "guess"}, "method 'guess'"),
        ({"unit": "cm"}, "unit 'cm'"),
        ({"date": "1.3.2026"}, "date '1.3.2026'"),
        ({"maker": "a\x00b"}, "NUL"),
    ],
)  # fmt: skip
def test_turned_away_with_its_reason(tmp_path: Path, change: dict[str, str], why: str) -> None:
    with Store(tmp_path / "log.sqlite", create=True) as store:
        outcome = contributions.take(store, given(row(**change)))
        assert outcome.taken == 0
        assert list(store.all()) == []
    ((_, reason),) = outcome.turned_away

    assert re.search(why, reason), reason


@pytest.mark.parametrize(
    ("change", "remark"),
    [
        ({"readings": "0.42;0.42;0.42"}, "all 3 readings are equal"),
        ({"thickness": "0.4234"}, "thickness 0.4234 has more digits"),
        ({"readings": "0.415;0.42"}, "reading 0.415 has more digits"),
        ({"thickness_u": "0.002"}, "below the 0.017 that its instrument can give: 0.017 is counted"),
        ({"thickness_u": "0.0001", "instrument_accuracy": ""}, "below the 0.0029 that its instrument can give"),
        ({"thickness_u": "0.0001", "method": "photo", "instrument": "phone camera"}, "below the 0.0021 that its photo can give"),
        ({"thickness_u": "0.0001", "method": "photo+readings"}, "below the 0.0021 that its instrument and photo can give"),
        ({"thickness_u": "0.30"}, "thickness_u 0.30 is over half of the figure"),
        ({"instrument_accuracy": "0.004"}, "less than half of its step"),
        ({"method": "photo+readings", "thickness": "0.52"}, "lies outside its own readings"),
        ({"unit": ""}, "no unit given: taken as mm"),
        ({"condition": ""}, "no condition given"),
        ({"thickness": ""}, "taken as the mean of the readings"),
        ({"instrument_step": ""}, "step is not given"),
        ({"date": "2999-01-01"}, "has not come yet"),
        # 0.0165 inch, said to be mm; and a decimal point that slipped.
        (
            {
                "thickness": "0.0165",
                "readings": "",
                "bevel_width": "",
                "angle_deg": "",
                "instrument_step": "0.0005",
                "instrument_accuracy": "0.001",
                "thickness_u": "",
            },
            "check the unit",
        ),
        ({"thickness": "4.2", "readings": "", "bevel_width": "", "angle_deg": ""}, "check the unit"),
    ],
)
def test_taken_with_a_caution(tmp_path: Path, change: dict[str, str], remark: str) -> None:
    with Store(tmp_path / "log.sqlite", create=True) as store:
        outcome = contributions.take(store, given(row(**change)))
        assert outcome.taken == 1
        assert remark in outcome.cautions[0][1]
        assert any(remark in c for c in next(iter(list(store.all()))).record.cautions), "the caution is kept with the record"


@pytest.mark.parametrize(
    "note",
    [
        "never sharpened",
        "not used yet",
        "factory sharpened",
        "sharpened by the maker",
        "used a digital caliper",
        "the knife was not used",
        "measured before sharpening",
    ],
)
def test_notes_that_deny_use_are_no_reason(tmp_path: Path, note: str) -> None:
    with Store(tmp_path / "log.sqlite", create=True) as store:
        assert contributions.take(store, given(row(note=note))).taken == 1


def test_a_specimen_ground_earlier_is_no_factory_edge(store: Store) -> None:
    contributions.take(store, given(row(condition="resharpened", date="2026-02-01")))
    outcome = contributions.take(store, given(row(date="2026-03-01"), row(date="2026-01-01", readings="0.41;0.42")))
    assert outcome.taken == 1
    assert "ground by 2026-02-01 already" in outcome.turned_away[0][1]


def test_duplicates_of_row_and_photo_in_file_and_log(store: Store) -> None:
    sha = "ab" * 32
    first = contributions.take(store, given(row(photos=sha), row(photos=sha, specimen="b"), row(photos="")))
    assert first.taken == 2
    again = contributions.take(store, given(row(photos=""), row(photos=sha.upper(), specimen="c"), row(specimen="new")))
    assert again.taken == 1
    assert [("duplicate" in why) for _, why in again.turned_away] == [True, True]


def test_far_figures_are_marked_wherever_they_stand(store: Store) -> None:
    near = [row(specimen=f"s{i}", thickness=t, readings="") for i, t in enumerate(["0.41", "0.42", "0.43", "0.42"])]
    plain = {"bevel_width": "", "angle_deg": "", "readings": ""}
    outcome = contributions.take(store, given(row(specimen="far", thickness="0.80", **plain), *near))
    assert [n for n, remark in outcome.cautions if "far from" in remark] == [1]


def test_inches_are_kept_as_given(store: Store) -> None:
    inch = row(unit="inch", thickness="0.0160", thickness_u="0.0007", readings="", bevel_width="0.028", tip="", instrument_step="0.0005",
               instrument_accuracy="0.001")  # fmt: skip
    assert contributions.take(store, given(inch)).taken == 1
    kept = next(iter(list(store.all()))).record
    assert str(kept.thickness) == "0.0160"
    # 25.4 mm an inch, exactly.
    assert kept.thickness_mm == pytest.approx(0.4064)


def test_all_or_nothing_when_the_turned_away_file_cannot_be_written(store: Store) -> None:
    def full(_: contributions.Outcome) -> None:
        raise OSError("no space")

    with pytest.raises(OSError, match="no space"):
        contributions.take(store, given(row(), row(instrument="")), before_commit=full)
    assert list(store.all()) == []


@pytest.mark.parametrize("kind", ["csv", "json"])
def test_turned_away_rows_come_back_mend_and_import(store: Store, tmp_path: Path, kind: str) -> None:
    hostile = '=cmd|"/c calc"!A1'
    outcome = contributions.take(store, given(row(instrument="", note=hostile, colour="red")))
    path = tmp_path / f"away.{kind}"
    path.write_text(outcome.turned_away_file(kind), encoding="utf-8", newline="")
    back = contributions.read(path)
    cells = dict(zip(back.names, back.rows[0].cells, strict=True))
    assert cells["note"] == hostile
    assert cells["colour"] == "red"
    assert "no instrument" in cells["reason"]
    mended = given(cells | {"instrument": "digital caliper"})
    assert contributions.take(store, mended).taken == 1


@pytest.mark.parametrize(
    ("content", "why"),
    [
        (b"", "no column maker"),
        (b"\xff\xfe\x00nonsense", "not UTF-8"),
        (b"maker,model\nA,B\n", "no column specimen"),
        (",".join(columns.TEMPLATE).encode(), "no row"),
        ((",".join(columns.TEMPLATE) + ",maker\n").encode(), "column 'maker' twice"),
        (b'maker,"model\nA', "line 2 cannot be read as CSV"),
        (b"[1, 2]", "no list of rows"),
        (b"{", "cannot be read as JSON"),
        (b'[{"thickness": 0.4, "thickness": 0.5}]', "a row has 'thickness' twice"),
    ],
)
def test_files_that_cannot_be_read(tmp_path: Path, content: bytes, why: str) -> None:
    path = tmp_path / "rows"
    path.write_bytes(content)
    with pytest.raises(LogRefused, match=why):
        contributions.read(path)


@pytest.mark.parametrize("separator", [",", ";", "\t"])
def test_spreadsheets_of_other_countries(tmp_path: Path, separator: str) -> None:
    out = io.StringIO()
    writer = csv.writer(out, delimiter=separator)
    writer.writerows([list(row()), list(row().values())])
    path = tmp_path / "rows.csv"
    path.write_text("\ufeff" + out.getvalue(), encoding="utf-8", newline="")
    assert dict(zip(contributions.read(path).names, contributions.read(path).rows[0].cells, strict=True)) == row()


def _written(path: Path, *rows: dict[str, str], separator: str = ",", begin: str = "", end: str = "", names: tuple[str, ...] = ()) -> Path:
    out = io.StringIO()
    writer = csv.writer(out, delimiter=separator)
    writer.writerows([[*columns.TEMPLATE, *names], *([r.get(n, "") for n in (*columns.TEMPLATE, *names)] for r in rows)])
    path.write_text(begin + out.getvalue() + end, encoding="utf-8", newline="")
    return path


def _with_commas(**change: str) -> dict[str, str]:
    return {n: v.replace(".", ",") for n, v in row(**change).items()}


@pytest.mark.parametrize("separator", [";", "\t"])
def test_decimal_commas_where_no_comma_separates(tmp_path: Path, store: Store, separator: str) -> None:
    path = _written(tmp_path / "rows.csv", _with_commas(), separator=separator, begin="\ufeff")
    outcome = contributions.take(store, contributions.read(path))
    assert (outcome.taken, outcome.cautions) == (1, ((1, "decimal commas: read as decimal points"),))
    (kept,) = store.all()
    assert (str(kept.record.thickness), [str(r) for r in kept.record.readings]) == ("0.42", ["0.41", "0.43", "0.42"])
    # It is the same row, however its figures are written.
    assert "duplicate" in contributions.take(store, given(row())).turned_away[0][1]


@pytest.mark.parametrize("figure", ["1.234,5", "0,42,1", "0,42 mm", ",42"])
def test_what_is_no_decimal_comma_is_turned_away(tmp_path: Path, store: Store, figure: str) -> None:
    path = _written(tmp_path / "rows.csv", row(thickness=figure), separator=";")
    assert "decimal point" in contributions.take(store, contributions.read(path)).turned_away[0][1]


def test_turned_away_rows_come_back_as_the_spreadsheet_wrote_them(tmp_path: Path, store: Store) -> None:
    path = _written(tmp_path / "rows.csv", _with_commas(instrument="", contributor="Jörg"), separator=";", begin="\ufeff")
    away = contributions.take(store, contributions.read(path)).turned_away_file()
    assert away.startswith("\ufeffmaker;model;")
    (tmp_path / "away.csv").write_text(
        away.replace("factory;readings;;", "factory;readings;digital caliper;"), encoding="utf-8", newline=""
    )
    assert contributions.take(store, contributions.read(tmp_path / "away.csv")).turned_away == ()
    assert [s.record.contributor for s in store.all()] == ["Jörg"]


@pytest.mark.parametrize(
    ("text", "begin", "end", "names"),
    [
        ("columns without a name", "", "", ("", "")),
        ("lines without a cell", "", "\r\n\r\n" + "," * 19 + "\r\n" + " ," * 19 + "\r\n", ()),
        ("a first line that names the separator", "sep=,\r\n", "", ()),
    ],
)
def test_what_spreadsheets_add(tmp_path: Path, store: Store, text: str, begin: str, end: str, names: tuple[str, ...]) -> None:
    path = _written(tmp_path / "rows.csv", row(), begin=begin, end=end, names=names)
    outcome = contributions.take(store, contributions.read(path))
    assert (outcome.taken, outcome.cautions, outcome.turned_away, outcome.unknown) == (1, (), (), ()), text


def test_a_row_may_end_before_an_empty_note_but_not_before_a_figure(tmp_path: Path, store: Store) -> None:
    path = _written(tmp_path / "rows.csv", row())
    path.write_text(path.read_text(encoding="utf-8").replace("2026-03-01,", "2026-03-01"), encoding="utf-8")
    assert contributions.take(store, contributions.read(path)).turned_away == ()
    figures_last = ("maker", "model", "specimen", "edge", "condition", "method", "instrument", "unit", "contributor", "date", "thickness")
    names = (*figures_last, "instrument_accuracy", "thickness_u", "tip")
    cells = (*(row(specimen="b")[n] for n in figures_last), "0.03", "0.018")
    short = contributions.Contribution(names, (contributions.Row(1, cells),))
    assert "13 cells under 14 columns" in contributions.take(store, short).turned_away[0][1]


def test_empty_lines_count_in_a_rows_number(tmp_path: Path, store: Store) -> None:
    # The third line below the header is where a person looks for it.
    path = _written(tmp_path / "rows.csv", row())
    path.write_text(path.read_text(encoding="utf-8") + "\n" + path.read_text(encoding="utf-8").splitlines()[1], encoding="utf-8")
    assert [r.number for r, _ in contributions.take(store, contributions.read(path)).turned_away] == [3]


def test_a_row_with_too_many_cells_comes_back_with_all_of_them(tmp_path: Path, store: Store) -> None:
    path = _written(tmp_path / "rows.csv", row(note="mine"))
    path.write_text(path.read_text(encoding="utf-8").replace("mine", "mine, new, of two"), encoding="utf-8")
    outcome = contributions.take(store, contributions.read(path))
    assert "put a cell that holds ',' in quotes" in outcome.turned_away[0][1]
    for kind in ("csv", "json"):
        assert " of two" in outcome.turned_away_file(kind)


def test_a_row_that_came_back_with_a_cell_too_many_is_not_taken_before_it_is_mended(tmp_path: Path, store: Store) -> None:
    path = _written(tmp_path / "rows.csv", row(note="mine"))
    path.write_text(path.read_text(encoding="utf-8").replace("mine", "bought new, resharpened once"), encoding="utf-8")
    back = tmp_path / "back.csv"
    back.write_text(contributions.take(store, contributions.read(path)).turned_away_file(), encoding="utf-8")
    again = contributions.take(store, contributions.read(back))
    assert again.taken == 0
    assert "cell 21 stands under no column" in again.turned_away[0][1]
    # Mended, it says what it said.
    mended = back.read_text(encoding="utf-8").replace("bought new, resharpened once", '"bought new, resharpened once",')
    back.write_text(mended, encoding="utf-8")
    assert "a used edge declared as factory" in contributions.take(store, contributions.read(back)).turned_away[0][1]


def test_a_decimal_comma_between_commas_is_no_figure_and_a_tip(tmp_path: Path, store: Store) -> None:
    facts = row(thickness="1.05", readings="1.05;1.05", tip="", bevel_width="", angle_deg="")
    names = [n for n in facts if n not in ("thickness", "tip", "note")] + ["thickness", "tip", "note"]
    cells = ",".join(facts[n] for n in names[:-3])
    path = tmp_path / "rows.csv"
    path.write_text(",".join(names) + f"\n{cells},1,05,,\n", encoding="utf-8")
    outcome = contributions.take(store, contributions.read(path))
    assert outcome.taken == 0
    assert "thickness 1,05 with more cells than columns" in outcome.turned_away[0][1]
    path.write_text(",".join(names) + f"\n{cells},1.05,,,\n", encoding="utf-8")
    assert contributions.take(store, contributions.read(path)).taken == 1


def test_a_photo_is_finer_than_the_caliper_that_steadies_it(store: Store) -> None:
    facts = {"thickness": "0.35", "thickness_u": "0.03", "readings": "0.3;0.4", "angle_deg": "", "bevel_width": "", "tip": ""}
    coarse = row(method="photo+readings", instrument_step="0.1", instrument_accuracy="0.1", **facts)
    assert contributions.take(store, given(coarse)).taken == 1
    alone = contributions.take(store, given(coarse | {"method": "readings", "specimen": "b"}))
    assert "its step 0.1 is over a quarter of 0.35" in alone.turned_away[0][1]


@pytest.mark.parametrize("name", ["eyepiece reticle", "hand micrometer", "feeler gauge", "tool microscope"])
def test_instruments_whose_names_only_sound_like_none(store: Store, name: str) -> None:
    assert contributions.take(store, given(row(instrument=name))).taken == 1


def test_a_correction_leaves_no_record_without_an_instrument(store: Store) -> None:
    contributions.take(store, given(row()))
    with pytest.raises(LogRefused, match="no instrument"):
        corrections.correct(store, 1, {"instrument": "by eye"})


def test_a_ground_edge_that_is_factory_later_is_marked(store: Store) -> None:
    contributions.take(store, given(row(date="2026-03-01")))
    outcome = contributions.take(
        store, given(row(condition="resharpened", date="2026-02-01"), row(condition="reground", date="2026-04-01"))
    )
    assert [(n, "record 1 has this specimen as factory on 2026-03-01" in why) for n, why in outcome.cautions] == [(1, True)]


def test_a_row_is_the_same_whatever_blanks_a_spreadsheet_left(store: Store) -> None:
    outcome = contributions.take(store, given(row(note="two\nlines"), row(maker=" Ostfeld ", note="two\r\nlines")))
    assert [("duplicate" in why) for _, why in outcome.turned_away] == [True]


def test_half_a_character_turns_its_row_away_and_no_other(tmp_path: Path, store: Store) -> None:
    path = tmp_path / "rows.json"
    # JSON can write what UTF-8 cannot.
    path.write_text(json.dumps([row(), row(specimen="b", note="cut \ud83d off")]), encoding="utf-8")
    outcome = contributions.take(store, contributions.read(path))
    assert (outcome.taken, [r.number for r, _ in outcome.turned_away]) == (1, [2])
    for kind in ("csv", "json"):
        assert b"cut \\ud83d off" in outcome.turned_away_file(kind).encode("utf-8")


def test_a_columns_name_runs_nowhere_either(store: Store) -> None:
    away = contributions.take(store, given(row(instrument="") | {"=cmd|' /c calc'!a1": "x"})).turned_away_file()
    header = next(csv.reader(io.StringIO(away)))
    assert not [name for name in header if name.startswith("=")]


@pytest.mark.parametrize(("name", "marked"), [("1", True), ("No. 2", True), ("a", True), ("mine", True), ("MA-1", False), ("a1", False)])
def test_a_name_that_any_knife_may_bear_is_marked_where_two_people_gave_it(store: Store, name: str, marked: bool) -> None:
    contributions.take(store, given(row(specimen=name)))
    outcome = contributions.take(store, given(row(specimen=name, contributor="Tomas"), row(specimen=name, readings="0.41;0.42")))
    found = [n for n, why in outcome.cautions if f"specimen {name} is counted as the knife of that name that Mirel measured" in why]
    assert found == ([1] if marked else [])


def test_a_readers_view_does_not_change_under_it(store: Store, record) -> None:
    store.add(record())
    with store.reading() as connection:
        seen = [connection.execute(sa.select(sa.func.count()).select_from(RECORD)).scalar()]
        store.add(record(specimen="b"))
        seen.append(connection.execute(sa.select(sa.func.count()).select_from(RECORD)).scalar())
    assert seen == [1, 1]


def test_json_figures_keep_their_digits(tmp_path: Path) -> None:
    path = tmp_path / "rows.json"
    path.write_text(json.dumps([row()]).replace('"0.42"', "0.420").replace('"0.41;0.43;0.42"', "[0.41, 0.430]"), encoding="utf-8")
    cells = dict(zip(contributions.read(path).names, contributions.read(path).rows[0].cells, strict=True))
    assert (cells["thickness"], cells["readings"]) == ("0.420", "0.41;0.430")


def test_templates_hold_the_agreed_columns(tmp_path: Path) -> None:
    # Issue E.9, word for word.
    agreed = (
        "maker, model, variant, edge, specimen, condition, method, instrument, instrument_step, instrument_accuracy, readings, angle_deg, "
        "bevel_width, thickness, thickness_u, tip, unit, contributor, date, note"
    )
    assert contributions.template("csv") == agreed.replace(", ", ",") + "\r\n"
    assert list(json.loads(contributions.template("json"))[0]) == agreed.split(", ")


@pytest.mark.parametrize("kind", ["csv", "json"])
def test_an_export_imports_to_equal_records(store: Store, tmp_path: Path, kind: str, record) -> None:
    store.add(record(note="- a list?\n=1+1", photos=("ab" * 32,), result='{"x": [1.5, null]}', cautions=("a remark",)))
    store.add(record(specimen="b", note="'=already guarded", contributor="\u202eevil", variant="@x"))
    path = tmp_path / f"log.{kind}"
    path.write_text(publish.export(store, kind), encoding="utf-8", newline="")
    with Store(tmp_path / "copy.sqlite", create=True) as copy:
        assert contributions.take(copy, contributions.read(path)).turned_away == ()
        assert [s.record for s in copy.all()] == [s.record for s in store.all()]


def test_a_check_says_what_taking_would_do_and_writes_nothing(store: Store) -> None:
    rows = given(row(), row(instrument=""), row(specimen="b", readings="0.42;0.42;0.42"))
    before = contributions.check(store, rows)
    assert list(store.all()) == []
    assert before == contributions.take(store, rows)


def test_what_was_left_open_stays_said_until_it_is_filled_in(store: Store) -> None:
    contributions.take(store, given(row(unit="", condition="", readings="0.42;0.42")))
    number, record = corrections.correct(store, 1, {"readings": "0.41;0.42"})
    assert record.cautions == ("no unit given: taken as mm", "no condition given: taken as unknown")
    number, record = corrections.correct(store, number, {"condition": "factory", "note": "seen sealed"})
    assert record.cautions == ("no unit given: taken as mm",)


def test_a_mean_follows_its_corrected_readings(store: Store) -> None:
    contributions.take(store, given(row(thickness="", thickness_u="", readings="0.41;0.53")))
    _, record = corrections.correct(store, 1, {"readings": "0.41;0.43"})
    assert (str(record.thickness), record.cautions) == ("0.420", ("no thickness given: taken as the mean of the readings",))
    # A thickness that was given stays as it was given.
    contributions.take(store, given(row(specimen="b", readings="0.40;0.44")))
    assert str(corrections.correct(store, 3, {"readings": "0.40;0.45"})[1].thickness) == "0.42"


def test_a_correction_is_held_against_the_others(store: Store) -> None:
    contributions.take(store, given(row(condition="resharpened", date="2026-02-01"), row(condition="unknown", readings="0.41;0.42")))
    with pytest.raises(LogRefused, match="ground by 2026-02-01 already"):
        corrections.correct(store, 2, {"condition": "factory"})
    # The record that is corrected does not stand against its own correction.
    number, record = corrections.correct(store, 1, {"condition": "factory", "date": "2026-02-02"})
    assert (number, record.condition) == (3, "factory")
    assert [s.id for s in store.history(3)] == [1, 3]
