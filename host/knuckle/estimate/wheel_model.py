"""The wheel as the estimator sees it: unknowns, what the pod should read, and the results.

All vectors are in pod axes as the pod stood at the datum rest, the wheel not rolled. A pod that
has turned by theta about the steering axis k and rolled by rho about the spin axis e has the
orientation A = R(k, theta) R(e, rho), and reads up as A' u. Derivation in docs/measurement.md.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from knuckle.estimate.priors import Given, Priors
from knuckle.estimate.sensor import chip_turn, covariance_whitener, tangents
from knuckle.estimate.solver import Pattern
from knuckle.estimate.turns import Turn
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
    gyro_matrix: Array
    toe: Array
    pads: Array
    body_roll: Array
    slip: Array
    lever: Array


def _given(values: list[Given]) -> tuple[FloatArray, FloatArray]:
    """Return the mean and covariance, in rad, of values given in deg."""
    sigma = np.radians([value.standard_uncertainty for value in values])
    return np.radians([value.value for value in values]), np.diag(sigma**2)


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
    ) -> None:
        self.straight = straight
        self.side = side
        self.count = len(readings)
        self._axis, self._axis_tangents = axis, tangents(axis)
        self._up, self._up_tangents = up, tangents(up)
        self._spin, spin_covariance = priors.spin_prior()
        self._spin_tangents = tangents(self._spin)
        self._readings = np.stack([r.accel_g for r in readings])
        floor = np.eye(3) * READING_FLOOR_G**2
        self._reading_whitener = np.linalg.inv(
            np.linalg.cholesky(np.stack([r.covariance_g2 for r in readings]) + floor)
        )
        levers = [r.lever_g_per_m for r in readings]
        self._moving = any(lever is not None for lever in levers)
        zero = np.zeros((3, 3))
        self._levers = np.stack([zero if lever is None else lever for lever in levers])
        self._before = np.array([t.before for t in turns], dtype=int)
        self._after = np.array([t.after for t in turns], dtype=int)
        self._turns = np.array([t.rotation_rad for t in turns]).reshape(-1, 3)
        turn_floor = np.eye(3) * np.radians(priors.gyro_turn_deg) ** 2
        self._turn_whitener = np.array(
            [np.linalg.inv(np.linalg.cholesky(t.covariance_rad2 + turn_floor)) for t in turns]
        ).reshape(-1, 3, 3)
        self._marks = marks
        self._body_roll = body_roll
        after = np.arange(self.count) > (self.count if slip_after is None else slip_after)
        self._slipped = after.astype(float)
        self._others = [i for i in range(self.count) if i != straight[0]]
        self._lay_out(priors, roll_deg, spin_covariance)

    def _lay_out(self, priors: Priors, roll_deg: float, spin_covariance: FloatArray) -> None:
        """Give every unknown its place, and every prior its row."""

        def spread(sigma: list[float], size: int = 1) -> FloatArray:
            return np.diag(np.tile(np.radians(sigma), size) ** 2)

        rolls = list(priors.body_roll or ()) if self._body_roll is not None else []
        pads = [priors.pads_across, priors.pads_along]
        accel, gyro = priors.accelerometer, priors.gyro
        zero = np.zeros
        known: list[tuple[str, str, FloatArray, FloatArray]] = [
            ("spin", "mount", zero(2), spin_covariance),
            ("roll", "roll", zero(self.count), spread([roll_deg], self.count)),
            ("accel", "calibration", zero(12), accel.covariance),
            ("chip_turn", "chip_turn", zero(3), spread([accel.turn_deg], 3)),
            ("toe", "straight_ahead", *_given([priors.toe])),
            ("pads", "pads", *_given(pads)),
        ]
        if self._turns.size:
            known.append(("gyro", "gyro_calibration", zero(9), gyro.covariance))
        if rolls:
            known.append(("body_roll", "body_roll", *_given(rolls)))
        if self._slipped.any():
            known.append(("slip", "mount", zero(2), spread([LARGEST_SLIP_DEG], 2)))
        if self._moving:
            known.append(("lever", "lever", zero(3), np.eye(3) * priors.lever_m**2))
        free = {"axis": 2, "up": 2, "theta": self.count - 1}
        sizes = free | {name: mean.size for name, _, mean, _ in known}
        ends = np.cumsum(list(sizes.values()))
        self._slices = {
            name: slice(int(end) - size, int(end))
            for (name, size), end in zip(sizes.items(), ends, strict=True)
        }
        self.size = int(ends[-1])
        self._priors = [
            (self._slices[name], mean, covariance_whitener(covariance))
            for name, _, mean, covariance in known
        ]
        measured = {
            "noise": 3 * self.count,
            "gyro": 3 * len(self._turns),
            "plates": len(self._marks),
        }
        rows = [*measured.items(), *((source, mean.size) for _, source, mean, _ in known)]
        self.sources = tuple(source for source, size in rows for _ in range(size))

    def pattern(self) -> Pattern:
        """Return which rows each unknown touches: a rest's turn and roll touch few."""
        rest = np.arange(self.count)
        between = (self._before[:, None] == rest) | (self._after[:, None] == rest)
        marked = np.array([rest == mark.rest for mark in self._marks], dtype=bool).reshape(
            -1, self.count
        )
        marked = marked | np.isin(rest, self.straight)
        both = np.vstack([rest[:, None] == rest, between])
        by_rest = np.repeat(both, 3, axis=0)
        turn = np.vstack([by_rest, marked])
        roll = np.vstack([by_rest, np.zeros_like(marked)])
        touches = np.zeros((len(self.sources), self.size), dtype=bool)
        measured = turn.shape[0]
        touches[:measured] = True
        touches[:measured, self._slices["theta"]] = turn[:, self._others]
        touches[:measured, self._slices["roll"]] = roll
        first = measured
        for where, mean, whitener in self._priors:
            touches[first : first + mean.size, where] = whitener != 0.0
            first += mean.size
        return Pattern.of(touches)

    def start(self, theta_rad: FloatArray) -> FloatArray:
        """Return where the search begins, given first guesses of all turns from the datum."""
        x = np.zeros(self.size)
        for where, mean, _ in self._priors:
            x[where] = mean
        x[self._slices["theta"]] = theta_rad[self._others]
        return x

    def state(self, x: Array) -> State:
        """Name the unknowns, shape (..., p)."""
        s = self._slices
        lead = x.shape[:-1]

        def direction(name: str, v: FloatArray, tangents: FloatArray) -> Array:
            return unit(v + x[..., s[name]] @ tangents)

        theta = np.zeros((*lead, self.count), dtype=x.dtype)
        theta[..., self._others] = x[..., s["theta"]]
        accel = x[..., s["accel"]]
        chip = chip_turn(x[..., s["chip_turn"]])
        gyro = x[..., s["gyro"]] if "gyro" in s else np.zeros((*lead, 9), dtype=x.dtype)
        one = np.eye(3)
        body_roll = np.zeros((*lead, self.count), dtype=x.dtype)
        if self._body_roll is not None:
            locks = x[..., s["body_roll"]]
            body_roll = (
                locks[..., :1] * self._body_roll.left_share
                + locks[..., 1:] * self._body_roll.right_share
            )
        return State(
            axis=direction("axis", self._axis, self._axis_tangents),
            up=direction("up", self._up, self._up_tangents),
            spin=direction("spin", self._spin, self._spin_tangents),
            theta=theta,
            roll=x[..., s["roll"]],
            bias=accel[..., :3],
            matrix=one + accel[..., 3:].reshape(*lead, 3, 3) + chip,
            gyro_matrix=one + gyro.reshape(*lead, 3, 3) + chip,
            toe=x[..., s["toe"]][..., 0],
            pads=x[..., s["pads"]],
            body_roll=body_roll,
            slip=self._slips(x),
            lever=x[..., s["lever"]] if "lever" in s else np.zeros((*lead, 3), dtype=x.dtype),
        )

    def _slips(self, x: Array) -> Array:
        """Return the rotation vectors of the mount's slip at each rest, shape (..., n, 3)."""
        if "slip" not in self._slices:
            return np.zeros((*x.shape[:-1], self.count, 3), dtype=x.dtype)
        vector = x[..., self._slices["slip"]] @ np.array([[1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])
        return np.asarray(vector[..., None, :] * self._slipped[:, None])

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
        """Return all whitened rows, shape (..., m): readings, turns, marks, priors."""
        s = self.state(x)
        up = s.up[..., None, :]
        if self._body_roll is not None:
            frame, _ = self._frame(s, np.zeros_like(s.toe))
            forward = turned_to_vehicle(frame, s.toe, self.side).forward[..., None, :]
            up = turned(up, forward, -s.body_roll)
        seen = self._in_pod(s, up, s.theta, s.roll)
        seen = seen - cross(s.slip, seen)
        if self._moving:
            seen = seen + np.einsum("nij,...j->...ni", self._levers, s.lever)
        modelled = np.einsum("...ij,...nj->...ni", s.matrix, seen) + s.bias[..., None, :]
        misfit = modelled - self._readings
        rows = [np.einsum("nij,...nj->...ni", self._reading_whitener, misfit)]
        rows = [rows[0].reshape(*x.shape[:-1], -1)]
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
        rows += [(x[..., where] - mean) @ whitener.T for where, mean, whitener in self._priors]
        return np.concatenate(rows, axis=-1)

    def _relative(self, s: State) -> Array:
        """Return the quaternions of A_before' A_after for each turn."""
        axis, spin = s.axis[..., None, :], s.spin[..., None, :]
        i, j = self._before, self._after
        undone = quaternion(spin, -s.roll[..., i])
        steered = quaternion(axis, s.theta[..., j] - s.theta[..., i])
        return np.asarray(product(product(undone, steered), quaternion(spin, s.roll[..., j])))

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
        where = self._slices["roll"]
        return x[where], where

    def half_angle(self, x: Array) -> Array:
        """Return the angle between the steering axis and up at the datum, rad; shape (..., 1)."""
        s = self.state(x)
        return np.arccos(dot(s.axis, s.up))
