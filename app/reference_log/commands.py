"""``shoulderline log``: its arguments, and what each of its commands does. Heavy imports wait until a command runs."""

from __future__ import annotations

import argparse
import re
import sys
from collections.abc import Callable
from pathlib import Path

from app.pointing import place
from app.reference_log.records import Condition, Edge, Record, Source

EXIT_SOME_TURNED_AWAY = 4
# What a terminal shows at once; all of them are in the file that --turned-away names.
_REASONS_SHOWN = 20
_CAUTION = "Blades cut: guard the edge while you measure. Local rules come first."


def add_log(commands: argparse._SubParsersAction) -> None:
    """Add ``log`` and its commands; app/reference_log/README.md documents each flag, and a test compares the two."""
    text = "the reference log: what knives really measure"
    log = commands.add_parser("log", help=text, description=text, epilog=_CAUTION, allow_abbrev=False)
    sub = log.add_subparsers(dest="log_command", required=True, metavar="LOG_COMMAND")
    _add_add(_command(sub, "add", "add a result of 'shoulderline measure'"))
    p = _command(sub, "template", "write the file that contributions are filled into", log=False)
    p.add_argument("--format", choices=("csv", "json"), default="csv", help="format of the template (default %(default)s)")
    p.add_argument("--out", type=place, metavar="FILE", help="the file to write (default: print it)")
    p = _command(sub, "import", "check contributions and take what can be taken")
    p.add_argument("file", type=Path, metavar="FILE", help="CSV or JSON with the template's columns")
    p.add_argument("--turned-away", type=Path, metavar="FILE", help="where the rows turned away go, with the reason; .json for JSON")
    _add_find(_command(sub, "find", "look up measurements"))
    _add_summary(_command(sub, "summary", "what the log says of one model"))
    p = _command(sub, "export", "publish the list")
    p.add_argument("--format", choices=("csv", "json", "markdown", "html"), required=True, help="csv and json hold every record")
    p.add_argument("--out", type=place, required=True, metavar="FILE", help="the file to write")
    p = _command(sub, "correct", "supersede a record by one with some columns changed; the old one is kept")
    p.add_argument("number", type=int, metavar="ID", help="the record's number")
    p.add_argument("--set", type=_column_text, action="append", required=True, metavar="COLUMN=TEXT", help="what it should say; repeatable")
    p = _command(sub, "history", "a record, what it superseded, and what superseded it")
    p.add_argument("number", type=int, metavar="ID", help="the record's number")
    p = sub.add_parser("demo", help=(text := "a log of 120 specimens of 30 invented models"), description=text, epilog=_CAUTION,
                       allow_abbrev=False)  # fmt: skip
    p.add_argument("--log", metavar="FILE_OR_URL", help="a log of its own (default: demo-log.sqlite in the user's data folder)")


def log(options: argparse.Namespace) -> int:
    """Run one of the commands; returns the exit status."""
    actions: dict[str, Callable[[argparse.Namespace], int]] = {
        "add": _add, "template": _template, "import": _import, "find": _find, "summary": _summary, "export": _export,
        "correct": _correct, "history": _history, "demo": _demo,
    }  # fmt: skip
    return actions[options.log_command](options)


def _command(sub: argparse._SubParsersAction, name: str, text: str, *, log: bool = True) -> argparse.ArgumentParser:
    p = sub.add_parser(name, help=text, description=text, epilog=_CAUTION, allow_abbrev=False)
    if log:
        p.add_argument("--log", metavar="FILE_OR_URL", help="SQLite file, or postgresql://... (default: in the user's data folder)")
    return p


def _column_text(text: str) -> tuple[str, str]:
    """``"model=Heron 2"`` -> ("model", "Heron 2")."""
    name, sign, value = text.partition("=")
    if not sign:
        raise argparse.ArgumentTypeError(f"{text!r}: expected COLUMN=TEXT, such as model=Heron")
    return name.strip().lower(), value


def _length(text: str) -> float:
    if not re.fullmatch(r"[0-9]{1,9}(\.[0-9]*)?|\.[0-9]+", text, re.ASCII):
        raise argparse.ArgumentTypeError(f"{text!r}: expected millimetres, such as 0.35")
    return float(text)


def _count(text: str) -> int:
    if not re.fullmatch(r"[0-9]{1,9}", text, re.ASCII) or int(text) < 1:
        raise argparse.ArgumentTypeError(f"{text!r}: expected a number from 1 on")
    return int(text)


def _add_add(p: argparse.ArgumentParser) -> None:
    p.add_argument("result", type=Path, metavar="RESULT_DIR", help="folder with a measurement.json")
    p.add_argument("--maker", default="", help="who made the knife (default: by job.toml)")
    p.add_argument("--model", default="", help="its model (default: by job.toml)")
    p.add_argument("--variant", default="", help="its variant, where there are several")
    p.add_argument("--edge", choices=[str(e) for e in Edge], help="kind of edge (default: by job.toml, else plain)")
    p.add_argument("--specimen", default="", help="name of this one knife (default: by job.toml, else after its photo)")
    p.add_argument("--condition", choices=[str(c) for c in Condition], help="state of the edge (default: by job.toml, else unknown)")
    p.add_argument("--contributor", default="", help="who measured it")
    p.add_argument("--note", default="", help="anything a reader should know")
    p.add_argument("--corrects", type=int, metavar="ID", help="this supersedes record ID, which is kept")


def _add_find(p: argparse.ArgumentParser) -> None:
    p.add_argument("--text", default="", help="anywhere in maker, model, variant or note")
    for name in ("maker", "model", "variant", "specimen", "contributor"):
        p.add_argument(f"--{name}", default="", help=f"part of the {name}")
    p.add_argument("--edge", choices=[str(e) for e in Edge], default="", help="kind of edge")
    p.add_argument("--condition", choices=[str(c) for c in Condition], default="", help="state of the edge")
    p.add_argument("--method", choices=[str(s) for s in Source], default="", help="how the figure was had")
    p.add_argument("--from-mm", type=_length, metavar="MM", help="at least this thick")
    p.add_argument("--to-mm", type=_length, metavar="MM", help="at most this thick")
    p.add_argument("--sort", choices=("thickness", "maker", "date", "added"), default="thickness", help="order (default %(default)s)")
    p.add_argument("--descending", action="store_true", help="the other way round")
    p.add_argument("--limit", type=_count, default=200, metavar="N", help="show at most this many (default %(default)s)")
    p.add_argument("--superseded", action="store_true", help="also records that a correction replaced")


def _add_summary(p: argparse.ArgumentParser) -> None:
    p.add_argument("--maker", required=True, help="who made the knife")
    p.add_argument("--model", required=True, help="its model")
    p.add_argument("--variant", help="only this variant")
    p.add_argument("--edge", choices=[str(e) for e in Edge], help="only this kind of edge")
    p.add_argument("--condition", choices=[str(c) for c in Condition], help="only this condition (default: factory where there is one)")
    p.add_argument(
        "--method", choices=[str(s) for s in Source], help="only this method (default: the one with most specimens, then the smallest ±)"
    )
    p.add_argument("--json", action="store_true", help="numbers for a program, mm")
    p.add_argument("--post", action="store_true", help="a short text for a post")


def _add(options: argparse.Namespace) -> int:
    from app.reference_log import from_result
    from app.reference_log.contributions import add_one
    from app.reference_log.store import Store

    knife = from_result.Knife(
        maker=options.maker, model=options.model, variant=options.variant, edge=Edge(options.edge) if options.edge else None,
        specimen=options.specimen, condition=Condition(options.condition) if options.condition else None,
        contributor=options.contributor, note=options.note,
    )  # fmt: skip
    record = from_result.read(options.result, knife)
    with Store(options.log, create=True) as store:
        number, record = add_one(store, record, corrects=options.corrects)
        name = store.name
    _said(number, f"in {name}", record)
    return 0


def _said(number: int, what: str, record: Record) -> None:
    from app.reference_log import words
    from app.reference_log.escape import visible

    print(f"record {number} {what}: {visible(record.maker)} {visible(record.model)}, specimen {visible(record.specimen)}")
    print(f"  {record.edge} edge, {record.condition}, {visible(record.method.name)}: {words.as_given(record)}")
    for caution in record.cautions:
        print(f"caution: {visible(caution)}", file=sys.stderr)


def _template(options: argparse.Namespace) -> int:
    from app.outputs import check_file, write_file
    from app.reference_log.contributions import template

    text = template(options.format)
    if options.out is None:
        print(text, end="")
        return 0
    # One that somebody has filled in is no template any more.
    check_file(options.out, lambda data: data in {template(kind).encode("utf-8") for kind in ("csv", "json")}, "empty template")
    write_file(options.out, text.encode("utf-8"))
    print(f"{options.out}: one row a measurement; app/reference_log/README.md says what each column holds.")
    return 0


def _import(options: argparse.Namespace) -> int:
    from app.outputs import check_file, write_file
    from app.progress import progress
    from app.reference_log import contributions
    from app.reference_log.store import Store

    def keep_turned_away(outcome: contributions.Outcome) -> None:
        # One of an earlier import must not stand as this one's: where nothing was turned away, only its header is left.
        if options.turned_away and (outcome.turned_away or options.turned_away.exists()):
            kind = "json" if options.turned_away.suffix.lower() == ".json" else "csv"
            write_file(options.turned_away, outcome.turned_away_file(kind).encode("utf-8"), "--turned-away")

    if options.turned_away:
        _keep_apart("--turned-away", options.turned_away, options.log, options.file)
        check_file(options.turned_away, contributions.is_turned_away, "file of rows turned away", flag="--turned-away")
    given = contributions.read(options.file)
    with Store(options.log, create=True) as store, progress() as report:
        outcome = contributions.take(store, given, report=report, before_commit=keep_turned_away)
        name = store.name
    return _told(outcome, name, options.turned_away)


def _told(outcome: object, name: str, turned_away: Path | None) -> int:
    from app.reference_log.contributions import Outcome
    from app.reference_log.escape import visible

    assert isinstance(outcome, Outcome)
    print(f"{name}: {outcome.taken} taken, {len(outcome.cautions)} of them with a caution; {len(outcome.turned_away)} turned away")
    if outcome.unknown:
        print(f"columns that nobody reads: {', '.join(visible(n, 40) for n in outcome.unknown)}", file=sys.stderr)
    lines = [f"row {number}: caution: {remark}" for number, remark in outcome.cautions[:_REASONS_SHOWN]]
    lines += [f"row {row.number}: turned away: {why}" for row, why in outcome.turned_away[:_REASONS_SHOWN]]
    for line in lines:
        print(visible(line, 300), file=sys.stderr)
    if max(len(outcome.turned_away), len(outcome.cautions)) > _REASONS_SHOWN:
        print(f"only the first {_REASONS_SHOWN} of each are shown", file=sys.stderr)
    if outcome.turned_away and turned_away:
        print(f"In {turned_away}: the rows turned away, with the reason; mend and import that file.")
    elif outcome.turned_away:
        print("Give --turned-away FILE to get those rows back with their reasons.")
    return EXIT_SOME_TURNED_AWAY if outcome.turned_away else 0


def _find(options: argparse.Namespace) -> int:
    from app.reference_log import search
    from app.reference_log.listing import table
    from app.reference_log.store import Store

    wanted = search.Filter(
        text=options.text, maker=options.maker, model=options.model, variant=options.variant, edge=options.edge,
        condition=options.condition, method=options.method, specimen=options.specimen, contributor=options.contributor,
        low_mm=options.from_mm, high_mm=options.to_mm, superseded=options.superseded,
    )  # fmt: skip
    with Store(options.log) as store:
        total, found = search.find(store, wanted, sort=options.sort, descending=options.descending, limit=options.limit)
    print(table(found))
    print(f"{len(found)} of {total}" if len(found) < total else f"{total} found")
    return 0


def _summary(options: argparse.Namespace) -> int:
    import json

    from app.reference_log import words
    from app.reference_log.store import Store
    from app.reference_log.summary import Choice, model_summary

    choice = Choice(
        Edge(options.edge) if options.edge else None,
        Condition(options.condition) if options.condition else None,
        Source(options.method) if options.method else None,
        options.variant,
    )
    with Store(options.log) as store:
        found = model_summary(store, options.maker, options.model, choice)
    print(
        json.dumps(words.numbers(found), indent=1, allow_nan=False)
        if options.json
        else words.post(found)
        if options.post
        else words.text(found)
    )
    return 0


def _export(options: argparse.Namespace) -> int:
    from app.outputs import check_file, write_file
    from app.reference_log import publish
    from app.reference_log.store import Store

    _keep_apart("--out", options.out, options.log)
    check_file(options.out, lambda data: publish.is_list(data, options.format), f"list as {options.format}")
    with Store(options.log) as store:
        text = publish.export(store, options.format)
    write_file(options.out, text.encode("utf-8"))
    print(f"In {options.out}: the list as {options.format}")
    return 0


def _keep_apart(flag: str, out: Path, log: str | None, *others: Path) -> None:
    """Refuse a folder, and to write over what a command reads: the log, or the file of contributions."""
    from app.outputs import keep_apart
    from app.reference_log.errors import LogRefused
    from app.reference_log.store import default_path, file_of

    own = file_of(log) if log else default_path()
    keep_apart(flag, out, *([own] if own else []), *others, refusal=LogRefused)


def _correct(options: argparse.Namespace) -> int:
    from app.reference_log.corrections import correct
    from app.reference_log.store import Store

    with Store(options.log) as store:
        number, record = correct(store, options.number, dict(options.set))
    _said(number, f"supersedes record {options.number}, which is kept", record)
    return 0


def _history(options: argparse.Namespace) -> int:
    from itertools import pairwise

    from app.reference_log.corrections import changes_between
    from app.reference_log.escape import visible
    from app.reference_log.listing import table
    from app.reference_log.store import Store

    with Store(options.log) as store:
        found = store.history(options.number)
    print(table(found))
    for old, new in pairwise(found):
        for name, before, after in changes_between(old.record, new.record):
            print(f"record {new.id} ({new.added}): {name}: {visible(before, 60) or 'empty'} -> {visible(after, 60) or 'empty'}")
    return 0


def _demo(options: argparse.Namespace) -> int:
    from app.reference_log import demo
    from app.reference_log.store import Store

    with Store(options.log or demo.path(), create=True) as store:
        outcome = demo.fill(store)
        name = store.name
    status = _told(outcome, name, None)
    print(f"Look at it with --log {name}")
    return status
