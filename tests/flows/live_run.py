"""Whole live measurements on simulated pods, in pod time, for tests."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from knuckle.analysis.request import Request
from knuckle.links.schemes import open_link
from knuckle.model.wheel import Wheel
from knuckle.run.camber import camber_measurement
from knuckle.run.measurement import Measurement, Report
from knuckle.run.method_rests import Task
from knuckle.run.sweep import sweep_measurement
from knuckle.run.view import LiveView
from knuckle.sim.pod import SimulatedPod
from knuckle.store.database import Store
from knuckle.wire.messages import Cue


@dataclass
class Heard:
    """A view that only keeps what it is told."""

    cues: list[Cue] = field(default_factory=list)
    lines: list[str] = field(default_factory=list)
    words: list[str] = field(default_factory=list)
    moments: list[LiveView] = field(default_factory=list)

    def show(self, live: LiveView) -> None:
        self.moments.append(live)
        if not self.words or self.words[-1] != live.guidance.words:
            self.words.append(live.guidance.words)

    def say(self, line: str) -> None:
        self.lines.append(line)

    def sound(self, cue: Cue) -> None:
        self.cues.append(cue)


@dataclass
class LiveRun:
    """What came of a measurement."""

    report: Report
    heard: Heard
    link: Any
    pod: SimulatedPod | None


def live(
    folder: Path,
    address: str,
    wheels: str = "LF",
    measure: str = "sweep",
    request: Request | None = None,
    task: Task | None = None,
) -> LiveRun:
    """Measure on a pod as fast as it goes; the store is ``folder/runs.sqlite3``."""
    order = [Wheel(name) for name in wheels.split(",")]
    purpose = "camber_all" if len(order) > 1 else measure
    if len(order) > 1 and address.startswith("sim:"):
        address += f"{'&' if '?' in address else '?'}script.wheels={wheels}"
    link: Any = open_link(address, wheel=order[0], purpose=purpose)
    heard = Heard()
    wanted = task or Task(measure, request or Request(order[0]))
    wanted = replace(wanted, facts={"driver": "out", **wanted.facts})
    with Store(folder / "runs.sqlite3") as store:
        measurement: Measurement = (
            sweep_measurement(wanted, link, heard, store)
            if measure == "sweep"
            else camber_measurement(wanted, order, link, heard, store)
        )
        report = asyncio.run(measurement.carry_out())
    return LiveRun(report, heard, link, getattr(link, "pod", None))
