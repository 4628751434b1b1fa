"""Camber and sweeps: measured from the rests of the accelerometer."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any

from knuckle.analysis.request import Request, SeatSpan
from knuckle.errors import UsageError
from knuckle.estimate.calibration import Calibration
from knuckle.model.wheel import Wheel
from knuckle.run.assumptions import ASSUMED
from knuckle.run.assumptions import to_fact as to_assumed
from knuckle.run.calibration_trust import said, word_of
from knuckle.run.calibrations import (
    CALIBRATION,
    POD,
    check_same_pod,
    choose,
    identity_of,
    of_settings,
    used_fact,
)
from knuckle.run.calibrations import Library as Calibrations
from knuckle.run.events import LinearSamples, PodSeen, RunEvent, Samples
from knuckle.run.linear_calibrations import Library
from knuckle.run.linear_steer import with_kept
from knuckle.run.method import Concluded
from knuckle.run.mounting import MOUNT, OPTION, SEATS, Mounted, seats_in, seats_to_fact
from knuckle.run.needed import check_accelerometer, check_not_lengths_alone
from knuckle.run.noise_kept import NOISE_FLOOR, FloorLibrary, floor_for
from knuckle.run.parts import PARTS, Part, to_fact
from knuckle.run.readings import CalibrateBlock
from knuckle.run.remeasure import METHOD, measure_recording
from knuckle.run.replay import recording_of
from knuckle.run.zeros import UNUSED, ZERO, ZeroLibrary
from knuckle.store.recording import Decoded


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
    mount : Mounted or None
        The mounting that somebody says is still the same.
    use_zero : bool
        Whether the newest zero of a reversal of this pod is applied.
    """

    measure: str
    request: Request
    calibration: Calibration | None = None
    uncalibrated: bool = False
    facts: dict[str, Any] = field(default_factory=dict)
    rate_hz: float | None = None
    mount: Mounted | None = None
    use_zero: bool = True


class RestsMethod:
    """Measures camber or a sweep.

    Parameters
    ----------
    task : Task
    parts : callable, optional
        Which stretch belongs to which wheel; the whole recording is the request's if absent.
    library : callable, optional
        Calibrations of linear sensors that are kept.
    floors : callable, optional
        Noise of pods that is kept.
    calibrations : callable, optional
        Calibrations of pods that are kept.
    now : callable, optional
        Returns date and time, for the age of a calibration.
    say : callable, optional
        Tells the operator which calibration is used.
    seats : callable, optional
        When the pod sat, or lay, untouched, in a wheel-turn run or a reversal.
    zeros : callable, optional
        Zeros of pods by reversals that are kept.

    Attributes
    ----------
    linear : LinearSteer or None
        The linear sensor laid to the wheel, with its calibration once the pod is known.
    """

    how = METHOD

    def __init__(
        self,
        task: Task,
        parts: Callable[[], Sequence[Part]] | None = None,
        library: Library | None = None,
        floors: FloorLibrary | None = None,
        calibrations: Calibrations | None = None,
        now: Callable[[], datetime] | None = None,
        say: Callable[[str], None] | None = None,
        seats: Callable[[], Sequence[SeatSpan]] | None = None,
        zeros: ZeroLibrary | None = None,
    ) -> None:
        self._zeros = zeros if task.use_zero else None
        self._seats = seats
        self._mount = task.mount
        self._calibrations = calibrations
        self._now = now
        self._say = say
        self._floors = floors
        self._task = task
        self._parts = parts
        self._library = library
        self.linear = task.request.linear
        self._has_motion = False

    @property
    def measure(self) -> str:
        """ "camber" or "sweep"."""
        return self._task.measure

    @property
    def wheel(self) -> Wheel:
        """The request's."""
        return self._task.request.wheel

    @property
    def rate_hz(self) -> float | None:
        """As asked for."""
        return self._task.rate_hz

    def beforehand(self) -> dict[str, Any]:
        """Return what is assumed, and a calibration that the user named."""
        task = self._task
        facts = {**task.facts, ASSUMED: to_assumed(task.request)}
        if task.calibration is not None or task.uncalibrated:
            facts[CALIBRATION] = used_fact(task.calibration, task.uncalibrated)
        return facts

    def take(self, event: RunEvent) -> None:
        """Refuse a pod without accelerometer, or another one's calibration."""
        task = self._task
        if isinstance(event, PodSeen):
            check_accelerometer(event, task.measure)
            if task.calibration is not None and not task.uncalibrated:
                check_same_pod(task.calibration, identity_of(event))
            self.linear = with_kept(task.request.linear, self._library, identity_of(event))
            self._check_mount(event)
        if isinstance(event, LinearSamples) and not self._has_motion:
            check_not_lengths_alone(event, task.measure)
        self._has_motion |= isinstance(event, Samples)

    def _check_mount(self, seen: PodSeen) -> None:
        """Let go of a mounting of another pod.

        Raises
        ------
        UsageError
            If the user said by an option that it is this one's.
        """
        mount = self._mount
        if mount is None or mount.of_pod(identity_of(seen)):
            return
        if mount.said == OPTION:
            raise UsageError(
                f"The wheel-turn run {mount.run} is of pod {mount.identity}, and this is "
                f"{identity_of(seen)}.",
                "Each pod sits in its own way.",
                "Turn the wheel with this pod by `knuckle spin`, or leave --same-mount out.",
            )
        self._mount = None
        if self._say is not None:
            self._say("This is another pod than that of the wheel-turn run: its mount is not used.")

    def calibration_of(self, seen: PodSeen) -> CalibrateBlock | None:
        """Return the calibration that was named, else the newer of the store's and the pod's."""
        task = self._task
        used = choose(
            task.calibration,
            task.uncalibrated,
            self._calibrations,
            identity_of(seen),
            of_settings(seen.settings),
        )
        if self._say is not None and not seen.again and not task.uncalibrated:
            if used.calibration is None and seen.hello is None:
                used = replace(used, source=word_of(seen))
            self._say(said(used, self._at()))
        zero = None if self._zeros is None else self._zeros(identity_of(seen))
        if self._say is not None and not seen.again and zero is not None:
            self._say(zero.said(None if used.calibration is None else used.calibration.matrix))
        return None if used.calibration is None else used.calibration.applied

    def _at(self) -> datetime | None:
        return None if self._now is None else self._now()

    @property
    def _simulated(self) -> bool:
        """Whether the pod's own calibration has the fixed date of all simulated ones."""
        return "scenario" in self._task.facts

    def conclude(self, decoded: Decoded) -> Concluded:
        """Measure each part, or the whole."""
        task = self._task
        parts = None if self._parts is None else list(self._parts())
        facts: dict[str, Any] = {}
        if parts is not None:
            facts[PARTS] = to_fact(parts)
        facts[CALIBRATION] = used_fact(
            task.calibration, task.uncalibrated, decoded, self._calibrations
        )
        if decoded.block is None:
            return Concluded((), ("No samples came.",), facts)
        recording = recording_of(decoded.block, decoded, [], parts or ())
        recording = replace(recording.with_kept(self._calibrations), at=self._at(), notices=[])
        if self._simulated and facts[CALIBRATION]["source"] == POD:
            recording = replace(recording, at=None)
        if self._floors is not None:
            block = recording.block
            kept = self._floors(recording.identity)
            floor = floor_for(kept, block.rate_hz, block.gyro_dps is not None)
            if floor is not None:
                recording = replace(recording, floor=floor)
                facts[NOISE_FLOOR] = floor.to_json()
        if self._mount is not None and len(parts or ()) < 2:
            used = None if task.uncalibrated else task.calibration or recording.stored
            mounting = self._mount.mounting.corrected_by(None if used is None else used.matrix)
            recording = replace(recording, mount=replace(self._mount, mounting=mounting))
            assert recording.mount is not None
            facts[MOUNT] = recording.mount.to_fact()
        zero = None if self._zeros is None else self._zeros(recording.identity)
        if zero is not None:
            recording = replace(recording, zero=zero)
            facts[ZERO] = zero.to_fact()
        elif not task.use_zero:
            facts[ZERO] = UNUSED
        if self._seats is not None:
            # As the facts keep them, so that they are the same when they are read again.
            facts[SEATS] = seats_to_fact(self._seats())
            recording = replace(recording, seats=seats_in(facts))
        if task.request.linear is not None:
            linear = with_kept(task.request.linear, self._library, recording.identity)
            facts[ASSUMED] = to_assumed(replace(task.request, linear=linear))
        wanted: Sequence[Part | None] = parts or [None]
        outcomes = tuple(
            measure_recording(
                task.measure,
                recording,
                task.request if part is None else replace(task.request, wheel=part.wheel),
                task.calibration,
                task.uncalibrated,
                part,
                self._library,
            )
            for part in wanted
        )
        return Concluded(outcomes, tuple(recording.notices), facts)
