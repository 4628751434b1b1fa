"""The store: the database file that keeps every run, raw bytes first.

Chunks gather in memory and are committed at least once in each second of arrival time, so
that killing the program loses at most the last second. Everything else (results, notes, the
state of a run) is committed at once. docs/store.md describes the file.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import knuckle
from knuckle.errors import StoreError, UsageError
from knuckle.model.result import Outcome
from knuckle.store import queries
from knuckle.store.faults import told
from knuckle.store.jobs import JobBook
from knuckle.store.liveness import RunLock, clear_lock, is_live
from knuckle.store.location import resolve_store_path
from knuckle.store.opening import open_for_reading, open_for_writing
from knuckle.store.pending import PendingRun
from knuckle.store.records import hello_to_facts, to_text
from knuckle.store.rows import (
    CalibrationRow,
    JobOf,
    RunDetail,
    RunState,
    RunSummary,
    StoredChunk,
)
from knuckle.store.writes import insert_calibration, insert_note, insert_result
from knuckle.wire.messages import Hello


class Store:
    """The database file that keeps every run.

    Parameters
    ----------
    path : str or Path, optional
        The file, or a folder for it; the platform's folder for a user's data if absent.
    read_only : bool
        Open an existing store without writing to it.
    utc_now : callable
        Gives the date and time stamped on runs, results and notes.
    job : JobOf, optional
        Runs begun here belong to it.

    Attributes
    ----------
    path : Path
    jobs : JobBook
        Cars and jobs.
    backup : Path or None
        The copy made when the store was brought up from an older version just now.

    Raises
    ------
    StoreError
        If the file cannot be opened or is not a store of a known version.
    """

    def __init__(
        self,
        path: str | Path | None = None,
        *,
        read_only: bool = False,
        utc_now: Callable[[], datetime] = lambda: datetime.now(UTC),
        job: JobOf | None = None,
    ) -> None:
        self.path = resolve_store_path(path)
        self.backup: Path | None = None
        self._utc_now = utc_now
        self._job = job
        self._runs: dict[int, PendingRun] = {}
        with told(self.path):
            if read_only:
                self._db = open_for_reading(self.path, utc_now())
            else:
                self._db, self.backup = open_for_writing(self.path, utc_now())
                self._mark_abandoned_runs()
        self.jobs = JobBook(self._db, self.path, self._transaction, self._stamp)

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
        """Commit what is pending, mark runs still open as interrupted, close the file.

        Raises
        ------
        StoreError
            If the last commit fails; the file is closed all the same.
        """
        failed: StoreError | None = None
        for run, open_run in list(self._runs.items()):
            try:
                self.finish_run(run, RunState.INTERRUPTED)
            except StoreError as error:
                failed = failed or error
                open_run.lock.release()
        self._runs.clear()
        self._db.close()
        if failed is not None:
            raise failed

    # Capturing

    def begin_run(
        self,
        kind: str,
        wheels: Sequence[str | None],
        program_version: str = knuckle.__version__,
        facts: Mapping[str, Any] | None = None,
        *,
        addresses: Sequence[str | None] = (),
        started_utc: datetime | None = None,
    ) -> int:
        """Begin a run with one link stream for each wheel, and return its number.

        Parameters
        ----------
        kind : str
            "camber", "sweep", "watch" or another measurement's name.
        wheels : sequence of (str or None)
            Stream 0, 1, ...; None where the pod is on no wheel.
        facts : mapping, optional
            What else is known: scenario and seed, driver in the seat, brake, plates.
        addresses : sequence of (str or None), optional
            As the user gave them, in the order of the wheels.
        started_utc : datetime, optional
            The link's date and time; else this machine's.
        """
        with ExitStack() as undo:
            with self._transaction():
                run = self._db.execute(
                    "INSERT INTO run (kind, state, started_utc, program_version, facts, "
                    "job_id, car_id) VALUES (?, ?, ?, ?, ?, ?, ?)",
                    (
                        kind,
                        RunState.OPEN.value,
                        self._stamp(started_utc),
                        program_version,
                        to_text(dict(facts or {})),
                        None if self._job is None else self._job.job_id,
                        None if self._job is None else self._job.car_id,
                    ),
                ).lastrowid
                assert run is not None
                for stream, wheel in enumerate(wheels):
                    address = addresses[stream] if stream < len(addresses) else None
                    self._db.execute(
                        "INSERT INTO stream (run_id, stream, wheel, address) VALUES (?, ?, ?, ?)",
                        (run, stream, None if wheel is None else str(wheel), address),
                    )
                # Before the commit: whoever sees the run also sees that it is being captured.
                lock = RunLock(self.path, run)
                undo.callback(lock.release)
            undo.pop_all()
        self._runs[run] = PendingRun(lock)
        return run

    def describe_stream(
        self,
        run: int,
        stream: int,
        *,
        address: str | None = None,
        hello: Hello | None = None,
        identity: str | None = None,
    ) -> None:
        """Keep a stream's address and what its pod said of itself; None leaves as it was.

        Parameters
        ----------
        identity : str, optional
            Where it is not the hello's: given to the pod after it, or a text pod's `id`.
        """
        if identity is None and hello is not None and any(hello.identity):
            identity = hello.identity.hex()
        with self._transaction():
            self._db.execute(
                "UPDATE stream SET address = coalesce(?, address), "
                "identity = coalesce(?, identity), hello = coalesce(?, hello) "
                "WHERE run_id = ? AND stream = ?",
                (
                    address,
                    identity,
                    None if hello is None else to_text(hello_to_facts(hello)),
                    run,
                    stream,
                ),
            )

    def add_chunk(self, run: int, stream: int, arrival_s: float, data: bytes) -> None:
        """Take bytes as they arrived; commit once a second of arrival time is pending.

        Empty data is not kept; it tells that time went by.

        Raises
        ------
        StoreError
            If a commit fails. Nothing is dropped: what is pending stays so, and the next
            chunk or `commit` tries again.
        """
        if self._open_run(run).take(stream, arrival_s, data):
            self.commit(run)

    def commit(self, run: int) -> None:
        """Write what is pending of a run to the disk now."""
        open_run = self._open_run(run)
        if not open_run.chunks:
            return
        with self._transaction():
            open_run.write(self._db, run)
        open_run.written()

    def add_facts(self, run: int, facts: Mapping[str, Any]) -> None:
        """Commit what is pending of an open run, and add to what is known of it."""
        self.commit(run)
        with self._transaction():
            self._db.execute(
                "UPDATE run SET facts = json_patch(facts, ?) WHERE id = ?",
                (to_text(dict(facts)), run),
            )

    def pending(self, run: int) -> tuple[StoredChunk, ...]:
        """Return what is not yet committed, so that it can be saved elsewhere."""
        return tuple(self._open_run(run).chunks)

    def finish_run(
        self,
        run: int,
        state: RunState = RunState.FINISHED,
        *,
        facts: Mapping[str, Any] | None = None,
        ended_utc: datetime | None = None,
    ) -> None:
        """Commit what is pending and close the run with its final state.

        Parameters
        ----------
        facts : mapping, optional
            Added to those given at the beginning.
        """
        if state is RunState.OPEN:
            raise ValueError("a run cannot be finished as open")
        self.commit(run)
        with self._transaction():
            self._db.execute(
                "UPDATE run SET state = ?, ended_utc = ?, facts = json_patch(facts, ?) "
                "WHERE id = ?",
                (state.value, self._stamp(ended_utc), to_text(dict(facts or {})), run),
            )
        self._runs.pop(run).lock.release()

    # Adding to any run

    def add_result(
        self,
        run: int,
        outcome: Outcome,
        *,
        method: str,
        program_version: str = knuckle.__version__,
    ) -> int:
        """Append an outcome, refused ones too; earlier ones of the run are kept as they are.

        Parameters
        ----------
        method : str
            What computed it, with its version: name it so that a later one can be told apart.
        """
        self.run_exists(run)
        with self._transaction():
            return insert_result(
                self._db,
                run,
                outcome,
                method=method,
                program_version=program_version,
                measured_utc=self._stamp(),
            )

    def add_note(self, run: int, text: str) -> None:
        """Append a note to a run."""
        if not text.strip():
            raise UsageError("The note is empty.", "", "Write the text after the run's number.")
        self.run_exists(run)
        with self._transaction():
            insert_note(self._db, run, text.strip(), self._stamp())

    def add_calibration(self, identity: str, record: Mapping[str, Any]) -> int:
        """Append a calibration of a pod; earlier ones are kept. Returns its number."""
        with self._transaction():
            return insert_calibration(self._db, identity, record, self._stamp())

    # Reading

    def calibrations(self) -> list[CalibrationRow]:
        """Return all calibrations, newest first."""
        with told(self.path):
            return queries.kept_calibrations(self._db)

    def runs(self, limit: int | None = None) -> list[RunSummary]:
        """Return runs, newest first, without reading raw bytes."""
        with told(self.path):
            return queries.run_summaries(self._db, self._is_live, limit=limit)

    def run_count(self) -> int:
        """Return how many runs the store keeps."""
        with told(self.path):
            return int(self._db.execute("SELECT count(*) FROM run").fetchone()[0])

    def run(self, run: int) -> RunDetail:
        """Return all that is known of one run, its raw bytes apart.

        Raises
        ------
        UsageError
            If there is no such run.
        """
        with told(self.path):
            return queries.run_detail(self._db, self._is_live, run)

    def run_exists(self, run: int) -> None:
        """Raise `UsageError` unless there is such a run."""
        with told(self.path):
            if not self._db.execute("SELECT 1 FROM run WHERE id = ?", (run,)).fetchone():
                queries.run_detail(self._db, self._is_live, run)

    def chunks(self, run: int, stream: int | None = None) -> Iterator[StoredChunk]:
        """Yield the committed raw bytes of a run, or of one of its streams, as they came."""
        with told(self.path):
            yield from queries.stored_chunks(self._db, run, stream)

    # Inside

    def _mark_abandoned_runs(self) -> None:
        left = self._db.execute("SELECT id FROM run WHERE state = 'open'")
        dead = [run for (run,) in left.fetchall() if not is_live(self.path, run)]
        if not dead:
            return
        with self._transaction():
            self._db.executemany(
                "UPDATE run SET state = 'interrupted' WHERE id = ? AND state = 'open'",
                ((run,) for run in dead),
            )
        for run in dead:
            clear_lock(self.path, run)

    def _is_live(self, run: int) -> bool:
        return run in self._runs or is_live(self.path, run)

    def _open_run(self, run: int) -> PendingRun:
        if run not in self._runs:
            raise ValueError(f"run {run} was not begun here or is finished")
        return self._runs[run]

    def _stamp(self, moment: datetime | None = None) -> str:
        return (moment or self._utc_now()).isoformat(timespec="milliseconds")

    @contextmanager
    def _transaction(self) -> Iterator[None]:
        with told(self.path):
            self._db.execute("BEGIN IMMEDIATE")
            try:
                yield
                self._db.execute("COMMIT")
            except BaseException:
                if self._db.in_transaction:  # a full disk may have rolled back by itself
                    self._db.execute("ROLLBACK")
                raise
