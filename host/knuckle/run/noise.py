"""Noise of a pod that is left alone: live, from a recording, or from a stored run."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from knuckle.errors import PodError, RecordingError
from knuckle.links.contract import Link
from knuckle.model.linear import LinearBlock
from knuckle.model.result import Notice, Outcome
from knuckle.model.wheel import Wheel
from knuckle.noise.analyse import PodNoise, analyse_noise
from knuckle.run.events import PodSeen, RunEvent
from knuckle.run.guide_noise import NoiseGuide
from knuckle.run.linear import stamp
from knuckle.run.linear_calibrations import resolution_mm, sensor_of
from knuckle.run.measurement import PATIENCE_S, Measurement
from knuckle.run.method import Concluded
from knuckle.run.readings import CalibrateBlock
from knuckle.run.replay import (
    linear_recording_of,
    read_linear_recording,
    read_recording,
    recording_of,
    sensors_of,
    stated_sensors,
)
from knuckle.run.view import View
from knuckle.store.database import Store
from knuckle.store.recording import Decoded

HOW: Final = "overlapping Allan deviation 1"
"""Names the way of computing in the store; a new number for every change of its figures."""

NOISE: Final = "noise"
"""The name of the fact that keeps what was found, and the kind of the run."""


@dataclass(frozen=True)
class Noise:
    """What a record has yielded.

    Attributes
    ----------
    outcome : Outcome
        Refused where the record does not serve.
    pod : PodNoise or None
    identity : str
        The pod's; empty if not known.
    date : str
        When the record was made; empty if not known.
    notices : tuple of str
        What was left out in reading.
    """

    outcome: Outcome
    pod: PodNoise | None
    identity: str = ""
    date: str = ""
    notices: tuple[str, ...] = ()

    @property
    def record(self) -> dict[str, Any] | None:
        """As the store keeps it; None if refused."""
        return None if self.pod is None else self.pod.to_json(self.identity, self.date)


def noise_of_bytes(decoded: Decoded, date: str = "") -> Noise:
    """Return the noise of decoded raw bytes: of a live run, or of a stored one."""
    steps = _steps(stated_sensors(decoded.text_facts) or decoded.linear_names)
    parts = sensors_of(decoded.hello, decoded.text_facts)
    outcome, pod = analyse_noise(decoded.block, decoded.linear, parts, steps)
    identity = ""
    if decoded.block is not None:
        identity = recording_of(decoded.block, decoded, []).identity
    else:
        lengths = linear_recording_of(decoded, [])
        identity = "" if lengths is None else lengths.identity
    return Noise(outcome, pod, identity, date)


def noise_of_file(path: Path, stream: int | None = None) -> Noise:
    """Return the noise of a raw capture or a CSV log.

    Parameters
    ----------
    stream : int, optional
        Of a capture with several pods, from 0.

    Raises
    ------
    RecordingError
        If it cannot be read or holds no samples.
    UsageError
        If the capture holds several pods and none was named.
    """
    try:
        recording = read_recording(path, stream)
    except RecordingError:
        lengths = read_linear_recording(path, stream)
        outcome, pod = analyse_noise(
            None, lengths.linear, sensors_of(None, lengths.facts), _steps(lengths.names)
        )
        return Noise(outcome, pod, lengths.identity, notices=tuple(lengths.notices))
    outcome, pod = analyse_noise(
        recording.block,
        recording.linear,
        recording.sensors,
        _steps(_names(path, stream, recording.linear)),
    )
    if recording.facts.get("calibration") == "applied":
        text = "The log's readings are corrected by a calibration: steps and noise are stretched "
        outcome = replace(
            outcome,
            warnings=(*outcome.warnings, Notice("NOISE_CORRECTED", text + "with them.")),
        )
    date = recording.facts.get("started_utc", "")
    return Noise(outcome, pod, recording.identity, date, tuple(recording.notices))


def _names(path: Path, stream: int | None, linear: LinearBlock | None) -> Sequence[str]:
    return () if linear is None else read_linear_recording(path, stream).names


def _steps(names: Sequence[str]) -> list[float]:
    return [resolution_mm(None, sensor_of(names, at + 1)) for at in range(len(names))]


@dataclass(frozen=True)
class NoiseTask:
    """What to record.

    Attributes
    ----------
    wanted_s : float
        Still time, in s.
    facts : dict
        Stored with the run.
    rate_hz : float or None
        To ask the pod for.
    """

    wanted_s: float
    facts: Mapping[str, Any] = field(default_factory=dict)
    rate_hz: float | None = None


class NoiseMethod:
    """Noise in the frame of a live measurement.

    Attributes
    ----------
    found : Noise or None
        Once it was concluded.
    """

    measure = NOISE
    how = HOW
    wheel = Wheel.LF
    """Stands for the pod in the run loop; it is on no wheel."""

    def __init__(self, task: NoiseTask, date: Callable[[], datetime]) -> None:
        self.found: Noise | None = None
        self._task = task
        self._date = date

    @property
    def rate_hz(self) -> float | None:
        """As asked for."""
        return self._task.rate_hz

    def beforehand(self) -> dict[str, Any]:
        """Return how long a record was asked for."""
        return {**self._task.facts, "wanted_s": self._task.wanted_s}

    def take(self, event: RunEvent) -> None:
        """Refuse a pod that has nothing to measure.

        Raises
        ------
        PodError
            If its table has no channel.
        """
        if isinstance(event, PodSeen) and event.hello is not None and not event.hello.channels:
            raise PodError(
                "The pod has no sensor, so there is no noise to measure.",
                "None is connected, or none answers.",
                "Check the wires with `knuckle selftest`.",
            )

    def calibration_of(self, seen: PodSeen) -> CalibrateBlock | None:
        """Return None: noise is of the readings as the chip gives them."""
        return None

    def conclude(self, decoded: Decoded) -> Concluded:
        """Measure from the stored bytes."""
        if decoded.block is None and decoded.linear is None:
            return Concluded((), ("No samples came.",))
        self.found = noise_of_bytes(decoded, stamp(self._date()))
        facts: dict[str, Any] = {}
        if self.found.record is not None:
            facts[NOISE] = self.found.record
        return Concluded((self.found.outcome,), (), facts)


def noise_measurement(
    task: NoiseTask, link: Link, view: View, store: Store
) -> tuple[Measurement, NoiseMethod]:
    """Return the measurement, not yet begun, and what will hold the noise."""
    method = NoiseMethod(task, lambda: link.clock.utc(link.clock.now_s()))
    measurement = Measurement(
        method,
        link,
        NoiseGuide(task.wanted_s),
        view,
        store,
        wheel_now=lambda: method.wheel,
        stream_wheel=None,
        patience_s=PATIENCE_S + 2.0 * task.wanted_s,
    )
    return measurement, method
