"""A live measurement from start to end: link, guide, view, store, result.

The result is computed from the stored bytes, by the same way as `knuckle analyze` goes, so
that live and replayed figures agree to the last digit.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final

from knuckle.analysis.request import Request
from knuckle.errors import KnuckleError, StoreError
from knuckle.estimate.calibration import Calibration
from knuckle.links.contract import Link
from knuckle.model.result import Outcome
from knuckle.model.wheel import Wheel
from knuckle.run.assumptions import ASSUMED
from knuckle.run.assumptions import to_fact as to_assumed
from knuckle.run.calibrations import (
    CALIBRATION,
    check_same_pod,
    identity_of,
    of_settings,
    used_fact,
)
from knuckle.run.captured import Captured
from knuckle.run.events import (
    Ended,
    LinearSamples,
    LinkDown,
    PodSeen,
    RestEnded,
    RunEvent,
    Samples,
)
from knuckle.run.guide import Guide
from knuckle.run.loop import RunLoop
from knuckle.run.needed import check_accelerometer, check_not_lengths_alone
from knuckle.run.parts import PARTS, Part, to_fact
from knuckle.run.podsession import CalibrationOf
from knuckle.run.remeasure import measure_recording
from knuckle.run.replay import recording_of
from knuckle.run.view import LinkWatch, LiveView, View
from knuckle.store.database import Store
from knuckle.store.recording import Decoded, decode
from knuckle.store.rows import RunState
from knuckle.wire.messages import Cue

PATIENCE_S: Final = 900.0
"""Pod time without end after which a measurement gives up on its operator."""


@dataclass(frozen=True, slots=True)
class Task:
    """What to measure, apart from the guide.

    Attributes
    ----------
    measure : str
        "camber" or "sweep".
    request : Request
        Its wheel is the stream's; each part of a walk round the car puts its own in place.
    calibration : Calibration or None
        Named by the user.
    uncalibrated : bool
    facts : dict
        Stored with the run.
    rate_hz : float or None
        To ask the pod for.
    """

    measure: str
    request: Request
    calibration: Calibration | None = None
    uncalibrated: bool = False
    facts: dict[str, Any] = field(default_factory=dict)
    rate_hz: float | None = None


@dataclass(frozen=True, slots=True)
class Report:
    """What has come of a measurement.

    Attributes
    ----------
    run : int or None
        In the store; None if not a byte came.
    state : RunState
    outcomes : tuple of Outcome
        One for each wheel that could be tried; refused ones among them.
    notices : tuple of str
        What was left out in reading.
    ended : KnuckleError or None
        Why the link ended before its time.
    """

    run: int | None
    state: RunState
    outcomes: tuple[Outcome, ...]
    notices: tuple[str, ...] = ()
    ended: KnuckleError | None = None
    complete: bool = True
    """Whether the guide had all it asked for."""


class Measurement:
    """One live measurement with one pod.

    Parameters
    ----------
    task : Task
    link : Link
        Not yet open.
    guide : Guide
    view : View
    store : Store
        Open for writing.
    wheel_now : callable
        The wheel that the pod is on, for the view.
    parts : callable, optional
        Which stretch belongs to which wheel; the whole recording is the request's if absent.
    stream_wheel : Wheel or None
        As the stream is stored.
    """

    def __init__(
        self,
        task: Task,
        link: Link,
        guide: Guide,
        view: View,
        store: Store,
        *,
        wheel_now: Callable[[], Wheel],
        parts: Callable[[], Sequence[Part]] | None = None,
        stream_wheel: Wheel | None,
    ) -> None:
        self.report: Report | None = None
        self._task = task
        self._link = link
        self._guide = guide
        self._view = view
        self._wheel_now = wheel_now
        self._parts = parts
        self._watch = LinkWatch()
        self._ended: KnuckleError | None = None
        self._has_motion = False
        wheel = None if stream_wheel is None else stream_wheel.value
        facts = {**task.facts, ASSUMED: to_assumed(task.request)}
        if task.calibration is not None or task.uncalibrated:
            # Known before a byte came: kept even if the program is killed on the way.
            facts[CALIBRATION] = used_fact(task.calibration, task.uncalibrated)
        self._captured = Captured(store, task.measure, wheel, facts, link)

    async def carry_out(self) -> Report:
        """Guide, capture, measure.

        Cancelled, it measures what is there, keeps all that in `report`, and is cancelled.

        Raises
        ------
        KnuckleError
            If the pod cannot be reached or started, or the store fails.
        """
        try:
            await self._follow()
        except asyncio.CancelledError:
            self.report = self._conclude(RunState.INTERRUPTED)
            raise
        except BaseException:
            with contextlib.suppress(StoreError):  # what went wrong first is what is told
                self._captured.finish(RunState.INTERRUPTED, {"complete": False})
            raise
        self.report = self._conclude(
            RunState.INTERRUPTED if self._ended is not None else RunState.FINISHED
        )
        return self.report

    async def _follow(self) -> None:
        wheel = self._task.request.wheel
        async with RunLoop(
            {wheel: self._link},
            raw_sink=self._captured.take,
            rate_hz=self._task.rate_hz,
            calibration_of=self._calibration_of(),
        ) as loop:
            async for event in loop.events():
                cues = self._take(event)
                if isinstance(event, RestEnded):
                    cues += self._guide.confirm(loop.rests(wheel))
                for cue in cues:
                    self._view.sound(cue)
                    await loop.cue(wheel, cue)
                for line in self._guide.remarks():
                    self._view.say(line)
                self._view.show(self._live())
                if self._guide.finished:
                    return
                if self._guide.passed_s > PATIENCE_S:
                    self._view.say(f"Not finished in {PATIENCE_S / 60.0:.0f} minutes: giving up.")
                    return

    def _take(self, event: RunEvent) -> list[Cue]:
        for line in self._watch.take(event):
            self._view.say(line)
        if isinstance(event, PodSeen):
            self._captured.met(event)
            check_accelerometer(event, self._task.measure)
            if self._task.calibration is not None and not self._task.uncalibrated:
                check_same_pod(self._task.calibration, identity_of(event))
        if isinstance(event, LinearSamples) and not self._has_motion:
            check_not_lengths_alone(event, self._task.measure)
        self._has_motion |= isinstance(event, Samples)
        if isinstance(event, LinkDown):
            self._captured.save()
        if isinstance(event, Ended):
            self._ended = event.error
        return self._guide.take(event)

    def _live(self) -> LiveView:
        return LiveView(
            self._task.measure,
            self._wheel_now(),
            self._guide.guidance,
            self._guide.camber_deg,
            self._guide.steer_deg,
            self._watch.state,
            self._guide.passed_s,
        )

    def _calibration_of(self) -> CalibrationOf:
        task = self._task

        def find(seen: PodSeen) -> Any:
            if task.uncalibrated:
                return None
            calibration = task.calibration or of_settings(seen.settings)
            return None if calibration is None else calibration.applied

        return find

    def _conclude(self, state: RunState) -> Report:
        """Measure from the stored bytes, and close the run."""
        captured, complete = self._captured, self._guide.finished
        if captured.run is None:
            return Report(None, state, (), ended=self._ended, complete=complete)
        parts = None if self._parts is None else list(self._parts())
        facts: dict[str, Any] = {"complete": complete}
        if parts is not None:
            facts[PARTS] = to_fact(parts)
        decoded = decode(captured.pieces())
        facts[CALIBRATION] = used_fact(self._task.calibration, self._task.uncalibrated, decoded)
        outcomes, notices = self._measured(decoded, parts)
        for outcome in outcomes:
            captured.add(outcome)
        if state is RunState.FINISHED and (
            not outcomes or any(outcome.refused is not None for outcome in outcomes)
        ):
            state = RunState.REFUSED
        captured.finish(state, facts)
        return Report(captured.run, state, tuple(outcomes), tuple(notices), self._ended, complete)

    def _measured(
        self, decoded: Decoded, parts: Sequence[Part] | None
    ) -> tuple[list[Outcome], list[str]]:
        task = self._task
        if decoded.block is None:
            return [], ["No samples came."]
        recording = recording_of(decoded.block, decoded, [], parts or ())
        wanted: Sequence[Part | None] = parts or [None]
        return [
            measure_recording(
                task.measure,
                recording,
                task.request if part is None else replace(task.request, wheel=part.wheel),
                task.calibration,
                task.uncalibrated,
                part,
            )
            for part in wanted
        ], recording.notices
