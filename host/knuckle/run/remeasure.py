"""Measure from a recording: the one way by which live runs, too, come to their results.

A live run stores its bytes and then measures from them exactly as a replay does, so both give
the same figures to the last digit.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from knuckle.analysis.measure import measure
from knuckle.analysis.request import Request
from knuckle.errors import UsageError
from knuckle.estimate.calibration import Calibration
from knuckle.model.result import Outcome
from knuckle.rests.detector import RestDetector
from knuckle.run.calibration_trust import trust_notices
from knuckle.run.linear_calibrations import Library
from knuckle.run.linear_steer import with_kept
from knuckle.run.parts import Part
from knuckle.run.replay import Recording, mean_temperature_c

METHOD: Final = "rests, least squares 1"
"""Names the way of computing in the store; a new number for every change of its figures."""


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
        "camber" or "sweep".
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
    if part is not None:
        block = part.cut(block)
    detector = RestDetector(block.rate_hz, block.gyro_dps is not None, known=recording.floor)
    detector.push(block)
    detector.finish()
    outcome = measure(
        name,
        block,
        detector.rests(),
        replace(request, priors=priors.with_stated(), linear=linear),
        detector.dropped,
    )
    used = None if uncalibrated else given or recording.stored
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
