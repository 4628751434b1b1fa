"""The person with the pod in the hand: carries it, hangs it on a wheel, waits, takes it on."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.spatial.transform import Rotation

from knuckle.geometry.rotation import turned
from knuckle.model.block import FloatArray
from knuckle.model.result import Position
from knuckle.model.wheel import Wheel
from knuckle.sim.case import Case, Stream
from knuckle.sim.kinematics import PodAxes, pod_axes
from knuckle.sim.motion import Motion, Shake, shaken, slipped, swung
from knuckle.sim.moves import Tremor, minimum_jerk
from knuckle.sim.spec import Purpose
from knuckle.sim.truth import ScriptedRest
from knuckle.wire.messages import Cue

_RAMP_S = 0.15
_HAND_SWING_DEG, _HAND_PUSH_G = 0.6, 0.03
_HANG_SWING_DEG, _HANG_PUSH_G, _HANG_HZ, _HANG_DECAY_S = 0.25, 0.08, 5.0, 0.2
_QUIET_DEG = 0.02


@dataclass(frozen=True, slots=True)
class Reach:
    """The pod is turned from one attitude to the next: about a fixed axis in its own axes."""

    start_s: float
    end_s: float
    from_vehicle: FloatArray
    """Vehicle axes to pod axes at the start, shape (3, 3)."""
    turn_rad: FloatArray
    """Rotation vector in pod axes; zero while it hangs on a wheel."""


@dataclass(slots=True)
class Visit:
    """The pod on one wheel."""

    number: int
    wheel: Wheel
    hung_s: float
    leave_s: float
    axes: PodAxes
    released: bool = False


class Handler:
    """Camber of one wheel or several, planned one visit ahead so that cues can change it.

    Times are seconds since the script's start, when the pod is in the hand.
    """

    def __init__(self, case: Case) -> None:
        scenario = case.scenario
        self._case = case
        self._script = scenario.script
        self._slip = scenario.faults.slip
        self._wheels = (
            scenario.script.wheels if scenario.purpose is Purpose.CAMBER_ALL else (scenario.wheel,)
        )
        rng = case.generator(Stream.PERSON, 0)
        self._swings = [Tremor.draw(rng, math.radians(_HAND_SWING_DEG), 0.8, 6.0) for _ in range(3)]
        self._pushes = [Tremor.draw(rng, _HAND_PUSH_G, 0.8, 8.0) for _ in range(3)]
        self._reaches: list[Reach] = []
        self._in_hand: list[tuple[float, float]] = []
        self._shakes: list[Shake] = []
        self._knocks_s: list[float] = []
        self._visits: list[Visit] = []
        self._heard_cues = False
        self._over = False
        self._attitude = Rotation.random(rng=rng).as_matrix()
        if self._script.on_wheel and len(self._wheels) == 1:
            self._hangs()
        else:
            self._hang_on(0.0, 0.6)

    @property
    def end_s(self) -> float:
        """When the script ends; infinite until that is known."""
        last = len(self._visits) == len(self._wheels)
        return self._visits[-1].leave_s if last or self._over else math.inf

    @property
    def knocks_s(self) -> tuple[float, ...]:
        """Times of the knocks so far."""
        return tuple(self._knocks_s)

    def plan_until(self, t_s: float) -> None:
        """Decide everything that starts up to a time."""
        while not self._over and len(self._visits) < len(self._wheels):
            if self._visits[-1].leave_s > t_s:
                return
            self._hang_on(self._visits[-1].leave_s, 1.0)

    def forget(self, before_s: float) -> None:
        """Do nothing: a walk round the car is short."""

    def cue(self, t_s: float, cue: Cue) -> None:
        """Hear a cue of the pod at a time not before the last one evaluated."""
        if not self._script.heeds_cues:
            return
        visit = self._visits[-1]
        rng = self._case.generator(Stream.PERSON, 1000000 + visit.number)
        leave_s = t_s + float(rng.uniform(*self._script.reaction_s))
        if cue is Cue.FINISHED:
            self._over = True
            visit.leave_s = max(leave_s, visit.hung_s)
        elif cue in {Cue.TAKEN, Cue.MOVE_ON}:
            self._heard_cues = True
            if not visit.released and t_s >= visit.hung_s:
                visit.released = True
                visit.leave_s = leave_s
        elif cue is Cue.GO_BACK and visit.released:
            visit.released = False
            visit.leave_s = max(visit.leave_s, t_s + self._script.patience_s)
        elif cue is Cue.HOLD_STILL:
            self._heard_cues = True
            if not visit.released:
                visit.leave_s = max(visit.leave_s, t_s + self._script.patience_s)

    def motion(self, t_s: FloatArray) -> Motion:
        """Return the pod's motion at increasing times, shape (n,)."""
        n = t_s.shape[0]
        up, rate, push = np.empty((n, 3)), np.zeros((n, 3)), np.zeros((n, 3))
        ground = self._case.up
        up[:] = self._visits[-1].axes.up
        for reach in self._reaches:
            first, end = np.searchsorted(t_s, [reach.start_s, reach.end_s])
            if first == end:
                continue
            size = float(np.linalg.norm(reach.turn_rad))
            start = reach.from_vehicle @ ground
            if size == 0.0:
                up[first:end] = start
                continue
            axis, length_s = reach.turn_rad / size, reach.end_s - reach.start_s
            shape, slope, _ = minimum_jerk((t_s[first:end] - reach.start_s) / length_s)
            up[first:end] = turned(start, axis, -size * shape)
            rate[first:end] = (size / length_s * slope)[:, None] * axis
        after = t_s >= self._reaches[-1].end_s
        up[after] = self._visits[-1].axes.up
        motion = self._unsteady(Motion(up, rate, push), t_s)
        return slipped(shaken(motion, t_s, self._shakes), t_s, self._slip)

    def rests(self) -> list[ScriptedRest]:
        """Return the stays on wheels so far."""
        quiet_s = _HANG_DECAY_S * math.log(_HANG_SWING_DEG / _QUIET_DEG)
        rests = []
        for visit in self._visits:
            truth = self._case.scenario.truth(visit.wheel)
            rests.append(
                ScriptedRest(
                    wheel=visit.wheel,
                    position=Position.STRAIGHT,
                    start_s=visit.hung_s + quiet_s,
                    end_s=visit.leave_s,
                    steer_deg=0.0,
                    theta_deg=0.0,
                    camber_deg=truth.camber_deg,
                    roll_deg=0.0,
                )
            )
        return rests

    def _hangs(self) -> None:
        """Let the pod be on the first wheel already."""
        case = self._case
        axes = pod_axes(case.scenario.car, self._wheels[0], case.seat, case.up)
        self._attitude = axes.from_vehicle
        self._reaches.append(Reach(0.0, 0.01, self._attitude, np.zeros(3)))
        hold_s = 1.3 * float(case.generator(Stream.PERSON, 1).uniform(*self._script.hold_s))
        self._visits.append(Visit(0, self._wheels[0], 0.0, hold_s, axes))

    def _hang_on(self, start_s: float, share: float) -> None:
        """Carry the pod to the next wheel in a few turns of the hand, hang it on, let go."""
        number = len(self._visits)
        wheel = self._wheels[number]
        case = self._case
        rng = case.generator(Stream.PERSON, number + 1)
        seat = case.seat if number == 0 else case.reseated(number)
        axes = pod_axes(case.scenario.car, wheel, seat, case.up)
        carry_s = share * float(rng.uniform(*self._script.handling_s))
        turns = max(2, round(carry_s / 1.1))
        times = start_s + carry_s * np.linspace(0.0, 1.0, turns + 1)
        for i in range(turns):
            if i == turns - 1:
                goal = axes.from_vehicle
            else:
                lean = Rotation.from_rotvec(rng.normal(0.0, 0.5, 3)).as_matrix()
                goal = lean @ (self._attitude if i == 0 else axes.from_vehicle)
            self._turn_to(goal, float(times[i]), float(times[i + 1]))
        hung_s = start_s + carry_s
        self._in_hand.append((start_s, hung_s))
        hold = case.scenario.script.hold_s
        hold_s = 1.3 * float(rng.uniform(*hold))
        visit = Visit(number, wheel, hung_s, hung_s + hold_s, axes)
        if self._heard_cues:
            visit.leave_s = hung_s + self._script.patience_s
        self._visits.append(visit)
        self._hang(hung_s, rng)
        self._knock(visit, hold_s, rng)

    def _turn_to(self, goal: FloatArray, start_s: float, end_s: float) -> None:
        if self._reaches and start_s > self._reaches[-1].end_s:
            stay = Reach(self._reaches[-1].end_s, start_s, self._attitude, np.zeros(3))
            self._reaches.append(stay)
        turn = -Rotation.from_matrix(goal @ self._attitude.T).as_rotvec()
        self._reaches.append(Reach(start_s, end_s, self._attitude, turn))
        self._attitude = goal

    def _hang(self, hung_s: float, rng: np.random.Generator) -> None:
        """The pod rings down after it is let go, mostly about its +Y."""
        swing = np.array([0.2, 1.0, 0.2]) * rng.normal(0.0, 0.4, 3) + np.array([0.0, 0.6, 0.0])
        push = rng.standard_normal(3)
        self._shakes.append(
            Shake(
                hung_s - 0.02,
                push / np.linalg.norm(push) * _HANG_PUSH_G,
                np.radians(_HANG_SWING_DEG) * swing / np.linalg.norm(swing),
                2 * np.pi * _HANG_HZ,
                _HANG_DECAY_S,
            )
        )

    def _knock(self, visit: Visit, hold_s: float, rng: np.random.Generator) -> None:
        fault = self._case.scenario.faults.knocks
        moment, chance = rng.uniform(0.2, 0.95), rng.uniform()
        first, last = visit.hung_s, visit.hung_s + hold_s
        times = [t for t in fault.times_s if first <= t < last]
        if not fault.times_s and chance < fault.share:
            times = [first + moment * hold_s]
        for i, at_s in enumerate(times if fault.on else ()):
            shake_rng = self._case.generator(Stream.SHAKE, 1000 * visit.number + i)
            self._shakes.append(Shake.knock(at_s, fault, shake_rng))
            self._knocks_s.append(at_s)

    def _unsteady(self, motion: Motion, t_s: FloatArray) -> Motion:
        """Add the hand's unrest while the pod is held."""
        up, rate, push = motion
        for start_s, end_s in self._in_hand:
            first, end = np.searchsorted(t_s, [start_s, end_s])
            if first == end:
                continue
            t = t_s[first:end]
            edge = np.clip(np.minimum(t - start_s, end_s - t) / _RAMP_S, 0.0, 1.0)
            slope = np.where(edge < 1.0, np.where(t - start_s < _RAMP_S, 1.0, -1.0) / _RAMP_S, 0.0)
            swings = [swing.at(t) for swing in self._swings]
            value = np.stack([s.value for s in swings], axis=-1)
            speed = np.stack([s.rate for s in swings], axis=-1)
            up[first:end], rate[first:end] = swung(
                up[first:end],
                rate[first:end],
                value * edge[:, None],
                speed * edge[:, None] + value * slope[:, None],
            )
            pushes = np.stack([p.at(t).value for p in self._pushes], axis=-1)
            push[first:end] += pushes * edge[:, None]
        return Motion(up, rate, push)
