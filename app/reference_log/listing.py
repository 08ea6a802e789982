"""Records as lines of a terminal."""

from __future__ import annotations

from collections.abc import Sequence

from app.reference_log import words
from app.reference_log.escape import visible
from app.reference_log.store import Stored
from vision import rounding

_HEAD = ("id", "thickness", "maker", "model", "variant", "specimen", "edge", "condition", "method", "contributor", "date", "remarks")


def table(found: Sequence[Stored]) -> str:
    """One line a record; names cut to 24 characters, nothing in them that a terminal obeys."""
    rows = [_HEAD]
    for s in found:
        r = s.record
        remarks = [f"corrected by {s.superseded_by}"] if s.superseded_by else []
        remarks += [f"corrects {s.supersedes}"] if s.supersedes else []
        remarks += ["caution: " + visible("; ".join(r.cautions), 60)] if r.cautions else []
        names = (visible(v, 24) for v in (r.maker, r.model, r.variant, r.specimen))
        rows.append((str(s.id), words.as_given(r), *names, r.edge, r.condition, visible(r.method.name, 60), visible(r.contributor, 24),
                     r.date.isoformat(), "; ".join(remarks)))  # fmt: skip
    wide = [max(len(row[k]) for row in rows) for k in range(len(_HEAD))]
    lines = ["  ".join(cell.ljust(n) for cell, n in zip(row, wide, strict=True)).rstrip() for row in rows]
    return "\n".join([*lines, rounding.COVERAGE]) if found else "nothing found"
