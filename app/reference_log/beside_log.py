"""Contributed rows held against what the log has of the same knives: turned away as used, or taken with a caution."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from functools import lru_cache
from typing import TYPE_CHECKING

import sqlalchemy as sa

from app.reference_log.records import Condition, Record, Source, knife_key, name_key
from app.reference_log.store import among
from app.reference_log.tables import RECORD

if TYPE_CHECKING:
    from app.reference_log.contributions import Row

    Rows = list[tuple[Row, Record]]

# Two specimens of one model can differ as 0.3 and 0.7 mm do (common practice, no source).
_SPECIMENS_RATIO = 0.7 / 0.3
# What a person calls a knife who has one: a number, a letter, or a word for any knife.
_ANY_KNIFE = re.compile(r"(?:(?:no|nr|#|sample|specimen|knife|mine|my knife|my own)\.? ?)?(?:\d{1,3}|[a-z])?")
_USED = (Condition.RESHARPENED, Condition.REPROFILED, Condition.REGROUND)


def without_used_as_factory(connection: sa.Connection, beside: sa.ColumnElement[bool], good: Rows, away: list[tuple[Row, str]]) -> Rows:
    """Turn away factory edges of specimens that were ground on an earlier day, by this file or by the log."""
    used: dict[tuple[str, str], str] = {}

    def remember(key: tuple[str, str], day: str) -> None:
        used[key] = min(used.get(key, day), day)

    c = RECORD.c
    select = sa.select(c.knife_key, c.specimen, sa.func.min(c.date)).where(beside, c.condition.in_(_USED))
    for knife, specimen, day in connection.execute(select.group_by(c.knife_key, c.specimen)):
        remember((knife, name_key(specimen)), day)
    keys = [(knife_key(r.maker, r.model), name_key(r.specimen)) for _, r in good]
    for key, (_, r) in zip(keys, good, strict=True):
        if r.condition in _USED:
            remember(key, r.date.isoformat())
    kept = []
    for key, (row, r) in zip(keys, good, strict=True):
        if r.condition is Condition.FACTORY and used.get(key, "9999") < r.date.isoformat():
            away.append((row, f"a used edge declared as factory: this specimen was ground by {used[key]} already"))
        else:
            kept.append((row, r))
    return kept


def with_later_factory_marked(connection: sa.Connection, beside: sa.ColumnElement[bool], good: Rows) -> Rows:
    """Caution a ground edge whose specimen the log has as factory on a later day: the same contradiction, come in the other order."""
    ground = {knife_key(r.maker, r.model) for _, r in good if r.condition in _USED}
    c = RECORD.c
    select = sa.select(c.knife_key, c.specimen, c.date, c.id).where(beside, c.condition == Condition.FACTORY)
    last: dict[tuple[str, str], tuple[str, int]] = {}
    for knife, specimen, day, number in among(connection, select, c.knife_key, ground):
        key = (knife, name_key(specimen))
        last[key] = max(last.get(key, ("", 0)), (day, number))
    marked = []
    for row, r in good:
        day, number = last.get((knife_key(r.maker, r.model), name_key(r.specimen)), ("", 0)) if r.condition in _USED else ("", 0)
        remark = f"record {number} has this specimen as factory on {day}, after it was ground: one of them is wrong"
        marked.append((row, replace(r, cautions=(*r.cautions, remark)) if day > r.date.isoformat() else r))
    return marked


def with_names_of_any_knife_marked(connection: sa.Connection, beside: sa.ColumnElement[bool], good: Rows) -> Rows:
    """Caution a specimen whose name anybody may give, such as "1", where somebody else's bears it: two knives would count as one."""
    c = RECORD.c
    doubtful = {knife_key(r.maker, r.model) for _, r in good if _ANY_KNIFE.fullmatch(name_key(r.specimen))}
    select = sa.select(c.knife_key, c.specimen, c.contributor).where(beside)
    people: dict[tuple[str, str], dict[str, str]] = {}
    for knife, specimen, person in among(connection, select, c.knife_key, doubtful):
        people.setdefault((knife, name_key(specimen)), {}).setdefault(name_key(person), person)
    marked = []
    for row, r in good:
        if _ANY_KNIFE.fullmatch(name_key(r.specimen)):
            others = people.setdefault((knife_key(r.maker, r.model), name_key(r.specimen)), {})
            other = next((shown for key, shown in others.items() if key != name_key(r.contributor)), None)
            others.setdefault(name_key(r.contributor), r.contributor)
            remark = f"specimen {r.specimen} is counted as the knife of that name that {(other or '')[:40]} measured"
            r = replace(r, cautions=(*r.cautions, remark)) if other is not None else r
        marked.append((row, r))
    return marked


def with_far_ones_marked(connection: sa.Connection, beside: sa.ColumnElement[bool], good: Rows) -> Rows:
    """Caution figures far from the model's others of the same group, those in the log and those in this file."""
    sums: dict[tuple, list[float]] = {}
    c = RECORD.c
    by = (c.knife_key, c.edge, c.condition, c.source, c.instrument_kind, c.zone, c.height, c.averaged)
    t = c.thickness_mm
    for *group, n, total, squares in connection.execute(
        sa.select(*by, sa.func.count(), sa.func.sum(t), sa.func.sum(t * t)).where(beside).group_by(*by)
    ):
        entry = sums.setdefault(_group(*group), [0, 0.0, 0.0])
        entry[:] = [entry[0] + n, entry[1] + total, entry[2] + squares]
    groups = []
    for _, r in good:
        m = r.method
        groups.append(_group(knife_key(r.maker, r.model), r.edge, r.condition, m.source, m.instrument_kind, m.zone, m.height, m.averaged))
        entry = sums.setdefault(groups[-1], [0, 0.0, 0.0])
        entry[:] = [entry[0] + 1, entry[1] + r.thickness_mm, entry[2] + r.thickness_mm**2]
    marked = []
    for group, (row, r) in zip(groups, good, strict=True):
        n, total, squares = sums[group]
        remark = _far(r.thickness_mm, r.u_mm, n - 1, total - r.thickness_mm, squares - r.thickness_mm**2)
        marked.append((row, replace(r, cautions=(*r.cautions, remark)) if remark and remark not in r.cautions else r))
    return marked


def _group(*parts: str) -> tuple[str, ...]:
    knife, edge, condition, source, kind, *rest = map(str, parts)
    return (knife, edge, condition, source, "photo" if source == Source.PHOTO else kind, *rest)


def _far(x: float, u: float, n: int, total: float, squares: float) -> str | None:
    """A remark when `x` lies far from `n` others of known sum and sum of squares, mm."""
    if n < 1:
        return None
    mean = total / n
    text = f"far from the model's other figures: {x:.3g} against their mean {mean:.3g} mm"
    if not 1.0 / _SPECIMENS_RATIO <= x / mean <= _SPECIMENS_RATIO:
        return text
    if n < 3:
        return None
    variance = max(0.0, (squares - n * mean**2) / (n - 1)) + (u**2 if math.isfinite(u) else 0.0)
    # Interval for one more figure of a normal sample, 99 %: one honest figure in a hundred is remarked upon.
    return text if abs(x - mean) > _t99(n - 1) * math.sqrt(variance * (1.0 + 1.0 / n)) else None


@lru_cache(maxsize=4096)
def _t99(freedom: int) -> float:
    from scipy import stats

    # Beyond 200 degrees of freedom Student's t is the normal curve to three digits.
    return float(stats.t.ppf(0.995, min(freedom, 200)))
