"""The figures of a job: each with before and after, target, verdict, budget, and what it rests on.

This is what the report, the comparison and the history are made of.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from knuckle.alignment.axle import THRUST_LINE
from knuckle.alignment.compare import (
    MATTERS_DEG,
    Difference,
    Standing,
    against_target,
    verdict_of,
)
from knuckle.alignment.pair import WheelbasePair, wheelbase_pair
from knuckle.alignment.shared import Part, combined
from knuckle.estimate.priors import Given
from knuckle.job.readings import OF_A_WHEEL, Reading
from knuckle.job.state import Entered, JobState, moves, round_words
from knuckle.model.car import Car, Target
from knuckle.model.result import Notice, Quantity, Result
from knuckle.model.wheel import Wheel


@dataclass(frozen=True, slots=True)
class Figure:
    """What a figure was in one round.

    Attributes
    ----------
    round : int
        0: before.
    result : Result
        Corrected; with budget.
    parts : tuple of Part
        The corrected readings that it is the sum of, with their weights and origins.
    readings : tuple of Reading
        The same readings, in the same order; none for what was measured by tape.
    standing : Standing or None
        Against the target; None without one.
    """

    round: int
    result: Result
    parts: tuple[Part, ...]
    readings: tuple[Reading, ...]
    standing: Standing | None

    @property
    def words(self) -> str:
        """The round's name."""
        return round_words(self.round)

    @property
    def runs(self) -> tuple[int, ...]:
        """The runs that it comes from."""
        return tuple(dict.fromkeys(run for reading in self.readings for run in reading.runs))

    @property
    def pads(self) -> tuple[int, ...]:
        """Sequences of the entries of pads by which it was corrected."""
        return _sorted(reading.pads for reading in self.readings)

    @property
    def strings(self) -> tuple[int, ...]:
        """Sequences of the entries of strings by which it was corrected."""
        return _sorted(reading.strings for reading in self.readings)

    @property
    def calibrations(self) -> tuple[Mapping[str, Any], ...]:
        """By which calibrations it was measured, as the runs' facts tell; each once."""
        found: list[Mapping[str, Any]] = []
        for reading in self.readings:
            if reading.calibration and reading.calibration not in found:
                found.append(reading.calibration)
        return tuple(found)

    @property
    def by_hand(self) -> bool:
        """Whether any of it was typed in."""
        return any(reading.by_hand for reading in self.readings)

    @property
    def warnings(self) -> tuple[Notice, ...]:
        """What was warned of in its readings; each once."""
        return tuple(dict.fromkeys(w for reading in self.readings for w in reading.warnings))


@dataclass(frozen=True, slots=True)
class Row:
    """One figure of the car through the job.

    Attributes
    ----------
    quantity : Quantity
    place : str
        "LF", "RF", "LR", "RR", "front", "rear" or "car".
    target : Target or None
    rounds : tuple of Figure
        One for each round in which it was read, or changed by a reading that it is made of.
    stale : bool
        Whether something that moves it was turned since it was last read.
    """

    quantity: Quantity
    place: str
    target: Target | None
    rounds: tuple[Figure, ...]
    stale: bool

    @property
    def before(self) -> Figure | None:
        """Before anything was turned."""
        return self.rounds[0] if self.rounds and self.rounds[0].round == 0 else None

    @property
    def after(self) -> Figure | None:
        """The newest of after something was turned."""
        return self.rounds[-1] if self.rounds and self.rounds[-1].round > 0 else None

    @property
    def now(self) -> Figure:
        """The newest."""
        return self.rounds[-1]

    @property
    def change(self) -> Result | None:
        """After less before; what both share has cancelled. None where there are not both."""
        if self.before is None or self.after is None:
            return None
        return change_between(self.before, self.after)

    @property
    def changed(self) -> Difference | None:
        """What that change says."""
        change = self.change
        return None if change is None else verdict_of(change, MATTERS_DEG.get(self.quantity))


def change_between(earlier: Figure, later: Figure) -> Result:
    """Return later less earlier; sources that both share cancel as far as their origins say.

    The figures may be of two jobs.

    Raises
    ------
    ValueError
        If they are of two quantities.
    """
    if earlier.result.quantity is not later.result.quantity:
        raise ValueError("two quantities cannot be compared")
    return combined(
        later.result.quantity,
        [
            *(Part(part.result, part.weight, part.origin) for part in later.parts),
            *(Part(part.result, -part.weight, part.origin) for part in earlier.parts),
        ],
        "difference",
    )


@dataclass(frozen=True, slots=True)
class _Made:
    """How a figure is made of readings: which wheels, which quantities, by which weights."""

    quantity: Quantity
    place: str
    of: tuple[tuple[Wheel, Quantity, float], ...]
    condition: str = ""


_PAIRS: Final = {"front": (Wheel.LF, Wheel.RF), "rear": (Wheel.LR, Wheel.RR)}
_CROSS: Final = {
    Quantity.CROSS_CAMBER: Quantity.CAMBER,
    Quantity.CROSS_CASTER: Quantity.CASTER,
    Quantity.CROSS_SAI: Quantity.SAI,
}


def _front_about_thrust(wheel: Wheel) -> _Made:
    """Toe against the thrust line: toe_LF + T and toe_RF - T, T = (toe_RR - toe_LR) / 2.

    As `knuckle.alignment.axle.about_thrust_line`, from the same parts.
    """
    half = 0.5 * wheel.side
    toe = Quantity.TOE
    return _Made(
        toe,
        wheel.value,
        ((wheel, toe, 1.0), (Wheel.RR, toe, half), (Wheel.LR, toe, -half)),
        THRUST_LINE,
    )


def _off_centre() -> _Made:
    """By how much the front wheels' mean heading lies to the left of the thrust line.

    As `knuckle.alignment.axle.Centred.off_centre`: with the steering wheel centred when it was
    read, driving straight it stands turned to the right by this times the steering ratio.
    """
    toe = Quantity.TOE
    headings = ((Wheel.RF, 0.5), (Wheel.LF, -0.5), (Wheel.RR, -0.5), (Wheel.LR, 0.5))
    return _Made(
        Quantity.FRONT_HEADING,
        "front",
        tuple((wheel, toe, weight) for wheel, weight in headings),
        THRUST_LINE,
    )


def _made() -> Iterator[tuple[_Made, ...]]:
    """Yield what a job's figures are; of several ways of making one, the first that there is."""
    for wheel in Wheel:
        for quantity in OF_A_WHEEL:
            alone = _Made(quantity, wheel.value, ((wheel, quantity, 1.0),))
            if quantity is Quantity.TOE and wheel.is_front:
                yield _front_about_thrust(wheel), alone
            else:
                yield (alone,)
        sum_of = ((wheel, Quantity.SAI, 1.0), (wheel, Quantity.CAMBER, 1.0))
        yield (_Made(Quantity.INCLUDED, wheel.value, sum_of),)
    for axle, (left, right) in _PAIRS.items():
        toe = Quantity.TOE
        yield (_Made(Quantity.TOTAL_TOE, axle, ((left, toe, 1.0), (right, toe, 1.0))),)
        if axle == "front":
            yield (_off_centre(),)
        if axle == "rear":
            yield (_Made(Quantity.THRUST, axle, ((left, toe, -0.5), (right, toe, 0.5))),)
        for cross, quantity in _CROSS.items():
            yield (_Made(cross, axle, ((left, quantity, 1.0), (right, quantity, -1.0))),)
        sums = tuple(
            (wheel, quantity, float(wheel.side))
            for wheel in (left, right)
            for quantity in (Quantity.SAI, Quantity.CAMBER)
        )
        yield (_Made(Quantity.CROSS_INCLUDED, axle, sums),)


def figures(state: JobState, readings: Sequence[Reading], car: Car) -> tuple[Row, ...]:
    """Return every figure that the readings of a job yield.

    A figure of several readings is made anew in each round in which one of them was read; the
    others are carried on from earlier rounds unless something was turned at their wheel since.

    Parameters
    ----------
    state : JobState
    readings : sequence of Reading
        `readings_of` the same state.
    car : Car
        For the targets.
    """
    rows = []
    last = max((reading.round for reading in readings), default=0)
    newest = {number: _newest(state, readings, number) for number in range(last + 1)}
    for ways in _made():
        target = _target(car, ways[0])
        # One way through the whole job, or before and after would not be of the same thing.
        every = (_rounds(made, newest, target) for made in ways)
        # As soon as the better way is there it counts: front toe is adjusted by it.
        found = max(every, key=lambda rounds: rounds[-1].round if rounds else -1)
        if found:
            stale = any(
                state.turned_at(reading.wheel.value, reading.sequence, reading.raw.quantity)
                for reading in found[-1].readings
            )
            rows.append(Row(ways[0].quantity, ways[0].place, target, found, stale))
    return (*rows, *_by_tape(state, car))


def wheelbases_of(entered: Entered, car: Car) -> WheelbasePair:
    """Return the wheelbases of an entry.

    Raises
    ------
    ValueError
        If the entry holds none.
    """
    left, right = (Given(*entered.record[side]) for side in ("left_mm", "right_mm"))
    return wheelbase_pair(left, right, car.track_front_mm)


def _by_tape(state: JobState, car: Car) -> Iterator[Row]:
    newest = {entered.round: entered for entered in state.wheelbases}
    if not newest:
        return
    found = {number: wheelbases_of(entered, car) for number, entered in newest.items()}
    for quantity in (Quantity.WHEELBASE_DIFFERENCE, Quantity.SETBACK):
        figures_of = []
        for number, pair in found.items():
            result = pair.setback if quantity is Quantity.SETBACK else pair.difference
            figures_of.append(Figure(number, result, (Part(result, 1.0),), (), None))
        yield Row(quantity, "car", None, tuple(figures_of), False)


_Newest = dict[tuple[Wheel, Quantity], Reading]


def _rounds(
    made: _Made, newest: Mapping[int, _Newest], target: Target | None
) -> tuple[Figure, ...]:
    every = (_figure(made, number, readings, target) for number, readings in newest.items())
    return tuple(figure for figure in every if figure is not None)


def _newest(state: JobState, readings: Sequence[Reading], number: int) -> _Newest:
    """Return the readings that hold in a round: its own, and earlier ones that still do."""
    end = max((r.sequence for r in readings if r.round <= number), default=-1)
    turned = [t for t in state.turned if t.sequence < end]
    found: _Newest = {}
    for reading in readings:
        if reading.round > number:
            continue
        at, taken = reading.wheel.value, reading.sequence
        if any(
            t.sequence > taken and t.record.get("wheel") == at and moves(t, reading.raw.quantity)
            for t in turned
        ):
            found.pop((reading.wheel, reading.raw.quantity), None)
        else:
            found[reading.wheel, reading.raw.quantity] = reading
    return found


def _figure(made: _Made, number: int, newest: _Newest, target: Target | None) -> Figure | None:
    used = [newest.get((wheel, quantity)) for wheel, quantity, _ in made.of]
    readings = [reading for reading in used if reading is not None]
    if len(readings) < len(used) or all(reading.round < number for reading in readings):
        return None
    parts = tuple(
        Part(reading.result, weight, reading.origin)
        for reading, (_, _, weight) in zip(readings, made.of, strict=True)
    )
    condition = made.condition or readings[0].result.condition
    alone = len(parts) == 1
    result = readings[0].result if alone else combined(made.quantity, parts, condition)
    standing = None if target is None else against_target(result, target)
    return Figure(number, result, parts, tuple(readings), standing)


def _target(car: Car, made: _Made) -> Target | None:
    if made.place in _PAIRS:
        return car.axle_targets.get((made.place, made.quantity.value))
    return car.corners[Wheel(made.place)].targets.get(made.quantity.value)


def _sorted(found: Iterator[int | None]) -> tuple[int, ...]:
    return tuple(sorted({number for number in found if number is not None}))
