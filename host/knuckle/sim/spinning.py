"""The person who turns a wheel by hand, and seats the pod anew; and the one with a bench."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from scipy.spatial.transform import Rotation

from knuckle.geometry.rotation import unit
from knuckle.model.block import FloatArray
from knuckle.sim.case import Case, Stream
from knuckle.sim.kinematics import Seat, on_rim, pod_axes
from knuckle.sim.motion import Motion, swung
from knuckle.sim.turning import Turner

_OFF_DEG: Final = 25.0
_TURN_DPS: Final = 35.0
_SINK_OVER_S: Final = 60.0
_BASE: Final = np.array([0.0, 0.0, 1.0])


class Spinner(Turner):
    """Turns the wheel about its spin axis, with stops or slowly; then seats the pod anew."""

    def __init__(self, case: Case) -> None:
        scenario = case.scenario
        self._seat_number = 0
        self._axes = pod_axes(scenario.car, scenario.wheel, case.seat, case.up)
        self._turned_rad = 0.0
        self._of_seat_rad = 0.0
        self._enough = False
        self._seats: list[Seat] = [case.seat]
        super().__init__(case, self._axes.up)

    @property
    def seats(self) -> tuple[Seat, ...]:
        """How the pod sat, runout included, so far."""
        return tuple(self._seats)

    def _moves_on(self) -> None:
        self._enough = True

    def _go_on(self, start_s: float, rng: np.random.Generator) -> None:
        spinning = self._spinning
        arc = math.radians(spinning.arc_deg)
        if self._enough or self._of_seat_rad >= arc - 1e-9:
            if self._seat_number + 1 < spinning.seats:
                self._reseat(start_s, rng)
            return
        part = arc if not spinning.stops else 2.0 * math.pi / spinning.stops
        left = arc - self._of_seat_rad
        last = left <= 1.5 * part
        scatter = math.radians(spinning.scatter_deg) * float(rng.standard_normal())
        amount = left if last else part + scatter
        length_s = spinning.turn_s if not spinning.stops else 0.6 + math.degrees(amount) / _TURN_DPS
        self._of_seat_rad += amount
        self._turned_rad += amount
        radius = np.array([0.0, 0.0, spinning.radius_m])
        self._add(start_s, length_s, self._axes.spin * amount, radius_m=radius)

    def _reseat(self, start_s: float, rng: np.random.Generator) -> None:
        """Take the pod off, turn it on the rim, set it back; the wheel stands."""
        case = self._case
        scenario, spinning = case.scenario, case.scenario.spinning
        self._seat_number += 1
        off = spinning.reseat_deg * rng.standard_normal(2)
        first = case.bare_seat
        seat = Seat(
            first.pitch_rad + math.radians(self._seat_number * spinning.clock_deg),
            first.tilt_rad + math.radians(float(off[0])),
            first.yaw_rad + math.radians(float(off[1])),
        )
        seat = on_rim(seat, scenario.mount.runout_deg, scenario.mount.runout_at_deg)
        self._seats.append(seat)
        self._axes = pod_axes(scenario.car, scenario.wheel, seat, case.up)
        goal = Rotation.from_rotvec(-self._axes.spin * self._turned_rad).apply(self._axes.up)
        self._of_seat_rad, self._enough = 0.0, False
        lean = np.radians(_OFF_DEG) * unit(rng.standard_normal(3) * [1.0, 0.1, 0.3])
        self._add(start_s, 1.2, lean, held=True)
        at = self._pieces[-1].end_up
        back, _ = Rotation.align_vectors(goal[None], at[None])
        self._add(start_s + 1.2, 1.8, -np.asarray(back.as_rotvec()), held=True)

    def _leaning(self, motion: Motion, t_s: FloatArray) -> Motion:
        spinning = self._spinning
        lean, speed, _ = self._lean.at(t_s)
        grown, growth = self._pushed(t_s)
        size = math.radians(spinning.tremor_deg) + math.radians(spinning.rock_deg) * grown
        sink = math.radians(spinning.sink_deg) / _SINK_OVER_S
        angle = size * lean + sink * t_s
        rate = size * speed + math.radians(spinning.rock_deg) * growth * lean + sink
        # About the car's length: square to "up" and to the spin axis, near enough for a lean.
        ahead = unit(np.cross(motion.up, self._axes.spin))
        up, turning = swung(
            motion.up, motion.rate_rad_s, ahead * angle[:, None], ahead * rate[:, None]
        )
        return Motion(up, turning, motion.push_g)

    def _pushed(self, t_s: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return how much a hand works at the wheel, 0 to 1, and the slope of that."""
        grown, growth = np.zeros(t_s.shape), np.zeros(t_s.shape)
        for piece in self._pieces:
            if piece.held:
                continue
            first, end = np.searchsorted(t_s, [piece.start_s, piece.end_s])
            length_s = piece.end_s - piece.start_s
            phase = 2.0 * math.pi * (t_s[first:end] - piece.start_s) / length_s
            grown[first:end] = (1.0 - np.cos(phase)) / 2.0
            growth[first:end] = math.pi / length_s * np.sin(phase)
        return grown, growth


class Reverser(Turner):
    """Lays the pod on a bench and turns it end for end on it."""

    def __init__(self, case: Case) -> None:
        spinning = case.scenario.spinning
        self._placed = 1
        self._heading = 0.0
        self._seating_deg = spinning.seating_deg
        square = Rotation.from_rotvec([math.radians(spinning.square_deg), 0.0, 0.0])
        self._base = square.apply(_BASE)
        self._slope = np.radians(spinning.slope_deg)
        super().__init__(case, self._lying(case.generator(Stream.POSE, 0)))

    @property
    def placed(self) -> int:
        """How often it has been laid down so far."""
        return self._placed

    def _lying(self, rng: np.random.Generator) -> FloatArray:
        """Return "up" in pod axes where it lies now."""
        c, s = math.cos(self._heading), math.sin(self._heading)
        turn = np.array([[c, s], [-s, c]])
        seating = math.radians(self._seating_deg) * rng.standard_normal(2)
        level = turn @ self._slope + seating
        flat = unit(np.array([math.tan(level[0]), math.tan(level[1]), 1.0]))
        square, _ = Rotation.align_vectors(self._base[None], _BASE[None])
        return np.asarray(square.apply(flat))

    def _go_on(self, start_s: float, rng: np.random.Generator) -> None:
        spinning = self._spinning
        if self._placed >= spinning.placings + (1 if spinning.same_way_at else 0):
            return
        self._placed += 1
        half = 0.0 if self._placed == spinning.same_way_at else math.pi
        half += math.radians(spinning.half_turn_deg) * float(rng.standard_normal())
        self._heading += half
        goal = self._lying(self._case.generator(Stream.POSE, self._placed))
        lift = np.radians(_OFF_DEG) * unit(np.array([1.0, 0.4 * float(rng.standard_normal()), 0.0]))
        self._add(start_s, 0.9, lift, held=True)
        self._add(start_s + 0.9, 1.6, self._pieces[-1].end_up * half, held=True)
        at = self._pieces[-1].end_up
        down, _ = Rotation.align_vectors(goal[None], at[None])
        self._add(start_s + 2.5, 0.9, -np.asarray(down.as_rotvec()), held=True)
