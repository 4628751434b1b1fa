"""One program at a time for a Bluetooth device: the system would let two share a connection.

The second would end it for both when it is done. The lock is the operating system's, so that
it ends with the program that holds it, however that ends.
"""

from __future__ import annotations

import contextlib
import os
import re
import tempfile
from pathlib import Path
from typing import Final

_FOLDER: Final = "KNUCKLE_LOCKS"


class DeviceLock:
    """A file in the folder for temporary files, locked while a device is in use.

    Parameters
    ----------
    address : str
        Of the device.
    """

    def __init__(self, address: str) -> None:
        folder = Path(os.environ.get(_FOLDER) or tempfile.gettempdir())
        name = re.sub(r"[^0-9a-z]+", "-", address.lower())
        self._path = folder / f"knuckle-ble-{name}.lock"
        self._file: int | None = None

    def take(self) -> bool:
        """Take the lock; False if another holds it. Where files cannot be locked, True."""
        if self._file is not None:
            return True
        try:
            opened = _open(self._path)
        except OSError:
            return True
        try:
            taken = _lock(opened)
        except OSError:
            taken = True
        if taken:
            self._file = opened
        else:
            os.close(opened)
        return taken

    def release(self) -> None:
        """Let go of it."""
        opened, self._file = self._file, None
        if opened is not None:
            with contextlib.suppress(OSError):
                os.close(opened)


def _open(path: Path) -> int:
    # The file of another user may be read, but not "created" again, in a shared folder.
    with contextlib.suppress(FileNotFoundError):
        return os.open(path, os.O_RDONLY if os.name != "nt" else os.O_RDWR)
    return os.open(path, os.O_RDWR | os.O_CREAT, 0o644)


def _lock(opened: int) -> bool:
    """Lock an open file; False if another has it locked."""
    try:
        if os.name == "nt":
            import msvcrt

            msvcrt.locking(opened, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined, unused-ignore]
        else:
            import fcntl

            fcntl.flock(opened, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except (BlockingIOError, PermissionError):
        return False
    return True
