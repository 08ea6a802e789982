"""Corrections: a record with some of its columns changed supersedes the one it came from, which is kept."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace

from app.reference_log import checks, columns
from app.reference_log.contributions import add_one
from app.reference_log.errors import LogRefused
from app.reference_log.records import Record
from app.reference_log.store import Store, Stored

# What a person says of a knife that the program measured; its figures are the result's own.
OF_THE_KNIFE = ("maker", "model", "variant", "edge", "specimen", "condition", "contributor", "note")


def correctable(record: Record) -> tuple[str, ...]:
    """Columns that a correction may change."""
    return OF_THE_KNIFE if record.result else columns.TEMPLATE


def correct(store: Store, number: int, changes: Mapping[str, str]) -> tuple[int, Record]:
    """Add a correction of one record; `changes` are columns of the template as text. Returns its number and the new record.

    Raises
    ------
    LogRefused
        The record is not there or was corrected before; a column cannot be changed, or what it now holds cannot be taken.
    """
    old = one(store, number).record
    allowed = correctable(old)
    for name in changes:
        if name in columns.TEMPLATE and name not in allowed:
            why = "the program measured it from the photo"
            raise LogRefused(f"{name} of record {number}", why, "measure again, and add that result with --corrects")
        if name not in allowed:
            raise LogRefused(f"column {name[:40]!r}", f"a correction may change {', '.join(allowed)}", "name one of these")
    cells = columns.cells(old)
    changed = {name for name, text in changes.items() if text != cells[name]}
    if not changed:
        raise LogRefused(f"record {number}", "nothing would change", "say what was wrong")
    if "readings" in changed and any("thickness" in _left_open(c) for c in old.cautions):
        # It was made from the readings that are wrong.
        cells["thickness"] = ""
    record = columns.record(cells | dict(changes) | {"cautions": ""})
    if why := checks.reason_against(record):
        raise LogRefused(f"record {number}", why, "nothing was changed")
    # What a row's own figures call for is remarked anew; what was left open stays open until it is said, and a photo's remarks stay.
    kept = tuple(c for c in old.cautions if _left_open(c) - changed or (old.result and not _left_open(c) and not c.startswith("far from ")))
    return add_one(store, replace(record, cautions=(*kept, *record.cautions)), corrects=number)


def _left_open(caution: str) -> set[str]:
    """The column that a caution such as "no condition given" says was left open."""
    found = re.match(r"no (?:kind of )?([a-z]+) given", caution)
    return {found[1]} if found else set()


def one(store: Store, number: int) -> Stored:
    """The record of this number; raises `LogRefused` when the log holds none."""
    return next(s for s in store.history(number) if s.id == number)


def changes_between(old: Record, new: Record) -> tuple[tuple[str, str, str], ...]:
    """(column, before, after) for each column of an export that differs, but for the result's own long text."""
    before, after = columns.cells(old), columns.cells(new)
    return tuple((n, before[n], after[n]) for n in columns.ALL if before[n] != after[n] and n != "result")
