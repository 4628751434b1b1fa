"""A recording as a link: a raw capture or a CSV log, replayed at any speed."""

from __future__ import annotations

import itertools
from collections.abc import AsyncGenerator, Iterator
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from knuckle.errors import LinkError, LinkNotFound, LinkPermission, LinkWrongDevice, RecordingError
from knuckle.links.address import Address, read_options, speed, whole_number
from knuckle.links.clocks import DrivenClock
from knuckle.links.contract import LONGEST_SILENCE_S, Chunk, Clock
from knuckle.links.csvlog import csv_chunks
from knuckle.model.wheel import Wheel


def _stream(typed: str) -> int:
    """Read the number of a stream, which for people counts from 1."""
    number = whole_number(typed)
    if number < 1:
        raise ValueError("streams count from 1")
    return number - 1


class FileLink:
    """A recorded file, its chunks at the times at which they arrived.

    What is written to it goes nowhere: the pod's answers are in the recording.

    Parameters
    ----------
    path : str or Path
        A raw capture, or a CSV log with header.
    speed : float
        0 as fast as possible, 1 as recorded.
    stream : int, optional
        Which of a capture's streams, from 0. If not given: the one of `wheel`, else the only one.
    wheel : Wheel, optional
        Whose stream to take.
    """

    reconnects = False

    def __init__(
        self,
        path: str | Path,
        *,
        speed: float = 0.0,
        stream: int | None = None,
        wheel: Wheel | None = None,
    ) -> None:
        self.path = Path(path)
        self.address = f"file:{path}"
        self.stream = stream
        self.notices: list[str] = []
        self._wheel = wheel
        self._drive = DrivenClock(None, speed)
        self.clock: Clock = self._drive
        self._chunks: Iterator[Chunk] = iter(())
        self._reader: Any = None
        self._kind = "recording"

    @classmethod
    def from_address(
        cls, address: Address, *, wheel: Wheel | None, purpose: str, **options: Any
    ) -> FileLink:
        """Return the link for ``file:NAME?speed=1&stream=1``; streams count from 1.

        Raises
        ------
        UsageError
            If an option is unknown or cannot be read.
        """
        readers = {"speed": speed, "stream": _stream}
        return cls(address.place, wheel=wheel, **read_options(address, readers, options))

    async def __aenter__(self) -> Self:
        try:
            start_utc = self._open()
            first = next(self._chunks, None)
        except FileNotFoundError as error:
            raise self._no_file() from error
        except IsADirectoryError as error:
            raise LinkNotFound(
                f"{self.path} is a folder.", next_step="Name a recording in it."
            ) from error
        except PermissionError as error:
            raise LinkPermission(
                f"The system does not let you read {self.path}.",
                next_step="Change the file's permissions or copy it.",
            ) from error
        except RecordingError as error:
            raise LinkWrongDevice(error.what, error.cause, error.next_step) from error
        except OSError as error:
            raise LinkError(
                f"The recording {self.path} cannot be read.", f"The system says: {error}."
            ) from error
        self._drive.start_at(start_utc)
        if first is not None:
            self._chunks = itertools.chain([first], self._chunks)
            self._drive.jump_to(first.arrival_s)
        self._drive.driven = True
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._drive.hand_over()
        if self._reader is not None:
            self._reader.close()
            self._reader = None
        self._chunks = iter(())

    async def chunks(self) -> AsyncGenerator[Chunk, None]:
        """Yield the recording's chunks, and empty ones in its pauses.

        Raises
        ------
        LinkError
            If the file cannot be read on.
        """
        while True:
            try:
                chunk = next(self._chunks, None)
            except (RecordingError, OSError) as error:
                raise LinkError(f"The recording {self.path} cannot be read on: {error}") from error
            if chunk is None:
                return
            while chunk.arrival_s - self.clock.now_s() > LONGEST_SILENCE_S:
                await self._drive.pass_time(self.clock.now_s() + LONGEST_SILENCE_S)
                yield Chunk(self.clock.now_s(), b"")
            await self._drive.pass_time(chunk.arrival_s)
            yield chunk

    async def write(self, data: bytes) -> None:
        """Do nothing: a recording takes no commands."""

    def pass_over(self) -> None:
        """Do nothing: there is only this file."""

    def description(self) -> str:
        """Return name, kind and size."""
        size = f", {self.path.stat().st_size} bytes" if self.path.is_file() else ""
        return f"{self._kind} {self.path.name}{size}"

    def _open(self) -> datetime | None:
        from knuckle.store.capture import is_capture, read_capture

        with self.path.open("rb"):
            pass  # so that a missing file is told apart from a bad one
        if not is_capture(self.path):
            self._kind = "CSV log"
            self._reader = chunks = csv_chunks(self.path)
            self._chunks = chunks
            return None
        self._kind = "raw capture"
        reader = read_capture(self.path)
        self._reader = reader
        self.notices = reader.notices
        wheels = [stream.wheel for stream in reader.header.streams]
        wanted = self._choose(wheels)
        self.stream = wanted
        self._chunks = (
            Chunk(chunk.arrival_s, chunk.data) for chunk in reader if chunk.stream == wanted
        )
        try:
            return datetime.fromisoformat(reader.header.started_utc)
        except ValueError:
            return None

    def _choose(self, wheels: list[str | None]) -> int:
        """Return which stream of a capture to replay."""
        if self.stream is not None and self.stream < len(wheels):
            return self.stream
        if self.stream is None:
            if self._wheel is not None and self._wheel.value in wheels:
                return wheels.index(self._wheel.value)
            if len(wheels) == 1:
                return 0
        there = ", ".join(f"{number} ({wheel or '?'})" for number, wheel in enumerate(wheels, 1))
        asked = "has several streams" if self.stream is None else f"has no stream {self.stream + 1}"
        raise LinkNotFound(
            f"The capture {self.path.name} {asked}.",
            f"It holds: {there}.",
            f"Name one: 'file:{self.path}?stream=1'.",
        )

    def _no_file(self) -> LinkNotFound:
        folder = self.path.parent
        others = (
            sorted(p.name for p in folder.iterdir() if p.suffix in (".kncap", ".csv"))[:5]
            if folder.is_dir()
            else []
        )
        found = f"Recordings in that folder: {', '.join(others)}." if others else ""
        return LinkNotFound(f"There is no file {self.path}.", found, "Check the name.")
