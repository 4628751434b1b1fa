"""Tell a run that is being captured now from one that a killed process left open.

The system drops a process's file locks when it ends, however it ends. So each run holds a
lock on a small file of its own beside the store. SQLite takes the lock, as it knows how on
every system.
"""

from __future__ import annotations

import sqlite3
from contextlib import suppress
from pathlib import Path


def lock_path(store: Path, run: int) -> Path:
    """Return the lock file of a run."""
    return store.with_name(f"{store.name}.run-{run}.lock")


class RunLock:
    """Held from the beginning of a run to its end.

    Raises
    ------
    sqlite3.Error
        If the file cannot be made, or another process holds it.
    """

    def __init__(self, store: Path, run: int) -> None:
        self._path = lock_path(store, run)
        self._connection = sqlite3.connect(self._path, timeout=0, isolation_level=None)
        self._connection.execute("PRAGMA journal_mode = MEMORY")  # no second file beside it
        self._connection.execute("BEGIN EXCLUSIVE")

    def release(self) -> None:
        """Drop the lock and its file."""
        self._connection.close()
        with suppress(OSError):
            self._path.unlink(missing_ok=True)


def clear_lock(store: Path, run: int) -> None:
    """Remove the lock file that a killed process left behind."""
    with suppress(OSError):
        lock_path(store, run).unlink(missing_ok=True)


def is_live(store: Path, run: int) -> bool:
    """Return whether some process holds the run's lock."""
    path = lock_path(store, run)
    if not path.exists():
        return False
    try:
        probe = sqlite3.connect(f"{path.resolve().as_uri()}?mode=rw", uri=True, timeout=0)
    except sqlite3.Error:
        return False
    try:
        probe.execute("SELECT count(*) FROM sqlite_master").fetchone()
    except sqlite3.OperationalError as error:
        return error.sqlite_errorcode & 0xFF == sqlite3.SQLITE_BUSY
    finally:
        probe.close()
    return False
