"""What the store gives back: runs, streams, results and notes as plain data."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Any, NamedTuple

from knuckle.model.result import Outcome


class RunState(StrEnum):
    """How a run stands."""

    OPEN = "open"
    """A process is capturing it now."""
    FINISHED = "finished"
    INTERRUPTED = "interrupted"
    """Stopped by the user, or its process is gone; all that was captured is kept."""
    REFUSED = "refused"
    """Captured whole, but the readings did not support a result."""


class StoredChunk(NamedTuple):
    """Bytes as they arrived."""

    stream: int
    arrival_s: float
    data: bytes


@dataclass(frozen=True, slots=True)
class Figure:
    """A main figure of a run as a list shows it; the whole result is in its outcome."""

    wheel: str
    quantity: str
    value: float
    expanded_uncertainty: float
    unit: str


@dataclass(frozen=True, slots=True)
class StreamRow:
    """One pod's link in a run.

    Attributes
    ----------
    hello : dict or None
        What the pod said of itself (`records.hello_to_facts`); None until it spoke.
    first_arrival_s, last_arrival_s : float or None
        On the link's clock, in s; None if nothing came.
    """

    stream: int
    wheel: str | None
    address: str | None
    identity: str | None
    hello: dict[str, Any] | None
    chunk_count: int
    byte_count: int
    first_arrival_s: float | None
    last_arrival_s: float | None

    @property
    def duration_s(self) -> float:
        """Time from the first to the last arrival, in s."""
        if self.first_arrival_s is None or self.last_arrival_s is None:
            return 0.0
        return self.last_arrival_s - self.first_arrival_s


@dataclass(frozen=True, slots=True)
class NoteRow:
    """A note: written once, never changed."""

    written_utc: str
    text: str


@dataclass(frozen=True, slots=True)
class CalibrationRow:
    """A calibration as it was made; `record` names its own format and version."""

    calibration_id: int
    made_utc: str
    identity: str
    record: dict[str, Any]


@dataclass(frozen=True, slots=True)
class JobOf:
    """The job, and its car, that runs are made for."""

    job_id: int
    car_id: int


@dataclass(frozen=True, slots=True)
class CarRow:
    """A car that jobs are kept of; its name tells it from others."""

    car_id: int
    name: str
    facts: dict[str, Any]


@dataclass(frozen=True, slots=True)
class JobRow:
    """A job as it was begun.

    Attributes
    ----------
    facts : dict
        `car`: the car's record as it was then; `car_file`, `car_digest`.
    closed : bool
        Whether an entry has closed it.
    """

    job_id: int
    car_id: int
    car_name: str
    begun_utc: str
    facts: dict[str, Any]
    closed: bool


@dataclass(frozen=True, slots=True)
class JobEntryRow:
    """One thing done or answered in a job: written once, never changed.

    Attributes
    ----------
    sequence : int
        Counts in each job from 0.
    phase, kind : str
        docs/store.md lists them.
    run_id : int or None
        The run that it tells of.
    """

    sequence: int
    written_utc: str
    phase: str
    kind: str
    run_id: int | None
    record: dict[str, Any]


@dataclass(frozen=True, slots=True)
class ResultRow:
    """One outcome with what produced it. A run may hold several; the last of a wheel counts."""

    result_id: int
    measured_utc: str
    program_version: str
    method: str
    outcome: Outcome


@dataclass(frozen=True, slots=True)
class JobRunRow:
    """A run as a job reads it.

    Attributes
    ----------
    pods : dict of str to str
        Identities by the streams' wheels; "" where the pod goes from wheel to wheel, and for an
        identity that is not known.
    results : tuple of ResultRow
        The last of each wheel, in the order of their first ones.
    """

    run_id: int
    kind: str
    state: str
    started_utc: str
    facts: dict[str, Any]
    pods: dict[str, str]
    results: tuple[ResultRow, ...]

    @property
    def identity(self) -> str:
        """Of the first stream's pod; empty where it is not known."""
        return next(iter(self.pods.values()), "")

    def pod_at(self, wheel: str) -> str:
        """Return the identity of the pod that was on a wheel; empty where it is not known."""
        return self.pods.get(wheel, self.pods.get("", ""))


@dataclass(frozen=True, slots=True)
class RunSummary:
    """A run as a list shows it.

    Attributes
    ----------
    started_utc, ended_utc : str
        ISO 8601 with offset.
    wheels : tuple of str
        In the order of the streams.
    figures : tuple of Figure
        Of the last result of each wheel.
    refused_codes : tuple of str
        Of the last result of each wheel, where there is no result.
    note : str
        The last note, or empty.
    """

    run_id: int
    kind: str
    state: RunState
    started_utc: str
    ended_utc: str | None
    program_version: str
    wheels: tuple[str, ...]
    figures: tuple[Figure, ...]
    refused_codes: tuple[str, ...]
    warning_count: int
    note: str
    note_count: int


@dataclass(frozen=True, slots=True)
class RunDetail:
    """A run with all that is known of it, its raw bytes apart."""

    summary: RunSummary
    facts: dict[str, Any]
    streams: tuple[StreamRow, ...]
    results: tuple[ResultRow, ...]
    notes: tuple[NoteRow, ...]

    def latest(self) -> tuple[ResultRow, ...]:
        """Return the last result of each wheel, in the order of their first ones."""
        by_wheel: dict[str, ResultRow] = {}
        for row in self.results:
            by_wheel[row.outcome.wheel] = row
        return tuple(by_wheel.values())
