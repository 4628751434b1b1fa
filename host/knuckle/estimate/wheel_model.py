"""The wheel as the estimator sees it: unknowns, what the pod should read, and the results.

All vectors are in pod axes as the pod stood at the datum rest, the wheel not rolled. A pod that
has turned by theta about the steering axis k and rolled by rho about the spin axis e has the
orientation A = R(k, theta) R(e, rho), and reads up as A' u. Derivation in docs/measurement.md.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from knuckle.estimate.linear_steer import LinearRows
from knuckle.estimate.priors import Given, Priors
from knuckle.estimate.sensor import (
    BIAS,
    CURVE,
    TURN,
    accel_matrix,
    chip_turn,
    read_by,
    spin_of_normal,
    tangents,
)
from knuckle.estimate.solver import Pattern
from knuckle.estimate.turns import Turn
from knuckle.estimate.unknowns import (
    Known,
    Unknowns,
    accelerometer_errors,
    accelerometer_unknowns,
    known_deg,
)
from knuckle.geometry.rotation import (
    Array,
    cross,
    dot,
    product,
    quaternion,
    rotation_vector,
    turned,
    unit,
)
from knuckle.geometry.steering import (
    WheelFrame,
    camber,
    caster_and_inclination,
    heading_change,
    on_pads,
    turned_to_vehicle,
    wheel_frame,
)
from knuckle.model.block import FloatArray

READING_FLOOR_G = 5e-5
"""Smallest standard uncertainty of a rest's reading: a tenth of the quantum of a 14-bit part."""


LARGEST_SLIP_DEG = 10.0
"""One sigma of a slip of the mount, where one is looked for."""


@dataclass(frozen=True)
class Reading:
    """A rest, or a short window of a slow move, as the estimator takes it.

    Attributes
    ----------
    accel_g : ndarray, shape (3,)
        Mean specific force.
    covariance_g2 : ndarray, shape (3, 3)
        Of that mean.
    lever_g_per_m : ndarray, shape (3, 3), or None
        How the pod's distance from the steering axis (m) adds to the reading of a moving
        wheel; None for a rest.
    """

    accel_g: FloatArray
    covariance_g2: FloatArray
    lever_g_per_m: FloatArray | None = None


@dataclass(frozen=True)
class HeadingMark:
    """A change of heading from straight ahead read by eye or lever at one rest."""

    rest: int
    heading_rad: float
    standard_uncertainty_rad: float


@dataclass(frozen=True)
class BodyRoll:
    """Roll of the body at each rest, as shares of the roll at left and at right lock."""

    left_share: FloatArray
    right_share: FloatArray


class State(NamedTuple):
    """The unknowns by name; leading shape (...) is that of the stacked unknowns."""

    axis: Array
    up: Array
    spin: Array
    theta: Array
    roll: Array
    bias: Array
    matrix: Array
    curve: Array
    gyro_matrix: Array
    toe: Array
    pads: Array
    body_roll: Array
    slip: Array
    lever: Array


class WheelModel:
    """Unknowns, rows and outputs of a sweep.

    Parameters
    ----------
    readings : list of Reading
        One a rest, in order of time.
    turns : list of Turn
        The gyro's rotations between rests; may be empty.
    marks : list of HeadingMark
        Headings known from elsewhere; may be empty.
    straight : list of int
        The rests at straight ahead; the first is the datum.
    side : int
        +1 on left wheels, -1 on right wheels.
    priors : Priors
    roll_deg : float
        Prior of the wheel's roll at each rest.
    axis, up : ndarray, shape (3,)
        Where the steering axis and up at the datum are sought.
    body_roll : BodyRoll or None
    slip_after : int or None
        If given, the pod may have slipped in tilt and yaw on its mount after that rest.
    linear : LinearRows or None
        A linear sensor laid to the wheel.
    """

    def __init__(
        self,
        readings: list[Reading],
        turns: list[Turn],
        marks: list[HeadingMark],
        straight: list[int],
        side: int,
        priors: Priors,
        roll_deg: float,
        axis: FloatArray,
        up: FloatArray,
        body_roll: BodyRoll | None = None,
        slip_after: int | None = None,
        linear: LinearRows | None = None,
    ) -> None:
        self.straight = straight
        self.side = side
        self.count = len(readings)
        self._axis, self._axis_tangents = axis, tangents(axis)
        self._up, self._up_tangents = up, tangents(up)
        self._spin, spin_covariance = priors.spin_prior()
        self._spin_measured = priors.spin_axis is not None
        self._spin_tangents = tangents(self._spin)
        self._readings = np.stack([r.accel_g for r in readings])
        floor = np.eye(3) * READING_FLOOR_G**2
        self._reading_whitener = np.linalg.inv(
            np.linalg.cholesky(np.stack([r.covariance_g2 for r in readings]) + floor)
        )
        levers = [r.lever_g_per_m for r in readings]
        self._moving = any(lever is not None for lever in levers)
        self._levers = np.stack([np.zeros((3, 3)) if one is None else one for one in levers])
        self._before = np.array([t.before for t in turns], dtype=int)
        self._after = np.array([t.after for t in turns], dtype=int)
        self._turns = np.array([t.rotation_rad for t in turns]).reshape(-1, 3)
        turn_floor = np.eye(3) * np.radians(priors.gyro_turn_deg) ** 2
        self._turn_whitener = np.array(
            [np.linalg.inv(np.linalg.cholesky(t.covariance_rad2 + turn_floor)) for t in turns]
        ).reshape(-1, 3, 3)
        self._marks = marks
        self._body_roll = body_roll
        self._linear = linear
        after = np.arange(self.count) > (self.count if slip_after is None else slip_after)
        self._slipped = after.astype(float)
        self._others = [i for i in range(self.count) if i != straight[0]]
        self.unknowns, self.sources = self._lay_out(priors, roll_deg, spin_covariance)
        self.size = self.unknowns.size

    def _lay_out(
        self, priors: Priors, roll_deg: float, spin_covariance: FloatArray
    ) -> tuple[Unknowns, tuple[str, ...]]:
        """Return the unknowns, and the source of every row."""

        def within(name: str, source: str, sigma_deg: float, size: int) -> Known:
            return known_deg(name, source, [Given(0.0, sigma_deg)] * size)

        accel = priors.accelerometer
        known = [
            Known("spin", "mount", np.zeros(2), spin_covariance),
            within("roll", "roll", roll_deg, self.count),
            *accelerometer_unknowns(accel),
            known_deg("toe", "straight_ahead", [priors.toe]),
            known_deg("pads", "pads", [priors.pads_across, priors.pads_along]),
        ]
        if self._turns.size:
            known.append(Known("gyro", "gyro_calibration", np.zeros(9), priors.gyro.covariance))
            if priors.gyro.turn_deg is not None:
                known.append(within("gyro_turn", "gyro_turn", priors.gyro.turn_deg, 3))
        if self._body_roll is not None and priors.body_roll is not None:
            known.append(known_deg("body_roll", "body_roll", priors.body_roll))
        if self._slipped.any():
            known.append(within("slip", "mount", LARGEST_SLIP_DEG, 2))
        if self._moving:
            known.append(Known("lever", "lever", np.zeros(3), np.eye(3) * priors.lever_m**2))
        free = {"axis": 2, "up": 2, "theta": self.count - 1}
        lengths = 0
        if self._linear is not None:
            known += self._linear.known
            free |= self._linear.free
            lengths = self._linear.rests.size
        unknowns = Unknowns(free, known)
        noise, gyro, plates = 3 * self.count, 3 * len(self._turns), len(self._marks)
        measured = ("noise",) * noise + ("gyro",) * gyro + ("plates",) * plates
        measured += ("linear",) * lengths
        return unknowns, measured + unknowns.sources

    def pattern(self) -> Pattern:
        """Return which rows each unknown touches: a rest's turn and roll touch few."""
        rest = np.arange(self.count)
        between = (self._before[:, None] == rest) | (self._after[:, None] == rest)
        lengths = [] if self._linear is None else list(self._linear.rests)
        at = np.array([mark.rest for mark in self._marks] + lengths, dtype=int)
        marked = (at[:, None] == rest) | np.isin(rest, self.straight)
        by_rest = np.repeat(np.vstack([rest[:, None] == rest, between]), 3, axis=0)
        measured = np.ones((by_rest.shape[0] + at.size, self.size), dtype=bool)
        turn = np.vstack([by_rest, marked])
        measured[:, self.unknowns.where("theta")] = turn[:, self._others]
        measured[:, self.unknowns.where("roll")] = np.vstack([by_rest, np.zeros_like(marked)])
        if self._linear is not None:
            measured[:, self.unknowns.where("linear_curve")] = False
            first = measured.shape[0] - len(lengths)
            measured[first:, self.unknowns.where("linear_curve")] = self._linear.curve_pattern
        return Pattern.of(np.vstack([measured, self.unknowns.prior_pattern()]))

    def start(self, theta_rad: FloatArray) -> FloatArray:
        """Return where the search begins, given first guesses of all turns from the datum."""
        x = self.unknowns.means()
        x[self.unknowns.where("theta")] = theta_rad[self._others]
        return x

    def state(self, x: Array) -> State:
        """Name the unknowns, shape (..., p)."""
        lead = x.shape[:-1]

        def part(name: str, size: int) -> Array:
            if name in self.unknowns:
                return self.unknowns.part(x, name)
            return np.zeros((*lead, size), dtype=x.dtype)

        def direction(name: str, v: FloatArray, tangents: FloatArray) -> Array:
            return unit(v + part(name, 2) @ tangents)

        theta = np.zeros((*lead, self.count), dtype=x.dtype)
        theta[..., self._others] = part("theta", self.count - 1)
        accel = accelerometer_errors(self.unknowns, x)
        spin = direction("spin", self._spin, self._spin_tangents)
        own_chip = "gyro_turn" in self.unknowns
        gyro_chip = chip_turn(part("gyro_turn", 3) if own_chip else accel[..., TURN])
        locks = part("body_roll", 2)
        shares = self._body_roll or BodyRoll(np.zeros(self.count), np.zeros(self.count))
        slip = part("slip", 2) @ np.eye(3)[[0, 2]]
        return State(
            axis=direction("axis", self._axis, self._axis_tangents),
            up=direction("up", self._up, self._up_tangents),
            spin=spin_of_normal(spin, accel) if self._spin_measured else spin,
            theta=theta,
            roll=part("roll", self.count),
            bias=accel[..., BIAS],
            matrix=accel_matrix(accel),
            curve=accel[..., CURVE],
            gyro_matrix=np.eye(3) + part("gyro", 9).reshape(*lead, 3, 3) + gyro_chip,
            toe=part("toe", 1)[..., 0],
            pads=part("pads", 2),
            body_roll=locks[..., :1] * shares.left_share + locks[..., 1:] * shares.right_share,
            slip=slip[..., None, :] * self._slipped[:, None],
            lever=part("lever", 3),
        )

    def _in_pod(self, s: State, vector: Array, theta: Array, roll: Array) -> Array:
        """Return a space-fixed vector as pods at each rest see it: A' v; shape (..., n, 3)."""
        axis, spin = s.axis[..., None, :], s.spin[..., None, :]
        return turned(turned(vector, axis, -theta), spin, -roll)

    def _frame(self, s: State, theta: Array) -> tuple[WheelFrame, Array]:
        """Return the wheel's frame on the pads and the spin axis, turned by theta; (..., 3)."""
        spin = turned(s.spin, s.axis, theta)
        level = wheel_frame(spin, s.up, self.side)
        vehicle = turned_to_vehicle(level, s.toe, self.side)
        normal = on_pads(vehicle, s.pads, self.side)
        return wheel_frame(spin, normal, self.side), spin

    def rows(self, x: Array) -> Array:
        """Return all whitened rows, shape (..., m): readings, turns, marks, lengths, priors."""
        s = self.state(x)
        up = s.up[..., None, :]
        if self._body_roll is not None:
            up = turned(up, self._car_forward(s)[..., None, :], -s.body_roll)
        seen = self._in_pod(s, up, s.theta, s.roll)
        seen = seen - cross(s.slip, seen)
        if self._moving:
            seen = seen + np.einsum("nij,...j->...ni", self._levers, s.lever)
        misfit = read_by(s.matrix, s.bias, s.curve, seen) - self._readings
        white = np.einsum("nij,...nj->...ni", self._reading_whitener, misfit)
        rows = [white.reshape(*x.shape[:-1], -1)]
        if self._turns.size:
            slip = s.slip[..., self._after, :] - s.slip[..., self._before, :]
            turn = rotation_vector(self._relative(s)) + slip
            felt = np.einsum("...ij,...nj->...ni", s.gyro_matrix, turn)
            white = np.einsum("nij,...nj->...ni", self._turn_whitener, felt - self._turns)
            rows.append(white.reshape(*x.shape[:-1], -1))
        if self._marks:
            headings = self.headings(s)
            rows.append(
                np.stack(
                    [
                        (headings[..., m.rest] - m.heading_rad) / m.standard_uncertainty_rad
                        for m in self._marks
                    ],
                    axis=-1,
                )
            )
        if self._linear is not None:
            straight = self._straight_theta(s)
            vehicle = turned_to_vehicle(self._frame(s, straight)[0], s.toe, self.side)
            turn = s.theta - straight[..., None]
            rows.append(self._linear.rows(x, self.unknowns, s.axis, vehicle, turn))
        rows.append(self.unknowns.prior_rows(x))
        return np.concatenate(rows, axis=-1)

    def _relative(self, s: State) -> Array:
        """Return the quaternions of A_before' A_after for each turn, the body's roll included."""
        axis, spin = s.axis[..., None, :], s.spin[..., None, :]
        i, j = self._before, self._after
        undone = quaternion(spin, -s.roll[..., i])
        steered = quaternion(axis, s.theta[..., j] - s.theta[..., i])
        if self._body_roll is not None:
            ahead = self._car_forward(s)[..., None, :]
            rolled = quaternion(ahead, s.body_roll[..., j] - s.body_roll[..., i])
            before = quaternion(axis, -s.theta[..., i])
            after = quaternion(axis, s.theta[..., j])
            steered = product(product(before, rolled), after)
        return np.asarray(product(product(undone, steered), quaternion(spin, s.roll[..., j])))

    def _car_forward(self, s: State) -> Array:
        """Return the car's forward axis, about which its body rolls; shape (..., 3)."""
        frame, _ = self._frame(s, np.zeros_like(s.toe))
        return turned_to_vehicle(frame, s.toe, self.side).forward

    def _straight_theta(self, s: State) -> Array:
        return np.asarray(np.mean(s.theta[..., self.straight], axis=-1))

    def headings(self, s: State) -> Array:
        """Return each rest's change of heading from straight ahead, rad, left positive."""
        frame, _ = self._frame(s, self._straight_theta(s))
        spin = turned(s.spin[..., None, :], s.axis[..., None, :], s.theta)
        wide = WheelFrame(*(axis[..., None, :] for axis in frame))
        return heading_change(spin, wide, self.side)

    def outputs(self, x: Array) -> Array:
        """Return camber, caster, SAI at straight ahead, then each rest's camber and heading.

        Returns
        -------
        ndarray, shape (..., 3 + 2 n)
            In deg.
        """
        s = self.state(x)
        frame, spin = self._frame(s, self._straight_theta(s))
        vehicle = turned_to_vehicle(frame, s.toe, self.side)
        caster, inclination = caster_and_inclination(s.axis, vehicle)
        normal = frame.up[..., None, :]
        turned_spin = turned(s.spin[..., None, :], s.axis[..., None, :], s.theta)
        main = np.stack([camber(frame.up, spin), caster, inclination], axis=-1)
        radians = [main, camber(normal, turned_spin), self.headings(s)]
        return np.asarray(np.concatenate(radians, axis=-1) * (180.0 / np.pi))

    def rolls(self, x: FloatArray) -> tuple[FloatArray, slice]:
        """Return the wheel's roll at each rest, rad, and where it stands among the unknowns."""
        return self.unknowns.part(x, "roll"), self.unknowns.where("roll")

    def half_angle(self, x: Array) -> Array:
        """Return the angle between the steering axis and up at the datum, rad; shape (..., 1)."""
        s = self.state(x)
        return np.arccos(dot(s.axis, s.up))
