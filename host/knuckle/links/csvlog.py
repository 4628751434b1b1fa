"""A CSV log cut into chunks as if its lines arrived one after the other."""

from __future__ import annotations

from collections.abc import Generator
from pathlib import Path
from typing import Final

from knuckle.errors import RecordingError
from knuckle.links.contract import Chunk

CHUNK_S: Final = 0.05
"""Log time put into one chunk."""
LONGEST_LINE: Final = 65536
_TIME_COLUMNS: Final = {"t_s": 1.0, "t_ms": 1e-3}


def csv_chunks(path: Path) -> Generator[Chunk, None, None]:
    """Return a log's bytes, unchanged, in chunks that arrive when their last line says.

    A line whose time cannot be read, or goes back, arrives with the one before: judging the
    log is the decoder's business, not the link's.

    Raises
    ------
    RecordingError
        At once, if the file is empty or no text, or its header names no time.
    OSError
        If it cannot be read.
    """
    column, unit_s = _time_column(path)
    return _read(path, column, unit_s)


def _time_column(path: Path) -> tuple[int, float]:
    with path.open("rb") as file:
        line = file.readline(LONGEST_LINE)
        if not line:
            raise RecordingError(
                f"The recording {path} is empty.", next_step="Choose another file."
            )
        while line:
            if b"\0" in line or len(line) >= LONGEST_LINE:
                break
            text = line.removeprefix(b"\xef\xbb\xbf").decode("utf-8", "replace").strip()
            if text and not text.startswith("#"):
                for column, name in enumerate(text.split(",")):
                    if name.strip() in _TIME_COLUMNS:
                        return column, _TIME_COLUMNS[name.strip()]
                raise RecordingError(
                    f"{path} is no raw capture, and its first line names no time.",
                    "A CSV log starts with a header such as t_s,ax_g,ay_g,az_g.",
                    "Choose another file, or add the header (see docs/protocol.md).",
                )
            line = file.readline(LONGEST_LINE)
    raise RecordingError(
        f"{path} is neither a raw capture nor a CSV log.",
        "It holds no line with columns.",
        "Choose another file.",
    )


def _read(path: Path, column: int, unit_s: float) -> Generator[Chunk, None, None]:
    with path.open("rb") as file:
        gathered = bytearray()
        first_s: float | None = None
        last_s = 0.0
        for line in file:
            at_s = _time_of(line, column, unit_s)
            if at_s is not None:
                if first_s is None:
                    first_s = last_s = at_s
                elif at_s - first_s >= CHUNK_S:
                    yield Chunk(last_s, bytes(gathered))
                    gathered.clear()
                    last_s = max(last_s, at_s)
                    first_s = last_s
                last_s = max(last_s, at_s)
            gathered += line
        if gathered:
            if not gathered.endswith(b"\n"):
                gathered += b"\n"  # the last sample of a log without a final line end counts too
            yield Chunk(last_s, bytes(gathered))


def _time_of(line: bytes, column: int, unit_s: float) -> float | None:
    fields = line.split(b",", column + 1)
    if len(fields) <= column:
        return None
    try:
        value = float(fields[column]) * unit_s
    except ValueError:
        return None
    return value if -1e12 < value < 1e12 else None
