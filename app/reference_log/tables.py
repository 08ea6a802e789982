"""The tables as they are after every migration, and how a record lies in a row."""

from __future__ import annotations

import datetime
import json
import math
from collections.abc import Mapping
from dataclasses import fields
from decimal import Decimal
from typing import Any

import sqlalchemy as sa

from app.reference_log.records import Condition, Edge, Record, Source, Unit, instrument_kind, knife_key, name_key

_META = sa.MetaData()
# What the column of cautions holds where there is none.
NO_CAUTION = json.dumps(())
_DECIMALS = (
    "instrument_step", "instrument_accuracy", "angle_deg", "angle_found_deg", "bevel_width", "thickness", "thickness_u", "tip", "tip_u",
    "minimum", "minimum_u", "maximum", "maximum_u",
)  # fmt: skip
_WORDS = ("maker", "model", "variant", "edge", "specimen", "condition", "source", "instrument", "unit", "zone", "height", "averaged",
          "contributor", "note", "program")  # fmt: skip
_ENUMS = {"edge": Edge, "condition": Condition, "source": Source, "unit": Unit}

RECORD = sa.Table(
    "record",
    _META,
    sa.Column("id", sa.BigInteger().with_variant(sa.Integer, "sqlite"), primary_key=True),
    sa.Column("added", sa.Text, nullable=False),
    sa.Column("supersedes", sa.BigInteger),
    sa.Column("row_key", sa.Text, nullable=False),
    sa.Column("knife_key", sa.Text, nullable=False),
    sa.Column("thickness_mm", sa.Double, nullable=False),
    sa.Column("u_mm", sa.Double),
    sa.Column("common_u_mm", sa.Double, nullable=False),
    *(sa.Column(name, sa.Text, nullable=False) for name in _WORDS),
    *(
        sa.Column(name, sa.Text, nullable=False)
        for name in ("instrument_kind", "date", "maker_key", "model_key", "cautions", "readings", "places", "photos")
    ),
    *(sa.Column(name, sa.Text) for name in _DECIMALS),
)
PHOTO = sa.Table("photo", _META, sa.Column("sha256", sa.Text, nullable=False), sa.Column("record_id", sa.BigInteger, nullable=False))
SOUGHT = sa.Table("sought", _META, sa.Column("record_id", sa.BigInteger, primary_key=True), sa.Column("text", sa.Text, nullable=False))
RESULT = sa.Table("result", _META, sa.Column("record_id", sa.BigInteger, primary_key=True), sa.Column("text", sa.Text, nullable=False))

assert {*_WORDS, *_DECIMALS, "date", "cautions", "readings", "places", "photos", "result"} == {f.name for f in fields(Record)} - {"_key"}


def row(r: Record, number: int, added: str, supersedes: int | None, again: bool = False) -> dict[str, Any]:
    """A record as a row of `RECORD`; its result goes to `RESULT`. `again`: a correction back to what an earlier record said."""
    u = r.u_mm
    # A row is in the log once, and stays known by the record that said it first.
    key = f"{r.row_key} again in {number}" if again else r.row_key
    found: dict[str, Any] = {
        "id": number, "added": added, "supersedes": supersedes, "row_key": key, "knife_key": knife_key(r.maker, r.model),
        "maker_key": name_key(r.maker), "model_key": name_key(r.model), "instrument_kind": instrument_kind(r.instrument),
        "thickness_mm": r.thickness_mm, "u_mm": None if math.isnan(u) else u, "common_u_mm": r.common_u_mm, "date": r.date.isoformat(),
        "cautions": json.dumps(r.cautions), "readings": decimals_text(r.readings), "places": decimals_text(r.places),
        "photos": json.dumps(r.photos),
    }  # fmt: skip
    found |= {name: str(getattr(r, name)) for name in _WORDS}
    found |= {name: None if (v := getattr(r, name)) is None else f"{v:f}" for name in _DECIMALS}
    return found


def sought(r: Record) -> str:
    """What a search looks through, as `name_key` compares it."""
    return name_key("\n".join((r.maker, r.model, r.variant, r.note)))


def record(row: Mapping[str, Any]) -> Record:
    """The record that `row` wrote; `row` also holds ``result``, or None."""
    given: dict[str, Any] = {name: _ENUMS[name](row[name]) if name in _ENUMS else row[name] for name in _WORDS}
    given |= {name: None if row[name] is None else Decimal(row[name]) for name in _DECIMALS}
    return Record(
        **given, date=datetime.date.fromisoformat(row["date"]), readings=decimals(row["readings"]), places=decimals(row["places"]),
        photos=tuple(json.loads(row["photos"])), cautions=tuple(json.loads(row["cautions"])), result=row["result"] or "",
    )  # fmt: skip


def decimals_text(values: tuple[Decimal, ...]) -> str:
    """``"0.41;0.42"``."""
    return ";".join(f"{v:f}" for v in values)


def decimals(text: str) -> tuple[Decimal, ...]:
    """What `decimals_text` wrote."""
    return tuple(Decimal(part) for part in text.split(";")) if text else ()
