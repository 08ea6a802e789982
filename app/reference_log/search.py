"""Look-up: which records, in which order."""

from __future__ import annotations

from dataclasses import dataclass

import sqlalchemy as sa

from app.reference_log import tables
from app.reference_log.records import name_key
from app.reference_log.store import Store, Stored, standing
from app.reference_log.tables import RECORD, SOUGHT

SORTS = ("thickness", "maker", "date", "added")


@dataclass(frozen=True)
class Filter:
    """Which records; None or "" lets all pass. Texts are looked for within the field, without regard to case.

    Attributes
    ----------
    text : str
        Anywhere in maker, model, variant or note.
    low_mm, high_mm : float or None
        Thickness between these.
    superseded : bool
        Records that a correction replaced, too.
    key : str
        Exactly this model (`records.knife_key`).
    """

    text: str = ""
    maker: str = ""
    model: str = ""
    variant: str = ""
    edge: str = ""
    condition: str = ""
    method: str = ""
    specimen: str = ""
    contributor: str = ""
    low_mm: float | None = None
    high_mm: float | None = None
    superseded: bool = False
    key: str = ""


def find(store: Store, wanted: Filter, *, sort: str = "thickness", descending: bool = False, limit: int = 200) -> tuple[int, list[Stored]]:
    """How many records there are, and the first `limit` (1 or more) of them in order (their results are not read)."""
    where = _conditions(store, wanted)
    columns = {"thickness": RECORD.c.thickness_mm, "maker": RECORD.c.maker_key, "date": RECORD.c.date, "added": RECORD.c.id}
    key = columns[sort].desc() if descending else columns[sort].asc()
    order = (key, RECORD.c.model_key, RECORD.c.id) if sort == "maker" else (key, RECORD.c.id)
    later = RECORD.alias()
    # The count comes with the page: a second pass over the matches would double the time.
    page = sa.select(RECORD.c.id, sa.func.count().over().label("total")).where(*where).order_by(*order).limit(limit).subquery()
    select = sa.select(RECORD, page.c.total, later.c.id.label("superseded_by")).join(page, page.c.id == RECORD.c.id)
    select = select.outerjoin(later, later.c.supersedes == RECORD.c.id).order_by(*order)
    with store.reading() as connection:
        rows = connection.execute(select).mappings().all()
        total = rows[0]["total"] if rows else 0
    found = [
        Stored(
            id=row["id"],
            added=row["added"],
            record=tables.record({**row, "result": None}),
            supersedes=row["supersedes"],
            superseded_by=row["superseded_by"],
        )
        for row in rows
    ]
    return total, found


def models(store: Store, wanted: Filter) -> dict[str, tuple[str, str, int]]:
    """Models that have such a record: key (`records.knife_key`) -> maker, model and number of such records, by maker and model."""
    c = RECORD.c
    # The first spelling stands for the model; any of them would do.
    names = (sa.func.min(c.maker), sa.func.min(c.model), sa.func.count())
    select = sa.select(c.knife_key, *names).where(*_conditions(store, wanted)).group_by(c.knife_key, c.maker_key, c.model_key)
    with store.reading() as connection:
        rows = connection.execute(select.order_by(c.maker_key, c.model_key)).all()
    return {key: (maker, model, count) for key, maker, model, count in rows}


def _conditions(store: Store, f: Filter) -> list[sa.ColumnElement[bool]]:
    c = RECORD.c
    found: list[sa.ColumnElement[bool]] = [] if f.superseded else [standing()]
    found += [column.contains(name_key(text), autoescape=True) for column, text in ((c.maker_key, f.maker), (c.model_key, f.model)) if text]
    for column, text in ((c.variant, f.variant), (c.specimen, f.specimen), (c.contributor, f.contributor)):
        if text:
            found.append(_lower(store, column).contains(text.lower(), autoescape=True))
    found += [column == text for column, text in ((c.edge, f.edge), (c.condition, f.condition), (c.source, f.method)) if text]
    found += [c.knife_key == f.key] if f.key else []
    if f.text:
        found.append(c.id.in_(sa.select(SOUGHT.c.record_id).where(SOUGHT.c.text.contains(name_key(f.text), autoescape=True))))
    if f.low_mm is not None:
        found.append(c.thickness_mm >= f.low_mm)
    if f.high_mm is not None:
        found.append(c.thickness_mm <= f.high_mm)
    return found


def _lower(store: Store, column: sa.Column) -> sa.ColumnElement[str]:
    # By Unicode, whatever the server's locale is; SQLite's own knows ASCII alone, so `store` replaces it.
    return sa.func.lower(sa.collate(column, "und-x-icu") if store.engine.dialect.name == "postgresql" else column)
