"""What the log's screens show, as plain columns and lines: every figure through `reference_log.words`, every name one visible line."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from itertools import pairwise

from app.reference_log import columns, words
from app.reference_log.contributions import Contribution, Outcome
from app.reference_log.corrections import changes_between
from app.reference_log.escape import visible
from app.reference_log.records import Record, knife_key, name_key
from app.reference_log.store import Stored
from app.reference_log.summary import Comparison, Summary
from vision import rounding

Columns = dict[str, list]
# As much of a name as a table's cell shows; the record's own page shows all of it.
_NAME = 60
# Rows that a person reads on a screen; all of them are in the file.
ROWS_SHOWN = 200
SORTS: dict[str, Callable[[Summary], object]] = {
    "thickness": lambda s: s.mean_mm,
    "maker": lambda s: (name_key(s.maker), name_key(s.model)),
    "specimens": lambda s: s.specimens,
    "spread": lambda s: s.spread_mm if math.isfinite(s.spread_mm) else -1.0,
}


def chosen(
    summaries: Sequence[Summary], keys: set[str] | None, low_mm: float | None, high_mm: float | None, sort: str, descending: bool
) -> list[Summary]:
    """The summaries of the models `keys` (None: all) whose mean lies between the two, in order."""
    kept = [
        s
        for s in summaries
        if (keys is None or knife_key(s.maker, s.model) in keys)
        and (low_mm is None or s.mean_mm >= low_mm)
        and (high_mm is None or s.mean_mm <= high_mm)
    ]
    return sorted(kept, key=SORTS[sort], reverse=descending)  # type: ignore[arg-type]


def title(s: Summary) -> str:
    """Maker and model on one line."""
    return f"{visible(s.maker, _NAME)} {visible(s.model, _NAME)}"


def knife(r: Record) -> str:
    """Which knife a record is of, on one line."""
    names = " ".join(visible(v, _NAME) for v in (r.maker, r.model, r.variant) if v)
    return f"{names}, specimen {visible(r.specimen, _NAME)}, {r.edge} edge, {r.condition}, by {visible(r.contributor, _NAME)}"


def models(summaries: Sequence[Summary]) -> Columns:
    """One line a model."""
    return {
        "maker": [visible(s.maker, _NAME) for s in summaries],
        "model": [visible(s.model, _NAME) for s in summaries],
        "thickness": [words.figure(s) for s in summaries],
        "specimens": [s.specimens for s in summaries],
        "specimens lie": [words.specimens_lie(s) for s in summaries],
        "next one (95 %)": [words.next_range(s) if s.specimens > 1 else "not known" for s in summaries],
        "what": [visible(s.group.name, 120) for s in summaries],
        "left out": [words.left_out_count(s) for s in summaries],
        "contributors": [", ".join(visible(c, 24) for c in s.contributors[:5]) for s in summaries],
    }


def records(found: Sequence[Stored]) -> Columns:
    """One line a record."""
    own = [s.record for s in found]
    return {
        "record": [s.id for s in found],
        "thickness": [words.as_given(r) for r in own],
        "maker": [visible(r.maker, _NAME) for r in own],
        "model": [visible(r.model, _NAME) for r in own],
        "variant": [visible(r.variant, _NAME) for r in own],
        "specimen": [visible(r.specimen, _NAME) for r in own],
        "edge": [str(r.edge) for r in own],
        "condition": [str(r.condition) for r in own],
        "method": [visible(r.method.name, 120) for r in own],
        "contributor": [visible(r.contributor, _NAME) for r in own],
        "date": [r.date.isoformat() for r in own],
        "remarks": [_remarks(s) for s in found],
    }


def facts(s: Summary) -> Columns:
    """One model's figures and what each means."""
    rows = [
        ("95 % interval of the mean", words.mean_range(s)),
        ("specimens", f"{s.specimens}, measured {s.measurements} time{'s' * (s.measurements > 1)}"),
        ("specimens lie", words.specimens_lie(s)),
        ("spread between specimens", words.spread(s)),
        ("next one", words.next_one(s)),
        ("measured by", ", ".join(visible(c, 40) for c in s.contributors[:10])),
    ]
    if len(s.variants) > 1:
        rows.append(("caution", f"variants averaged together: {', '.join(visible(v, 40) for v in s.variants[:10])}; choose one above"))
    return {"": [name for name, _ in rows], "figure": [text for _, text in rows]}


def specimens(s: Summary) -> Columns:
    """One line a specimen, the thinnest first."""
    own = sorted(s.by_specimen, key=lambda k: k.mean_mm)
    return {
        "specimen": [visible(k.name, _NAME) for k in own],
        "thickness": [rounding.format_figure(k.mean_mm, k.u_mm) for k in own],
        "measured": [f"{k.measurements} time{'s' * (k.measurements > 1)}" for k in own],
        "by": [", ".join(visible(c, 40) for c in k.contributors[:5]) for k in own],
    }


def left_out(s: Summary) -> Columns:
    """What is in no figure of this summary, and why."""
    return {"measurements": [o.measurements for o in s.left_out], "why they are left out": [visible(o.why, 200) for o in s.left_out]}


def contributors(s: Summary) -> Columns:
    """Every two contributors' figures and E_n, the largest first."""
    own = s.comparisons[:ROWS_SHOWN]
    return {
        "contributors": [" and ".join(visible(c, 40) for c in c_.contributors) for c_ in own],
        "figures, mm": [" and ".join(rounding.format_value(x, u) for x, u in zip(c.figures_mm, c.u_mm, strict=True)) for c in own],
        "E_n": [f"{c.e_n:.2f}" for c in own],
        "says": [_says(c) for c in own],
        "on": [f"specimen {visible(c.same_specimen, _NAME)}" if c.same_specimen is not None else "different specimens" for c in own],
    }


def _says(c: Comparison) -> str:
    if c.e_n <= 1.0:
        return "they agree within their uncertainties"
    return "they disagree" if c.same_specimen is not None else "they differ; it may be the knives"


def whole_record(r: Record) -> Columns:
    """Every column of a record that holds something, as it was given, but for the result's own long text."""
    cells = {n: v for n, v in columns.cells(r).items() if v and n not in ("result", "cautions")}
    cells |= {"figure": words.as_given(r)} | ({"cautions": "; ".join(r.cautions)} if r.cautions else {})
    return {"column": list(cells), "holds": [visible(v, 2000) for v in cells.values()]}


def history(found: Sequence[Stored]) -> Columns:
    """What each correction changed, the oldest first."""
    rows = [
        (later.id, later.added.replace("T", " ")[:16], name, visible(old, 200) or "empty", visible(new, 200) or "empty")
        for earlier, later in pairwise(found)
        for name, old, new in changes_between(earlier.record, later.record)
    ]
    names = ("record", "added (UTC)", "column", "before", "after")
    return {name: [row[k] for row in rows] for k, name in enumerate(names)}


def turned_away(outcome: Outcome) -> Columns:
    """The first rows turned away, with the reason."""
    rows = outcome.turned_away[:ROWS_SHOWN]
    cells = [dict(zip(outcome.names, row.cells, strict=False)) for row, _ in rows]
    shown: Columns = {"row": [row.number for row, _ in rows], "reason": [visible(why, 400) for _, why in rows]}
    return shown | {n: [visible(c.get(n, ""), _NAME) for c in cells] for n in ("maker", "model", "specimen", "thickness")}


def cautioned(given: Contribution, outcome: Outcome) -> Columns:
    """The first rows taken with a caution."""
    rows = outcome.cautions[:ROWS_SHOWN]
    cells = {row.number: dict(zip(given.names, row.cells, strict=False)) for row in given.rows}
    shown: Columns = {"row": [number for number, _ in rows], "caution": [visible(text, 400) for _, text in rows]}
    return shown | {
        n: [visible(cells[number].get(n, ""), _NAME) for number, _ in rows] for n in ("maker", "model", "specimen", "thickness")
    }


def _remarks(s: Stored) -> str:
    remarks = [f"corrected by {s.superseded_by}"] if s.superseded_by else []
    remarks += [f"corrects {s.supersedes}"] if s.supersedes else []
    return "; ".join([*remarks, *(visible(c, 200) for c in s.record.cautions)])
