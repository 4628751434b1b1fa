"""How a job stands: a fold over its entries, which reads nothing else."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final

from knuckle.alignment.adjusters import Kind as AdjusterKind
from knuckle.alignment.effects import MOVES
from knuckle.job.phases import CHECKLIST, Kind, Mark, Phase
from knuckle.model.result import Quantity
from knuckle.store.rows import JobEntryRow

BEFORE: Final = "before"
LEAST_SPANS: Final = 3
"""Of a straightedge: fewer do not tell how four pads lie."""


@dataclass(frozen=True, slots=True)
class Entered:
    """An entry with the round in which it was made.

    Attributes
    ----------
    round : int
        0 before anything was turned; one more with the first reading after each turning.
    entry : JobEntryRow
    """

    round: int
    entry: JobEntryRow

    @property
    def sequence(self) -> int:
        """Its place in the job."""
        return self.entry.sequence

    @property
    def record(self) -> dict[str, Any]:
        """What it tells."""
        return self.entry.record


@dataclass(frozen=True, slots=True)
class JobState:
    """How a job stands.

    Attributes
    ----------
    answers : dict of str to Entered
        The last answer to each item of the checklist.
    pads, strings, readings, wheelbases, advice, turned, notes : tuple of Entered
        All of each kind, in order.
    car : Entered or None
        The car file as read anew, last.
    ended : dict of Phase to Kind
        Phases that were finished or skipped in so many words, and not taken up since.
    round : int
        Of the last reading.
    turned_since : bool
        Whether something was turned since then.
    spans : Entered or None
        A straightedge on the pads, read on fewer than three spans so far.
    strings_passed : tuple of int
        Where the strings' phase was skipped: they hang from then on, and nobody measured them.
    closed : bool
    """

    answers: Mapping[str, Entered] = field(default_factory=dict)
    pads: tuple[Entered, ...] = ()
    strings: tuple[Entered, ...] = ()
    readings: tuple[Entered, ...] = ()
    wheelbases: tuple[Entered, ...] = ()
    advice: tuple[Entered, ...] = ()
    turned: tuple[Entered, ...] = ()
    notes: tuple[Entered, ...] = ()
    car: Entered | None = None
    spans: Entered | None = None
    ended: Mapping[Phase, Kind] = field(default_factory=dict)
    round: int = 0
    turned_since: bool = False
    strings_passed: tuple[int, ...] = ()
    closed: bool = False

    @property
    def runs(self) -> tuple[int, ...]:
        """The runs that the readings name, each once, in order."""
        named = (entered.entry.run_id for entered in self.readings)
        return tuple(dict.fromkeys(run for run in named if run is not None))

    @property
    def round_words(self) -> str:
        """The round of the next reading, in words."""
        return round_words(self.round + self.turned_since)

    def mark(self, phase: Phase) -> Mark:
        """Return how a phase stands."""
        said = self.ended.get(phase)
        if said is Kind.SKIPPED:
            return Mark.SKIPPED
        if said is Kind.FINISHED:
            return Mark.DONE
        return self._by_what_was_done(phase)

    def _by_what_was_done(self, phase: Phase) -> Mark:
        if phase is Phase.PREPARATION:
            answered = sum(item.name in self.answers for item in CHECKLIST)
            if answered == len(CHECKLIST):
                return Mark.DONE
            return Mark.BEGUN if answered else Mark.TO_DO
        if phase is Phase.CLOSE:
            return Mark.DONE if self.closed else Mark.TO_DO
        done = {
            Phase.PADS: bool(self.pads),
            Phase.STRINGS: bool(self.strings),
            Phase.ADJUST: bool(self.turned),
            Phase.READINGS: False,
            Phase.REREAD: False,
        }
        if done[phase]:
            return Mark.DONE
        begun = {
            Phase.READINGS: any(entered.round == 0 for entered in self.readings),
            Phase.REREAD: self.round > 0 and not self.turned_since,
            Phase.ADJUST: bool(self.advice),
            Phase.PADS: self.spans is not None,
        }
        return Mark.BEGUN if begun.get(phase) else Mark.TO_DO

    @property
    def next_phase(self) -> Phase:
        """The phase to go on with."""
        for phase in (Phase.PREPARATION, Phase.PADS, Phase.STRINGS, Phase.READINGS):
            if self.mark(phase) in (Mark.TO_DO, Mark.BEGUN):
                return phase
        if self.turned_since:
            return Phase.REREAD
        if self.mark(Phase.REREAD) is Mark.BEGUN:
            return Phase.REREAD
        if self.mark(Phase.ADJUST) in (Mark.TO_DO, Mark.BEGUN):
            return Phase.ADJUST
        return Phase.CLOSE

    def pads_of(self, reading: Entered) -> Entered | None:
        """Return the pads under a reading: entered last before it, else first after it."""
        return _in_force(self.pads, reading)

    def strings_of(self, reading: Entered) -> Entered | None:
        """Return the strings beside a reading, likewise."""
        return _in_force(self.strings, reading)

    def turned_at(self, wheel: str, after: int, quantity: Quantity) -> bool:
        """Return whether what moves a figure was turned at a wheel after an entry's place."""
        return any(
            t.sequence > after and t.record.get("wheel") == wheel and moves(t, quantity)
            for t in self.turned
        )


def moves(turned: Entered, quantity: Quantity) -> bool:
    """Return whether what was turned moves a figure of its wheel; so it does if not known."""
    name = turned.record.get("adjuster")
    kind = next((each for each in AdjusterKind if each.value == name), None)
    return kind is None or quantity in MOVES[kind]


def round_words(number: int) -> str:
    """Return a round's name."""
    return BEFORE if number == 0 else f"after {number}"


def fold(entries: Iterable[JobEntryRow]) -> JobState:
    """Return the state that entries lead to, in their order.

    Kinds that are not known, of a newer program, are passed over.
    """
    state = JobState()
    for entry in entries:
        state = _next(state, entry)
    return state


def _next(state: JobState, entry: JobEntryRow) -> JobState:
    if entry.kind not in set(Kind) or entry.phase not in set(Phase):
        return state
    kind, phase = Kind(entry.kind), Phase(entry.phase)
    if kind is Kind.CLOSED:
        return replace(state, closed=True)
    if kind in (Kind.FINISHED, Kind.SKIPPED):
        if kind is Kind.SKIPPED and phase is Phase.STRINGS:
            passed = (*state.strings_passed, entry.sequence)
            state = replace(state, strings_passed=passed)
        return replace(state, ended={**state.ended, phase: kind})
    here = Entered(state.round, entry)
    if kind is Kind.CAR:
        return replace(state, car=here)
    if kind is not Kind.NOTE:  # whatever was ended is taken up again
        state = replace(state, ended={p: k for p, k in state.ended.items() if p is not phase})
    if kind is Kind.ANSWER:
        return replace(state, answers={**state.answers, str(entry.record.get("item")): here})
    if kind is Kind.RUN:
        number = state.round + state.turned_since
        ended = dict(state.ended)
        if state.turned_since:
            ended.pop(Phase.REREAD, None)
        return replace(
            state,
            readings=(*state.readings, Entered(number, entry)),
            round=number,
            turned_since=False,
            ended=ended,
        )
    if kind is Kind.TURNED:
        ended = {p: k for p, k in state.ended.items() if p is not Phase.REREAD}
        return replace(state, turned=(*state.turned, here), turned_since=True, ended=ended)
    if kind is Kind.SPANS and len(entry.record.get("deg", ())) < LEAST_SPANS:
        return replace(state, spans=here)
    if kind in (Kind.HEIGHTS, Kind.SPANS):
        return replace(state, pads=(*state.pads, here), spans=None)
    if kind is Kind.OFFSETS:
        return replace(state, strings=(*state.strings, here))
    if kind is Kind.WHEELBASES:
        number = state.round + state.turned_since
        return replace(state, wheelbases=(*state.wheelbases, Entered(number, entry)))
    if kind is Kind.ADVICE:
        return replace(state, advice=(*state.advice, here))
    return replace(state, notes=(*state.notes, here))


def _in_force(entered: Sequence[Entered], reading: Entered) -> Entered | None:
    before = [each for each in entered if each.sequence < reading.sequence]
    return before[-1] if before else entered[0] if entered else None
