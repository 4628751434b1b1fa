"""Toe of one wheel: the rim's front and rear to a string, with a hand-held linear sensor."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final

from knuckle.analysis.toe import analyse_toe, pod_unknown
from knuckle.analysis.toe_request import ToeRequest, TouchReading
from knuckle.analysis.touches import TouchMark, TouchRules
from knuckle.errors import UsageError
from knuckle.estimate.linear import LinearCalibration
from knuckle.links.contract import Link
from knuckle.model.result import Outcome, Place
from knuckle.model.wheel import Wheel
from knuckle.run.assumptions import ASSUMED
from knuckle.run.calibrations import identity_of
from knuckle.run.events import PodSeen, RunEvent
from knuckle.run.guide_touches import TouchGuide, TouchWords
from knuckle.run.lengths import TOUCHES, from_facts, to_fact, touched
from knuckle.run.linear_calibrations import (
    LINEAR_CALIBRATION,
    Library,
    chosen,
    resolution_mm,
    sensor_names,
    sensor_of,
    telling,
    which_channel,
)
from knuckle.run.measurement import Measurement
from knuckle.run.method import Concluded
from knuckle.run.readings import CalibrateBlock
from knuckle.run.replay import LinearRecording, linear_recording_of
from knuckle.run.toe_facts import request_fact
from knuckle.run.view import View
from knuckle.store.database import Store
from knuckle.store.recording import Decoded

HOW: Final = "touches, string 1"
"""Names the way of computing in the store; a new number for every change of its figures."""

HOLD_S: Final = 1.2
LIFT_MM: Final = 8.0
FREE_MM: Final = 10.0
WIDEST_TOE_DEG: Final = 3.0
"""Touches lie within so much toe of each other, or the wheel is steered."""
REPEATS: Final = 3

WORDS: Final = TouchWords(
    touch="Touch {}",
    hold="Keep still: {}",
    taken="Taken: lift off",
    last="Taken",
    lift="Lift off first",
    far="Not the rim",
    places=("front", "rear"),
)


@dataclass(frozen=True)
class ToeTask:
    """What to measure with a pod, apart from the guide.

    Attributes
    ----------
    request : ToeRequest
        Its calibration is found when the pod is known.
    channel : int or None
        Which linear channel, from 1; None for the only one.
    first : Place
        Where each pair begins.
    repeats : int
        Pairs.
    given : LinearCalibration or None
        Named by the user.
    step_mm : float or None
        Smallest step of a reading, as the user states it.
    facts : dict
        Stored with the run.
    rate_hz : float or None
        To ask the pod for.
    """

    request: ToeRequest
    channel: int | None = None
    first: Place = Place.FRONT
    repeats: int = REPEATS
    given: LinearCalibration | None = None
    step_mm: float | None = None
    facts: dict[str, Any] = field(default_factory=dict)
    rate_hz: float | None = None

    @property
    def labels(self) -> tuple[str, ...]:
        """What is to be touched, in order."""
        second = Place.REAR if self.first is Place.FRONT else Place.FRONT
        return (self.first.value, second.value) * self.repeats


def rules_of(request: ToeRequest) -> TouchRules:
    """Return what tells touches apart, in mm as the pod sends them."""
    gain = 1.0 if request.calibration is None else abs(request.calibration.gain)
    window_mm = request.length_mm.value * math.sin(math.radians(WIDEST_TOE_DEG))
    return TouchRules(HOLD_S, LIFT_MM / gain, FREE_MM / gain, max(window_mm, 15.0) / gain)


def measure_toe(
    recording: LinearRecording,
    task: ToeTask,
    library: Library,
    marks: Sequence[TouchMark] | None = None,
) -> tuple[Outcome, dict[str, Any]]:
    """Find the rests, take those that were touches, compute toe.

    Parameters
    ----------
    recording : LinearRecording
    task : ToeTask
    library : callable
        Calibrations kept.
    marks : sequence of TouchMark or None
        What was touched when; None to take the recording's word, or to recognise it.

    Returns
    -------
    Outcome
    dict
        By which calibration, as a run's facts keep it.

    Raises
    ------
    UsageError
        If the channel is not there, or not calibrated; or the recording is of another wheel.
    """
    wheel = task.request.wheel
    if recording.wheel not in (None, wheel):
        raise UsageError(
            f"The recording says that it is of {recording.wheel}, not of {wheel}.",
            "",
            f"Say --wheel {recording.wheel}, or correct the recording.",
        )
    if marks is None:
        marks = from_facts(recording.run_facts)
    channel = which_channel(task.channel, recording.names)
    sensor = sensor_of(recording.names, channel)
    calibration, source = chosen(task.given, library, recording.identity, channel, sensor)
    request = replace(task.request, calibration=calibration)
    step_mm = resolution_mm(task.step_mm, sensor)
    rests, notices = touched(
        recording,
        channel=channel,
        resolution_mm=step_mm,
        marks=marks,
        labels=task.labels if marks is not None else task.labels * 20,
        rules=rules_of(request),
    )
    touches = [
        TouchReading(
            Place(label),
            rest.reading_mm,
            rest.noise_mm,
            rest.resolution_mm,
            rest.start_s,
            rest.end_s,
        )
        for label, rest in rests
    ]
    outcome = analyse_toe(touches, request)
    if source == "file" and not (calibration.identity and recording.identity):
        notices.append(pod_unknown())
    fact = {"source": source, "sensor": sensor, "step_mm": step_mm, "record": calibration.to_json()}
    return replace(outcome, warnings=(*outcome.warnings, *notices)), fact


class ToeMethod:
    """Toe in the frame of a live measurement."""

    measure = "toe"
    how = HOW

    def __init__(
        self, task: ToeTask, library: Library, marks: Callable[[], Sequence[TouchMark]]
    ) -> None:
        self._task = task
        self._library = library
        self._marks = marks
        self._sensor = ""
        self.channel = task.channel or 1
        self.calibration: LinearCalibration | None = None

    @property
    def wheel(self) -> Wheel:
        """The request's."""
        return self._task.request.wheel

    @property
    def rate_hz(self) -> float | None:
        """As asked for."""
        return self._task.rate_hz

    @property
    def rules(self) -> TouchRules:
        """What tells touches apart."""
        return rules_of(replace(self._task.request, calibration=self.calibration))

    @property
    def step_mm(self) -> float:
        """Smallest step of a reading."""
        return resolution_mm(self._task.step_mm, self._sensor)

    def length_mm(self, reading_mm: float) -> float:
        """Return the length of a reading, for the eye."""
        found = self.calibration
        return reading_mm if found is None else found.gain * reading_mm + found.offset_mm

    def beforehand(self) -> dict[str, Any]:
        """Return what is assumed."""
        return {**self._task.facts, ASSUMED: request_fact(self._task.request)}

    def take(self, event: RunEvent) -> None:
        """Find the calibration as soon as the pod is known."""
        if isinstance(event, PodSeen):
            task = self._task
            names = sensor_names(event)
            self.channel = which_channel(task.channel, names)
            self._sensor = sensor_of(names, self.channel)
            self.calibration, _ = chosen(
                task.given, self._library, identity_of(event), self.channel, self._sensor
            )

    def calibration_of(self, seen: PodSeen) -> CalibrateBlock | None:
        """Return None: the accelerometer has no say here."""
        return None

    def conclude(self, decoded: Decoded) -> Concluded:
        """Measure from the stored bytes."""
        marks = list(self._marks())
        facts: dict[str, Any] = {TOUCHES: to_fact(marks)}
        recording = linear_recording_of(decoded, [])
        if recording is None:
            return Concluded((), ("No lengths came.",), facts)
        outcome, facts[LINEAR_CALIBRATION] = measure_toe(
            recording, self._task, self._library, marks
        )
        return Concluded((outcome,), tuple(recording.notices), facts)


def toe_measurement(
    task: ToeTask, library: Library, link: Link, view: View, store: Store
) -> Measurement:
    """Return the measurement, not yet begun."""

    def marks() -> Sequence[TouchMark]:
        return () if guide.sequence is None else guide.sequence.marks

    method = ToeMethod(task, telling(library, view.say), marks)
    guide = TouchGuide(
        task.labels,
        WORDS,
        rules=lambda: method.rules,
        channel=lambda: method.channel,
        resolution_mm=lambda: method.step_mm,
        length_mm=method.length_mm,
        caption="to the string, live",
    )
    wheel = task.request.wheel
    return Measurement(
        method, link, guide, view, store, wheel_now=lambda: wheel, stream_wheel=wheel
    )
