"""Contributions as rows of text: the columns of the template, and how a record lies in them."""

from __future__ import annotations

import datetime
import json
import re
from collections.abc import Mapping, Sequence
from decimal import Decimal
from enum import StrEnum
from typing import TypeVar

from app.reference_log.errors import LogRefused
from app.reference_log.records import Condition, Edge, Record, Source, Unit
from app.reference_log.tables import decimals_text

TEMPLATE = (
    "maker", "model", "variant", "edge", "specimen", "condition", "method", "instrument", "instrument_step", "instrument_accuracy",
    "readings", "angle_deg", "bevel_width", "thickness", "thickness_u", "tip", "unit", "contributor", "date", "note",
)  # fmt: skip
# What a log knows beyond the template; an export holds them, and a contribution may.
FURTHER = (
    "angle_found_deg", "tip_u", "minimum", "minimum_u", "maximum", "maximum_u", "places", "zone", "height", "averaged", "photos", "program",
    "result", "cautions",
)  # fmt: skip
ALL = TEMPLATE + FURTHER
REASON = "reason"
NEEDED = ("maker", "model", "specimen", "method", "instrument", "contributor", "date", "unit", "edge", "condition")
# What a row may end before: words that may be empty. A row that ends before a figure may have lost a cell further to the left.
MAY_END_A_ROW = ("variant", "note", "program", "cautions", REASON)
# One place each: what a person may leave out without making the row mean something else.
_DECIMALS = (
    "instrument_step", "instrument_accuracy", "angle_deg", "angle_found_deg", "bevel_width", "thickness", "thickness_u", "tip", "tip_u",
    "minimum", "minimum_u", "maximum", "maximum_u",
)  # fmt: skip
_LENGTHS = frozenset(_DECIMALS) - {"angle_deg", "angle_found_deg"}
_TEXTS = ("maker", "model", "variant", "specimen", "instrument", "contributor", "note", "program", "result")
_METHOD_WORDS = {"zone": "main stretch", "height": "shoulder", "averaged": "mean"}
_NUMBER = re.compile(r"[0-9]{1,9}(\.[0-9]{0,30})?|\.[0-9]{1,30}", re.ASCII)
_COMMA = re.compile(r"[0-9]{1,9},[0-9]{1,30}", re.ASCII)
_SHA256 = re.compile(r"[0-9A-Fa-f]{64}")
_E = TypeVar("_E", bound=StrEnum)


def cells(r: Record) -> dict[str, str]:
    """A record as the text of each column; `record` reads it back to an equal one."""
    found = {name: getattr(r, name) for name in (*_TEXTS, *_METHOD_WORDS)}
    found |= {name: "" if (v := getattr(r, name)) is None else f"{v:f}" for name in _DECIMALS}
    found |= {"edge": str(r.edge), "condition": str(r.condition), "method": str(r.source), "unit": str(r.unit), "date": r.date.isoformat()}
    found |= {"readings": decimals_text(r.readings), "places": decimals_text(r.places), "photos": ";".join(r.photos)}
    found["cautions"] = json.dumps(r.cautions, ensure_ascii=False) if r.cautions else ""
    return {name: found[name] for name in ALL}


def record(row: Mapping[str, str]) -> Record:
    """The record that a row of text describes; columns that are missing count as empty.

    Raises
    ------
    LogRefused
        Naming the column, what it holds and what it should.
    """
    remarks: list[str] = list(_remarks(row.get("cautions", "")))
    given = {name: row.get(name, "") for name in _TEXTS}
    given |= {name: row.get(name, "") or usual for name, usual in _METHOD_WORDS.items()}
    numbers = {name: _number(name, row.get(name, "")) for name in _DECIMALS}
    readings = _numbers("readings", row.get("readings", ""))
    if numbers["thickness"] is None:
        numbers["thickness"] = _mean_of(readings)
        remarks.append("no thickness given: taken as the mean of the readings")
    unit, condition = row.get("unit", "").strip(), row.get("condition", "").strip()
    if not unit:
        remarks.append("no unit given: taken as mm")
    if not condition:
        remarks.append("no condition given: taken as unknown")
    return Record(
        **given,
        **numbers,
        readings=readings,
        places=_numbers("places", row.get("places", "")),
        edge=_one_of("edge", row.get("edge", ""), Edge),
        condition=_one_of("condition", condition or "unknown", Condition),
        source=_one_of("method", row.get("method", ""), Source),
        unit=_one_of("unit", unit or "mm", Unit),
        date=_date(row.get("date", "")),
        # A hash is the same hash in capitals.
        photos=tuple(p.strip().lower() if _SHA256.fullmatch(p.strip()) else p for p in row.get("photos", "").split(";") if p),
        cautions=tuple(dict.fromkeys(remarks)),
    )


def pointed(row: dict[str, str]) -> bool:
    """Turn decimal commas in a row's figures into points; True where there was one.

    Only for a file whose cells a semicolon or a tab separates: a spreadsheet that writes those writes decimal commas, and a comma
    between thousands is none here, since no length or angle reaches a thousand.
    """
    found = False
    for name in (*_DECIMALS, "readings", "places"):
        parts = row.get(name, "").split(";")
        if any(_COMMA.fullmatch(p.strip().removeprefix("-")) for p in parts):
            row[name] = ";".join(p.replace(",", ".") if _COMMA.fullmatch(p.strip().removeprefix("-")) else p for p in parts)
            found = True
    return found


def split_figure(names: Sequence[str], values: Sequence[str]) -> tuple[str, str] | None:
    """A column of lengths and its cell where that cell and the next are bare digits, as a decimal comma between commas leaves them."""
    pairs = zip(names, values, values[1:], strict=False)
    return next(((n, f"{v},{w}") for n, v, w in pairs if n in _LENGTHS and v.strip().isdigit() and w.strip().isdigit()), None)


def _one_of(name: str, text: str, kinds: type[_E]) -> _E:
    try:
        return kinds(text.strip().lower())
    except ValueError:
        raise LogRefused(f"{name} {text[:40]!r}", f"it must be one of {', '.join(kinds)}", "write one of these") from None


def _number(name: str, text: str) -> Decimal | None:
    text = text.strip()
    if not text:
        return None
    if not _NUMBER.fullmatch(text):
        rule = "it must be a figure above nothing, digits with a decimal point and no unit"
        raise LogRefused(f"{name} {text[:40]!r}", rule, "write it like 0.42")
    value = Decimal(text)
    if value <= 0:
        raise LogRefused(f"{name} {text[:40]}", "it must be above nothing", "check the figure, or leave it empty")
    return value


def _numbers(name: str, text: str) -> tuple[Decimal, ...]:
    parts = [p for p in text.split(";") if p.strip()]
    if name == "readings":
        return tuple(v for p in parts if (v := _number(name, p)) is not None)
    # A place may be 0 or lie before the scale's mark.
    if not all(_NUMBER.fullmatch(p.strip().removeprefix("-")) for p in parts):
        raise LogRefused(f"{name} {text[:40]!r}", "each must be a place on the printed scale in mm", "write them like 12.5;20")
    return tuple(Decimal(p.strip()) for p in parts)


def _mean_of(readings: tuple[Decimal, ...]) -> Decimal:
    if not readings:
        raise LogRefused("thickness", "it is empty and there are no readings", "give the thickness behind the edge")
    # One digit beyond the readings' own: the mean of several says no more than that.
    places = max(-int(r.as_tuple().exponent) for r in readings) + 1
    return (sum(readings, Decimal(0)) / len(readings)).quantize(Decimal(1).scaleb(-max(0, places)))


def _date(text: str) -> datetime.date:
    try:
        if not re.fullmatch(r"\d{4}-\d{2}-\d{2}", text.strip(), re.ASCII):
            raise ValueError
        return datetime.date.fromisoformat(text.strip())
    except ValueError:
        raise LogRefused(
            f"date {text[:40]!r}", "it must be a day as YEAR-MONTH-DAY", "write it like 2026-03-01, in a spreadsheet as text"
        ) from None


def _remarks(text: str) -> tuple[str, ...]:
    if not text:
        return ()
    try:
        found = json.loads(text)
    except ValueError:
        found = None
    if not isinstance(found, list) or not all(isinstance(f, str) for f in found):
        raise LogRefused("cautions", "they are no JSON list of texts", "leave them empty: the log makes its own")
    return tuple(found)
