"""Whole live sweeps of both front wheels on simulated pods, in pod time, for tests."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import Any

from flows.live_run import Heard
from knuckle.analysis.request import Request
from knuckle.links.schemes import open_link
from knuckle.links.sim import on_one_car
from knuckle.model.result import Outcome
from knuckle.model.wheel import Wheel
from knuckle.run.measurement import Report
from knuckle.run.measurement_pair import PairMeasurement, pair_measurement
from knuckle.run.method_rests import Task
from knuckle.store.database import Store

BOTH = (Wheel.LF, Wheel.RF)


@dataclass
class LivePair:
    """What came of a measurement."""

    report: Report
    heard: Heard
    links: dict[Wheel, Any]

    def outcome(self, wheel: str) -> Outcome:
        """Return one wheel's, or the pair's under "front"."""
        return next(each for each in self.report.outcomes if each.wheel == wheel)


def live_pair(
    folder: Path,
    left: str,
    right: str | None = None,
    *,
    sitting_on: tuple[Wheel, Wheel] = BOTH,
    heard: Heard | None = None,
    right_late_s: float = 0.0,
    stops: Callable[[Heard], bool] = lambda heard: False,
) -> LivePair:
    """Measure as fast as it goes; the store is ``folder/runs.sqlite3``.

    Parameters
    ----------
    sitting_on : tuple of Wheel
        Where the pods named as left and right truly are.
    right_late_s : float
        By how much later the right link's clock began, by what it says.
    stops : callable
        When to break the run off as Ctrl-C does, by what was heard.
    """
    addresses = dict(zip(BOTH, (left, right or left), strict=True))
    links: dict[Wheel, Any] = {
        wheel: open_link(addresses[wheel], wheel=true, purpose="sweep")
        for wheel, true in zip(BOTH, sitting_on, strict=True)
    }
    on_one_car(list(links.values()))
    zero = links[Wheel.LF].clock.utc(0.0)
    links[Wheel.RF].start_at(zero + timedelta(seconds=right_late_s))
    heard = heard or Heard()
    tasks = {wheel: Task("sweep", Request(wheel)) for wheel in BOTH}
    with Store(folder / "runs.sqlite3") as store:
        measurement = pair_measurement(tasks, links, heard, store, {"driver": "in"})
        report = asyncio.run(_broken_off(measurement, heard, stops))
    return LivePair(report, heard, links)


async def _broken_off(
    measurement: PairMeasurement, heard: Heard, stops: Callable[[Heard], bool]
) -> Report:
    task = asyncio.create_task(measurement.carry_out())
    while not task.done():
        await asyncio.sleep(0)
        if stops(heard):
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)
            assert measurement.report is not None
            return measurement.report
    return task.result()
