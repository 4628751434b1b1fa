"""Readings of a job, corrected: pads under camber, caster and inclination, strings beside toe."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

from knuckle.alignment.half_turn import half_turn
from knuckle.alignment.pads import Pads, on_these_pads, pads_of
from knuckle.alignment.shared import Origin
from knuckle.alignment.straightedge import Span, pads_by_straightedge
from knuckle.alignment.strings import Strings, Widths, against_car_line, strings_of
from knuckle.errors import KnuckleError
from knuckle.estimate.priors import Given
from knuckle.job.phases import Kind
from knuckle.job.state import Entered, JobState
from knuckle.model.car import Car
from knuckle.model.result import SWEPT, Notice, Outcome, Quantity, Result
from knuckle.model.wheel import Wheel
from knuckle.store.rows import JobRunRow

OF_A_WHEEL: Final = (*SWEPT, Quantity.TOE)
"""What is read at one wheel and corrected here."""


@dataclass(frozen=True, slots=True)
class Reading:
    """One reading of one figure at one wheel, corrected.

    Attributes
    ----------
    sequence : int
        Of its entry in the job.
    round : int
        0: before anything was turned.
    runs : tuple of int
    wheel : Wheel
    result : Result
        Against the pads and the car's line as far as these were entered.
    raw : Result
        As measured.
    origin : Origin
        What it shares with others.
    pads, strings : int or None
        Sequences of the entries by which it was corrected.
    calibration : dict
        As the run's facts tell it: `source`, `date`, ...
    by_hand : bool
    warnings : tuple of Notice
    """

    sequence: int
    round: int
    runs: tuple[int, ...]
    wheel: Wheel
    result: Result
    raw: Result
    origin: Origin
    pads: int | None
    strings: int | None
    calibration: Mapping[str, Any]
    by_hand: bool
    warnings: tuple[Notice, ...]


def lie_of_pads(entered: Entered, car: Car) -> Pads:
    """Return how the pads lie by an entry.

    Raises
    ------
    KnuckleError
        If its lengths cannot be.
    """
    record = entered.record
    measures = {
        "wheelbase_mm": car.wheelbase_mm,
        "track_front_mm": car.track_front_mm,
        "track_rear_mm": car.track_rear_mm,
    }
    if entered.entry.kind == Kind.SPANS:
        slopes = {Span(name): Given(*pair) for name, pair in record["deg"].items()}
        more = (
            {}
            if "straightness_mm" not in record
            else {"straightness_mm": float(record["straightness_mm"])}
        )
        return pads_by_straightedge(slopes, **measures, **more).pads
    heights = {Wheel(name): float(mm) for name, mm in record["mm"].items()}
    return pads_of(
        heights, float(record["u_mm"]), **measures, downwards=bool(record.get("downwards", False))
    )


def lie_of_strings(entered: Entered, car: Car) -> Strings:
    """Return how the strings lie by an entry.

    Raises
    ------
    KnuckleError
        If its lengths cannot be.
    """
    record = entered.record
    tracks, widths = record.get("tracks_mm"), record.get("widths_mm")
    return strings_of(
        {Wheel(name): float(mm) for name, mm in record["mm"].items()},
        wheelbase_mm=car.wheelbase_mm,
        tracks_mm=None if tracks is None else (Given(*tracks[0]), Given(*tracks[1])),
        widths=None if widths is None else Widths(**widths),
        offset_u_mm=float(record["u_mm"]),
        span_mm=record.get("span_mm"),
    )


def readings_of(
    state: JobState, runs: Mapping[int, JobRunRow], car: Car, job_id: int
) -> tuple[Reading, ...]:
    """Return every reading of a job, corrected, in order.

    Readings that were refused yield none. Two of toe in one round at rim positions half a turn
    apart become one, without the rim's runout, in place of the second.

    Parameters
    ----------
    state : JobState
    runs : dict of int to JobRunRow
        Those that `state.runs` names.
    car : Car
    job_id : int
    """
    lies = _Lies(state, car, job_id)
    every: list[Reading] = []
    alone: list[Reading] = []  # before they are joined with another rim position
    for entered in state.readings:
        run = runs.get(-1 if entered.entry.run_id is None else entered.entry.run_id)
        if run is None:
            continue
        for row in run.results:
            for reading in _of_outcome(entered, run, row.outcome, lies):
                every.append(_with_other_rim_position(reading, entered, alone, state, car))
                alone.append(reading)
    return tuple(every)


class _Lies:
    """Pads and strings by their entries, each computed once; None where they cannot be."""

    def __init__(self, state: JobState, car: Car, job_id: int) -> None:
        self.state = state
        self.job_id = job_id
        self.car = car
        self._pads: dict[int, Pads | None] = {}
        self._strings: dict[int, Strings | None] = {}
        self._hung = _hung(state)

    def hung(self, entered: Entered) -> str:
        """Return a name of how the strings hung at a reading though nobody measured them."""
        return f"job {self.job_id} strings hung {self._hung.get(entered.sequence, '')}"

    def pads(self, entered: Entered | None) -> Pads | None:
        if entered is None:
            return None
        if entered.sequence not in self._pads:
            try:
                self._pads[entered.sequence] = lie_of_pads(entered, self.car)
            except (KnuckleError, ValueError, KeyError, TypeError):
                self._pads[entered.sequence] = None
        return self._pads[entered.sequence]

    def strings(self, entered: Entered | None) -> Strings | None:
        if entered is None:
            return None
        if entered.sequence not in self._strings:
            try:
                self._strings[entered.sequence] = lie_of_strings(entered, self.car)
            except (KnuckleError, ValueError, KeyError, TypeError):
                self._strings[entered.sequence] = None
        return self._strings[entered.sequence]


def _of_outcome(
    entered: Entered, run: JobRunRow, outcome: Outcome, lies: _Lies
) -> Iterator[Reading]:
    if outcome.refused is not None or outcome.wheel not in set(Wheel):
        return
    wheel = Wheel(outcome.wheel)
    pads_entry, strings_entry = lies.state.pads_of(entered), lies.state.strings_of(entered)
    pads, strings = lies.pads(pads_entry), lies.strings(strings_entry)
    corrected = dict(outcome.results)
    if pads is not None:
        corrected = on_these_pads(corrected, pads, wheel)
    toe = corrected.get(Quantity.TOE)
    if toe is not None and strings is not None:
        corrected[Quantity.TOE] = against_car_line(toe, strings, wheel, _assumed_deg(run))
    origin = _origin(wheel, run, lies, pads_entry, strings_entry, strings)
    if strings_entry is None:
        origin = replace(origin, strings=lies.hung(entered))
    for quantity in OF_A_WHEEL:
        if quantity not in corrected:
            continue
        of_pads = pads is not None and quantity in SWEPT
        of_strings = strings is not None and quantity is Quantity.TOE
        yield Reading(
            entered.sequence,
            entered.round,
            (run.run_id,),
            wheel,
            corrected[quantity],
            outcome.results[quantity],
            origin,
            pads_entry.sequence if of_pads and pads_entry is not None else None,
            strings_entry.sequence if of_strings and strings_entry is not None else None,
            _fact_at(
                run.facts,
                "linear_calibration" if quantity is Quantity.TOE else "calibration",
                wheel,
            ),
            bool(entered.record.get("by_hand", False)),
            outcome.warnings,
        )


def _assumed_deg(run: JobRunRow) -> float:
    """Return the toe of the string that was given with the measurement, and is in it already."""
    given = run.facts.get("assumed", {}).get("values", {}).get("string_deg")
    return float(given["value"]) if isinstance(given, Mapping) else 0.0


def _origin(
    wheel: Wheel,
    run: JobRunRow,
    lies: _Lies,
    pads_entry: Entered | None,
    strings_entry: Entered | None,
    strings: Strings | None,
) -> Origin:
    facts = run.facts
    used = _fact_at(facts, "calibration", wheel)
    by = used.get("number") or used.get("date") or used.get("source", "")
    zero = _fact_at(facts, "zero", wheel)
    mount = _fact_at(facts, "mount", wheel)
    mount = mount if mount.get("mounting") else {}
    pod = run.pod_at(wheel.value)
    length = facts.get("assumed", {}).get("values", {}).get("length_mm")
    over = length.get("value") if isinstance(length, Mapping) else None
    job = f"job {lies.job_id}"
    return Origin(
        wheel=wheel,
        # What came of one run shares all of it, whoever the pod was.
        pod=f"{pod} {by}" if pod else f"run {run.run_id}",
        mounting=f"spin {mount.get('run')}" if mount else f"run {run.run_id}",
        # Without an entry it is still the same floor, as long as the job lasts.
        pads=f"{job} pads {'' if pads_entry is None else pads_entry.sequence}",
        strings="" if strings_entry is None else f"{job} strings {strings_entry.sequence}",
        rim="" if over is None else f"{job} rim {over}",
        # Two pods in one run: the steering was set straight once.
        straight_ahead=f"run {run.run_id}",
        # A zero that was found anew in between has an error of its own.
        reversal=f"{pod} reversal {zero['run']}" if zero.get("run") is not None else "",
        string_correlation=0.0 if strings is None else strings.correlation,
    )


def _hung(state: JobState) -> dict[int, int]:
    """Return, by reading, the reading since which the strings have hung as they do.

    They are hung anew where the car was rolled: for another rim position, or to settle it after
    an adjustment, which free slip plates make needless; and where their phase was gone through.
    """
    plates = state.answers.get("plates")
    rolled_to_settle = plates is None or not plates.record.get("done")
    found: dict[int, int] = {}
    since, last = -1, (-1, 0.0, 0)
    for entered in state.readings:
        rim_deg = _rim_deg(entered)
        at = last[1] if rim_deg is None else rim_deg
        passed = sum(place < entered.sequence for place in state.strings_passed)
        here = (entered.round if rolled_to_settle else 0, at, passed)
        if here != last:
            since, last = entered.sequence, here
        found[entered.sequence] = since
    return found


def _fact_at(facts: Mapping[str, Any], name: str, wheel: Wheel) -> Mapping[str, Any]:
    """Return a fact of a run: of one pod, or by wheel where there were several."""
    fact = facts.get(name)
    if isinstance(fact, Mapping) and isinstance(fact.get(wheel.value), Mapping):
        fact = fact[wheel.value]
    return fact if isinstance(fact, Mapping) else {}


def _with_other_rim_position(
    reading: Reading, entered: Entered, earlier: list[Reading], state: JobState, car: Car
) -> Reading:
    """Return the mean with the last reading half a turn of the wheel away, if there is one."""
    rim_deg = _rim_deg(entered)
    if reading.raw.quantity is not Quantity.TOE or rim_deg is None:
        return reading
    at = {each.sequence: each for each in state.readings}
    for other in reversed(earlier):
        if (
            other.raw.quantity is not Quantity.TOE
            or other.wheel is not reading.wheel
            or other.round != reading.round
        ):
            continue
        theirs = _rim_deg(at[other.sequence])
        if theirs is None or not math.isclose(abs(theirs - rim_deg) % 360.0, 180.0):
            continue
        mean = half_turn(other.result, reading.result, rim_mm=car.rim_mm).result
        return Reading(
            reading.sequence,
            reading.round,
            (*other.runs, *reading.runs),
            reading.wheel,
            mean,
            reading.raw,
            reading.origin,
            reading.pads,
            reading.strings,
            reading.calibration,
            reading.by_hand,
            tuple(dict.fromkeys((*other.warnings, *reading.warnings))),
        )
    return reading


def _rim_deg(entered: Entered) -> float | None:
    given = entered.record.get("rim_deg")
    return None if given is None else float(given)
