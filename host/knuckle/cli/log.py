"""The log file: what the program did, for the day something goes wrong."""

from __future__ import annotations

import logging
import sys
import tempfile
import traceback
from logging.handlers import RotatingFileHandler
from pathlib import Path
from typing import Final

LOGGER: Final = logging.getLogger("knuckle")
_LARGEST_BYTES: Final = 1_000_000
_FORMAT: Final = "%(asctime)s %(levelname)s %(name)s: %(message)s"


class _QuietFile(RotatingFileHandler):
    """A full disk or a locked file must not stop a measurement."""

    def handleError(self, record: logging.LogRecord) -> None:
        pass


class _Shown(logging.Handler):
    """Looks `sys.stderr` up each time: the live view puts its own in place while it runs."""

    def emit(self, record: logging.LogRecord) -> None:
        print(self.format(record), file=sys.stderr)


def start(path: Path, verbose: bool) -> None:
    """Send the program's log to `path`, and to standard error as well if `verbose`.

    A folder that cannot be made is no error: the program then works without a log.
    """
    for old in list(LOGGER.handlers):
        LOGGER.removeHandler(old)
        old.close()
    LOGGER.setLevel(logging.DEBUG if verbose else logging.INFO)
    LOGGER.propagate = False
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handler: logging.Handler = _QuietFile(
            path, maxBytes=_LARGEST_BYTES, backupCount=3, encoding="utf-8"
        )
    except OSError:
        handler = logging.NullHandler()
    handler.setFormatter(logging.Formatter(_FORMAT))
    LOGGER.addHandler(handler)
    if verbose:
        shown = _Shown()
        shown.setFormatter(logging.Formatter("%(levelname)s %(name)s: %(message)s"))
        LOGGER.addHandler(shown)


def write_traceback(error: BaseException) -> Path | None:
    """Write the traceback of an unexpected error; return the file it went to, if any."""
    text = "".join(traceback.format_exception(error))
    for handler in LOGGER.handlers:
        if isinstance(handler, _QuietFile):
            LOGGER.error("unexpected error\n%s", text)
            handler.flush()
            path = Path(handler.baseFilename)
            if path.is_file() and path.stat().st_size:
                return path
    try:
        with tempfile.NamedTemporaryFile(
            "w", prefix="knuckle-", suffix=".log", delete=False, encoding="utf-8"
        ) as file:
            file.write(text)
    except OSError:
        return None
    return Path(file.name)
