"""What a person said of the last knife, to be offered for the next one: a small file beside the log. Nothing is taken from it unseen."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

from app.outputs import write_file
from app.reference_log.from_result import Knife
from app.reference_log.records import Condition, Edge
from app.reference_log.store import default_path
from vision.errors import DeclarationError

_TEXTS = ("maker", "model", "variant", "contributor")


def path() -> Path:
    """Where it lies."""
    return default_path().with_name("last-knife.json")


def load() -> Knife:
    """The last knife; empty where there is none or the file cannot be read. The specimen is another one each time, and so left out."""
    try:
        data = json.loads(path().read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return Knife()
    if not isinstance(data, dict):
        return Knife()
    texts = {name: data[name] for name in _TEXTS if isinstance(data.get(name), str)}
    edge, condition = data.get("edge"), data.get("condition")
    return Knife(
        **texts, edge=Edge(edge) if edge in set(Edge) else None, condition=Condition(condition) if condition in set(Condition) else None
    )  # fmt: skip


def save(knife: Knife) -> None:
    """Keep it for the next time; a folder that cannot be written to only costs the convenience."""
    data = {name: getattr(knife, name) for name in _TEXTS} | {"edge": knife.edge, "condition": knife.condition}
    try:
        path().parent.mkdir(parents=True, exist_ok=True)
        write_file(path(), json.dumps(data, ensure_ascii=False, indent=1).encode("utf-8"))
    except (OSError, UnicodeEncodeError, DeclarationError):
        return


def offered(known: Knife) -> Knife:
    """What is known of this knife, filled up with what was said of the last one; a knife that is named is not mixed with another."""
    last = load()
    same = (not known.maker or known.maker == last.maker) and (not known.model or known.model == last.model)
    if not same:
        last = Knife(contributor=last.contributor)
    return replace(
        known, **{name: getattr(known, name) or getattr(last, name) for name in _TEXTS}, edge=known.edge or last.edge,
        condition=known.condition or last.condition,
    )  # fmt: skip
