"""Bring a store of an older version up to date: a backup copy first, then one transaction."""

from __future__ import annotations

import os
import sqlite3
from datetime import datetime
from pathlib import Path
from typing import Final

from knuckle.errors import StoreError
from knuckle.store.faults import folder_error, store_error
from knuckle.store.schema import (
    APPLICATION_ID,
    CREATE,
    SCHEMA_VERSION,
    append_only_triggers,
)

_TO_2: Final = (
    "CREATE TABLE car (id INTEGER PRIMARY KEY, name TEXT NOT NULL, "
    "facts TEXT NOT NULL DEFAULT '{}')",
    "CREATE TABLE job (id INTEGER PRIMARY KEY, car_id INTEGER REFERENCES car(id), "
    "begun_utc TEXT NOT NULL, facts TEXT NOT NULL DEFAULT '{}')",
    "CREATE TABLE mounting (id INTEGER PRIMARY KEY, made_utc TEXT NOT NULL, record TEXT NOT NULL)",
    "CREATE TABLE calibration (id INTEGER PRIMARY KEY, made_utc TEXT NOT NULL, "
    "pod_identity TEXT, record TEXT NOT NULL)",
    "ALTER TABLE run ADD COLUMN job_id INTEGER REFERENCES job(id)",
    "ALTER TABLE run ADD COLUMN car_id INTEGER REFERENCES car(id)",
    "ALTER TABLE stream ADD COLUMN chunk_count INTEGER NOT NULL DEFAULT 0",
    "ALTER TABLE stream ADD COLUMN byte_count INTEGER NOT NULL DEFAULT 0",
    "ALTER TABLE stream ADD COLUMN first_arrival_s REAL",
    "ALTER TABLE stream ADD COLUMN last_arrival_s REAL",
    "ALTER TABLE stream ADD COLUMN mounting_id INTEGER REFERENCES mounting(id)",
    "ALTER TABLE stream ADD COLUMN calibration_id INTEGER REFERENCES calibration(id)",
    "CREATE INDEX run_left_open ON run (id) WHERE state = 'open'",
    """UPDATE stream SET (chunk_count, byte_count, first_arrival_s, last_arrival_s) = (
        SELECT count(*), coalesce(sum(length(data)), 0), min(arrival_s), max(arrival_s)
        FROM chunk WHERE chunk.run_id = stream.run_id AND chunk.stream = stream.stream)""",
)

_TO_3: Final = (
    "CREATE TABLE job_entry (job_id INTEGER NOT NULL REFERENCES job(id), "
    "sequence INTEGER NOT NULL, written_utc TEXT NOT NULL, phase TEXT NOT NULL, "
    "kind TEXT NOT NULL, run_id INTEGER REFERENCES run(id), record TEXT NOT NULL, "
    "PRIMARY KEY (job_id, sequence)) WITHOUT ROWID",
    "CREATE UNIQUE INDEX car_by_name ON car (name)",
    "CREATE INDEX job_of_car ON job (car_id, id)",
    "CREATE INDEX job_entry_of_kind ON job_entry (kind, job_id)",
    "CREATE INDEX job_entry_of_run ON job_entry (run_id) WHERE run_id IS NOT NULL",
    "CREATE INDEX run_of_job ON run (job_id, id) WHERE job_id IS NOT NULL",
    "CREATE INDEX run_of_car ON run (car_id, id) WHERE car_id IS NOT NULL",
    *append_only_triggers("job_entry"),
)

STEPS: Final[dict[int, tuple[str, ...]]] = {1: _TO_2, 2: _TO_3}
"""Version found -> statements that lead to the next one."""


def version_of(connection: sqlite3.Connection) -> int:
    """Return the schema version of a file: 0 for a new, empty one."""
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def check_is_store(connection: sqlite3.Connection, path: Path) -> int:
    """Return the version of a file that is a store or empty; touch nothing.

    Raises
    ------
    StoreError
        If it is another program's database, or from a newer version of this program.
    """
    version = version_of(connection)
    application = int(connection.execute("PRAGMA application_id").fetchone()[0])
    tables = int(connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0])
    if application != APPLICATION_ID and (application or version or tables):
        raise StoreError(
            f"{path} is not a store: it is a database of some other program.",
            "The path names another file.",
            "Check --store; the file was left as it is.",
        )
    if version > SCHEMA_VERSION:
        raise StoreError(
            f"The store {path} is of version {version}; this program knows up to {SCHEMA_VERSION}.",
            "It was written by a newer version of the program.",
            "Update the program, or name another store with --store.",
        )
    return version


def create(connection: sqlite3.Connection) -> None:
    """Make the tables in an empty file, in one transaction."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        if version_of(connection) == 0:  # another process may have been quicker
            for statement in CREATE:
                connection.execute(statement)
            connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
            connection.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")
        connection.execute("COMMIT")
    except BaseException:
        _roll_back(connection)
        raise


def migrate(connection: sqlite3.Connection, path: Path, now_utc: datetime) -> Path | None:
    """Bring an older store to the current version.

    Returns
    -------
    Path or None
        The backup copy of the store as it was; None if it was up to date.

    Raises
    ------
    StoreError
        If the copy or a step fails; the store is then as it was.
    """
    found = version_of(connection)
    if found >= SCHEMA_VERSION:
        return None
    backup = back_up(connection, path, f"v{found}-{now_utc:%Y%m%dT%H%M%SZ}")
    try:
        connection.execute("BEGIN IMMEDIATE")
        for version in range(version_of(connection), SCHEMA_VERSION):
            for statement in STEPS[version]:
                connection.execute(statement)
            connection.execute(f"PRAGMA user_version = {version + 1}")
        broken = connection.execute("PRAGMA foreign_key_check").fetchall()
        if broken:
            raise sqlite3.IntegrityError(f"{len(broken)} rows point at nothing")
        connection.execute("COMMIT")
    except sqlite3.Error as error:
        _roll_back(connection)
        told = store_error(error, path)
        raise StoreError(
            f"The store {path} of version {found} could not be brought to version "
            f"{SCHEMA_VERSION}: {error}.",
            told.cause,
            f"The store is as it was, and a copy is at {backup}. {told.next_step}",
        ) from error
    return backup


def back_up(connection: sqlite3.Connection, path: Path, label: str) -> Path:
    """Copy the store, what is still in its write-ahead log included, beside it.

    The copy gets its final name only when it is whole and on the disk.
    """
    final = path.with_name(f"{path.name}.{label}.backup")
    part = final.with_name(final.name + ".part")
    try:
        part.unlink(missing_ok=True)
        copy = sqlite3.connect(part)
        try:
            connection.backup(copy)
        finally:
            copy.close()
        with part.open("rb+") as file:
            os.fsync(file.fileno())
        part.replace(final)
    except OSError as error:
        raise folder_error(error, final) from error
    except sqlite3.Error as error:
        part.unlink(missing_ok=True)
        raise store_error(error, final) from error
    return final


def _roll_back(connection: sqlite3.Connection) -> None:
    if connection.in_transaction:
        connection.execute("ROLLBACK")
