"""Changes of the log's tables: named, in order, each in one transaction together with its own name.

Never edit one that was released: add the next. Written as SQL and not as table objects, so that what they did stays what they did.
"""

from __future__ import annotations

from collections.abc import Callable

from sqlalchemy import Connection, inspect

# SQLite's header field that says whose file it is; "SLog".
APPLICATION_ID = 0x534C6F67


def _create_log(connection: Connection) -> None:
    sqlite = connection.dialect.name == "sqlite"
    # Numbers come from the store, which holds the write lock: no record is ever deleted, so none is handed out twice.
    identity = "INTEGER PRIMARY KEY" if sqlite else "BIGINT PRIMARY KEY"
    if sqlite:
        connection.exec_driver_sql(f"PRAGMA application_id = {APPLICATION_ID}")
    words = (
        "maker", "model", "variant", "edge", "specimen", "condition", "source", "instrument", "instrument_kind", "unit", "zone", "height",
        "averaged", "contributor", "date", "note", "program", "maker_key", "model_key", "cautions", "readings", "places", "photos",
    )  # fmt: skip
    given = (
        "instrument_step", "instrument_accuracy", "angle_deg", "angle_found_deg", "bevel_width", "thickness", "thickness_u", "tip",
        "tip_u", "minimum", "minimum_u", "maximum", "maximum_u",
    )  # fmt: skip
    connection.exec_driver_sql(
        f"CREATE TABLE record (id {identity}, added TEXT NOT NULL, supersedes BIGINT UNIQUE REFERENCES record (id), "
        "row_key TEXT NOT NULL UNIQUE, knife_key TEXT NOT NULL, thickness_mm DOUBLE PRECISION NOT NULL, u_mm DOUBLE PRECISION, "
        "common_u_mm DOUBLE PRECISION NOT NULL, "
        + ", ".join(f"{name} TEXT NOT NULL" for name in words)
        + ", "
        + ", ".join(f"{name} TEXT" for name in given)
        + ")"
    )
    connection.exec_driver_sql("CREATE INDEX record_knife ON record (knife_key)")
    connection.exec_driver_sql("CREATE INDEX record_thickness ON record (thickness_mm, id)")
    connection.exec_driver_sql("CREATE TABLE photo (sha256 TEXT NOT NULL, record_id BIGINT NOT NULL REFERENCES record (id))")
    connection.exec_driver_sql("CREATE INDEX photo_sha256 ON photo (sha256)")
    # Apart from `record`: a search reads what is sought alone, and no megabytes of stations on its way.
    connection.exec_driver_sql("CREATE TABLE sought (record_id BIGINT PRIMARY KEY REFERENCES record (id), text TEXT NOT NULL)")
    connection.exec_driver_sql("CREATE TABLE result (record_id BIGINT PRIMARY KEY REFERENCES record (id), text TEXT NOT NULL)")


MIGRATIONS: dict[str, Callable[[Connection], None]] = {
    "0001-create-log": _create_log,
}


def applied(connection: Connection) -> list[str] | None:
    """Names of the migrations a store has had; None where it holds no log at all."""
    if not inspect(connection).has_table("migration"):
        return None
    return [row[0] for row in connection.exec_driver_sql("SELECT name FROM migration ORDER BY name")]


def apply(connection: Connection, name: str, when: str) -> None:
    """Run one migration and write its name, within the transaction that `connection` has open."""
    connection.exec_driver_sql("CREATE TABLE IF NOT EXISTS migration (name TEXT PRIMARY KEY, applied TEXT NOT NULL)")
    MIGRATIONS[name](connection)
    mark = "?" if connection.dialect.name == "sqlite" else "%s"
    connection.exec_driver_sql(f"INSERT INTO migration (name, applied) VALUES ({mark}, {mark})", (name, when))
