"""Toe-out on turns as a figure of a job: from sweeps of both front wheels at once."""

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


def turn_out_rows(state: JobState, runs: Mapping[int, JobRunRow]) -> tuple[Row, ...]:
    """Return toe-out on turns, to the left and to the right, by rounds.

    Pads and strings have no part in it. Two sweeps one after the other do not tell it: nothing
    says that the steering stood alike in both.
    """
    rows = []
    for quantity in _BOTH_WAYS:
        found: dict[int, Figure] = {}
        for entered in state.readings:
            run = runs.get(-1 if entered.entry.run_id is None else entered.entry.run_id)
            for row in () if run is None else run.results:
                result = row.outcome.results.get(quantity)
                if run is None or result is None or row.outcome.wheel != FRONT:
                    continue
                origin = Origin(pod=f"run {run.run_id}")
                reading = Reading(
                    entered.sequence,
                    entered.round,
                    (run.run_id,),
                    Wheel.LF,
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
            # What moves toe moves it too: the arms then stand otherwise at straight ahead.
            stale = any(state.turned_at(wheel, last, Quantity.TOE) for wheel in ("LF", "RF"))
            rows.append(Row(quantity, FRONT, None, tuple(found.values()), stale))
    return tuple(rows)


def turn_out_now(rows: tuple[Row, ...]) -> dict[Quantity, Result]:
    """Return what holds now of it, among the figures of a job."""
    return {
        row.quantity: row.now.result for row in rows if row.quantity in _BOTH_WAYS and not row.stale
    }
