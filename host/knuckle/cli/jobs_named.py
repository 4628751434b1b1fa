"""Which job is meant: its number, `last`, or the car's name or file; and which round of it."""

from __future__ import annotations

from difflib import get_close_matches
from typing import TYPE_CHECKING, Annotated, Final

import typer

from knuckle.errors import KnuckleError, UsageError

if TYPE_CHECKING:
    from knuckle.job.beside import Times
    from knuckle.store.database import Store
    from knuckle.store.rows import CarRow, JobRow

ROUNDS: Final = ("before", "after", "now")
JobArgument = Annotated[
    str,
    typer.Argument(
        metavar="JOB",
        help="Number of the job, as `knuckle jobs` shows it; or last; or a car: its newest job.",
    ),
]


def car_named(store: Store, text: str) -> CarRow:
    """Return the kept car of a name, or of the car file of that name.

    Raises
    ------
    UsageError
        If no job was ever begun on it.
    """
    cars = store.jobs.cars()
    for car in cars:
        if car.name.casefold() == text.strip().casefold():
            return car
    from knuckle.car.file import path_of, read_car

    path = path_of(text)
    if path.exists():
        name = read_car(path).car.name
        for car in cars:
            if car.name == name:
                return car
    if not cars:
        raise UsageError(
            "The store keeps no cars yet.", "", "`knuckle align CAR` begins a job on one."
        )
    near = get_close_matches(text, [car.name for car in cars], 1)
    names = ", ".join(car.name for car in cars[:8])
    raise UsageError(
        f"No job was begun on a car {text!r}.",
        f"Cars in the store: {names}{', ...' if len(cars) > 8 else ''}.",
        f"Did you mean {near[0]!r}?" if near else "`knuckle jobs` lists them.",
    )


def job_named(store: Store, text: str) -> JobRow:
    """Return the job meant.

    Raises
    ------
    UsageError
        If there is none.
    """
    word = text.strip()
    if word.isascii() and word.isdigit() and len(word) <= 18:
        return store.jobs.job(int(word))
    if word.lower() == "last":
        found = store.jobs.jobs(limit=1)
        what = "The store keeps no jobs yet."
    else:
        car = car_named(store, word)
        found = store.jobs.jobs(car.car_id, limit=1)
        what = f"No job was begun on {car.name}."
    if not found:
        raise UsageError(what, "", "`knuckle align CAR` begins one.")
    return found[0]


def times_named(store: Store, text: str) -> Times:
    """Return the job and round meant: JOB, JOB:before, JOB:after.

    Raises
    ------
    UsageError
        If there is none of it.
    """
    from knuckle.job.beside import Times
    from knuckle.job.book import view_of

    name, colon, which = text.rpartition(":")
    if not colon or which.strip().lower() not in ROUNDS:
        if colon and name and (name.isdigit() or name.lower() == "last"):
            raise UsageError(
                f"{which!r} is no round of a job.", "", "Write JOB:before, JOB:after or JOB:now."
            )
        name, which = text, "now"
    job = job_named(store, name)
    try:
        view = view_of(store, job.job_id)
    except KnuckleError as error:
        raise UsageError(f"Job {job.job_id} cannot be read: {error.what}") from error
    return Times(view, store.jobs.entries(job.job_id), which.strip().lower())
