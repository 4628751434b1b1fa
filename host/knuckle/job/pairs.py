"""What the differences between left and right front wheel point to, from a job's figures."""

from __future__ import annotations

from knuckle.alignment.differences import read_differences
from knuckle.alignment.pair import SweptWheel, pair_of
from knuckle.job.book import JobView
from knuckle.job.figures import wheelbases_of
from knuckle.job.readings import Reading
from knuckle.job.run_figures import turn_out_now
from knuckle.model.result import SWEPT, Notice, Quantity, Result
from knuckle.model.wheel import Wheel


def pair_notices(view: JobView) -> tuple[Notice, ...]:
    """Return what left and right say of a bent or shifted part; empty where nothing is shown.

    The newest readings of the front wheels count. Camber that was read apart from a sweep is
    left out of the included angle: both come from one sweep.
    """
    left, right = (_swept(view, wheel) for wheel in (Wheel.LF, Wheel.RF))
    if left is None or right is None:
        return ()
    taped = view.state.wheelbases
    return read_differences(
        pair_of(left, right),
        turn_out=turn_out_now(view.figures),
        wheelbase=wheelbases_of(taped[-1], view.car) if taped else None,
    )


def _swept(view: JobView, wheel: Wheel) -> SweptWheel | None:
    own = [reading for reading in view.readings if reading.wheel is wheel]
    swept = [reading for reading in own if reading.raw.quantity is Quantity.SAI]
    chosen: dict[Quantity, Reading] = {}
    for reading in own:
        if not swept or reading.sequence == swept[-1].sequence:
            chosen[reading.raw.quantity] = reading
    results: dict[Quantity, Result] = {q: chosen[q].result for q in SWEPT if q in chosen}
    if not results:
        return None
    return SweptWheel(results, next(iter(chosen.values())).origin)
