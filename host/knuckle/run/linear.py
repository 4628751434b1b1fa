"""Calibration of a linear channel against known lengths, set by hand one after the other."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import Any, Final

from knuckle.analysis.linear import calibrate, not_all_set
from knuckle.analysis.touches import TouchMark, TouchRules
from knuckle.errors import MeasurementRefused
from knuckle.estimate.linear_fit import CALIPER_LIMIT_MM, KnownLength, LineFit
from knuckle.links.contract import Link
from knuckle.model.result import Notice, Outcome
from knuckle.model.wheel import Wheel
from knuckle.run.events import PodSeen, RunEvent
from knuckle.run.guide_touches import TouchGuide, TouchWords
from knuckle.run.lengths import TOUCHES, to_fact, touched
from knuckle.run.linear_calibrations import (
    CALIPER,
    LINEAR_CALIBRATION,
    POTENTIOMETER,
    resolution_mm,
    sensor_names,
    sensor_of,
    which_channel,
)
from knuckle.run.measurement import Measurement
from knuckle.run.method import Concluded
from knuckle.run.readings import CalibrateBlock
from knuckle.run.replay import LinearRecording, linear_recording_of
from knuckle.run.view import View
from knuckle.store.database import Store
from knuckle.store.recording import Decoded

HOW: Final = "known lengths, straight line 1"

HOLD_S: Final = 2.0
"""Longer than for toe: whoever sets a length pauses on the way."""
APART_MM: Final = 1.0
USUAL_LINEARITY: Final = 0.01
"""Independent linearity of a slide potentiometer, of its travel: common practice, no source."""
NOMINAL_TRAVEL_MM: Final = 100.0

WORDS: Final = TouchWords(
    touch="Set {}",
    hold="Keep still: {}",
    taken="Taken",
    last="Taken",
    lift="Move on to the next length",
    far="",
    places=(),
)


@dataclass(frozen=True)
class Linearity:
    """Largest departure from the straight line, as stated: in mm, or as a share of the travel."""

    limit_mm: float | None = None
    share: float | None = None

    def of(self, sensor: str, travel_mm: float | None) -> float | None:
        """Return it in mm; the sensor's usual one where nothing is stated, None if unknown.

        Parameters
        ----------
        sensor : str
            By the pod's hello.
        travel_mm : float or None
            Whole travel of the sensor, in mm of length.
        """
        if self.limit_mm is not None:
            return self.limit_mm
        if self.share is not None and travel_mm is not None:
            return self.share * travel_mm
        if sensor == CALIPER:
            return CALIPER_LIMIT_MM
        if sensor == POTENTIOMETER and travel_mm is not None:
            return USUAL_LINEARITY * travel_mm
        return None


@dataclass(frozen=True, slots=True)
class SetLength:
    """A known length: what it is called, its value and its standard uncertainty."""

    label: str
    length_mm: float
    u_mm: float


@dataclass(frozen=True)
class LinearTask:
    """What to calibrate.

    Attributes
    ----------
    lengths : tuple of SetLength
        In the order in which they are set.
    channel : int or None
        From 1; None for the only one.
    linearity : Linearity
    step_mm : float or None
        Smallest step of a reading, as the user states it.
    """

    lengths: tuple[SetLength, ...]
    channel: int | None = None
    linearity: Linearity = Linearity()
    step_mm: float | None = None
    facts: dict[str, Any] = field(default_factory=dict)
    rate_hz: float | None = None

    @property
    def labels(self) -> tuple[str, ...]:
        """What is to be set, in order."""
        return tuple(length.label for length in self.lengths)


def rules() -> TouchRules:
    """Return what tells set lengths apart."""
    return TouchRules(HOLD_S, APART_MM, APART_MM)


def stamp(moment: datetime | None = None) -> str:
    """Return a date as a calibration keeps it."""
    return (moment or datetime.now(UTC)).isoformat(timespec="seconds")


def fit_points(
    points: Sequence[KnownLength], task: LinearTask, sensor: str, identity: str, date: str
) -> tuple[Outcome, LineFit | None]:
    """Fit the line through set lengths; refused outcomes say why.

    Parameters
    ----------
    points : sequence of KnownLength
    task : LinearTask
    sensor, identity, date : str
        Empty if not known.
    """
    travel_mm = _travel_mm(points) if sensor else None
    try:
        fit, notices = calibrate(
            points,
            channel=task.channel or 1,
            linearity_mm=task.linearity.of(sensor, travel_mm),
            identity=identity,
            date=date,
        )
    except MeasurementRefused as refusal:
        why = " ".join(part for part in (refusal.what, refusal.cause, refusal.next_step) if part)
        return Outcome("linear", "", {}, refused=Notice(refusal.code, why)), None
    made = fit.calibration
    details: dict[str, float | str] = {
        "channel": float(made.channel),
        "gain": made.gain,
        "gain_u": float(made.covariance[0, 0]) ** 0.5,
        "offset_mm": made.offset_mm,
        "scatter_mm": made.scatter_mm,
        "lengths": float(made.count),
    }
    if fit.bow_mm is not None:
        details["bow_mm"] = fit.bow_mm
    return Outcome("linear", "", {}, warnings=tuple(notices), details=details), fit


def _travel_mm(points: Sequence[KnownLength]) -> float:
    """Return the travel behind the pod's nominal 100 mm, by the outermost lengths."""
    low = min(points, key=lambda point: point.reading_mm, default=None)
    high = max(points, key=lambda point: point.reading_mm, default=None)
    if low is None or high is None or high.reading_mm <= low.reading_mm:
        return NOMINAL_TRAVEL_MM
    gain = (high.length_mm - low.length_mm) / (high.reading_mm - low.reading_mm)
    return abs(gain) * NOMINAL_TRAVEL_MM


class LinearMethod:
    """A calibration in the frame of a live measurement.

    Attributes
    ----------
    channel : int
        Which linear channel, once the pod is known.
    fit : LineFit or None
        Once it was concluded, unless refused.
    points : tuple of KnownLength
    """

    measure = "linear"
    how = HOW
    wheel = Wheel.LF
    """Stands for the pod in the run loop; it is on no wheel."""

    def __init__(
        self,
        task: LinearTask,
        marks: Callable[[], Sequence[TouchMark]],
        date: Callable[[], datetime],
    ) -> None:
        self.fit: LineFit | None = None
        self.points: tuple[KnownLength, ...] = ()
        self.channel = task.channel or 1
        self._task = task
        self._marks = marks
        self._date = date
        self._sensor = ""

    @property
    def rate_hz(self) -> float | None:
        """As asked for."""
        return self._task.rate_hz

    @property
    def step_mm(self) -> float:
        """Smallest step of a reading."""
        return resolution_mm(self._task.step_mm, self._sensor)

    def beforehand(self) -> dict[str, Any]:
        """Return the known lengths."""
        task = self._task
        return {
            **task.facts,
            "lengths_mm": [length.length_mm for length in task.lengths],
            "lengths_u_mm": [length.u_mm for length in task.lengths],
        }

    def take(self, event: RunEvent) -> None:
        """Learn what the channel is."""
        if isinstance(event, PodSeen):
            names = sensor_names(event)
            self.channel = which_channel(self._task.channel, names)
            self._sensor = sensor_of(names, self.channel)

    def calibration_of(self, seen: PodSeen) -> CalibrateBlock | None:
        """Return None: the accelerometer has no say here."""
        return None

    def conclude(self, decoded: Decoded) -> Concluded:
        """Fit the line from the stored bytes."""
        marks = list(self._marks())
        facts: dict[str, Any] = {TOUCHES: to_fact(marks)}
        recording = linear_recording_of(decoded, [])
        if recording is None:
            return Concluded((), ("No lengths came.",), facts)
        outcome, self.fit, self.points = calibrate_recording(
            recording, self._task, marks, stamp(self._date())
        )
        if self.fit is not None:
            facts["channel"] = self.fit.calibration.channel
            facts[LINEAR_CALIBRATION] = {
                "source": "this run",
                "record": self.fit.calibration.to_json(),
            }
        return Concluded((outcome,), tuple(recording.notices), facts)


def calibrate_recording(
    recording: LinearRecording,
    task: LinearTask,
    marks: Sequence[TouchMark] | None,
    date: str,
) -> tuple[Outcome, LineFit | None, tuple[KnownLength, ...]]:
    """Calibrate from a recording of lengths that were set in order.

    Parameters
    ----------
    marks : sequence of TouchMark or None
        What was set when; None to recognise it.
    date : str
        Kept with the calibration.
    """
    channel = which_channel(task.channel, recording.names)
    sensor = sensor_of(recording.names, channel)
    rests, notices = touched(
        recording,
        channel=channel,
        resolution_mm=resolution_mm(task.step_mm, sensor),
        marks=marks,
        labels=task.labels,
        rules=rules(),
    )
    known = {length.label: length for length in task.lengths}
    points = tuple(
        KnownLength(known[label].length_mm, known[label].u_mm, rest.reading_mm, rest.u_mm)
        for label, rest in rests
        if label in known
    )
    missing = [label for label in task.labels if label not in {name for name, _ in rests}]
    fit: LineFit | None = None
    if missing:
        outcome = not_all_set(missing)
    else:
        outcome, fit = fit_points(
            points, replace(task, channel=channel), sensor, recording.identity, date
        )
    said = Outcome(
        outcome.measure,
        outcome.wheel,
        {},
        warnings=(*outcome.warnings, *notices),
        refused=outcome.refused,
        details=outcome.details,
    )
    return said, fit, points


def linear_measurement(
    task: LinearTask, link: Link, view: View, store: Store
) -> tuple[Measurement, LinearMethod]:
    """Return the measurement, not yet begun, and what will hold the calibration."""

    def marks() -> Sequence[TouchMark]:
        return () if guide.sequence is None else guide.sequence.marks

    method = LinearMethod(task, marks, lambda: link.clock.utc(link.clock.now_s()))
    guide = TouchGuide(
        task.labels,
        WORDS,
        rules=rules,
        channel=lambda: method.channel,
        resolution_mm=lambda: method.step_mm,
        caption="as the pod sends it",
    )
    measurement = Measurement(
        method, link, guide, view, store, wheel_now=lambda: method.wheel, stream_wheel=None
    )
    return measurement, method
