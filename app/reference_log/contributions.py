"""Contributions: a file of rows, each taken, taken with a caution, or turned away with a reason; what is taken goes in together."""

from __future__ import annotations

import codecs
import csv
import io
import json
import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import BinaryIO, TextIO

import sqlalchemy as sa

from app.reference_log import beside_log, checks, columns
from app.reference_log.errors import LogRefused
from app.reference_log.escape import defuse, undefuse
from app.reference_log.records import MAX_RESULT, Record
from app.reference_log.store import Store, check_correctable, standing
from app.reference_log.tables import RECORD

Report = Callable[[str, float], None]
# Heads what a turned-away row holds beyond its columns.
_CELL = "cell"
_SURPLUS = re.compile(rf"{_CELL} \d+")


@dataclass(frozen=True, slots=True)
class Row:
    """One row of a contribution: its number in the file (the one below the header is 1, empty ones count) and its cells as they were."""

    number: int
    cells: tuple[str, ...]


@dataclass(frozen=True)
class Contribution:
    """A file's rows as text, under the names of its columns; `unknown` columns are read by nobody.

    `separator` stands between its cells, `marked` says whether it began with a byte order mark: what one spreadsheet wrote, it reads.
    """

    names: tuple[str, ...]
    rows: tuple[Row, ...]
    unknown: tuple[str, ...] = ()
    separator: str = ","
    marked: bool = False


@dataclass(frozen=True)
class Outcome:
    """What became of each row: how many were taken, remarks by row number, and reasons by row number."""

    names: tuple[str, ...]
    taken: int
    cautions: tuple[tuple[int, str], ...]
    turned_away: tuple[tuple[Row, str], ...]
    unknown: tuple[str, ...] = ()
    separator: str = ","
    marked: bool = False

    def turned_away_file(self, kind: str = "csv") -> str:
        """The rows turned away as CSV or JSON text, with the reason in a column; mended, the file can be imported as it is.

        CSV comes as it was given: a spreadsheet that writes semicolons opens no commas.
        """
        # A row with more cells than columns, such as one with a comma in an unquoted note, keeps them all.
        widest = max((len(row.cells) for row, _ in self.turned_away), default=0)
        given = (*self.names, *(f"{_CELL} {i + 1}" for i in range(len(self.names), widest)))
        names = (*(n for n in given if n != columns.REASON), columns.REASON)
        rows = [{**dict(zip(given, row.cells, strict=False)), columns.REASON: why} for row, why in self.turned_away]
        # Half a character, which turned its row away, has no bytes: it comes back as the code that JSON has for it.
        text = json_text([{n: r.get(n, "") for n in names} for r in rows]) if kind == "json" else csv_text(names, rows, self.separator)
        return "\ufeff" * (self.marked and kind == "csv") + text.encode("utf-8", "backslashreplace").decode("utf-8")


def is_turned_away(data: bytes) -> bool:
    """Whether a file's bytes are rows that an import turned away."""
    text = data.decode("utf-8", "replace").removeprefix("\ufeff").strip()
    if text.startswith("["):
        return f'"{columns.REASON}": ' in text or text == json_text([]).strip()
    return re.search(rf"[,;\t]{columns.REASON}$", text.partition("\n")[0].rstrip()) is not None


def template(kind: str = "csv") -> str:
    """The file to fill in: a header for CSV; for JSON a list with one row to fill in."""
    return json_text([dict.fromkeys(columns.TEMPLATE, "")]) if kind == "json" else csv_text(columns.TEMPLATE, [])


def csv_text(names: Sequence[str], rows: Iterable[dict[str, str]], separator: str = ",") -> str:
    """CSV (RFC 4180) whose cells no spreadsheet runs as formulas."""
    out = io.StringIO()
    writer = csv.writer(out, delimiter=separator, lineterminator="\r\n")
    writer.writerow(map(defuse, names))
    writer.writerows([defuse(row.get(name, "")) for name in names] for row in rows)
    return out.getvalue()


def json_text(rows: list[dict[str, str]]) -> str:
    """JSON, one row a line."""
    return "[\n" + ",\n".join(json.dumps(row, ensure_ascii=False) for row in rows) + "\n]\n"


def read(path: Path) -> Contribution:
    """The rows of a CSV or JSON file, unchecked.

    Raises
    ------
    LogRefused
        The file is neither, a column that every row needs is missing, or it holds no row.
    """
    with path.open("rb") as file:
        # What comes through a pipe cannot be gone back in.
        return read_from(file if file.seekable() else io.BytesIO(file.read()), str(path))


def read_from(file: BinaryIO, name: str) -> Contribution:
    """The same, of an open file; `name` is what it is called in a refusal."""
    marked = file.read(3) == codecs.BOM_UTF8
    file.seek(0)
    text = io.TextIOWrapper(file, encoding="utf-8-sig", newline="")
    try:
        start = text.read(4096)
        text.seek(0)
        found = _read_json(name, text.read()) if start.lstrip()[:1] in ("[", "{") else _read_csv(name, text, start, marked)
    except UnicodeDecodeError as error:
        raise LogRefused(name, "it is not UTF-8 text", "save it as CSV (UTF-8) or JSON") from error
    finally:
        # The file is the caller's to close.
        text.detach()
    missing = [column for column in columns.NEEDED if column not in found.names]
    if missing:
        raise LogRefused(name, f"it has no column {missing[0]}", "start from 'shoulderline log template'")
    if not found.rows:
        raise LogRefused(name, "it holds no row", "fill in the template from 'shoulderline log template'")
    return found


def take(
    store: Store, given: Contribution, *, report: Report | None = None, before_commit: Callable[[Outcome], None] | None = None
) -> Outcome:
    """Check every row and add those that can be taken, in one transaction.

    `before_commit` sees the outcome while the rows can still be taken back: when it raises, none is in.
    """
    tell = report or (lambda _stage, _share: None)
    good, away = _sorted(given, tell)
    with store.writing() as connection:
        good = _against_log(store, connection, good, away)
        store.insert(connection, [r for _, r in good], report=lambda share: tell("write the rows", 0.6 + 0.4 * share))
        outcome = _outcome(given, good, away)
        if before_commit:
            before_commit(outcome)
    return outcome


def check(store: Store, given: Contribution, *, report: Report | None = None) -> Outcome:
    """What `take` would do now, without doing it."""
    good, away = _sorted(given, report or (lambda _stage, _share: None))
    with store.reading() as connection:
        return _outcome(given, _against_log(store, connection, good, away), away)


def _sorted(given: Contribution, tell: Report) -> tuple[list[tuple[Row, Record]], list[tuple[Row, str]]]:
    """Rows that can be taken by themselves, and those that cannot, with the reason."""
    good: list[tuple[Row, Record]] = []
    away: list[tuple[Row, str]] = []
    for i, row in enumerate(given.rows):
        if i % 1000 == 0:
            tell("check the rows", 0.5 * i / len(given.rows))
        found = _checked(given, row)
        if isinstance(found, str):
            away.append((row, found))
        else:
            good.append((row, found))
    return _without_doubles_in_file(good, away), away


def _outcome(given: Contribution, good: list[tuple[Row, Record]], away: list[tuple[Row, str]]) -> Outcome:
    cautions = tuple((row.number, "; ".join(r.cautions)) for row, r in good if r.cautions)
    turned_away = tuple(sorted(away, key=lambda pair: pair[0].number))
    return Outcome(given.names, len(good), cautions, turned_away, given.unknown, given.separator, given.marked)


def add_one(store: Store, record: Record, *, corrects: int | None = None) -> tuple[int, Record]:
    """Add one record that the program itself made, or a correction; returns its id and the record with its cautions.

    Raises
    ------
    LogRefused
        It is there already, its edge was ground before, or the record to correct is not there or was corrected before.
    """
    if why := checks.declared_used(record):
        raise LogRefused(f"{record.maker} {record.model}", why, "say the edge's condition with --condition")
    record = replace(record, cautions=tuple(dict.fromkeys((*record.cautions, *checks.cautions(record)))))
    away: list[tuple[Row, str]] = []
    with store.writing() as connection:
        good = _against_log(store, connection, [(Row(1, ()), record)], away, corrects)
        if away:
            raise LogRefused(f"{record.maker} {record.model}", away[0][1], "nothing was added; correct a record with --corrects")
        return store.insert(connection, [good[0][1]], supersedes=corrects)[0], good[0][1]


def _against_log(
    store: Store, connection: sa.Connection, good: list[tuple[Row, Record]], away: list[tuple[Row, str]], corrects: int | None = None
) -> list[tuple[Row, Record]]:
    """What can be taken beside what the log holds (but the record it `corrects`); the rest is appended to `away`."""
    if corrects is not None:
        check_correctable(connection, corrects)
    doubles = store.doubles(connection, [r for _, r in good], corrects)
    away += [(good[i][0], why) for i, why in doubles.items()]
    good = [pair for i, pair in enumerate(good) if i not in doubles]
    beside = standing() if corrects is None else sa.and_(standing(), RECORD.c.id != corrects)
    good = beside_log.without_used_as_factory(connection, beside, good, away)
    good = beside_log.with_later_factory_marked(connection, beside, good)
    good = beside_log.with_names_of_any_knife_marked(connection, beside, good)
    return beside_log.with_far_ones_marked(connection, beside, good)


def _checked(given: Contribution, row: Row) -> Record | str:
    names, values = given.names, row.cells
    # Spreadsheets write separators for columns beyond the last, and none for a last one that is empty.
    while len(values) > len(names) and not values[-1].strip():
        values = values[:-1]
    if len(values) < len(names) and all(n in columns.MAY_END_A_ROW or n not in columns.ALL for n in names[len(values) :]):
        values = (*values, *[""] * (len(names) - len(values)))
    if len(values) != len(names):
        return f"it has {len(values)} cells under {len(names)} columns: put a cell that holds {given.separator!r} in quotes"
    cells = dict(zip(names, values, strict=True))
    if over := next((n for n in names if _SURPLUS.fullmatch(n) and cells[n].strip()), None):
        return f"{over} stands under no column: put a cell that holds {given.separator!r} in quotes, and take the column {over} away"
    if (split := columns.split_figure(names, values)) and len(row.cells) > len(names):
        why = f"{split[0]} {split[1]} with more cells than columns behind it: a decimal comma between commas parts a figure"
        return f"{why}; write it with a point"
    # An empty cell makes no record that could be asked.
    if checks.is_no_instrument(cells["instrument"]):
        return checks.NO_INSTRUMENT
    remarks: list[str] = []
    if given.separator != "," and columns.pointed(cells):
        remarks.append("decimal commas: read as decimal points")
    try:
        record = columns.record(cells)
    except LogRefused as error:
        return str(error)
    if why := checks.reason_against(record):
        return why
    remarks = [*record.cautions, *remarks, *checks.cautions(record)]
    return replace(record, cautions=tuple(dict.fromkeys(remarks))) if remarks else record


def _without_doubles_in_file(good: list[tuple[Row, Record]], away: list[tuple[Row, str]]) -> list[tuple[Row, Record]]:
    rows: dict[str, int] = {}
    photos: dict[str, int] = {}
    kept = []
    for row, record in good:
        key = record.row_key
        shared = next((p for p in record.photos if p in photos), None)
        if key in rows:
            away.append((row, f"duplicate: the same row as row {rows[key]} of this file"))
        elif shared is not None:
            away.append((row, f"duplicate: the photo {shared[:12]} is in row {photos[shared]} of this file"))
        else:
            rows[key] = row.number
            photos |= dict.fromkeys(record.photos, row.number)
            kept.append((row, record))
    return kept


def _read_csv(name: str, file: TextIO, start: str, marked: bool) -> Contribution:
    # A first line that some spreadsheets write and obey.
    said = re.match(r"sep=([,;\t])\r?\n", start, re.IGNORECASE)
    header = start[said.end() if said else 0 :].split("\n", 1)[0]
    # Spreadsheets of many countries separate by semicolons; no column's name holds any of the three.
    separator = said[1] if said else max(",;\t", key=header.count)
    if said:
        file.readline()
    # A column's words recur: kept once, 100,000 rows need half the memory.
    same: dict[str, str] = {}

    def kept(cell: str) -> str:
        cell = undefuse(cell)
        return same.setdefault(cell, cell) if len(same) < 10_000 else same.get(cell, cell)

    with _long_cells():
        lines = csv.reader(file, delimiter=separator, strict=True)
        try:
            names = _names(name, [undefuse(n) for n in next(lines, [])])
            filled = ((i, cells) for i, cells in enumerate(lines, start=1) if any(c.strip() for c in cells))
            rows = tuple(Row(i, tuple(map(kept, cells))) for i, cells in filled)
        except csv.Error as error:
            raise LogRefused(name, f"line {lines.line_num} cannot be read as CSV ({error})", "mend its quotes, or save it again") from error
    return Contribution(names, rows, _unknown(names), separator, marked)


def _read_json(name: str, text: str) -> Contribution:
    try:
        # Figures stay text: 0.420 as a float would lose the digit that says how it was read.
        data = json.loads(text, parse_float=str, parse_int=str, parse_constant=str, object_pairs_hook=_once)
    except (ValueError, RecursionError) as error:
        raise LogRefused(name, f"it cannot be read as JSON ({error})", "start from 'shoulderline log template --format json'") from error
    rows = data.get("rows") if isinstance(data, dict) else data
    if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
        raise LogRefused(name, "it is no list of rows", "start from 'shoulderline log template --format json'")
    keys = tuple(dict.fromkeys(key for row in rows for key in row))
    names = _names(name, keys)
    return Contribution(
        names, tuple(Row(i, tuple(_text(row.get(k)) for k in keys)) for i, row in enumerate(rows, start=1)), _unknown(names)
    )


def _once(pairs: list[tuple[str, object]]) -> dict[str, object]:
    found = dict(pairs)
    if len(found) < len(pairs):
        # The last would stand for the others, and nobody would know.
        doubled = next(key for i, (key, _) in enumerate(pairs) if key in dict(pairs[:i]))
        raise ValueError(f"a row has {doubled[:40]!r} twice")
    return found


def _text(value: object) -> str:
    if isinstance(value, list):
        return ";".join(map(_text, value))
    return "" if value is None else str(value)


def _names(name: str, names: Iterable[str]) -> tuple[str, ...]:
    found = tuple(n.strip().lower() for n in names)
    # Columns beyond the last that a spreadsheet leaves without a name; one further in keeps its cells under a name of its own.
    while found and not found[-1]:
        found = found[:-1]
    found = tuple(n or f"column {i}" for i, n in enumerate(found, start=1))
    if doubled := [n for n in found if found.count(n) > 1]:
        raise LogRefused(name, f"it has the column {doubled[0]!r} twice", "keep one of them")
    return found


def _unknown(names: Iterable[str]) -> tuple[str, ...]:
    return tuple(n for n in names if n not in columns.ALL and n != columns.REASON)


@contextmanager
def _long_cells() -> Iterator[None]:
    # The csv module refuses cells above 128 kB; a result's JSON is longer.
    before = csv.field_size_limit(2 * MAX_RESULT)
    try:
        yield
    finally:
        csv.field_size_limit(before)
