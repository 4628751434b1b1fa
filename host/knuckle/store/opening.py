"""Open the store's file for writing, or for reading alone."""

from __future__ import annotations

import sqlite3
from datetime import datetime
from pathlib import Path
from typing import Final

from knuckle.errors import StoreError
from knuckle.store.faults import folder_error, store_error
from knuckle.store.migrations import check_is_store, create, migrate
from knuckle.store.schema import SCHEMA_VERSION

BUSY_TIMEOUT_S: Final = 5.0
"""How long to wait for another process that is writing."""


def open_for_writing(path: Path, now_utc: datetime) -> tuple[sqlite3.Connection, Path | None]:
    """Return a connection to an up-to-date store, made if there was none, and the backup.

    Returns
    -------
    tuple of Connection and (Path or None)
        The second is the copy made before an older store was brought up to date.

    Raises
    ------
    StoreError
        If the file is no store of a known version, or the system does not give it to us.
    sqlite3.Error
        If it cannot be written; the caller maps it.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise folder_error(error, path) from error
    connection = sqlite3.connect(path, timeout=BUSY_TIMEOUT_S, isolation_level=None)
    backup = None
    try:
        version = check_is_store(connection, path)
        # A write-ahead log survives a killed process, and readers do not block the run;
        # FULL also keeps each commit through a power cut.
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA foreign_keys = ON")
        if version == 0:
            create(connection)
        else:
            backup = migrate(connection, path, now_utc)
        connection.execute("BEGIN IMMEDIATE")  # tells now whether the file can be written
        connection.execute("ROLLBACK")
    except BaseException:
        connection.close()
        raise
    return connection, backup


def open_for_reading(path: Path, now_utc: datetime) -> sqlite3.Connection:
    """Return a read-only connection; an older store is brought up to date first.

    Raises
    ------
    StoreError
        If there is no store, or it cannot be read.
    """
    if not path.exists():
        raise StoreError(
            f"There is no store at {path}.",
            "Nothing has been measured yet, or the path is wrong.",
            "Run `knuckle demo` to make a first run, or name the store with --store.",
        )
    connection = _connect_for_reading(path)
    try:
        version = check_is_store(connection, path)
    except sqlite3.Error as error:
        connection.close()
        raise store_error(error, path) from error
    except StoreError:
        connection.close()
        raise
    if version == SCHEMA_VERSION:
        return connection
    connection.close()
    if version == 0:
        raise StoreError(
            f"The store {path} is empty.",
            "It was made but nothing was written.",
            "Run `knuckle demo` to make a first run.",
        )
    written, _ = open_for_writing(path, now_utc)
    written.close()
    return _connect_for_reading(path)


def _connect_for_reading(path: Path) -> sqlite3.Connection:
    uri = path.resolve().as_uri()

    def connect(options: str) -> sqlite3.Connection:
        return sqlite3.connect(
            f"{uri}?{options}", uri=True, timeout=BUSY_TIMEOUT_S, isolation_level=None
        )

    connection = connect("mode=ro")
    try:
        connection.execute("PRAGMA user_version").fetchone()
        return connection
    except sqlite3.OperationalError as error:
        connection.close()
        if error.sqlite_errorcode & 0xFF not in (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY):
            raise
        # Reading a write-ahead log needs a file beside it, which a read-only folder refuses.
        log = path.with_name(path.name + "-wal")
        if log.exists() and log.stat().st_size:
            raise StoreError(
                f"The store {path} cannot be read where it is.",
                f"Its folder is read-only, and its last entries are still in the file {log.name}.",
                "Copy both files to a folder that can be written and name the copy with --store.",
            ) from error
        return connect("mode=ro&immutable=1")
