"""Calibration of a pod's accelerometer and gyro, live or from a recording."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any, Final

import numpy as np

from knuckle.calibrate.accelerometer import fit_accelerometer
from knuckle.calibrate.face import fit_face
from knuckle.calibrate.finder import find_poses
from knuckle.calibrate.gyro import fit_gyro
from knuckle.calibrate.gyro_turns import LONGEST_FULL_S, turn_between, turns_between
from knuckle.calibrate.made import calibration_of
from knuckle.calibrate.pose import Pose
from knuckle.calibrate.results import AccelerometerFit, FaceFit, FullTurn, GyroFit
from knuckle.errors import UsageError
from knuckle.estimate.data_sheets import (
    AccelerometerSheet,
    GyroSheet,
    Parts,
    accelerometer_sheet,
    gyro_sheet,
)
from knuckle.links.contract import Link
from knuckle.model.block import Block, FloatArray
from knuckle.model.result import Notice, Outcome
from knuckle.model.wheel import Wheel
from knuckle.run.calibrate_outcome import outcome_of
from knuckle.run.calibration_json import Made, to_json
from knuckle.run.calibrations import CALIBRATION, NONE, identity_of
from knuckle.run.events import PodSeen, RunEvent
from knuckle.run.guide_calibrate import QUARTERS, CalibrateGuide
from knuckle.run.linear import stamp
from knuckle.run.measurement import Measurement
from knuckle.run.method import Concluded
from knuckle.run.needed import check_accelerometer
from knuckle.run.pose_marks import POSES, TAKEN_AFTER_S, Part, PoseMark, Taken, to_fact
from knuckle.run.readings import CalibrateBlock
from knuckle.run.replay import Recording, recording_of, sensors_of
from knuckle.run.view import View
from knuckle.store.database import Store
from knuckle.store.recording import Decoded

HOW: Final = "poses, least squares 1"
MADE: Final = "calibration_made"
"""The name of the fact that holds the calibration which a run has made."""
EARLIER: Final = "continues"
"""The name of the fact that names the run which this one carries on."""
_ANOTHER_RUN: Final = 1_000_000
SETTLES_S: Final = 0.25
QUIET_S: Final = 1.0
ALIGNED_DEG: Final = 0.5
"""How well a case is laid back to a pencil mark, one sigma: 1 mm over 100 mm."""


@dataclass(frozen=True)
class CalibrateTask:
    """What to calibrate.

    Attributes
    ----------
    face : bool
        Whether the face run is asked for.
    turn_deg, turn_u_deg : float or None, float
        The full turn that is asked for, and how well it comes back to its mark.
    earlier : tuple of Earlier
        The runs that are carried on, in order.
    """

    face: bool = True
    turn_deg: float | None = None
    turn_u_deg: float = ALIGNED_DEG
    earlier: tuple[Earlier, ...] = ()
    facts: dict[str, Any] = field(default_factory=dict)
    rate_hz: float | None = None


@dataclass(frozen=True)
class Earlier:
    """A run that was broken off, with its poses."""

    run: int
    recording: Recording
    marks: tuple[PoseMark, ...] | None
    """None where the program was killed before it could note them: all are poses in the hand."""

    @property
    def taken(self) -> Taken:
        """Its poses, as its bytes give them."""
        return Taken.from_recording(find_poses(self.recording.block), self.marks)


@dataclass(frozen=True)
class Calibrated:
    """What has come of a calibration.

    Attributes
    ----------
    outcome : Outcome
        Refused where the poses do not settle every parameter.
    fit : AccelerometerFit
    face : FaceFit or None
        None without four readings.
    gyro : GyroFit or None
        None without a gyro, or without turns.
    made : Made or None
        None if refused.
    parts : Parts
        The pod's sensors.
    """

    outcome: Outcome
    fit: AccelerometerFit
    face: FaceFit | None
    gyro: GyroFit | None
    made: Made | None
    parts: Parts


def carried(earlier: Sequence[Earlier]) -> Taken | None:
    """Return what a guide starts from; its poses are told from new ones by their stretch."""
    if not earlier:
        return None
    whole = Taken()
    for number, one in enumerate(earlier, start=1):
        taken = one.taken
        for part in (Part.POSES, Part.FACE):
            poses = taken.of(part)
            if part is Part.FACE and len(poses) < QUARTERS:
                continue  # the surface is not the same any more
            moved = [replace(p, stretch=p.stretch - number * _ANOTHER_RUN) for p in poses]
            whole.of(part).extend(moved)
    return whole


class CalibrateMethod:
    """A calibration in the frame of a live measurement.

    Attributes
    ----------
    result : Calibrated or None
        Once it was concluded.
    """

    measure = "calibrate"
    how = HOW
    wheel = Wheel.LF
    """Stands for the pod in the run loop; it is on no wheel."""

    def __init__(
        self, task: CalibrateTask, guide: Callable[[], CalibrateGuide], date: Callable[[], datetime]
    ) -> None:
        self.result: Calibrated | None = None
        self._task = task
        self._guide = guide
        self._date = date
        self._parts = Parts()

    @property
    def rate_hz(self) -> float | None:
        """As asked for."""
        return self._task.rate_hz

    @property
    def sheet(self) -> AccelerometerSheet:
        """The accelerometer's, once the pod is known."""
        return accelerometer_sheet(self._parts.accelerometer)

    def beforehand(self) -> dict[str, Any]:
        """Return what is asked for, and that the readings are not corrected."""
        task = self._task
        facts = {**task.facts, CALIBRATION: {"source": NONE}}
        if task.turn_deg is not None:
            facts["turn_deg"], facts["turn_u_deg"] = task.turn_deg, task.turn_u_deg
        if task.earlier:
            facts[EARLIER] = [one.run for one in task.earlier]
        return facts

    def take(self, event: RunEvent) -> None:
        """Refuse a pod that cannot serve.

        Raises
        ------
        UsageError
            If it has no accelerometer, no gyro for a turn, or is not the one that is carried on.
        """
        if not isinstance(event, PodSeen):
            return
        check_accelerometer(event, self.measure)
        self._parts = sensors_of(event.hello, dict(event.facts))
        if self._task.turn_deg is not None and event.hello is not None and not self._parts.gyro:
            raise UsageError(
                "The pod has no gyro to turn.", "", "Leave --turn out: the rest needs none."
            )
        own = identity_of(event)
        for earlier in self._task.earlier:
            theirs = earlier.recording.identity
            if own and theirs and own != theirs:
                raise UsageError(
                    f"Run {earlier.run}, to be carried on, is of pod {theirs}, this is pod {own}.",
                    "Each chip has errors of its own.",
                    "Connect that pod, or begin anew without --resume.",
                )

    def calibration_of(self, seen: PodSeen) -> CalibrateBlock | None:
        """Return None: what is to be calibrated is read as it comes."""
        return None

    def conclude(self, decoded: Decoded) -> Concluded:
        """Calibrate from the stored bytes."""
        guide = self._guide()
        facts: dict[str, Any] = {
            POSES: to_fact(guide.marks),
            "drops": guide.drops,
            "ended_early": [part.value for part in guide.ended_early],
        }
        if decoded.block is None:
            return Concluded((), ("No samples came.",), facts)
        recording = recording_of(decoded.block, decoded, [])
        self.result = calibrate_recording(
            recording,
            self._task,
            guide.marks,
            date=stamp(self._date()),
            drops=guide.drops,
        )
        if self.result.made is not None:
            facts[MADE] = to_json(self.result.made)
        return Concluded((self.result.outcome,), tuple(recording.notices), facts)


def calibrate_recording(
    recording: Recording,
    task: CalibrateTask,
    marks: Sequence[PoseMark] | None,
    *,
    date: str,
    drops: int = 0,
) -> Calibrated:
    """Calibrate from a recording.

    Parameters
    ----------
    recording : Recording
        Not corrected.
    marks : sequence of PoseMark or None
        Which poses were taken, and what for; None takes every pose that is found as one in the
        hand, without a face run.
    date : str
        Kept with the calibration.
    drops : int
        How often the pod was knocked beyond its range.
    """
    own = Taken.from_recording(find_poses(recording.block), marks)
    earlier = [(one.recording.block, one.taken) for one in task.earlier]
    sheet = accelerometer_sheet(recording.sensors.accelerometer)
    fit = fit_accelerometer(
        [pose for _, taken in earlier for pose in taken.poses] + own.poses, sheet
    )
    # Each face run has its surface: two of them are not one.
    faces = [t.face for t in (own, *(t for _, t in reversed(earlier))) if len(t.face) >= QUARTERS]
    face = fit_face(faces[0], fit) if faces else None
    # A face run that upsets the poses is told, and left out: they may stand without it.
    upset = face is not None and face.good and fit.is_calibration and not face.is_calibration
    good_face = face if face is not None and face.good and not upset else None
    runs = [*earlier, (recording.block, own)]
    gyro, full_turns = _gyro(runs, good_face or fit, gyro_sheet(recording.sensors.gyro), task)
    made = None
    if fit.is_calibration if good_face is None else good_face.is_calibration:
        good_gyro = gyro if gyro is not None and gyro.good else None
        calibration = calibration_of(
            fit, good_face, good_gyro, identity=recording.identity, date=date
        )
        made = Made(
            calibration,
            (good_face or fit).supported,
            (good_face or fit).unsupported,
            () if good_gyro is None else good_gyro.unsupported,
            good_face is not None,
            sum(one.used for one in fit.residuals),
        )
    outcome = outcome_of(fit, face, gyro, made, drops)
    if task.turn_deg is not None and not full_turns:
        made_one = any(len(taken.turn) == 2 for _, taken in runs)
        text = "The full turn was not made: it does not count."
        if made_one:
            text = (
                "The full turn is not used: the pod has no gyro, readings are missing, or it took "
                f"longer than {LONGEST_FULL_S:.0f} s."
            )
        notice = Notice("NO_FULL_TURN", text)
        outcome = replace(outcome, warnings=(*outcome.warnings, notice))
    return Calibrated(outcome, fit, face, gyro, made, recording.sensors)


def _gyro(
    runs: Sequence[tuple[Block, Taken]],
    by: AccelerometerFit | FaceFit,
    sheet: GyroSheet,
    task: CalibrateTask,
) -> tuple[GyroFit | None, int]:
    """Fit the gyro to the turns between poses, and to full turns; return it and how many were.

    There is no fit without a gyro.
    """
    turns, full = [], []
    for block, taken in runs:
        if block.gyro_dps is None:
            continue
        poses = sorted((*taken.poses, *taken.face), key=lambda p: (p.stretch, p.start_s))
        turns += turns_between(block, poses)
        if task.turn_deg is not None and len(taken.turn) == 2:
            turn = turn_between(block, *_quiet(block, *taken.turn), LONGEST_FULL_S)
            if turn is not None:
                full.append(FullTurn(turn, task.turn_deg, task.turn_u_deg))
    return (fit_gyro(turns, by, sheet, full) if turns else None), len(full)


def _quiet(block: Block, before: Pose, after: Pose) -> tuple[Pose, Pose]:
    """Leave of two rests what is away from the turn between them.

    A hand starts and stops a turn slowly: that still counts as held, and would pass for bias. The
    rest before is quiet until it is taken; of the one after that second serves whose zero rate is
    nearest to it.
    """
    end_s = min(before.end_s, before.start_s + TAKEN_AFTER_S[Part.TURN])
    start_s = min(before.start_s + SETTLES_S, end_s - SETTLES_S)
    first = _read_anew(block, replace(before, start_s=start_s, end_s=end_s))
    starts = np.arange(after.start_s, after.end_s - QUIET_S, SETTLES_S)
    seconds = [
        _read_anew(block, replace(after, start_s=float(at), end_s=float(at) + QUIET_S))
        for at in starts
    ]
    zero = first.gyro_dps
    if zero is None or not seconds:
        return first, after
    return first, min(seconds, key=lambda one: _rate_apart(one, zero))


def _rate_apart(pose: Pose, zero_dps: FloatArray) -> float:
    return float("inf") if pose.gyro_dps is None else float(np.sum((pose.gyro_dps - zero_dps) ** 2))


def _read_anew(block: Block, pose: Pose) -> Pose:
    inside = (block.stretch == pose.stretch) & (block.t_s >= pose.start_s)
    inside &= block.t_s <= pose.end_s
    if block.gyro_dps is None or not inside.any():
        return pose
    return replace(
        pose,
        accel_g=block.accel_g[inside].mean(axis=0),
        gyro_dps=block.gyro_dps[inside].mean(axis=0),
    )


def calibrate_measurement(
    task: CalibrateTask, link: Link, view: View, store: Store
) -> tuple[Measurement, CalibrateMethod]:
    """Return the measurement, not yet begun, and what will hold the calibration."""
    method = CalibrateMethod(task, lambda: guide, lambda: link.clock.utc(link.clock.now_s()))
    guide = CalibrateGuide(
        lambda: method.sheet,
        face=task.face,
        turn_deg=task.turn_deg,
        earlier=carried(task.earlier),
    )
    measurement = Measurement(
        method, link, guide, view, store, wheel_now=lambda: method.wheel, stream_wheel=None
    )
    return measurement, method
