"""A recording of either kind as a block and what is known of its pod."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from knuckle.analysis.request import SeatSpan
from knuckle.errors import RecordingError, UsageError
from knuckle.estimate.calibration import NO_PARTS, Calibration
from knuckle.estimate.data_sheets import Parts, accelerometer_sheet, gyro_sheet
from knuckle.estimate.priors import AccelerometerPrior, GyroPrior, Priors
from knuckle.model.block import Block
from knuckle.model.linear import LinearBlock, linear_of
from knuckle.model.wheel import Wheel
from knuckle.rests.noise_floor import KnownFloor
from knuckle.run.calibration_trust import said
from knuckle.run.calibrations import (
    CALIBRATION,
    NONE,
    STORE,
    Library,
    check_same_pod,
    choose,
    identity_in,
    moment_of,
    of_run,
    of_settings,
)
from knuckle.run.mounting import Mounted, mounted_in, seats_in
from knuckle.run.noise_kept import floor_of_facts
from knuckle.run.parts import Part, from_facts
from knuckle.run.replay_errors import empty, no_accelerometer, no_lengths
from knuckle.run.zeros import KeptZero, zero_in
from knuckle.store.capture import CaptureReader, is_capture, read_capture
from knuckle.store.recording import Decoded, decode
from knuckle.store.wheel_facts import of_wheel
from knuckle.wire.messages import ChannelKind, Hello, Sensor
from knuckle.wire.textlog import read_csv, read_log

SLOWEST_HZ = 2.0
FASTEST_HZ = 20_000.0
"""Rates beyond these are a slip of unit: pods send 10 to 1000 samples a second."""


@dataclass(frozen=True)
class Recording:
    """What a file holds.

    Attributes
    ----------
    block : Block
        As recorded: not yet calibrated.
    stored : Calibration or None
        The pod's own calibration, where the recording holds it.
    says_calibrated : bool
        A log's readings are taken as calibrated already, unless it says
        ``# calibration=none``; a raw capture's are not.
    facts : dict of str to str
    notices : list of str
        What was left out or lost in reading, for people.
    """

    block: Block
    stored: Calibration | None
    says_calibrated: bool
    facts: dict[str, str]
    notices: list[str]
    parts: Sequence[Part] = ()
    """Which stretch belongs to which wheel, where one pod went round the car."""
    wheel: Wheel | None = None
    """The wheel that the recording itself names."""
    identity: str = ""
    """The pod's, as it is stored; empty if not known."""
    linear: LinearBlock | None = None
    """The linear channels of all samples that hold any, not calibrated."""
    sensors: Parts = NO_PARTS
    """The parts that the pod's hello or the log names."""
    at: datetime | None = None
    """When it was taken, where the recording says so."""
    settled: bool = False
    """Whether `stored` is what the run was measured by, so that no other takes its place."""
    floor: KnownFloor | None = None
    """The noise that the detector of rests starts from, as it did in the live run."""
    mount: Mounted | None = None
    """The mounting that the run used, by a wheel-turn run before it."""
    zero: KeptZero | None = None
    """The zero of a reversal that the run used."""
    seats: tuple[SeatSpan, ...] = ()
    """When the pod sat, or lay, untouched, in a wheel-turn run or a reversal."""

    def with_kept(self, library: Library | None) -> Recording:
        """Return it with the newest calibration of its pod, where the store's is newer.

        Parameters
        ----------
        library : callable or None
            Those that the store keeps.

        Raises
        ------
        StoreError
            If it cannot be read.
        """
        corrected = self.says_calibrated and self.stored is None
        if library is None or corrected or self.settled:
            return self
        if self.facts.get(CALIBRATION) not in (None, NONE):
            return self
        used = choose(None, False, library, self.identity, self.stored)
        if used.source != STORE:
            return self
        notices = [*self.notices, said(used, None)]
        return replace(self, stored=used.calibration, notices=notices)

    def calibrated(
        self, priors: Priors, given: Calibration | None, uncalibrated: bool
    ) -> tuple[Block, Priors]:
        """Correct the readings, and say what remains unknown of the sensor.

        Parameters
        ----------
        priors : Priors
            For everything else.
        given : Calibration or None
            A calibration that the user names: before the pod's own.
        uncalibrated : bool
            Whether the user says that there is none.

        Raises
        ------
        UsageError
            If the calibration named is of another pod, or the log is corrected already.
        """
        if given is not None and not uncalibrated:
            check_same_pod(given, self.identity)
            if self.facts.get(CALIBRATION) == "applied":
                raise UsageError(
                    "The recording says that its readings are corrected by a calibration already.",
                    "A second one would make them worse.",
                    "Leave --calibration out, or export the run with --raw.",
                )
        calibration = None if uncalibrated else given or self.stored
        if calibration is not None:
            temp_c = mean_temperature_c(self.block)
            return calibration.applied(self.block), calibration.priors(priors, self.sensors, temp_c)
        own_chip = self.sensors.are_two_chips
        gyro = GyroPrior.data_sheet(gyro_sheet(self.sensors.gyro), own_chip=own_chip)
        priors = replace(priors, gyro=gyro)
        if uncalibrated or not self.says_calibrated:
            sheet = AccelerometerPrior.data_sheet(accelerometer_sheet(self.sensors.accelerometer))
            return self.block, replace(priors, accelerometer=sheet)
        return self.block, priors


@dataclass(frozen=True)
class LinearRecording:
    """What a file or a run holds of linear channels; an accelerometer is not needed.

    Attributes
    ----------
    linear : LinearBlock
        Not calibrated.
    names : tuple of str
        What each column is: the sensor's name by the pod's hello, or the log's column.
    facts : dict of str to str
    notices : list of str
    wheel : Wheel or None
        The wheel that the recording itself names.
    identity : str
        The pod's, as it is stored; empty if not known.
    """

    linear: LinearBlock
    names: tuple[str, ...]
    facts: dict[str, str]
    notices: list[str]
    wheel: Wheel | None = None
    identity: str = ""
    run_facts: Mapping[str, Any] = field(default_factory=dict)
    """Of the stored run that a capture was exported from."""


def read_linear_recording(path: Path, stream: int | None = None) -> LinearRecording:
    """Read the linear channels of a raw capture or a CSV log; arguments as `read_recording`.

    Raises
    ------
    RecordingError
        If it cannot be read or holds no readings of a linear channel.
    UsageError
        If the capture holds several pods and none was named.
    """
    if not is_capture(path):
        log = read_log(path)
        if log.linear is None:
            raise no_lengths(path)
        return LinearRecording(
            log.linear,
            stated_sensors(log.facts) or log.linear_names,
            log.facts,
            log.notices,
            _wheel(log.facts.get("wheel")),
            log.facts.get("id", ""),
            log.facts,
        )
    with read_capture(path) as capture:
        wanted = _stream(capture, stream)
        decoded = decode(_pieces(capture, wanted))
        notices = list(capture.notices)
        wheel = _wheel(capture.header.streams[wanted].wheel)
        run_facts = capture.header.facts
    found = linear_recording_of(decoded, notices)
    if found is None:
        raise no_lengths(path)
    return replace(found, wheel=wheel, run_facts=run_facts)


def linear_recording_of(decoded: Decoded, notices: list[str]) -> LinearRecording | None:
    """Return the linear channels of decoded raw bytes; None if there are none."""
    if decoded.linear is None:
        return None
    names = stated_sensors(decoded.text_facts) or decoded.linear_names
    return LinearRecording(
        decoded.linear, names, decoded.text_facts, notices, None, identity_in(decoded)
    )


def stated_sensors(facts: Mapping[str, str]) -> tuple[str, ...]:
    """Return what a log or a text pod says its linear channels are; empty if it does not."""
    return tuple(name.strip() for name in facts.get("linear_sensors", "").split(",") if name)


def read_recording(path: Path, stream: int | None = None) -> Recording:
    """Read a raw capture or a CSV log.

    Parameters
    ----------
    path : Path
    stream : int, optional
        Of a capture with several pods: which one.

    Raises
    ------
    RecordingError
        If it cannot be read or holds no samples.
    UsageError
        If the capture holds several pods and none was named.
    """
    if not is_capture(path):
        block, facts, notices = read_csv(path)
        _check_rate(path, block)
        # An exported run says so where its readings are the pod's own.
        says_calibrated = facts.get("calibration") != "none"
        wheel = _wheel(facts.get("wheel"))
        identity = facts.get("id", "")
        return Recording(
            block,
            None,
            says_calibrated,
            facts,
            notices,
            wheel=wheel,
            identity=identity,
            linear=linear_of(block),
            sensors=Parts(facts.get("accelerometer", ""), facts.get("gyro", "")),
            at=moment_of(facts.get("started_utc", "")),
            floor=floor_of_facts(facts),
            mount=mounted_in(facts),
            zero=zero_in(facts),
            seats=seats_in(facts),
        )
    with read_capture(path) as capture:
        wanted = _stream(capture, stream)
        decoded = decode(_pieces(capture, wanted))
        notices = list(capture.notices)
        wheel = _wheel(capture.header.streams[wanted].wheel)
        run_facts = of_wheel(capture.header.facts, wheel)
        parts = from_facts(run_facts)
        floor = floor_of_facts(run_facts)
        at = moment_of(capture.header.started_utc)
    if decoded.block is None:
        raise empty(path) if decoded.linear is None else no_accelerometer(path)
    recording = recording_of(decoded.block, decoded, notices, parts)
    fact = run_facts.get(CALIBRATION)
    if isinstance(fact, dict):
        # A run is measured again as it was, whatever the store keeps by now.
        if fact.get("source") == STORE:
            recording = replace(recording, stored=of_run(run_facts, decoded)[1])
        recording = replace(recording, settled=True)
    mount, seats = mounted_in(run_facts), seats_in(run_facts)
    recording = replace(recording, mount=mount, seats=seats, zero=zero_in(run_facts))
    return replace(recording, wheel=wheel, floor=floor, at=at)


def recording_of(
    block: Block, decoded: Decoded, notices: list[str], parts: Sequence[Part] = ()
) -> Recording:
    """Return decoded raw bytes as a recording.

    Parameters
    ----------
    block : Block
        That of `decoded`, which is there.
    decoded : Decoded
    notices : list of str
    parts : sequence of Part, optional
        Of a walk round the car.
    """
    return Recording(
        block,
        of_settings(decoded.settings),
        decoded.hello is None and decoded.text_facts.get("calibration") != "none",
        decoded.text_facts,
        notices,
        parts,
        identity=identity_in(decoded),
        linear=decoded.linear,
        sensors=sensors_of(decoded.hello, decoded.text_facts),
    )


def sensors_of(hello: Hello | None, facts: Mapping[str, str]) -> Parts:
    """Return the parts that a hello names, or a text pod's facts."""
    if hello is None:
        return Parts(facts.get("accelerometer", ""), facts.get("gyro", ""))

    def name(kind: ChannelKind) -> str:
        row = next((c for c in hello.channels if c.kind == kind and c.axes == 3), None)
        known = row is not None and row.sensor is not Sensor.UNKNOWN
        return row.sensor.name.lower() if row is not None and known else ""

    return Parts(name(ChannelKind.ACCELEROMETER), name(ChannelKind.GYRO))


def mean_temperature_c(block: Block) -> float | None:
    """Return the mean temperature of the samples that have one; None if none has."""
    if block.temp_c is None:
        return None
    read = block.temp_c[np.isfinite(block.temp_c)]
    return float(read.mean()) if read.size else None


def _check_rate(path: Path, block: Block) -> None:
    if not SLOWEST_HZ <= block.rate_hz <= FASTEST_HZ:
        raise RecordingError(
            f"{path} has {block.rate_hz:.4g} samples a second by its time column.",
            "The time is most likely in another unit than the header says: t_s is in seconds, "
            "t_ms in milliseconds.",
            "Correct the header, or convert the column.",
        )


def _wheel(name: str | None) -> Wheel | None:
    text = (name or "").strip().upper()
    return Wheel(text) if text in set(Wheel) else None


def _stream(capture: CaptureReader, stream: int | None) -> int:
    count = len(capture.header.streams)
    if stream is None and count > 1:
        raise UsageError(
            f"The capture holds {count} pods.", "", "Name one with --stream 1, --stream 2 ..."
        )
    chosen = 0 if stream is None else stream
    if not 0 <= chosen < count:
        raise UsageError(f"The capture holds {count} pod(s), not number {chosen + 1}.")
    return chosen


def _pieces(capture: CaptureReader, stream: int) -> Iterator[bytes]:
    for chunk in capture:
        if chunk.stream == stream:
            yield chunk.data
