"""The person with the linear sensor in the hand: lays it on, keeps still, takes it off again.

Known lengths for a calibration, or a rim's front and rear points to a string, wheel by wheel.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from knuckle.geometry.rotation import turned
from knuckle.model.block import FloatArray
from knuckle.model.wheel import Wheel
from knuckle.sim.case import Case, Stream
from knuckle.sim.linear_spec import Place
from knuckle.sim.motion import Motion, Shake, shaken, swung
from knuckle.sim.moves import Tremor, minimum_jerk
from knuckle.sim.spec import Purpose
from knuckle.sim.string_line import rim_points_mm
from knuckle.sim.truth import GaugedLength, ScriptedRest
from knuckle.wire.messages import Cue

_TOUCH_S = 0.6
_LIFT_S = 0.35
_SETTLE_MM, _SETTLE_S = 0.4, 0.12
_BOUNCE_MM, _BOUNCE_HZ, _BOUNCE_S = 0.6, 8.0, 0.09
_QUIET_S = 0.8
_WANDER_MM = 6.0
_FIRST_S = 3.0
_HAND_SWING_DEG, _HAND_PUSH_G = 0.6, 0.03
_CARRY_DEG = 25.0
_RAMP_S = 0.3


@dataclass(slots=True)
class Touch:
    """The sensor laid on once."""

    number: int
    wheel: Wheel
    place: Place
    length_mm: float
    bounce_mm: float
    settle_mm: float
    start_s: float
    """When the hand sets out for it."""
    on_s: float
    """When it touches."""
    leave_s: float
    released: bool = False


class Gauger:
    """A round of lengths, planned one ahead so that cues can change it.

    Times are seconds since the script's start, when the sensor touches nothing.
    """

    def __init__(self, case: Case) -> None:
        scenario = case.scenario
        self._case = case
        self._script = scenario.script
        self._string = scenario.string
        self._in_hand = scenario.string.in_hand and scenario.purpose is Purpose.TOE
        rng = case.generator(Stream.PERSON, 0)
        self._tremor = Tremor.draw(rng, self._string.tremor_mm, 0.5, 8.0)
        self._wander = Tremor.draw(rng, _WANDER_MM, 0.2, 1.5)
        self._swings = [Tremor.draw(rng, math.radians(_HAND_SWING_DEG), 0.8, 6.0) for _ in range(3)]
        self._pushes = [Tremor.draw(rng, _HAND_PUSH_G, 0.8, 8.0) for _ in range(3)]
        self._stops = self._all_stops()
        self._touches: list[Touch] = []
        self._shakes: list[Shake] = []
        self._knocks_s: list[float] = []
        self._heard_cues = False
        self._over = False
        self._up = case.up
        self._next_touch(_FIRST_S)

    @property
    def end_s(self) -> float:
        """When the script ends; infinite until that is known."""
        last = len(self._touches) == len(self._stops)
        return self._touches[-1].leave_s + _LIFT_S if last or self._over else math.inf

    @property
    def knocks_s(self) -> tuple[float, ...]:
        """Times of the knocks so far."""
        return tuple(self._knocks_s)

    def plan_until(self, t_s: float) -> None:
        """Decide everything that starts up to a time."""
        while not self._over and len(self._touches) < len(self._stops):
            if self._touches[-1].leave_s > t_s:
                return
            self._next_touch(self._touches[-1].leave_s)

    def forget(self, before_s: float) -> None:
        """Do nothing: a round of lengths is short."""

    def cue(self, t_s: float, cue: Cue) -> None:
        """Hear a cue of the pod at a time not before the last one evaluated."""
        if not self._script.heeds_cues:
            return
        touch = self._touches[-1]
        rng = self._case.generator(Stream.PERSON, 1000000 + touch.number)
        leave_s = t_s + float(rng.uniform(*self._script.reaction_s))
        if cue is Cue.FINISHED:
            self._over = True
            touch.leave_s = max(leave_s, touch.on_s)
        elif cue in {Cue.TAKEN, Cue.MOVE_ON}:
            self._heard_cues = True
            if not touch.released and t_s >= touch.on_s:
                touch.released = True
                touch.leave_s = leave_s
        elif cue is Cue.HOLD_STILL:
            self._heard_cues = True
            if not touch.released:
                touch.leave_s = max(touch.leave_s, t_s + self._script.patience_s)

    def lengths_mm(self, t_s: FloatArray) -> FloatArray:
        """Return the sensor's true length at increasing times, shape (n,)."""
        wander = self._wander.at(t_s).value
        length = self._string.free_mm - np.abs(wander)
        tremor = self._tremor.at(t_s).value
        for touch in self._touches:
            begin_s, end_s = touch.on_s - _TOUCH_S, touch.leave_s + _LIFT_S
            first, end = np.searchsorted(t_s, [begin_s, end_s])
            if first == end:
                continue
            t = t_s[first:end]
            on = minimum_jerk(np.clip((t - begin_s) / _TOUCH_S, 0.0, 1.0))[0]
            off = minimum_jerk(np.clip((t - touch.leave_s) / _LIFT_S, 0.0, 1.0))[0]
            age = np.clip(t - touch.on_s, 0.0, None)
            held = touch.length_mm + tremor[first:end]
            held += (
                touch.bounce_mm * np.exp(-age / _BOUNCE_S) * np.sin(2.0 * np.pi * _BOUNCE_HZ * age)
            )
            held += touch.settle_mm * np.exp(-age / _SETTLE_S) * (t >= touch.on_s)
            share = on * (1.0 - off)
            length[first:end] += share * (held - length[first:end])
        return length

    def motion(self, t_s: FloatArray) -> Motion:
        """Return the pod's motion at increasing times: it lies still, or is in the hand."""
        n = t_s.shape[0]
        up = np.broadcast_to(self._up, (n, 3)).copy()
        rate, push = np.zeros((n, 3)), np.zeros((n, 3))
        if self._in_hand:
            up, rate, push = self._carried(t_s, up, rate, push)
        return shaken(Motion(up, rate, push), t_s, self._shakes)

    def rests(self) -> list[ScriptedRest]:
        """Return none: the wheels are not turned."""
        return []

    def gauged(self) -> tuple[GaugedLength, ...]:
        """Return the lengths laid on so far, each from when it is quiet."""
        return tuple(
            GaugedLength(t.wheel, t.place, t.on_s + _QUIET_S, t.leave_s, t.length_mm)
            for t in self._touches
        )

    def _carried(
        self, t_s: FloatArray, up: FloatArray, rate: FloatArray, push: FloatArray
    ) -> Motion:
        """The pod leans from touch to touch, and is unsteady where it is not laid on."""
        axis = np.array([0.0, 1.0, 0.0])
        free = np.ones(t_s.shape)
        for touch in self._touches:
            age = np.minimum(t_s - touch.on_s, touch.leave_s - t_s)
            free = np.minimum(free, np.clip(1.0 - age / _RAMP_S, 0.0, 1.0))
        for touch in self._touches:
            length_s = touch.on_s - touch.start_s
            x = np.clip((t_s - touch.start_s) / length_s, 0.0, 1.0)
            lean = np.radians(_CARRY_DEG) * 16.0 * (x * (1.0 - x)) ** 2
            slope = np.radians(_CARRY_DEG) * 32.0 * x * (1.0 - x) * (1.0 - 2.0 * x) / length_s
            up = turned(up, axis, -lean)
            rate = rate + slope[:, None] * axis
        swings = [swing.at(t_s) for swing in self._swings]
        value = np.stack([s.value for s in swings], axis=-1) * free[:, None]
        speed = np.stack([s.rate for s in swings], axis=-1) * free[:, None]
        up, rate = swung(up, rate, value, speed)
        pushes = np.stack([p.at(t_s).value for p in self._pushes], axis=-1)
        return Motion(up, rate, push + pushes * free[:, None])

    def _all_stops(self) -> list[tuple[Wheel, Place, float]]:
        case, script = self._case, self._script
        once: list[tuple[Wheel, Place, float]] = []
        if case.scenario.purpose is Purpose.LENGTHS:
            once = [(case.scenario.wheel, Place.GAUGE, mm) for mm in script.lengths_mm]
        else:
            for wheel in script.wheels:
                front, rear = rim_points_mm(case, wheel)
                once += [(wheel, Place.FRONT, front), (wheel, Place.REAR, rear)]
        return once * script.repeat

    def _next_touch(self, start_s: float) -> None:
        number = len(self._touches)
        wheel, place, length_mm = self._stops[number]
        rng = self._case.generator(Stream.PERSON, number + 1)
        walks = not self._touches or self._touches[-1].wheel is not wheel
        carry_s = float(rng.uniform(*self._script.handling_s)) * (1.0 if walks else 0.4)
        on_s = start_s + max(carry_s, _LIFT_S + _TOUCH_S + 0.1)
        laid_mm, bounce, settle = rng.standard_normal(3)
        gauge = place is Place.GAUGE
        scatter = 0.2 * self._string.touch_sigma_mm if gauge else self._string.touch_sigma_mm
        leave_s = on_s + _QUIET_S + float(rng.uniform(*self._script.hold_s))
        if self._heard_cues:
            leave_s = on_s + self._script.patience_s
        self._touches.append(
            Touch(
                number,
                wheel,
                place,
                length_mm + scatter * float(laid_mm),
                _BOUNCE_MM * float(bounce),
                _SETTLE_MM * float(settle),
                start_s,
                on_s,
                leave_s,
            )
        )
        self._knock(self._touches[-1], rng)

    def _knock(self, touch: Touch, rng: np.random.Generator) -> None:
        fault = self._case.scenario.faults.knocks
        moment, chance = rng.uniform(0.3, 0.95), rng.uniform()
        hold_s = self._script.hold_s[0]
        times = [t for t in fault.times_s if touch.start_s <= t < touch.leave_s]
        if not fault.times_s and chance < fault.share:
            times = [touch.on_s + moment * hold_s]
        for i, at_s in enumerate(times if fault.on else ()):
            shake_rng = self._case.generator(Stream.SHAKE, 1000 * touch.number + i)
            self._shakes.append(Shake.knock(at_s, fault, shake_rng))
            self._knocks_s.append(at_s)
