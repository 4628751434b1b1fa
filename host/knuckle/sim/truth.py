"""What really happened in a simulated run."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from knuckle.model.result import Position
from knuckle.model.wheel import Wheel
from knuckle.sim.car import WheelTruth
from knuckle.sim.linear_spec import Place
from knuckle.sim.linkage import LinkageTruth


@dataclass(frozen=True, slots=True)
class ScriptedRest:
    """A hold of the script, after settling.

    Attributes
    ----------
    wheel : Wheel
        The wheel that carries the pod.
    position : Position
        Where it stands, seen from that wheel.
    start_s, end_s : float
        From when steer stays within 0.1 deg of its final value (camber: the pod hangs quietly)
        until the next movement starts; seconds since the first sample.
    steer_deg : float
        True change of heading from the script's start, left positive.
    theta_deg : float
        True turn about the steering axis.
    camber_deg : float
        True camber there, relative to the pads, the body's roll left out.
    roll_deg : float
        True roll of the wheel about its spin axis.
    drift_dps : float
        Speed of a steering that creeps; 0 for a proper rest.
    """

    wheel: Wheel
    position: Position
    start_s: float
    end_s: float
    steer_deg: float
    theta_deg: float
    camber_deg: float
    roll_deg: float
    drift_dps: float = 0.0

    @property
    def duration_s(self) -> float:
        """Length, in s."""
        return self.end_s - self.start_s


@dataclass(frozen=True, slots=True)
class GaugedLength:
    """The linear sensor laid on once.

    Attributes
    ----------
    wheel : Wheel
    place : Place
        The rim's front or rear point, or a known length.
    start_s, end_s : float
        From when it has settled until it is taken off.
    length_mm : float
        True length while it is held.
    """

    wheel: Wheel
    place: Place
    start_s: float
    end_s: float
    length_mm: float


class PoseKind(StrEnum):
    """What a pod is held still for."""

    POSE = "pose"
    FACE = "face"
    TURN = "turn"
    LAID_DOWN = "laid down"


@dataclass(frozen=True, slots=True)
class PosedRest:
    """The pod held still once, for its calibration.

    Attributes
    ----------
    kind : PoseKind
    start_s, end_s : float
        From when it is there until it is taken away.
    up : tuple of 3 float
        "Up" in pod axes at its start.
    """

    kind: PoseKind
    start_s: float
    end_s: float
    up: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Truth:
    """The truth behind one run: the angles, the rests, and what was drawn.

    Attributes
    ----------
    wheel : WheelTruth
        Of the wheel that carries the pod at the start.
    caster_as_swept_deg : float
        The caster that a sweep on the springs shows: the body rolls as the wheels steer.
    rests : tuple of ScriptedRest
        In order of time; drifting holds are among them, marked by `drift_dps`.
    knocks_s : tuple of float
        Times of the knocks, in seconds since the first sample.
    tilt_deg, yaw_deg : float
        The seat's errors as drawn.
    left_higher_deg, front_higher_deg : float
        The pads' slopes as drawn.
    lengths : tuple of GaugedLength
        What the linear sensor was laid on to, in order of time.
    linear_gain, linear_offset_mm : float
        Of the linear sensor, as drawn.
    linkage : LinkageTruth or None
        The sensor's linkage to the wheel, as drawn.
    poses : tuple of PosedRest
        In which the pod was held still to be calibrated.
    stood : tuple of (float, float, float)
        From, until, and the true angle (deg) that the pod was held against a protractor at.
    """

    wheel: WheelTruth
    caster_as_swept_deg: float
    rests: tuple[ScriptedRest, ...]
    knocks_s: tuple[float, ...]
    tilt_deg: float
    yaw_deg: float
    left_higher_deg: float
    front_higher_deg: float
    lengths: tuple[GaugedLength, ...] = ()
    linear_gain: float = 1.0
    linear_offset_mm: float = 0.0
    linkage: LinkageTruth | None = None
    poses: tuple[PosedRest, ...] = ()
    stood: tuple[tuple[float, float, float], ...] = ()
