"""A job in the store: begun or gone on with, added to, read back as state and figures."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from knuckle.car.file import CarFile, kept_car
from knuckle.job.figures import Row, figures
from knuckle.job.phases import Kind, Phase
from knuckle.job.readings import Reading, readings_of
from knuckle.job.run_figures import rows_of_runs
from knuckle.job.state import JobState, fold
from knuckle.model.car import Car
from knuckle.store.database import Store
from knuckle.store.rows import JobOf, JobRow, JobRunRow

MEASURES: Final = ("camber", "sweep", "toe", "typed", "travel")
"""Kinds of runs that are readings of a job."""


@dataclass(frozen=True)
class JobView:
    """A job as it stands.

    Attributes
    ----------
    row : JobRow
    car : Car
        As it was when the job was begun, or as its file was read anew since.
    document : dict
        The tables of that file, in the units in which it was written.
    digest : str
        SHA-256 of that file.
    state : JobState
    runs : dict of int to JobRunRow
    readings : tuple of Reading
    figures : tuple of Row
    """

    row: JobRow
    car: Car
    document: Mapping[str, Any]
    digest: str
    state: JobState
    runs: Mapping[int, JobRunRow]
    readings: tuple[Reading, ...]
    figures: tuple[Row, ...]

    @property
    def of(self) -> JobOf:
        """What runs that belong to it are marked with."""
        return JobOf(self.row.job_id, self.row.car_id)


def car_facts(file: CarFile) -> dict[str, Any]:
    """Return a car file as a job keeps it."""
    return {
        "car": file.document,
        "car_file": str(file.path.absolute()),
        "car_digest": file.digest,
    }


def open_or_begin(store: Store, file: CarFile, *, anew: bool = False) -> tuple[int, bool]:
    """Return the number of the car's open job, and whether it was begun just now.

    Parameters
    ----------
    store : Store
        Open for writing.
    file : CarFile
    anew : bool
        Begin another though one is open; that one stays as it is.
    """
    car_id = store.jobs.keep_car(file.car.name, {"file": str(file.path.absolute())})
    found = None if anew else store.jobs.open_job(car_id)
    if found is not None:
        take_up_runs(store, found.job_id)
        return found.job_id, False
    return store.jobs.begin(car_id, car_facts(file)), True


def take_up_runs(store: Store, job_id: int) -> list[int]:
    """Enter runs of the job that no entry tells of yet, and return them.

    Their program was killed between the end of the run and its entry, or in the midst of it.
    """
    taken = []
    for run, kind, state in store.jobs.runs_without_entry(job_id):
        if kind not in MEASURES or state == "open":
            continue
        add_run(store, job_id, run, {"taken_up": True})
        taken.append(run)
    return taken


def add_run(store: Store, job_id: int, run: int, record: Mapping[str, Any]) -> None:
    """Enter a run as a reading, in the phase that the job is in."""
    state = fold(store.jobs.entries(job_id))
    later = state.turned_since or state.round > 0
    phase = Phase.REREAD if later else Phase.READINGS
    store.jobs.add(job_id, phase, Kind.RUN, record, run)


def view_of(store: Store, job_id: int) -> JobView:
    """Return a job as it stands.

    Raises
    ------
    UsageError
        If there is no such job.
    """
    row = store.jobs.job(job_id)
    state = fold(store.jobs.entries(job_id))
    facts = row.facts if state.car is None else state.car.record
    car = kept_car(facts["car"])
    runs = store.jobs.runs(state.runs)
    readings = readings_of(state, runs, car, job_id)
    return JobView(
        row,
        car,
        facts["car"],
        str(facts.get("car_digest", "")),
        state,
        runs,
        readings,
        (*figures(state, readings, car), *rows_of_runs(state, runs)),
    )
