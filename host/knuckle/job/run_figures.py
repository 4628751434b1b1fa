"""Figures of a job that one run tells by itself: toe-out on turns, camber gain, bump steer."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from knuckle.alignment.shared import Origin, Part
from knuckle.job.figures import Figure, Row
from knuckle.job.readings import Reading
from knuckle.job.state import JobState
from knuckle.model.result import Quantity, Result
from knuckle.model.wheel import Wheel
from knuckle.store.rows import JobRunRow

FRONT: Final = "front"
_BOTH_WAYS: Final = (Quantity.TURN_OUT_LEFT, Quantity.TURN_OUT_RIGHT)
_THROUGH_TRAVEL: Final = (Quantity.CAMBER_GAIN, Quantity.BUMP_STEER)


def rows_of_runs(state: JobState, runs: Mapping[int, JobRunRow]) -> tuple[Row, ...]:
    """Return toe-out on turns, to the left and to the right, and what travel does, by rounds.

    Pads and strings have no part in them. Two sweeps one after the other do not tell toe-out on
    turns: nothing says that the steering stood alike in both.
    """
    wanted = [(quantity, FRONT) for quantity in _BOTH_WAYS]
    wanted += [(quantity, wheel.value) for wheel in Wheel for quantity in _THROUGH_TRAVEL]
    rows = []
    for quantity, place in wanted:
        found: dict[int, Figure] = {}
        for entered in state.readings:
            run = runs.get(-1 if entered.entry.run_id is None else entered.entry.run_id)
            for row in () if run is None else run.results:
                result = row.outcome.results.get(quantity)
                if run is None or result is None or row.outcome.wheel != place:
                    continue
                origin = Origin(pod=f"run {run.run_id}")
                reading = Reading(
                    entered.sequence,
                    entered.round,
                    (run.run_id,),
                    Wheel.LF if place == FRONT else Wheel(place),
                    result,
                    result,
                    origin,
                    None,
                    None,
                    {},
                    bool(entered.record.get("by_hand", False)),
                    row.outcome.warnings,
                )
                found[entered.round] = Figure(
                    entered.round, result, (Part(result, 1.0, origin),), (reading,), None
                )
        if found:
            last = list(found.values())[-1].readings[0].sequence
            # What moves toe moves these too: arms and links then stand otherwise.
            wheels = ("LF", "RF") if place == FRONT else (place,)
            stale = any(state.turned_at(wheel, last, Quantity.TOE) for wheel in wheels)
            rows.append(Row(quantity, place, None, tuple(found.values()), stale))
    return tuple(rows)


def turn_out_now(rows: tuple[Row, ...]) -> dict[Quantity, Result]:
    """Return what holds now of it, among the figures of a job."""
    return {
        row.quantity: row.now.result for row in rows if row.quantity in _BOTH_WAYS and not row.stale
    }
