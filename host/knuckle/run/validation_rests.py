"""The pod's readings of a validation, from its samples."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from knuckle.agreement.comparison import PodReading
from knuckle.estimate.calibration import Calibration
from knuckle.estimate.priors import Priors
from knuckle.geometry.rotation import unit
from knuckle.geometry.steering import camber
from knuckle.model.rest import Rest
from knuckle.rests.detector import RestDetector
from knuckle.run.replay import Recording
from knuckle.run.validation_facts import Plan, Taken

_OUTBOARD: Final = np.array([0.0, 1.0, 0.0])


def rest_angle(rest: Rest) -> tuple[float, float]:
    """Return the pod's lean at a rest and the standard uncertainty its noise leaves, deg.

    Notes
    -----
    sin(lean) = -(u . e) with e the mounting face's normal, as camber (docs/measurement.md).
    """
    up = unit(rest.accel_g)
    lean = float(camber(up, _OUTBOARD))
    size = float(np.linalg.norm(rest.accel_g))
    slope = -(_OUTBOARD - up * float(up @ _OUTBOARD)) / (size * np.cos(lean))
    u = float(np.sqrt(max(0.0, slope @ rest.accel_cov_g2 @ slope)))
    return float(np.degrees(lean)), float(np.degrees(u))


def pod_readings(
    recording: Recording,
    plan: Plan,
    taken: Sequence[Taken],
    given: Calibration | None,
    uncalibrated: bool,
    since_s: float,
) -> tuple[list[tuple[str, PodReading]], list[str]]:
    """Measure the pod's readings from the samples; say which of them were no rests.

    Returns
    -------
    list of (str, PodReading)
        With the part of the design it belongs to.
    list of str
        Sentences.
    """
    block, _ = recording.calibrated(Priors(), given, uncalibrated)
    detector = RestDetector(block.rate_hz, block.gyro_dps is not None, known=recording.floor)
    detector.push(block)
    detector.finish()
    rests = detector.rests()
    found: list[tuple[str, PodReading]] = []
    told: list[str] = []
    for item in taken:
        step = plan.steps[item.step]
        rest = max(rests, key=lambda r: _shared_s(r, item), default=None)
        if rest is None or _shared_s(rest, item) <= 0.0:
            told.append(f"Reading {item.step + 1} was no rest after all: left out.")
            continue
        angle_deg, u_deg = rest_angle(rest)
        reading = PodReading(
            *(step.setting, angle_deg, u_deg, step.seat, step.turned, step.direction),
            time_s=since_s + rest.start_s,
        )
        found.append((step.part.value, reading))
    return found, told


def _shared_s(rest: Rest, item: Taken) -> float:
    return min(rest.end_s, item.to_s) - max(rest.start_s, item.from_s)
