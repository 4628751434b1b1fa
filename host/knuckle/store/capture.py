"""The raw capture file: bytes as they arrived, with their arrival times. Bytes in docs/store.md.

A file that was cut or damaged is read as far as it can be, with a notice; what cannot be read
at all raises `RecordingError`.
"""

from __future__ import annotations

import json
import struct
import zlib
from collections.abc import Generator, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any, BinaryIO, Final, Self

import knuckle
from knuckle.errors import RecordingError, UsageError
from knuckle.store.records import without_nan
from knuckle.store.rows import StoredChunk

MAGIC: Final = b"\x89KNCAP\r\n"
"""Not text, so that a transfer that changes line ends is noticed."""

CAPTURE_VERSION: Final = 1
CAPTURE_SUFFIX: Final = ".kncap"
LONGEST_CHUNK: Final = 1 << 20
END_STREAM: Final = 255
"""Stream number of the record that closes a complete file."""

_START: Final = struct.Struct("<HI")
_RECORD: Final = struct.Struct("<BdI")
_CRC: Final = struct.Struct("<I")
_COUNT: Final = struct.Struct("<Q")
_LONGEST_HEADER: Final = 1 << 20


@dataclass(frozen=True, slots=True)
class CapturedStream:
    """One pod's link: the wheel it stood on and the address it was reached at."""

    wheel: str | None = None
    address: str | None = None


@dataclass(frozen=True, slots=True)
class CaptureHeader:
    """What a capture file says of itself.

    Attributes
    ----------
    version : int
        Of the file's format.
    program_version : str
        Of the program that wrote it.
    started_utc : str
        ISO 8601 with offset.
    streams : tuple of CapturedStream
        Stream 0, 1, ...
    facts : dict
        What else is known of the run.
    """

    version: int
    program_version: str
    started_utc: str
    streams: tuple[CapturedStream, ...]
    facts: dict[str, Any] = field(default_factory=dict)


class CaptureWriter:
    """Writes a capture file, chunk by chunk.

    Parameters
    ----------
    path : str or Path
        A new file.
    streams : sequence of CapturedStream
        At least one, at most 255.
    overwrite : bool
        Whether an existing file may be replaced.

    Raises
    ------
    UsageError
        If the file exists already.
    RecordingError
        If the file cannot be written.
    """

    def __init__(
        self,
        path: str | Path,
        streams: Sequence[CapturedStream],
        *,
        program_version: str = knuckle.__version__,
        started_utc: datetime | str | None = None,
        facts: Mapping[str, Any] | None = None,
        overwrite: bool = False,
    ) -> None:
        if not 1 <= len(streams) <= END_STREAM:
            raise ValueError(f"{len(streams)} streams: 1 to {END_STREAM} fit a capture file")
        self.path = Path(path)
        if started_utc is None:
            started_utc = datetime.now(UTC)
        if isinstance(started_utc, datetime):
            started_utc = started_utc.isoformat(timespec="milliseconds")
        header = json.dumps(
            without_nan(
                {
                    "program_version": program_version,
                    "started_utc": started_utc,
                    "streams": [
                        {"wheel": stream.wheel, "address": stream.address} for stream in streams
                    ],
                    "facts": dict(facts or {}),
                }
            ),
            ensure_ascii=False,
            allow_nan=False,
        ).encode()
        self._stream_count = len(streams)
        self._written = 0
        try:
            self._file: BinaryIO = self.path.open("wb" if overwrite else "xb")
        except FileExistsError as error:
            raise UsageError(
                f"The file {self.path} exists already.", "", "Choose another name, or --force."
            ) from error
        except OSError as error:
            raise self._failed(error) from error
        self._put(MAGIC + _START.pack(CAPTURE_VERSION, len(header)))
        self._put(header + _CRC.pack(zlib.crc32(header)))

    def write(self, stream: int, arrival_s: float, data: bytes) -> None:
        """Append bytes as they arrived; empty data is not kept."""
        if not 0 <= stream < self._stream_count:
            raise ValueError(f"there is no stream {stream} in {self.path}")
        for first in range(0, len(data), LONGEST_CHUNK):
            self._put_record(stream, arrival_s, data[first : first + LONGEST_CHUNK])
            self._written += 1

    def flush(self) -> None:
        """Hand what was written to the system, which keeps it if this program is killed."""
        try:
            self._file.flush()
        except OSError as error:
            raise self._failed(error) from error

    def close(self) -> None:
        """Write the end mark and close the file."""
        if self._file.closed:
            return
        try:
            self._put_record(END_STREAM, 0.0, _COUNT.pack(self._written))
        finally:
            try:
                self._file.close()
            except OSError as error:
                raise self._failed(error) from error

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if kind is None:
            self.close()
        else:
            self._file.close()

    def _put_record(self, stream: int, arrival_s: float, data: bytes) -> None:
        record = _RECORD.pack(stream, arrival_s, len(data)) + data
        self._put(record + _CRC.pack(zlib.crc32(record)))

    def _put(self, data: bytes) -> None:
        try:
            self._file.write(data)
        except OSError as error:
            raise self._failed(error) from error

    def _failed(self, error: OSError) -> RecordingError:
        return RecordingError(
            f"The capture file {self.path} cannot be written: {error.strerror or error}.",
            "The folder is missing or read-only, or the disk is full.",
            "Choose another place.",
        )


class CaptureReader:
    """A capture file being read: an iterator of `StoredChunk`, in the order of arrival.

    Attributes
    ----------
    path : Path
    header : CaptureHeader
    notices : list of str
        What was wrong with the file; complete once the iteration is over.
    """

    def __init__(self, path: str | Path) -> None:
        self.path = Path(path)
        self.notices: list[str] = []
        try:
            self._file = self.path.open("rb")
        except OSError as error:
            raise _unreadable(self.path, error) from error
        try:
            self.header = self._read_header()
        except BaseException:
            self._file.close()
            raise
        self._chunks = self._read_chunks()

    def __iter__(self) -> Iterator[StoredChunk]:
        return self

    def __next__(self) -> StoredChunk:
        return next(self._chunks)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the file; the iteration then ends."""
        self._chunks.close()
        self._file.close()

    def _read(self, count: int) -> bytes:
        try:
            return self._file.read(count)
        except OSError as error:
            raise _unreadable(self.path, error) from error

    def _read_header(self) -> CaptureHeader:
        magic = self._read(len(MAGIC))
        if not magic:
            raise RecordingError(
                f"The recording {self.path} is empty.",
                "Nothing was captured, or the copy failed.",
                "Check the file; `knuckle runs` lists what the store keeps.",
            )
        if magic != MAGIC:
            raise RecordingError(
                f"{self.path} is not a capture file.",
                "It does not start with a capture file's mark: another kind of file, or one "
                "changed in a transfer as text.",
                "Check the path; a CSV log has its own header and the suffix .csv.",
            )
        start = self._read(_START.size)
        if len(start) == _START.size:
            version, length = _START.unpack(start)
            if version > CAPTURE_VERSION:
                raise RecordingError(
                    f"The recording {self.path} is of version {version}; this program knows up "
                    f"to {CAPTURE_VERSION}.",
                    "It was written by a newer version of the program.",
                    "Update the program.",
                )
            if version >= 1 and length <= _LONGEST_HEADER:
                text, check = self._read(length), self._read(_CRC.size)
                if len(check) == _CRC.size and _CRC.unpack(check)[0] == zlib.crc32(text):
                    return self._parse_header(version, text)
        raise self._bad_header()

    def _parse_header(self, version: int, text: bytes) -> CaptureHeader:
        try:
            header = json.loads(text)
            streams = tuple(
                CapturedStream(item.get("wheel"), item.get("address")) for item in header["streams"]
            )
            return CaptureHeader(
                version,
                str(header["program_version"]),
                str(header["started_utc"]),
                streams,
                dict(header["facts"]),
            )
        except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
            raise self._bad_header() from error

    def _bad_header(self) -> RecordingError:
        return RecordingError(
            f"The header of the recording {self.path} is damaged or cut.",
            "The file was cut short, or changed in a transfer.",
            "Copy or export it again.",
        )

    def _read_chunks(self) -> Generator[StoredChunk, None, None]:
        place = self._file.tell()
        good = damaged = 0
        last_was_damaged = False
        while True:
            head = self._read(_RECORD.size)
            if not head:
                self._notice(
                    f"The recording has no end mark: it was stopped while being written, after "
                    f"{good} chunks."
                )
                return
            stream, arrival_s, length = (
                _RECORD.unpack(head) if len(head) == _RECORD.size else (0, 0.0, LONGEST_CHUNK + 1)
            )
            rest = self._read(length + _CRC.size) if length <= LONGEST_CHUNK else b""
            if len(rest) != length + _CRC.size:
                self._notice(
                    f"The recording is cut or damaged from byte {place} on; "
                    f"{good} chunks before it were read."
                )
                return
            data = rest[:length]
            sound = _CRC.unpack(rest[length:])[0] == zlib.crc32(data, zlib.crc32(head))
            if not sound:
                damaged += 1
                if last_was_damaged:
                    self._notice(
                        f"The recording is damaged from byte {place} on; {good} chunks "
                        "before it were read."
                    )
                    return
                self._notice(f"The chunk at byte {place} is damaged and was left out.")
            elif stream == END_STREAM:
                self._check_end(data, good + damaged)
                return
            elif stream < len(self.header.streams):
                good += 1
                yield StoredChunk(stream, arrival_s, data)
            last_was_damaged = not sound
            place += len(head) + len(rest)

    def _check_end(self, data: bytes, found: int) -> None:
        if len(data) == _COUNT.size and _COUNT.unpack(data)[0] != found:
            self._notice(f"{_COUNT.unpack(data)[0]} chunks were written, {found} were found.")
        if self._read(1):
            self._notice("Bytes after the end of the recording were ignored.")

    def _notice(self, text: str) -> None:
        self.notices.append(text)


def _unreadable(path: Path, error: OSError) -> RecordingError:
    return RecordingError(
        f"The recording {path} cannot be read: {error.strerror or error}.",
        "The path is wrong, or this user lacks the permission.",
        "Check the path.",
    )


def read_capture(path: str | Path) -> CaptureReader:
    """Open a capture file and read its header.

    Returns
    -------
    CaptureReader
        Iterate over it for the chunks; look at `notices` after.

    Raises
    ------
    RecordingError
        If the file is missing, empty, not a capture file, of a newer version, or its header
        is damaged.
    """
    return CaptureReader(path)


def is_capture(path: str | Path) -> bool:
    """Return whether a file starts with a capture file's mark."""
    try:
        with Path(path).open("rb") as file:
            return file.read(len(MAGIC)) == MAGIC
    except OSError as error:
        raise _unreadable(Path(path), error) from error
