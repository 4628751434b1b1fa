"""The pod against a reference: what is read, what follows from it, and the live measurement."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any, Final

from knuckle.agreement.assess import assess
from knuckle.agreement.comparison import Comparison, PodReading, ReferenceReading
from knuckle.agreement.design import Step, different_angles
from knuckle.agreement.record import to_json
from knuckle.agreement.verdict import Verdict
from knuckle.errors import UsageError
from knuckle.estimate.calibration import Calibration
from knuckle.links.contract import Link
from knuckle.model.result import Notice, Outcome
from knuckle.model.wheel import Wheel
from knuckle.run.calibration_trust import said, word_of
from knuckle.run.calibrations import (
    CALIBRATION,
    Library,
    calibrations_of,
    choose,
    identity_of,
    of_settings,
    used_fact,
)
from knuckle.run.events import PodSeen, RunEvent
from knuckle.run.guide_validate import ReadLine, ValidateGuide
from knuckle.run.measurement import Measurement
from knuckle.run.method import Concluded
from knuckle.run.needed import check_accelerometer
from knuckle.run.noise_kept import NOISE_FLOOR, FloorLibrary, floor_for, floors_of, library_of
from knuckle.run.readings import CalibrateBlock
from knuckle.run.replay import recording_of
from knuckle.run.validation_facts import (
    CONTINUES,
    PLAN,
    VALIDATION,
    Plan,
    as_facts,
)
from knuckle.run.validation_rests import pod_readings
from knuckle.run.view import View
from knuckle.store.database import Store
from knuckle.store.recording import Decoded

HOW: Final = "joint least squares, guarded 1"
"""Names the way of computing in the store; a new number for every change of its figures."""
PATIENCE_S: Final = 7200.0

Asker = Callable[[str], Awaitable[str]]
"""From a question to the line that was typed."""


@dataclass(frozen=True)
class Readings:
    """What one run, or a chain of runs, has read.

    Attributes
    ----------
    reference : tuple of ReferenceReading
    pod : tuple of PodReading
    parts : tuple of str
        Of the design, for each pod reading.
    identity : str
        The pod's.
    """

    reference: tuple[ReferenceReading, ...] = ()
    pod: tuple[PodReading, ...] = ()
    parts: tuple[str, ...] = ()
    identity: str = ""


@dataclass(frozen=True)
class ValidateTask:
    """What to do with a pod, apart from the guide.

    Attributes
    ----------
    plan : Plan
    given : Calibration or None
        Named by the user.
    uncalibrated : bool
    earlier : Readings
        Of the run that is gone on with.
    continues : int or None
        Its number.
    since_s : float
        From the start of the first run to the start of this one.
    done : int
        Steps that earlier runs have done.
    facts : dict
        Stored with the run.
    rate_hz : float or None
    """

    plan: Plan
    given: Calibration | None = None
    uncalibrated: bool = False
    earlier: Readings = Readings()
    continues: int | None = None
    since_s: float = 0.0
    done: int = 0
    facts: Mapping[str, Any] = field(default_factory=dict)
    rate_hz: float | None = None


def concluded(
    plan: Plan, readings: Readings, date: str, calibration: Mapping[str, Any]
) -> tuple[Outcome | None, dict[str, Any] | None]:
    """Assess readings.

    Parameters
    ----------
    plan : Plan
    readings : Readings
    date : str
        Of the validation.
    calibration : mapping
        By which the pod's readings were corrected, as a run's facts keep it.

    Returns
    -------
    Outcome or None
        None without any reading; refused where there are too few to say anything.
    dict or None
        The record that reports are made from.
    """
    if not readings.pod or not readings.reference:
        return None, None
    known = {reading.setting for reading in readings.reference}
    kept = [
        (part, reading)
        for part, reading in zip(readings.parts, readings.pod, strict=True)
        if reading.setting in known
    ]
    shown = tuple(r for r in readings.reference if r.setting in {p.setting for _, p in kept})
    if len(kept) < 2:
        text = "Fewer than two readings were taken: nothing can be said of agreement."
        return Outcome(VALIDATION, "", {}, refused=Notice("TOO_FEW_READINGS", text)), None
    comparison = Comparison(
        plan.reference,
        shown,
        tuple(reading for _, reading in kept),
        different_angles([step for step in plan.steps if step.setting in known]),
    )
    try:
        found = assess(comparison, plan.tolerance_deg)
    except ValueError as error:
        notice = Notice("TOO_FEW_READINGS", f"The readings do not suffice: {error}.")
        return Outcome(VALIDATION, "", {}, refused=notice), None
    record = to_json(comparison, found, [part for part, _ in kept])
    record |= {"pod": readings.identity, "date": date, "planned": len(plan.steps)}
    record["calibration"] = {
        "source": calibration["source"],
        "date": str(calibration.get("date", "")),
    }
    judgement = found.judgement
    details: dict[str, float | str] = {
        "verdict": judgement.verdict.value,
        "bias_deg": found.bias.value,
        "bias_expanded_uncertainty_deg": found.bias.expanded(),
        "whole_error_deg": judgement.largest_deg,
        "tolerance_deg": judgement.tolerance_deg,
    }
    return Outcome(VALIDATION, "", {}, details=details), record


def decides(record: Mapping[str, Any]) -> bool:
    """Whether the verdict is pass or fail."""
    return record["judgement"]["verdict"] in (Verdict.PASS.value, Verdict.FAIL.value)


class ValidateMethod:
    """A validation in the frame of a live measurement.

    Attributes
    ----------
    record : dict or None
        What was found, once it was concluded.
    """

    measure = VALIDATION
    how = HOW
    wheel = Wheel.LF
    """Stands for the pod in the run loop; it is on no wheel."""

    def __init__(
        self,
        task: ValidateTask,
        guide: ValidateGuide,
        library: Library,
        floors: FloorLibrary,
        now: Callable[[], datetime],
        say: Callable[[str], None],
    ) -> None:
        self.record: dict[str, Any] | None = None
        self._task = task
        self._guide = guide
        self._library = library
        self._floors = floors
        self._now = now
        self._say = say

    @property
    def _simulated(self) -> bool:
        """Whether the pod's own calibration has the fixed date of all simulated ones."""
        return "scenario" in self._task.facts

    @property
    def rate_hz(self) -> float | None:
        """As asked for."""
        return self._task.rate_hz

    def beforehand(self) -> dict[str, Any]:
        """Return the plan."""
        task = self._task
        facts = {**task.facts, PLAN: task.plan.to_json(), "since_s": task.since_s}
        if task.continues is not None:
            facts[CONTINUES] = task.continues
        if task.given is not None or task.uncalibrated:
            facts[CALIBRATION] = used_fact(task.given, task.uncalibrated)
        return facts

    def take(self, event: RunEvent) -> None:
        """Refuse a pod without accelerometer, or another than before."""
        if not isinstance(event, PodSeen):
            return
        check_accelerometer(event, VALIDATION)
        before, now = self._task.earlier.identity, identity_of(event)
        if before and now and before != now:
            raise UsageError(
                f"Run {self._task.continues} was of pod {before}; this is {now}.",
                "A validation is of one pod.",
                "Connect that pod, or begin anew without --resume.",
            )

    def calibration_of(self, seen: PodSeen) -> CalibrateBlock | None:
        """Return the calibration that was named, else the newer of the store's and the pod's."""
        task = self._task
        own = of_settings(seen.settings)
        used = choose(task.given, task.uncalibrated, self._library, identity_of(seen), own)
        if not seen.again and not task.uncalibrated:
            if used.calibration is None and seen.hello is None:
                used = replace(used, source=word_of(seen))
            self._say(said(used, None if self._simulated else self._now()))
        return None if used.calibration is None else used.calibration.applied

    def conclude(self, decoded: Decoded) -> Concluded:
        """Measure from the stored bytes."""
        task, guide = self._task, self._guide
        facts: dict[str, Any] = as_facts(guide.typed, guide.taken)
        facts[CALIBRATION] = used_fact(task.given, task.uncalibrated, decoded, self._library)
        if decoded.block is None:
            return Concluded((), ("No samples came.",), facts)
        recording = recording_of(decoded.block, decoded, []).with_kept(self._library)
        block = recording.block
        kept = self._floors(recording.identity)
        floor = floor_for(kept, block.rate_hz, block.gyro_dps is not None)
        if floor is not None:
            recording = replace(recording, floor=floor)
            facts[NOISE_FLOOR] = floor.to_json()
        own, told = pod_readings(
            recording, task.plan, guide.taken, task.given, task.uncalibrated, task.since_s
        )
        readings = joined(task.earlier, own, guide.typed, recording.identity)
        date = self._now().isoformat(timespec="seconds")
        outcome, self.record = concluded(task.plan, readings, date, facts[CALIBRATION])
        if self.record is not None:
            facts[VALIDATION] = self.record
        return Concluded(() if outcome is None else (outcome,), tuple(told), facts)


def joined(
    earlier: Readings,
    own: Sequence[tuple[str, PodReading]],
    typed: Sequence[ReferenceReading],
    identity: str,
) -> Readings:
    """Return the readings of a chain of runs."""
    return Readings(
        (*earlier.reference, *typed),
        (*earlier.pod, *(reading for _, reading in own)),
        (*earlier.parts, *(part for part, _ in own)),
        identity or earlier.identity,
    )


def validate_measurement(
    task: ValidateTask, link: Link, view: View, store: Store, ask: Asker, read: ReadLine
) -> tuple[Measurement, ValidateMethod]:
    """Return the measurement, not yet begun, and what will hold its record."""
    guide = ValidateGuide(task.plan, read, task.earlier.reference, task.done)
    library, floors = calibrations_of(store.calibrations()), library_of(store)
    method = ValidateMethod(
        task, guide, library, floors, lambda: link.clock.utc(link.clock.now_s()), view.say
    )
    kept = [0, 0]

    async def answered() -> list[Any]:
        cues: list[Any] = []
        while (question := guide.question) is not None:
            try:
                cues += guide.answer(await ask(question))
            except UsageError as error:
                words = (error.what, error.cause, error.next_step)
                view.say(" ".join(part for part in words if part))
        now = [len(guide.typed), len(guide.taken)]
        if now != kept:
            kept[:] = now
            measurement.keep(as_facts(guide.typed, guide.taken))
        return cues

    measurement = Measurement(
        method,
        link,
        guide,
        view,
        store,
        wheel_now=lambda: method.wheel,
        stream_wheel=None,
        floors_of=floors_of(floors),
        patience_s=PATIENCE_S,
        between=answered,
    )
    return measurement, method


def steps_left(task: ValidateTask) -> tuple[Step, ...]:
    """Return the steps of a plan that an earlier run has not done."""
    return task.plan.steps[task.done :]
