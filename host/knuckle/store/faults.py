"""SQLite's errors and the system's, told as what happened, why, and what to do."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from knuckle.errors import StoreError

_PRIMARY: Final = 0xFF
"""SQLite's extended result codes carry the primary code in their low byte."""

_KNOWN: Final[dict[int, tuple[str, str, str]]] = {
    sqlite3.SQLITE_FULL: (
        "The disk is full: the store {path} cannot grow.",
        "What was committed before is kept.",
        "Free some space, or name a store on another disk with --store.",
    ),
    sqlite3.SQLITE_READONLY: (
        "The store {path} cannot be written.",
        "The file or its folder is read-only for this user.",
        "Give yourself write permission, or name another store with --store.",
    ),
    sqlite3.SQLITE_PERM: (
        "The store {path} cannot be opened.",
        "This user lacks the permission.",
        "Give yourself permission, or name another store with --store.",
    ),
    sqlite3.SQLITE_CANTOPEN: (
        "The store {path} cannot be opened.",
        "The folder is missing or read-only, or the path is a folder.",
        "Check the path and its permissions, or name another store with --store.",
    ),
    sqlite3.SQLITE_NOTADB: (
        "{path} is not a store: it is no SQLite database.",
        "The path names some other file, or the file was overwritten.",
        "Check --store; the file was left as it is.",
    ),
    sqlite3.SQLITE_BUSY: (
        "The store {path} is locked.",
        "Another program is writing to it.",
        "Close that program, or wait and try again.",
    ),
    sqlite3.SQLITE_LOCKED: (
        "The store {path} is locked.",
        "Another part of this program is writing to it.",
        "Try again.",
    ),
    sqlite3.SQLITE_CORRUPT: (
        "The store {path} is damaged.",
        "The disk failed, or another program wrote into the file.",
        "Copy the file away, then try `sqlite3 FILE .recover` on the copy.",
    ),
    sqlite3.SQLITE_IOERR: (
        "The system failed to read or write the store {path}.",
        "A disk was removed, is failing, or a size limit was reached.",
        "Check the disk, or name a store on another one with --store.",
    ),
}


def store_error(error: sqlite3.Error, path: Path) -> StoreError:
    """Return the `StoreError` that tells a SQLite error to a person."""
    code = getattr(error, "sqlite_errorcode", None)
    if code is not None and (known := _KNOWN.get(code & _PRIMARY)):
        what, cause, next_step = known
        return StoreError(what.format(path=path), cause, next_step)
    return StoreError(
        f"The store {path} could not do what was asked: {error}.",
        "This is most likely a fault of the program.",
        "Please report it with the program's version and what you did.",
    )


@contextmanager
def told(path: Path) -> Iterator[None]:
    """Map SQLite's errors inside the block to `StoreError`."""
    try:
        yield
    except sqlite3.Error as error:
        raise store_error(error, path) from error


def folder_error(error: OSError, path: Path) -> StoreError:
    """Return the `StoreError` for a folder or file that the system does not give us."""
    return StoreError(
        f"The store {path} cannot be opened: {error.strerror or error}.",
        "Its folder is missing, read-only, or on a disk that is full or gone.",
        "Check the path and its permissions, or name another store with --store.",
    )
