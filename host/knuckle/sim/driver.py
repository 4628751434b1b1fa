"""The person in the seat: steering moves with human timing, heeding the cues when they come."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from knuckle.model.block import FloatArray
from knuckle.model.result import Position
from knuckle.model.wheel import Wheel
from knuckle.sim.case import Case, Stream
from knuckle.sim.kinematics import (
    body_roll_curve,
    camber_deg,
    heading_deg,
    pod_axes,
    turned_spin,
)
from knuckle.sim.linear_spec import LinkageKind
from knuckle.sim.linkage import LinkedWheel
from knuckle.sim.motion import Motion, Shake, shaken, slipped, wheel_motion
from knuckle.sim.moves import Motion1, Submove, Track, Tremor
from knuckle.sim.spec import Purpose
from knuckle.sim.truth import ScriptedRest
from knuckle.sim.turn_out import motion_of_wheel, of_wheel_deg
from knuckle.wire.messages import Cue

SETTLED_WITHIN_DEG = 0.1
"""Of its final value: the moment from which a hold counts as a rest (what a cue is timed from)."""
PARKED_MM = 50.0
"""Length of a linear sensor that is laid to nothing."""
_HAND_DEG = 14.0
"""A larger turn is made of several pulls at the steering wheel."""


@dataclass(slots=True)
class Stop:
    """A hold: where the wheel is brought, and from when to when it is held there."""

    number: int
    goal_deg: float
    move_start_s: float
    hold_start_s: float
    leave_s: float
    theta_deg: float
    roll_deg: float
    approach: Track
    """The turn from where the move to this stop started, its moves only."""
    step: int = 1
    """Which of the script's stops this is, from 1."""
    drift_dps: float = 0.0
    released: bool = False
    passed_by: bool = False
    """Called back on the way there: the wheel has never stood there."""


class Driver:
    """A sweep as it happens, planned one stop ahead so that cues can change it.

    Times are seconds since the script's start.
    """

    def __init__(self, case: Case) -> None:
        scenario = case.scenario
        self._case = case
        self._script = scenario.script
        self._side = scenario.wheel.side
        self._knuckle = scenario.car.knuckle(scenario.wheel)
        self._axes = pod_axes(scenario.car, scenario.wheel, case.seat, case.up)
        self._body_roll = body_roll_curve(scenario.car)
        self._turn_out = scenario.car.turn_out if scenario.wheel.is_front else 0.0
        mount = scenario.mount
        self._lever_m = np.array([mount.lever_forward_m, mount.lever_outboard_m, 0.0])
        self._theta_deg = Track()
        self._roll_deg = Track()
        self._tremor_deg = Tremor.draw(
            case.generator(Stream.PERSON, 0), scenario.script.tremor_deg, 0.4, 4.0
        )
        self._slip = scenario.faults.slip
        linked = scenario.linkage.kind is not LinkageKind.NONE
        self.linkage = LinkedWheel(case) if linked else None
        self._shakes: list[Shake] = []
        self._knocks_s: list[float] = []
        self._stops: list[Stop] = []
        self._heard_cues = False
        self._last_cue = Cue.SILENT
        self._over = False
        self._legs = self._all_legs()
        self._stop_count = self._count_stops()
        knocks = scenario.faults.knocks
        if knocks.on:
            for i, at_s in enumerate(sorted(knocks.times_s)):
                rng = case.generator(Stream.SHAKE, 100000 + i)
                self._shakes.append(Shake.knock(at_s, knocks, rng))
                self._knocks_s.append(at_s)
        self._begin()

    @property
    def end_s(self) -> float:
        """When the script ends; infinite until that is known."""
        stop = self._stops[-1]
        last = stop.step >= self._stop_count and not stop.passed_by
        return self._stops[-1].leave_s if last or self._over else math.inf

    @property
    def knocks_s(self) -> tuple[float, ...]:
        """Times of the knocks so far."""
        return tuple(sorted(self._knocks_s))

    def plan_until(self, t_s: float) -> None:
        """Decide all moves that start up to a time."""
        while not self._over and self._stops[-1].leave_s <= t_s < self.end_s:
            self._next_stop()

    def forget(self, before_s: float) -> None:
        """Let go of movements that are over; earlier times will not be asked for again."""
        self._theta_deg.forget(before_s)
        self._roll_deg.forget(before_s)
        self._shakes = [shake for shake in self._shakes if shake.at_s > before_s - 60.0]

    def cue(self, t_s: float, cue: Cue) -> None:
        """Hear a cue of the pod at a time not before the last one evaluated."""
        if not self._script.heeds_cues:
            return
        stop = self._stops[-1]
        before, self._last_cue = self._last_cue, cue
        rng = self._case.generator(Stream.PERSON, 1000000 + stop.number)
        reaction_s = rng.uniform(*self._script.reaction_s)
        if cue is Cue.FINISHED:
            self._over = True
            self._leave(stop, t_s + reaction_s)
        elif cue is Cue.GO_BACK and before is Cue.TROUBLE:
            self._heard_cues = True
            self._called_back(stop, t_s, t_s + reaction_s)
        elif cue in {Cue.TAKEN, Cue.MOVE_ON, Cue.GO_BACK}:
            self._heard_cues = True
            if not stop.released and t_s >= stop.hold_start_s:
                stop.released = True
                self._leave(stop, t_s + reaction_s)
        elif cue is Cue.HOLD_STILL:
            self._heard_cues = True
            if not stop.released:
                self._leave(stop, max(stop.leave_s, t_s + self._script.patience_s))

    def _called_back(self, stop: Stop, t_s: float, at_s: float) -> None:
        """Keep still after all, or turn round: the stop taken last does not count."""
        if stop.released:
            stop.released = False
            self._leave(stop, t_s + self._script.patience_s)
        elif t_s < stop.hold_start_s and stop.step > 1 and not self._script.continuous:
            stop.passed_by = True
            self._leave(stop, at_s)

    def motion(self, t_s: FloatArray) -> Motion:
        """Return the pod's motion at increasing times, shape (n,)."""
        theta, roll = self._theta_deg.at(t_s), self._roll_deg.at(t_s)
        if self._script.tremor_deg:
            theta = Motion1(*(a + b for a, b in zip(theta, self._tremor_deg.at(t_s), strict=True)))
        if self._turn_out:
            theta = motion_of_wheel(theta, self._turn_out, self._side)
        motion = wheel_motion(
            self._axes, _radians(theta), _radians(roll), self._body_roll, self._lever_m
        )
        return slipped(shaken(motion, t_s, self._shakes), t_s, self._slip)

    def lengths_mm(self, t_s: FloatArray) -> FloatArray:
        """Return the length of the linear sensor between wheel and anchor, shape (n,)."""
        if self.linkage is None:
            return np.full(t_s.shape, PARKED_MM)
        theta = self._theta_deg.at(t_s).value
        if self._script.tremor_deg:
            theta = theta + self._tremor_deg.at(t_s).value
        theta = self._of_wheel_deg(theta)
        roll = self._roll_deg.at(t_s).value
        at = np.searchsorted([stop.move_start_s for stop in self._stops], t_s, side="right") - 1
        play_mm = [self._play_mm(stop.number) for stop in self._stops]
        length_mm = self.linkage.length_mm(np.radians(theta), np.radians(roll))
        return np.asarray(length_mm + np.array(play_mm)[np.maximum(at, 0)])

    def _of_wheel_deg(self, turn_deg: FloatArray) -> FloatArray:
        """Return how far this wheel turns."""
        if not self._turn_out:
            return turn_deg
        return of_wheel_deg(turn_deg, self._turn_out, self._side)

    def _play_mm(self, number: int) -> float:
        rng = self._case.generator(Stream.LINKAGE, number)
        return self._case.scenario.linkage.play_mm * float(rng.standard_normal())

    def rests(self) -> list[ScriptedRest]:
        """Return the holds planned so far, drifting ones marked."""
        return [self._rest(stop) for stop in self._stops if not stop.passed_by]

    def _all_legs(self) -> list[tuple[float, ...]]:
        """Return one round: positions passed on the way to a stop, and the stop, of each leg."""
        first, *rest = self._script.positions_deg
        if self._script.continuous and rest:
            return [tuple(rest)]
        legs: list[tuple[float, ...]] = [(goal,) for goal in rest]
        return legs if rest and rest[-1] == first else [*legs, (first,)]

    def _count_stops(self) -> float:
        if self._case.scenario.purpose is Purpose.WATCH:
            return math.inf
        positions = self._script.positions_deg
        once = len(self._legs) * self._script.repeat
        # Back to the start belongs to a round only where the file says so.
        closed = len(positions) > 1 and positions[-1] == positions[0]
        return 1 + once if self._script.continuous or closed else once

    def _begin(self) -> None:
        rng = self._case.generator(Stream.PERSON, 1)
        goal = self._script.positions_deg[0]
        theta = goal + self._script.lock_sigma_deg * float(rng.standard_normal()) if goal else 0.0
        self._theta_deg.start = theta
        leave_s = float(rng.uniform(*self._script.hold_s))
        stop = Stop(1, goal, 0.0, 0.0, leave_s, theta, 0.0, Track(theta))
        self._stops.append(stop)
        self._finish_stop(stop, rng)

    def _next_stop(self) -> None:
        before = self._stops[-1]
        number = before.number + 1
        rng = self._case.generator(Stream.PERSON, number)
        step = before.step - 1 if before.passed_by else before.step + 1
        if step == 1:
            passed, goal = [], self._script.positions_deg[0]
        else:
            *passed, goal = self._legs[(step - 2) % len(self._legs)]
        approach = Track(self._theta_deg.final())
        at_s = before.leave_s
        for middle in passed:
            end_s = self._slow_move(approach, at_s, self._target(middle, rng))
            at_s = end_s - 0.1 * (end_s - at_s)
        target = self._target(goal, rng)
        if self._script.continuous:
            end_s = self._slow_move(approach, at_s, target)
        else:
            end_s = self._quick_move(approach, at_s, target, rng)
        self._theta_deg.submoves += approach.submoves
        roll = self._roll(target, number)
        self._roll_to(roll, before.leave_s, end_s)
        leave_s = end_s + float(rng.uniform(*self._script.hold_s))
        stop = Stop(number, goal, before.leave_s, end_s, leave_s, target, roll, approach, step)
        self._stops.append(stop)
        self._finish_stop(stop, rng)

    def _target(self, goal: float, rng: np.random.Generator) -> float:
        if not self._case.scenario.wheel.is_front:
            return 0.0
        script = self._script
        sigma = script.straight_sigma_deg if abs(goal) < 3.0 else script.lock_sigma_deg
        return goal + sigma * float(rng.standard_normal())

    def _slow_move(self, approach: Track, start_s: float, target_deg: float) -> float:
        amount = target_deg - approach.final()
        length_s = max(2.0, abs(amount) / (self._script.speed_dps / 4.0))
        approach.submoves.append(Submove("reach", start_s, length_s, amount))
        return start_s + length_s

    def _quick_move(
        self, approach: Track, start_s: float, target_deg: float, rng: np.random.Generator
    ) -> float:
        """Pulls at the steering wheel, a small overshoot, its correction, a slow approach."""
        script = self._script
        amount = target_deg - approach.final()
        slow = script.settle_deg * float(rng.standard_normal())
        over = float(np.sign(amount)) * min(
            abs(amount) * abs(script.overshoot_percent / 100.0 * float(rng.standard_normal())), 2.0
        )
        pulls = max(1, math.ceil(abs(amount) / _HAND_DEG))
        length_s = (0.5 + abs(amount) / script.speed_dps) * float(rng.uniform(0.85, 1.25))
        pull_s = length_s / (1.0 + 0.6 * (pulls - 1))
        shares = rng.uniform(0.8, 1.2, pulls)
        shares /= shares.sum()
        add = approach.submoves.append
        for i, share in enumerate(shares):
            begins_s = start_s + 0.6 * pull_s * i
            add(Submove("reach", begins_s, pull_s, (amount + over - slow) * float(share)))
        correction_s = start_s + length_s + float(rng.uniform(0.0, 0.25))
        correction_length_s = float(rng.uniform(0.3, 0.5))
        add(Submove("reach", correction_s, correction_length_s, -over))
        settle_s = start_s + length_s - 0.15
        add(Submove("settle", settle_s, script.settle_s, slow))
        return correction_s + correction_length_s

    def _roll(self, theta_deg: float, number: int) -> float:
        """Roll of the wheel at a stop.

        Free to roll, the contact patch runs on a circle of the scrub radius about the axis: a
        turn to the left rolls a left wheel backwards, a right one forwards, and both of them
        negatively about their outboard spin axis.
        """
        free = self._case.scenario.faults.brake_free
        normal = float(self._case.generator(Stream.ROLL, number).standard_normal())
        if not free.on:
            return self._script.roll_sigma_deg * normal
        ratio = self._knuckle.scrub_mm / self._knuckle.wheel_radius_mm
        return -free.by_scrub * ratio * theta_deg + free.sigma_deg * normal

    def _roll_to(self, roll_deg: float, start_s: float, end_s: float) -> None:
        amount = roll_deg - self._roll_deg.final()
        self._roll_deg.submoves.append(Submove("reach", start_s, end_s - start_s, amount))

    def _finish_stop(self, stop: Stop, rng: np.random.Generator) -> None:
        """Add what goes wrong during the hold."""
        faults = self._case.scenario.faults
        if faults.drifting.on and stop.number in faults.drifting.stops:
            inward = -np.sign(stop.goal_deg) or 1.0
            stop.drift_dps = float(inward * faults.drifting.rate_dps)
            length_s = stop.leave_s - stop.hold_start_s
            self._theta_deg.submoves.append(
                Submove("creep", stop.hold_start_s, length_s, stop.drift_dps)
            )
        if self._heard_cues and not stop.released:
            self._leave(stop, stop.hold_start_s + self._script.patience_s)
        moment, chance = rng.uniform(0.1, 0.95), rng.uniform()
        if faults.knocks.on and not faults.knocks.times_s and chance < faults.knocks.share:
            # Within the hold as it is without cues, so that a hold cut short may miss it.
            at_s = stop.hold_start_s + moment * self._script.hold_s[0]
            shake_rng = self._case.generator(Stream.SHAKE, stop.number)
            self._shakes.append(Shake.knock(at_s, faults.knocks, shake_rng))
            self._knocks_s.append(at_s)

    def _leave(self, stop: Stop, leave_s: float) -> None:
        """Change when a hold ends; a creep goes on to the new end."""
        stop.leave_s = leave_s
        for i, move in enumerate(self._theta_deg.submoves):
            if move.kind == "creep" and move.start_s == stop.hold_start_s:
                length_s = max(0.0, leave_s - move.start_s)
                self._theta_deg.submoves[i] = replace(move, length_s=length_s)

    def _rest(self, stop: Stop) -> ScriptedRest:
        drift_deg = stop.drift_dps * (stop.leave_s - stop.hold_start_s) / 2.0
        first_deg, theta_deg = self._of_wheel_deg(
            np.array([self._stops[0].theta_deg, stop.theta_deg + drift_deg])
        ).tolist()
        spins = turned_spin(self._knuckle, self._side, np.radians([first_deg, theta_deg]))
        headings = heading_deg(spins, self._side)
        return ScriptedRest(
            wheel=self._case.scenario.wheel,
            position=position(self._case.scenario.wheel, stop.goal_deg),
            start_s=self._settled_s(stop),
            end_s=stop.leave_s,
            steer_deg=float(headings[1] - headings[0]),
            theta_deg=theta_deg,
            camber_deg=float(camber_deg(spins[1])),
            roll_deg=stop.roll_deg,
            drift_dps=stop.drift_dps,
        )

    def _settled_s(self, stop: Stop) -> float:
        if stop.move_start_s == stop.hold_start_s or stop.drift_dps:
            return stop.hold_start_s
        grid = np.arange(stop.leave_s, stop.move_start_s, -0.005)[::-1]
        late = stop.approach.at(grid).value
        away = np.flatnonzero(np.abs(late - stop.theta_deg) > SETTLED_WITHIN_DEG)
        return float(grid[min(away[-1] + 1, len(grid) - 1)]) if away.size else stop.move_start_s


def position(wheel: Wheel, turn_left_deg: float) -> Position:
    """Return how a turn to the left (positive) is called at a wheel."""
    if abs(turn_left_deg) < 3.0:
        return Position.STRAIGHT
    return Position.OUT if turn_left_deg * wheel.side > 0 else Position.IN


def _radians(motion: Motion1) -> Motion1:
    return Motion1(*(np.radians(part) for part in motion))
