"""What a run being captured holds in memory until its next commit."""

from __future__ import annotations

import sqlite3
from typing import Final

from knuckle.store.liveness import RunLock
from knuckle.store.rows import StoredChunk

COMMIT_EVERY_S: Final = 0.8
"""With a link's promise to speak up every 0.1 s this keeps the loss below one second."""


class PendingRun:
    """A run's lock and the chunks that are not yet committed.

    Attributes
    ----------
    lock : RunLock
    chunks : list of StoredChunk
        Not yet committed, in the order of arrival.
    """

    def __init__(self, lock: RunLock) -> None:
        self.lock = lock
        self.chunks: list[StoredChunk] = []
        self._first_sequence = 0
        self._oldest_s: dict[int, float] = {}

    def take(self, stream: int, arrival_s: float, data: bytes) -> bool:
        """Keep a chunk; return whether a commit is due.

        Due is what has waited `COMMIT_EVERY_S` of arrival time. Each stream is judged by its
        own clock. A clock that went back (a link opened anew) is no reason to wait longer.
        """
        if data:
            self.chunks.append(StoredChunk(stream, arrival_s, bytes(data)))
            self._oldest_s.setdefault(stream, arrival_s)
        oldest_s = self._oldest_s.get(stream)
        return oldest_s is not None and not 0.0 <= arrival_s - oldest_s < COMMIT_EVERY_S

    def write(self, db: sqlite3.Connection, run: int) -> None:
        """Insert the chunks, inside the caller's transaction."""
        db.executemany(
            "INSERT INTO chunk (run_id, sequence, stream, arrival_s, data) VALUES (?, ?, ?, ?, ?)",
            (
                (run, sequence, *chunk)
                for sequence, chunk in enumerate(self.chunks, self._first_sequence)
            ),
        )
        by_stream: dict[int, list[StoredChunk]] = {}
        for chunk in self.chunks:
            by_stream.setdefault(chunk.stream, []).append(chunk)
        db.executemany(
            "UPDATE stream SET chunk_count = chunk_count + ?, byte_count = byte_count + ?, "
            "first_arrival_s = coalesce(first_arrival_s, ?), last_arrival_s = ? "
            "WHERE run_id = ? AND stream = ?",
            (
                (
                    len(chunks),
                    sum(len(chunk.data) for chunk in chunks),
                    chunks[0].arrival_s,
                    chunks[-1].arrival_s,
                    run,
                    stream,
                )
                for stream, chunks in by_stream.items()
            ),
        )

    def written(self) -> None:
        """Forget the chunks: they are committed."""
        self._first_sequence += len(self.chunks)
        self.chunks.clear()
        self._oldest_s.clear()
