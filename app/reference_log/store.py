"""Where records live: one SQLite file, or a PostgreSQL database by URL. Adds and reads; never changes or deletes a record.

A write is one transaction. SQLite: write-ahead log, `synchronous = FULL` (what was confirmed survives a power cut) and a busy
timeout, and every write takes the lock at its start, since a read that turns into a write later fails at once as "locked" however
long the timeout. PostgreSQL: writers queue on an advisory lock, so that two cannot both find a photo to be new.
"""

from __future__ import annotations

import datetime
import os
import sqlite3
import time
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import platformdirs
import sqlalchemy as sa
from sqlalchemy.exc import ArgumentError, DBAPIError, IntegrityError, NoSuchModuleError, OperationalError

from app.reference_log import migrations, tables
from app.reference_log.errors import LogRefused
from app.reference_log.records import Record
from app.reference_log.tables import PHOTO, RECORD, RESULT, SOUGHT

# A writer may wait while another imports 100,000 rows, which takes well below a minute.
BUSY_SECONDS = 60
_LOCK = migrations.APPLICATION_ID
_CHUNK = 2000


@dataclass(frozen=True, kw_only=True)
class Stored:
    """A record as the log holds it. `superseded_by` is the correction that replaced it, None while it stands."""

    id: int
    added: str
    record: Record
    supersedes: int | None = None
    superseded_by: int | None = None


def default_path() -> Path:
    """The log in the user's own data folder."""
    return Path(platformdirs.user_data_dir("shoulderline", appauthor=False)) / "reference-log.sqlite"


def file_of(where: str) -> Path | None:
    """The file of a log that is one; None for a server's."""
    path = _plain_path(where)
    return None if "://" in path else Path(path)


class Store:
    """An open log. Use as a context manager, or call `close`.

    Parameters
    ----------
    where : str, Path or None
        A SQLite file, a URL such as ``postgresql://name@host/database``, or None for `default_path`.
    create : bool
        Start a new log where there is none; without it a missing log is refused, so that a mistyped name is noticed.

    Raises
    ------
    LogRefused
        No log there, another program's file, a newer program's log, or a server that cannot be reached.
    """

    def __init__(self, where: str | Path | None = None, *, create: bool = False) -> None:
        text = _plain_path(str(where) if where is not None else str(default_path()))
        self.name = text if "://" not in text else _without_password(text)
        if "://" not in text:
            path = Path(text)
            if not path.exists():
                if not create:
                    why = "there is no log"
                    raise LogRefused(f"log {text}", why, "check the name, or start it with 'shoulderline log add' or 'log import'")
                path.parent.mkdir(parents=True, exist_ok=True)
            else:
                _check_file(path)
        self.engine = _engine(text)
        try:
            with _refusals(self.name):
                self._migrate(create)
        except BaseException:
            self.close()
            raise

    def __enter__(self) -> Store:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the file or server."""
        self.engine.dispose()

    @contextmanager
    def reading(self) -> Iterator[sa.Connection]:
        """One consistent view of the log."""
        # PostgreSQL's usual level would let each statement see another state of the log; SQLite keeps one for the transaction.
        options = {"isolation_level": "REPEATABLE READ"} if self.engine.dialect.name == "postgresql" else {}
        with _refusals(self.name), self.engine.connect().execution_options(**options) as connection, connection.begin():
            yield connection

    @contextmanager
    def writing(self) -> Iterator[sa.Connection]:
        """One transaction with the write lock; all of it is kept at the end, or none when it raises."""
        with _refusals(self.name), self.engine.connect().execution_options(write=True) as connection, connection.begin():
            if connection.dialect.name == "postgresql":
                connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({_LOCK})")
            yield connection

    def add(self, record: Record, *, supersedes: int | None = None) -> int:
        """Add one record, or a correction of the record `supersedes`; returns its id once it is safely kept.

        Raises
        ------
        LogRefused
            The same row or photo is there already; or the record to correct is missing or was corrected before.
        """
        with self.writing() as connection:
            if supersedes is not None:
                check_correctable(connection, supersedes)
            if double := self.doubles(connection, [record], supersedes):
                raise LogRefused(f"{record.maker} {record.model} {record.specimen}", double[0], "nothing to add")
            return self.insert(connection, [record], supersedes=supersedes)[0]

    def doubles(self, connection: sa.Connection, records: Sequence[Record], supersedes: int | None = None) -> dict[int, str]:
        """Index -> reason for each record that the log holds already, by row or by photo (a correction may keep its photos)."""
        keys, photos = [r.row_key for r in records], [p for r in records for p in r.photos]
        chain = _chain(connection, supersedes)
        rows = dict(among(connection, sa.select(RECORD.c.row_key, RECORD.c.id), RECORD.c.row_key, keys))
        # A correction that was itself wrong is taken back by one that says what an earlier record said.
        said = _said(connection, chain)
        rows = {key: of for key, of in rows.items() if of not in chain} | ({said[supersedes]: supersedes} if supersedes in said else {})
        seen = {
            sha: of
            for sha, of in among(connection, sa.select(PHOTO.c.sha256, PHOTO.c.record_id), PHOTO.c.sha256, photos)
            if of not in chain
        }
        found = {}
        for i, (key, record) in enumerate(zip(keys, records, strict=True)):
            if key in rows:
                found[i] = f"duplicate: the same row is in the log as record {rows[key]}"
            elif shared := [p for p in record.photos if p in seen]:
                found[i] = f"duplicate: the photo {shared[0][:12]} is in the log in record {seen[shared[0]]}"
        return found

    def insert(
        self,
        connection: sa.Connection,
        records: Sequence[Record],
        *,
        supersedes: int | None = None,
        report: Callable[[float], None] | None = None,
    ) -> list[int]:
        """Insert within an open `writing` transaction; returns the ids in order of the records."""
        added = datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
        first = (connection.execute(sa.select(sa.func.max(RECORD.c.id))).scalar() or 0) + 1
        said = set(_said(connection, _chain(connection, supersedes)).values())
        for start in range(0, len(records), _CHUNK):
            part = records[start : start + _CHUNK]
            new = range(first + start, first + start + len(part))
            connection.execute(
                sa.insert(RECORD), [tables.row(r, i, added, supersedes, r.row_key in said) for i, r in zip(new, part, strict=True)]
            )
            connection.execute(sa.insert(SOUGHT), [{"record_id": i, "text": tables.sought(r)} for i, r in zip(new, part, strict=True)])
            photos = [{"sha256": p, "record_id": i} for i, r in zip(new, part, strict=True) for p in r.photos]
            results = [{"record_id": i, "text": r.result} for i, r in zip(new, part, strict=True) if r.result]
            if photos:
                connection.execute(sa.insert(PHOTO), photos)
            if results:
                connection.execute(sa.insert(RESULT), results)
            if report:
                report((start + len(part)) / len(records))
        return list(range(first, first + len(records)))

    def all(self, *, superseded: bool = False, only: Sequence[int] | None = None) -> Iterator[Stored]:
        """Every standing record in order of id; the replaced ones too when `superseded`; just those of these ids when `only`."""
        later = RECORD.alias()
        select = (
            sa.select(RECORD, RESULT.c.text.label("result"), later.c.id.label("superseded_by"))
            .outerjoin(RESULT, RESULT.c.record_id == RECORD.c.id)
            .outerjoin(later, later.c.supersedes == RECORD.c.id)
            .order_by(RECORD.c.id)
        )
        if not superseded:
            select = select.where(later.c.id.is_(None))
        if only is not None:
            select = select.where(RECORD.c.id.in_(only))
        with self.reading() as connection, connection.execution_options(yield_per=_CHUNK).execute(select) as result:
            for row in result.mappings():
                yield Stored(
                    id=row["id"],
                    added=row["added"],
                    record=tables.record(row),
                    supersedes=row["supersedes"],
                    superseded_by=row["superseded_by"],
                )

    def state(self) -> tuple[int, int, str]:
        """How many records there are, the newest one's number, and its row's key (`Record.row_key`).

        Nothing is changed in place, so the same three mean the same log, also where another file took its place.
        """
        with self.reading() as connection:
            count = connection.execute(sa.select(sa.func.count()).select_from(RECORD)).scalar()
            newest = connection.execute(sa.select(RECORD.c.id, RECORD.c.row_key).order_by(RECORD.c.id.desc()).limit(1)).first()
        return int(count or 0), *((int(newest[0]), str(newest[1])) if newest else (0, ""))

    def of_photos(self, photos: Sequence[str]) -> int | None:
        """The number of the standing record of one of these photos (SHA-256), if there is one."""
        with self.reading() as connection:
            select = sa.select(PHOTO.c.record_id).join(RECORD, RECORD.c.id == PHOTO.c.record_id).where(standing())
            return connection.execute(select.where(PHOTO.c.sha256.in_(photos)).order_by(PHOTO.c.record_id.desc())).scalars().first()

    def history(self, number: int) -> list[Stored]:
        """A record with all that it superseded and all that superseded it, the oldest first.

        Raises
        ------
        LogRefused
            The log holds none of that number.
        """
        with self.reading() as connection:
            ids = _chain(connection, number)
            last = number
            while (later := connection.execute(sa.select(RECORD.c.id).where(RECORD.c.supersedes == last)).scalar()) is not None:
                ids.add(later)
                last = later
        found = list(self.all(superseded=True, only=sorted(ids)))
        if not found:
            raise LogRefused(f"record {number}", "the log holds none of that number", "look it up with 'shoulderline log find'")
        return found

    def check(self) -> list[str]:
        """What is wrong with the file's structure; empty when sound. SQLite's own check; PostgreSQL keeps its pages itself."""
        with self.reading() as connection:
            if connection.dialect.name != "sqlite":
                return []
            found = [row[0] for row in connection.exec_driver_sql("PRAGMA integrity_check")]
            found += [str(tuple(row)) for row in connection.exec_driver_sql("PRAGMA foreign_key_check")]
        return [line for line in found if line != "ok"]

    def _migrate(self, create: bool) -> None:
        with self.engine.connect() as connection, connection.begin():
            had = migrations.applied(connection)
            # A log's own list of migrations is never empty: it is written together with the first of them.
            if not had and sa.inspect(connection).get_table_names():
                raise LogRefused(f"log {self.name}", "it holds another program's tables", "name another file or database")
        if had is None and not create:
            raise LogRefused(f"log {self.name}", "it holds no log yet", "start it with 'shoulderline log add' or 'log import'")
        if unknown := set(had or ()) - set(migrations.MIGRATIONS):
            raise LogRefused(f"log {self.name}", f"a newer program changed it ({min(unknown)})", "update shoulderline")
        for name in migrations.MIGRATIONS:
            if name in (had or ()):
                continue
            with self.writing() as connection:
                # Another process may have got here first; only the lock makes this answer last.
                if name not in (migrations.applied(connection) or ()):
                    migrations.apply(connection, name, datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds"))


def _plain_path(text: str) -> str:
    """The file that a SQLite URL names; any other text as it is."""
    if not text.startswith(("sqlite:", "sqlite+")) or "://" not in text:
        return text
    try:
        path = sa.make_url(text).database
    except (ArgumentError, ValueError):
        return text
    if not path or path == ":memory:":
        raise LogRefused(f"log {text}", "it names no file", "give the file's path")
    return path


def _check_file(path: Path) -> None:
    """Refuse what is no log before SQLite opens it, since opening alone would turn another program's file into a write-ahead one."""
    if path.is_dir():
        raise LogRefused(f"log {path}", "it is a folder", "name the log's file in it")
    with path.open("rb") as file:
        head = file.read(100)
    if not head:
        return
    if not head.startswith(b"SQLite format 3\x00"):
        raise LogRefused(f"log {path}", "it is no log", "name a log's file, or leave --log out")
    # Bytes 68 to 71 of the header (SQLite, database file format): whose file it is. A new log has it as soon as it has a table.
    owner, pages = int.from_bytes(head[68:72], "big"), int.from_bytes(head[28:32], "big")
    if owner != migrations.APPLICATION_ID and not (owner == 0 and pages <= 1):
        raise LogRefused(f"log {path}", "it holds another program's tables", "name another file or database")
    if not (os.access(path, os.W_OK) and os.access(path.parent, os.W_OK)):
        why = "it cannot be written to, which SQLite needs even to read it"
        raise LogRefused(f"log {path}", why, "copy it to a folder of your own, or ask for the right to write")


def standing() -> sa.ColumnElement[bool]:
    """Condition that no correction replaced a record."""
    later = RECORD.alias()
    return ~sa.exists().where(later.c.supersedes == RECORD.c.id)


def check_correctable(connection: sa.Connection, number: int) -> None:
    """Refuse to correct a record that is not there, or that another one corrected already."""
    if connection.execute(sa.select(RECORD.c.id).where(RECORD.c.id == number)).first() is None:
        raise LogRefused(f"record {number}", "the log holds none of that number", "look it up with 'shoulderline log find'")
    later = connection.execute(sa.select(RECORD.c.id).where(RECORD.c.supersedes == number)).scalar()
    if later is not None:
        raise LogRefused(f"record {number}", f"record {later} corrected it already", f"correct record {later}")


def _chain(connection: sa.Connection, number: int | None) -> set[int]:
    """A record and all that it superseded: a correction of a correction still has the first one's photos."""
    found: set[int] = set()
    while number is not None:
        found.add(number)
        number = connection.execute(sa.select(RECORD.c.supersedes).where(RECORD.c.id == number)).scalar()
    return found


def _said(connection: sa.Connection, numbers: Collection[int]) -> dict[int, str]:
    """What each of these records said, as its row's key (`tables.row` marks what was said again)."""
    if not numbers:
        return {}
    return {i: key[:64] for i, key in connection.execute(sa.select(RECORD.c.id, RECORD.c.row_key).where(RECORD.c.id.in_(numbers)))}


def among(connection: sa.Connection, select: sa.Select, column: sa.Column, values: Iterable[str]) -> Iterator[Sequence]:
    """Rows of `select` whose `column` is one of the values."""
    unique = list(dict.fromkeys(values))
    # SQLite before 3.32 takes 999 parameters.
    for start in range(0, len(unique), 900):
        yield from connection.execute(select.where(column.in_(unique[start : start + 900])))


def _engine(text: str) -> sa.Engine:
    if "://" not in text:
        engine = sa.create_engine(sa.URL.create("sqlite", database=text), connect_args={"timeout": BUSY_SECONDS})
        sa.event.listen(engine, "connect", _set_up_sqlite)
        sa.event.listen(engine, "begin", _begin_sqlite)
        return engine
    try:
        url = sa.make_url(text)
        if url.get_backend_name() != "postgresql":
            raise LogRefused(
                f"log {_without_password(text)}", "only SQLite files and PostgreSQL are known", "give a file or postgresql://..."
            )
        # psycopg is the driver that the extra installs; SQLAlchemy 2.0 would look for another one.
        return sa.create_engine(url.set(drivername="postgresql+psycopg"), pool_pre_ping=True)
    except (ArgumentError, NoSuchModuleError, ValueError) as error:
        raise LogRefused("log", "the URL cannot be read", "write it as postgresql://NAME@HOST/DATABASE") from error
    except ModuleNotFoundError as error:
        raise LogRefused("log", "a PostgreSQL log needs psycopg", "pip install 'shoulderline[postgres]'") from error


def _set_up_sqlite(connection: sqlite3.Connection, _record: object) -> None:
    # Python's own BEGIN comes late and never as IMMEDIATE; `_begin_sqlite` sends it.
    connection.isolation_level = None
    # SQLite's own knows ASCII alone.
    connection.create_function("lower", 1, lambda text: text.lower() if isinstance(text, str) else text, deterministic=True)
    connection.execute(f"PRAGMA busy_timeout = {BUSY_SECONDS * 1000}")
    connection.execute("PRAGMA foreign_keys = ON")
    connection.execute("PRAGMA synchronous = FULL")
    end = time.monotonic() + BUSY_SECONDS
    while connection.execute("PRAGMA journal_mode").fetchone()[0] != "wal":
        try:
            connection.execute("PRAGMA journal_mode = WAL")
        except sqlite3.OperationalError as error:
            # This one change does not wait for the busy timeout.
            if "locked" not in str(error) or time.monotonic() > end:
                raise
            time.sleep(0.01)


def _begin_sqlite(connection: sa.Connection) -> None:
    connection.exec_driver_sql("BEGIN IMMEDIATE" if connection.get_execution_options().get("write") else "BEGIN")


def _without_password(text: str) -> str:
    try:
        return sa.make_url(text).render_as_string(hide_password=True)
    except (ArgumentError, ValueError):
        return "URL"


@contextmanager
def _refusals(name: str) -> Iterator[None]:
    """Turn what a database says into one clean line."""
    try:
        yield
    except IntegrityError as error:
        raise LogRefused(f"log {name}", f"it holds this record already ({_first_line(error)})", "nothing to add") from error
    except OperationalError as error:
        raise LogRefused(
            f"log {name}", f"it cannot be used now ({_first_line(error)})", "check the path, the server and who else writes"
        ) from error
    except DBAPIError as error:
        raise LogRefused(f"log {name}", f"it is no log, or damaged ({_first_line(error)})", "name a log, or restore a copy") from error


def _first_line(error: DBAPIError) -> str:
    return str(error.orig).strip().splitlines()[0] if str(error.orig).strip() else type(error).__name__
