"""Cars and jobs: what was done and answered in a job is appended, never changed."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from knuckle.errors import UsageError
from knuckle.store.faults import told
from knuckle.store.records import outcome_from_text, to_text
from knuckle.store.rows import CarRow, JobEntryRow, JobRow, JobRunRow, ResultRow

CLOSED: Final = "closed"
"""Kind of the entry that ends a job."""

JOBS: Final = (
    "SELECT job.id, job.car_id, car.name, job.begun_utc, job.facts, EXISTS (SELECT 1 FROM "
    "job_entry WHERE job_entry.kind = 'closed' AND job_entry.job_id = job.id) "
    "FROM job JOIN car ON car.id = job.car_id {where} ORDER BY job.id DESC LIMIT :limit"
)
"""The list of jobs; `{where}` stands for which."""

_AT_ONCE: Final = 500


class JobBook:
    """Cars and jobs of a store: `Store.jobs`.

    Parameters
    ----------
    connection : sqlite3.Connection
    path : Path
        Of the store, for what its errors say.
    transaction, stamp : callable
        The store's own.
    """

    def __init__(
        self,
        connection: sqlite3.Connection,
        path: Path,
        transaction: Callable[[], AbstractContextManager[None]],
        stamp: Callable[[datetime | None], str],
    ) -> None:
        self._db = connection
        self._path = path
        self._transaction = transaction
        self._stamp = stamp

    # Writing

    def keep_car(self, name: str, facts: Mapping[str, Any]) -> int:
        """Return the number of the car of that name; its facts are those given last."""
        with self._transaction():
            found = self._db.execute("SELECT id FROM car WHERE name = ?", (name,)).fetchone()
            text = to_text(dict(facts))
            if found is not None:
                number = int(found[0])
                self._db.execute("UPDATE car SET facts = ? WHERE id = ?", (text, number))
                return number
            made = self._db.execute(
                "INSERT INTO car (name, facts) VALUES (?, ?)", (name, text)
            ).lastrowid
        assert made is not None
        return made

    def begin(self, car_id: int, facts: Mapping[str, Any]) -> int:
        """Begin a job on a car; return its number.

        Parameters
        ----------
        facts : mapping
            `car`: its record as it is now; `car_file`, `car_digest`.
        """
        with self._transaction():
            number = self._db.execute(
                "INSERT INTO job (car_id, begun_utc, facts) VALUES (?, ?, ?)",
                (car_id, self._stamp(None), to_text(dict(facts))),
            ).lastrowid
        assert number is not None
        return number

    def add(
        self, job_id: int, phase: str, kind: str, record: Mapping[str, Any], run: int | None = None
    ) -> int:
        """Append an entry to a job; return its sequence. It is on the disk when this returns."""
        with self._transaction():
            last = self._db.execute(
                "SELECT max(sequence) FROM job_entry WHERE job_id = ?", (job_id,)
            ).fetchone()[0]
            sequence = 0 if last is None else int(last) + 1
            self._db.execute(
                "INSERT INTO job_entry (job_id, sequence, written_utc, phase, kind, run_id, "
                "record) VALUES (?, ?, ?, ?, ?, ?, ?)",
                (job_id, sequence, self._stamp(None), phase, kind, run, to_text(dict(record))),
            )
        return sequence

    # Reading

    def cars(self) -> list[CarRow]:
        """Return every car that is kept, by name."""
        with told(self._path):
            return [
                CarRow(number, name, json.loads(facts))
                for number, name, facts in self._db.execute(
                    "SELECT id, name, facts FROM car ORDER BY name"
                )
            ]

    def jobs(self, car_id: int | None = None, limit: int | None = None) -> list[JobRow]:
        """Return jobs, of one car or of all, newest first."""
        where = "" if car_id is None else "WHERE job.car_id = :car"
        return self._jobs(where, car=car_id, limit=-1 if limit is None else limit)

    def job(self, job_id: int) -> JobRow:
        """Return one job.

        Raises
        ------
        UsageError
            If there is no such job.
        """
        found = self._jobs("WHERE job.id = :job", job=job_id, limit=1)
        if not found:
            raise UsageError(
                f"There is no job {job_id} in the store.", "", "`knuckle align CAR` begins one."
            )
        return found[0]

    def open_job(self, car_id: int) -> JobRow | None:
        """Return the car's newest job if it is not closed."""
        newest = self.jobs(car_id, limit=1)
        return newest[0] if newest and not newest[0].closed else None

    def entries(self, job_id: int) -> tuple[JobEntryRow, ...]:
        """Return all that was entered in a job, in order."""
        with told(self._path):
            return tuple(
                JobEntryRow(sequence, written, phase, kind, run, json.loads(record))
                for sequence, written, phase, kind, run, record in self._db.execute(
                    "SELECT sequence, written_utc, phase, kind, run_id, record FROM job_entry "
                    "WHERE job_id = ? ORDER BY sequence",
                    (job_id,),
                )
            )

    def runs_without_entry(self, job_id: int) -> tuple[tuple[int, str, str], ...]:
        """Return number, kind and state of the job's runs that no entry tells of yet.

        A program that is killed after a run and before its entry leaves one.
        """
        with told(self._path):
            return tuple(
                (int(run), kind, state)
                for run, kind, state in self._db.execute(
                    "SELECT id, kind, state FROM run WHERE job_id = :job AND NOT EXISTS "
                    "(SELECT 1 FROM job_entry WHERE run_id = run.id AND job_id = :job) "
                    "ORDER BY id",
                    {"job": job_id},
                )
            )

    def runs(self, runs: Sequence[int]) -> dict[int, JobRunRow]:
        """Return what is known of some runs, with the last result of each of their wheels."""
        with told(self._path):
            heads = list(
                self._some(
                    "SELECT id, kind, state, started_utc, facts FROM run WHERE id IN ({})", runs
                )
            )
            pods: dict[int, dict[str, str]] = {run: {} for run in runs}
            for run, wheel, identity in self._some(
                "SELECT run_id, wheel, identity FROM stream WHERE run_id IN ({}) "
                "ORDER BY run_id, stream",
                runs,
            ):
                pods[run].setdefault(wheel or "", identity or "")
            latest: dict[int, dict[str, ResultRow]] = {run: {} for run in runs}
            for run, result, measured, program, method, record in self._some(
                "SELECT run_id, id, measured_utc, program_version, method, record FROM result "
                "JOIN outcome ON result_id = id WHERE run_id IN ({}) ORDER BY id",
                runs,
            ):
                outcome = outcome_from_text(record)
                latest[run][outcome.wheel] = ResultRow(result, measured, program, method, outcome)
        return {
            run: JobRunRow(
                run,
                kind,
                state,
                started,
                json.loads(facts),
                pods[run],
                tuple(latest[run].values()),
            )
            for run, kind, state, started, facts in heads
        }

    def _some(self, statement: str, runs: Sequence[int]) -> Iterator[Any]:
        """Select by many numbers, some at a time: a statement takes only so many."""
        for first in range(0, len(runs), _AT_ONCE):
            some = tuple(runs[first : first + _AT_ONCE])
            yield from self._db.execute(statement.format(", ".join("?" * len(some))), some)

    def _jobs(self, where: str, **values: int | None) -> list[JobRow]:
        with told(self._path):
            return [
                JobRow(job, car, name, begun, json.loads(facts), bool(closed))
                for job, car, name, begun, facts, closed in self._db.execute(
                    JOBS.format(where=where), values
                )
            ]
