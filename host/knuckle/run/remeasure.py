"""Measure from a recording: the one way by which live runs, too, come to their results.

A live run stores its bytes and then measures from them exactly as a replay does, so both give
the same figures to the last digit.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from knuckle.analysis.measure import measure
from knuckle.analysis.mount_watch import measured, not_trusted
from knuckle.analysis.request import Request
from knuckle.errors import UsageError
from knuckle.estimate.calibration import Calibration
from knuckle.estimate.data_sheets import accelerometer_sheet
from knuckle.estimate.priors import Priors
from knuckle.model.block import Block
from knuckle.model.result import Notice, Outcome
from knuckle.rests.detector import RestDetector
from knuckle.run.calibration_trust import trust_notices
from knuckle.run.calibrations import APPLIED, CALIBRATION
from knuckle.run.linear_calibrations import Library
from knuckle.run.linear_steer import with_kept
from knuckle.run.mounting import OPTION
from knuckle.run.parts import Part
from knuckle.run.replay import Recording, mean_temperature_c

METHOD: Final = "rests, least squares 1"
"""Names the way of computing in the store; a new number for every change of its figures."""

ON_A_WHEEL: Final = ("camber", "sweep")
"""What a measured mounting serves."""


def mounted(
    recording: Recording, block: Block, priors: Priors, used: Calibration | None
) -> tuple[Priors, list[Notice]]:
    """Return priors with the recording's mounting, if the recording bears it out, and a note.

    Parameters
    ----------
    recording : Recording
        With a mounting.
    block : Block
        Its readings, calibrated.
    priors : Priors
    used : Calibration or None
        By which they were.
    """
    mount = recording.mount
    assert mount is not None
    trouble = not_trusted(block, stated=mount.said == OPTION)
    if trouble is not None:
        return priors, [trouble]
    matrix = None if used is None else used.matrix
    if recording.facts.get(CALIBRATION) == APPLIED:
        matrix = mount.mounting.matrix  # an exported log holds corrected readings
    return mount.mounting.on(priors, matrix), [measured(mount.run, mount.said)]


def zeroed(
    recording: Recording, block: Block, priors: Priors, used: Calibration | None
) -> tuple[Priors, Notice]:
    """Return priors with the recording's zero, where it serves, and a note; as `mounted`."""
    kept = recording.zero
    assert kept is not None
    matrix = None if used is None else used.matrix
    if recording.facts.get(CALIBRATION) == APPLIED:
        matrix = kept.zero.matrix
    return kept.applied(
        priors,
        accelerometer_sheet(recording.sensors.accelerometer),
        temp_c=mean_temperature_c(block),
        at=recording.at,
        corrected_by=matrix,
    )


def measure_recording(
    name: str,
    recording: Recording,
    request: Request,
    given: Calibration | None = None,
    uncalibrated: bool = False,
    part: Part | None = None,
    library: Library | None = None,
) -> Outcome:
    """Calibrate, find the rests, measure.

    Parameters
    ----------
    name : str
        "camber", "sweep", "spin" or "reversal".
    recording : Recording
    request : Request
        Its sensor priors are replaced by those of a calibration, if there is one, and these by
        what the user states.
    given : Calibration or None
        Named by the user.
    uncalibrated : bool
    part : Part or None
        The stretch to measure from; the whole recording if None.
    library : callable, optional
        Calibrations of linear sensors that are kept.

    Raises
    ------
    UsageError
        If the recording says that it is of another wheel, or a calibration is of another pod.
    """
    if part is None and recording.wheel not in (None, request.wheel):
        raise UsageError(
            f"The recording says that it is of {recording.wheel}, not of {request.wheel}.",
            "On the wrong side caster would come out reversed.",
            f"Say --wheel {recording.wheel}, or correct the recording.",
        )
    linear = with_kept(request.linear, library, recording.identity)
    block, priors = recording.calibrated(request.priors, given, uncalibrated)
    used = None if uncalibrated else given or recording.stored
    mount_notices: list[Notice] = []
    if recording.mount is not None and name in ON_A_WHEEL:
        priors, mount_notices = mounted(recording, block, priors, used)
    if recording.zero is not None and name in ON_A_WHEEL:
        priors, said = zeroed(recording, block, priors, used)
        mount_notices.append(said)
    if part is not None:
        block = part.cut(block)
    seen, known = block, recording.floor
    if name == "spin":
        # At each place of the turn gravity pulls the gyro's bias elsewhere (0.1 deg/s/g by the
        # MPU-6050's data sheet): held against each other its means would cast out good stops.
        seen, known = replace(block, gyro_dps=None), None
    detector = RestDetector(seen.rate_hz, seen.gyro_dps is not None, known=known)
    detector.push(seen)
    detector.finish()
    outcome = measure(
        name,
        block,
        detector.rests(),
        replace(
            request,
            priors=priors.with_stated(),
            linear=linear,
            seats=recording.seats,
            correction=None if used is None else used.matrix,
        ),
        detector.dropped,
    )
    outcome = replace(outcome, warnings=(*outcome.warnings, *mount_notices))
    if used is None:
        return outcome
    notices = trust_notices(
        used,
        identity=recording.identity,
        temp_c=mean_temperature_c(block),
        at=recording.at,
        named=given is not None,
    )
    return replace(outcome, warnings=(*outcome.warnings, *notices))
