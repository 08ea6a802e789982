"""A log of each kind for the tests: SQLite in a temporary folder, and PostgreSQL where a server is named.

`.ci/run` starts a server and names it in SHOULDERLINE_TEST_POSTGRES. Each test gets a database of its own.
"""

from __future__ import annotations

import datetime
import os
import uuid
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from decimal import Decimal
from pathlib import Path

import pytest
import sqlalchemy as sa

from app.reference_log.records import Condition, Edge, Record, Source
from app.reference_log.store import Store

SERVER = os.environ.get("SHOULDERLINE_TEST_POSTGRES", "")
KINDS = ("sqlite", "postgresql")


def _record(**given: object) -> Record:
    """An invented knife's record; whatever is given replaces its part."""
    facts: dict = {
        "maker": "Ostfeld", "model": "Heron", "edge": Edge.PLAIN, "specimen": "a1", "condition": Condition.FACTORY,
        "source": Source.READINGS, "instrument": "digital caliper", "instrument_step": Decimal("0.01"),
        "instrument_accuracy": Decimal("0.03"), "thickness": Decimal("0.42"), "contributor": "Mirel", "date": datetime.date(2026, 3, 1),
    }  # fmt: skip
    return Record(**(facts | given))


@pytest.fixture(scope="session")
def record() -> Callable[..., Record]:
    """Makes a record of an invented knife; whatever is given replaces its part."""
    return _record


@contextmanager
def _place(kind: str, folder: Path) -> Iterator[str]:
    if kind == "sqlite":
        yield str(folder / "log.sqlite")
        return
    if not SERVER:
        # A person may have no server; CI starts one, and there its absence is a failure.
        if os.environ.get("CI"):
            pytest.fail("CI names no PostgreSQL server in SHOULDERLINE_TEST_POSTGRES")
        pytest.skip("no PostgreSQL server named in SHOULDERLINE_TEST_POSTGRES")
    name = f"test_{uuid.uuid4().hex}"
    server = sa.create_engine(sa.make_url(SERVER).set(drivername="postgresql+psycopg"), isolation_level="AUTOCOMMIT")
    with server.connect() as connection:
        connection.exec_driver_sql(f"CREATE DATABASE {name}")
    yield sa.make_url(SERVER).set(database=name).render_as_string(hide_password=False)
    with server.connect() as connection:
        connection.exec_driver_sql(f"DROP DATABASE {name} WITH (FORCE)")
    server.dispose()


@pytest.fixture(params=KINDS)
def where(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """Where a new log may be made, on each kind of store."""
    with _place(request.param, tmp_path) as place:
        yield place


@pytest.fixture
def everywhere(tmp_path: Path) -> Iterator[list[str]]:
    """Where new logs may be made, on all kinds of store at once; without a server SQLite alone, unless under CI."""
    kinds = KINDS if SERVER or os.environ.get("CI") else KINDS[:1]
    with ExitStack() as places:
        yield [places.enter_context(_place(kind, tmp_path)) for kind in kinds]


@pytest.fixture
def store(where: str) -> Iterator[Store]:
    """A new, empty log."""
    with Store(where, create=True) as opened:
        yield opened
