"""What all phases of `knuckle align` share: questions, entries, runs made for the job."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final, TypeVar

import typer

from knuckle.cli.answers import InputEnded, ask, say, told
from knuckle.cli.invocation import Invocation, invocation
from knuckle.errors import KnuckleError, UsageError
from knuckle.quantities import read_number

if TYPE_CHECKING:
    from pathlib import Path

    from knuckle.job.book import JobView
    from knuckle.job.phases import Phase
    from knuckle.store.rows import JobOf

T = TypeVar("T")

HELP: Final = (
    "At any question: Enter passes it over or takes what stands in brackets; `skip` skips the "
    "phase; `note TEXT` keeps a note; `status` shows how the job stands; `q` leaves. Everything "
    "entered is kept at once, and the same command goes on from there."
)
_UNIT_APART: Final = re.compile(r"(?<=[\d.])\s+(?=(?:mm|in|kPa|bar|psi|kg|lb|deg|min)\b)", re.I)


_OPTION: Final = re.compile(r"(?<![\w-])--[a-z][a-z-]+")
_OWN: Final = frozenset(
    {
        "--pod",
        "--left-pod",
        "--right-pod",
        "--plates",
        "--driver",
        "--linear-channel",
        "--linear-calibration",
        "--calibration",
        "--uncalibrated",
        "--out",
    }
)
"""Options of `knuckle align` that a measurement may speak of; --out stands in whole commands."""


class Leave(Exception):  # it is no error
    """The person leaves; the job stays as it is."""


class SkipPhase(Exception):  # it is no error
    """The phase is skipped."""


@dataclass(frozen=True)
class Options:
    """What was said on the command line.

    Attributes
    ----------
    pod : str or None
    plates : str or None
    driver : str or None
    calibration : Path or None
    uncalibrated : bool
    channel, linear_calibration : str or None
        Of the linear sensor that measures toe.
    pair : (str, str) or None
        Pods on LF and RF, for a sweep of both at once.
    """

    pod: str | None = None
    plates: str | None = None
    driver: str | None = None
    calibration: Path | None = None
    uncalibrated: bool = False
    channel: str | None = None
    linear_calibration: str | None = None
    pair: tuple[str, str] | None = None


class Lead:
    """One job being led.

    Parameters
    ----------
    ctx : typer.Context
    job : JobOf
    options : Options
    """

    def __init__(self, ctx: typer.Context, job: JobOf, options: Options) -> None:
        self.ctx = ctx
        self.job = job
        self.options = options
        self._here: Invocation = invocation(ctx)
        # Every measurement that is run from here on is the job's.
        ctx.obj = replace(self._here, job=job)

    @property
    def store(self) -> Path:
        """Where the job is kept."""
        return self._here.settings.store

    def view(self) -> JobView:
        """Return the job as it stands in the store now."""
        from knuckle.job.book import view_of
        from knuckle.store.database import Store

        with Store(self.store, read_only=True) as store:
            return view_of(store, self.job.job_id)

    def enter(self, phase: Phase, kind: str, record: Mapping[str, Any]) -> int:
        """Append an entry; it is on the disk when this returns."""
        from knuckle.store.database import Store

        with Store(self.store) as store:
            return store.jobs.add(self.job.job_id, phase.value, kind, record)

    def measure(self, command: Callable[[], int]) -> list[int]:
        """Carry out a measurement by its own command; return the runs that it has made.

        Whatever it raises is told, and the job goes on. Ctrl-C ends the measurement alone.
        """
        before = self._without_entry()
        try:
            command()
        except KnuckleError as error:
            told(error)
            lacking = _OPTION.findall(f"{error.what} {error.cause} {error.next_step}")
            if lacking := [name for name in dict.fromkeys(lacking) if name not in _OWN]:
                say(
                    f"{' and '.join(lacking)} belongs to the command that measures alone, not to "
                    "`knuckle align`.",
                    "    ",
                )
        except KeyboardInterrupt:
            say()
            say("Stopped before there was anything to measure from.")
        return [run for run in self._without_entry() if run not in before]

    def take_up(self, runs: Sequence[int], record: Mapping[str, Any]) -> None:
        """Enter runs as readings."""
        from knuckle.job.book import add_run
        from knuckle.store.database import Store

        with Store(self.store) as store:
            for run in runs:
                add_run(store, self.job.job_id, run, record)

    def _without_entry(self) -> list[int]:
        from knuckle.store.database import Store

        with Store(self.store) as store:
            return [run for run, _, _ in store.jobs.runs_without_entry(self.job.job_id)]

    def ask(self, question: str) -> str:
        """Ask; what holds at any question is seen to here.

        Raises
        ------
        Leave, SkipPhase
        """
        from knuckle.job.phases import Kind

        while True:
            try:
                line = ask(question)
            except InputEnded:
                raise Leave from None
            word, _, rest = line.partition(" ")
            word = word.lower()
            if word in ("q", "quit") and not rest:
                raise Leave
            if word == "skip" and not rest:
                raise SkipPhase
            if word == "note" and rest.strip():
                self.enter(self.view().state.next_phase, Kind.NOTE, {"text": rest.strip()})
                say("Kept.", "  ")
            elif word == "status" and not rest:
                from knuckle.cli.align_status import print_status

                print_status(self.view())
            elif line in ("?", "help"):
                say(HELP, "  ")
            else:
                return line

    def ask_for(self, question: str, read: Callable[[str], T]) -> T:
        """Ask until the answer can be read.

        Raises
        ------
        Leave, SkipPhase
        """
        while True:
            line = self.ask(question)
            try:
                return read(line)
            except UsageError as error:
                told(error)

    def yes(self, question: str, unless: bool) -> bool:
        """Ask for yes or no; Enter is `unless`."""

        def read(line: str) -> bool:
            if not line:
                return unless
            if line.lower() in ("y", "yes", "n", "no"):
                return line[0].lower() == "y"
            raise UsageError(f"{line!r} is neither yes nor no.", "", "Type y or n.")

        return self.ask_for(f"{question} ({'Y/n' if unless else 'y/N'})", read)


def words_of(line: str) -> list[str]:
    """Part a line into its words; a unit belongs to the number before it."""
    return _UNIT_APART.sub("", line.replace(";", " ")).split()


def at_wheels(line: str, read: Callable[[str], float]) -> dict[str, float]:
    """Read one number for each wheel: LF RF LR RR; two are front and rear, one is all.

    A unit that is typed once holds for those without one.

    Raises
    ------
    UsageError
        If there are others, or one cannot be read.
    """
    words = words_of(line)
    if len(words) not in (1, 2, 4):
        raise UsageError(
            f"{len(words)} numbers, where four are needed.",
            "",
            "Type those of LF RF LR RR, parted by spaces; two are front and rear, one is all.",
        )
    units = {unit for word in words if (unit := read_number(word).unit)}
    if len(units) == 1:
        words = [word if read_number(word).unit else f"{word}{min(units)}" for word in words]
    values = [read(word) for word in words]
    spread = {1: (0, 0, 0, 0), 2: (0, 0, 1, 1), 4: (0, 1, 2, 3)}[len(values)]
    return {wheel: values[at] for wheel, at in zip(("LF", "RF", "LR", "RR"), spread, strict=True)}


def value_and_u(line: str, read: Callable[[str], float], unless: float) -> list[float]:
    """Read a value with or without its uncertainty, `VALUE/U`; one sigma.

    Raises
    ------
    UsageError
        If it cannot be read, or the uncertainty is negative.
    """
    from knuckle.quantities import one_or_two

    value, u = one_or_two(line, read)
    if u is not None and u < 0.0:
        raise UsageError(f"The uncertainty cannot be negative: {line}.")
    return [value, unless if u is None else u]
