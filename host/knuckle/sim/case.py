"""A scenario with every draw made: what the seed decides before anything moves."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from scipy.spatial.transform import Rotation

from knuckle.model.block import FloatArray
from knuckle.model.wheel import Wheel
from knuckle.sim.kinematics import Seat, ground_up, on_rim
from knuckle.sim.scenario import Scenario
from knuckle.sim.spec import Part


class Stream(IntEnum):
    """Independent streams of random numbers, so that one part never shifts another's."""

    CASE = 0
    NOISE = 1
    LINE = 2
    PERSON = 3
    SEAT = 4
    SHAKE = 5
    TRUTH = 6
    GROUND = 7
    ROLL = 8
    LINKAGE = 9
    LINEAR = 10
    STRING = 11
    AILMENTS = 12
    POSE = 13
    TILT = 14


_OF_THE_CAR = {Stream.PERSON, Stream.TRUTH, Stream.GROUND}
"""Two pods on one car, simulated with one seed, share these and differ in the rest."""


def generator(
    seed: int, stream: Stream, index: int = 0, wheel: Wheel = Wheel.LF
) -> np.random.Generator:
    """Return the random numbers of one stream; those of the pod differ from wheel to wheel."""
    place = 0 if stream in _OF_THE_CAR else list(Wheel).index(wheel)
    return np.random.default_rng([seed, int(stream), index, place])


@dataclass(frozen=True, slots=True)
class ChipErrors:
    """reading = matrix @ truth in pod axes + bias, at 25 C; matrices shape (3, 3), biases (3,)."""

    accel_matrix: FloatArray
    accel_bias_g: FloatArray
    gyro_matrix: FloatArray
    gyro_bias_dps: FloatArray
    gyro_per_g_dps: FloatArray
    accel_bias_per_c_g: FloatArray
    accel_scale_per_c: FloatArray
    gyro_bias_per_c_dps: FloatArray


@dataclass(frozen=True, slots=True)
class StoredErrors:
    """The calibration as the pod has it: close to `ChipErrors`, not equal."""

    accel_matrix: FloatArray
    accel_bias_g: FloatArray
    gyro_matrix: FloatArray


@dataclass(frozen=True, slots=True)
class Case:
    """A scenario, a seed, and what they make together."""

    scenario: Scenario
    seed: int
    seat: Seat
    bare_seat: Seat
    left_higher_deg: float
    front_higher_deg: float
    chip: ChipErrors
    stored: StoredErrors | None

    @property
    def up(self) -> FloatArray:
        """'Up' of gravity in vehicle axes, shape (3,)."""
        return ground_up(self.left_higher_deg, self.front_higher_deg)

    def generator(self, stream: Stream, index: int = 0) -> np.random.Generator:
        """Return the random numbers of one stream of this run."""
        return generator(self.seed, stream, index, self.scenario.wheel)

    def reseated(self, visit: int) -> Seat:
        """Return the seat after the pod was taken off and hung on again."""
        return draw_seat(self.scenario, self.generator(Stream.SEAT, visit), loose=3.0)


def off_diagonal(terms: FloatArray) -> FloatArray:
    """Return a matrix with the six terms xy, xz, yx, yz, zx, zy and a zero diagonal."""
    matrix = np.zeros((3, 3))
    matrix[[0, 0, 1, 1, 2, 2], [1, 2, 0, 2, 0, 1]] = terms
    return matrix


def draw_seat(scenario: Scenario, rng: np.random.Generator, loose: float = 0.0) -> Seat:
    """Draw how the pod sits; `loose` (deg) scatters its pitch."""
    mount = scenario.mount
    tilt, yaw, pitch = rng.standard_normal(3)
    return Seat(
        pitch_rad=float(np.radians(mount.pitch_deg + loose * pitch)),
        tilt_rad=float(np.radians(mount.tilt_deg + mount.tilt_sigma_deg * tilt)),
        yaw_rad=float(np.radians(mount.yaw_deg + mount.yaw_sigma_deg * yaw)),
    )


def realise(scenario: Scenario, seed: int) -> Case:
    """Make every draw of a scenario.

    Parameters
    ----------
    scenario : Scenario
    seed : int
        Not negative.
    """
    rng = generator(seed, Stream.CASE, 0, scenario.wheel)
    bare_seat = draw_seat(scenario, rng)
    seat = on_rim(bare_seat, scenario.mount.runout_deg, scenario.mount.runout_at_deg)
    slopes = generator(seed, Stream.GROUND).standard_normal(2) * scenario.pads.sigma_deg
    chip = _draw_chip(scenario, rng)
    return Case(
        scenario=scenario,
        seed=seed,
        seat=seat,
        bare_seat=bare_seat,
        left_higher_deg=scenario.pads.left_higher_deg + float(slopes[0]),
        front_higher_deg=scenario.pads.front_higher_deg + float(slopes[1]),
        chip=chip,
        stored=_draw_stored(scenario, chip, rng) if scenario.calibration.stored else None,
    )


def _draw_chip(scenario: Scenario, rng: np.random.Generator) -> ChipErrors:
    s = scenario.sensor
    turn = np.radians(np.array(s.turn_deg) + s.turn_sigma_deg * rng.standard_normal(3))
    to_chip = Rotation.from_rotvec(turn).as_matrix().T

    def gain(scale: object, scale_sigma: float, cross: object, cross_sigma: float) -> FloatArray:
        scales = np.asarray(scale, float) + scale_sigma * rng.standard_normal(3)
        terms = np.asarray(cross, float) + cross_sigma * rng.standard_normal(6)
        return np.diag(1.0 + scales) + off_diagonal(terms)

    accel = gain(s.accel_scale, s.accel_scale_sigma, s.accel_cross, s.accel_cross_sigma)
    gyro = gain(s.gyro_scale, s.gyro_scale_sigma, s.gyro_cross, s.gyro_cross_sigma)
    to_gyro = to_chip
    if s.accelerometer is not Part.MPU6050:
        own = np.array(s.turn_deg) + s.turn_sigma_deg * rng.standard_normal(3)
        to_gyro = Rotation.from_rotvec(np.radians(own)).as_matrix().T
    return ChipErrors(
        accel_matrix=accel @ to_chip,
        accel_bias_g=np.array(s.accel_bias_g)
        + np.array(s.accel_bias_sigma_g) * rng.standard_normal(3),
        gyro_matrix=gyro @ to_gyro,
        gyro_bias_dps=np.array(s.gyro_bias_dps) + s.gyro_bias_sigma_dps * rng.standard_normal(3),
        gyro_per_g_dps=s.gyro_g_sensitivity_sigma_dps * rng.standard_normal((3, 3)),
        accel_bias_per_c_g=np.array(s.accel_bias_per_c_sigma_g) * rng.standard_normal(3),
        accel_scale_per_c=s.accel_scale_per_c_sigma * rng.standard_normal(3),
        gyro_bias_per_c_dps=s.gyro_bias_per_c_sigma_dps * rng.standard_normal(3),
    )


def _draw_stored(scenario: Scenario, chip: ChipErrors, rng: np.random.Generator) -> StoredErrors:
    """The stored calibration leaves what the scenario says.

    With f the truth, (stored matrix)^-1 (reading - stored bias) = left @ f + left_bias.
    """
    c = scenario.calibration

    def turned() -> FloatArray:
        turn = np.radians(c.turn_sigma_deg) * rng.standard_normal(3)
        return np.asarray(Rotation.from_rotvec(turn).as_matrix().T)

    def left(turned: FloatArray, scale_sigma: float, cross_sigma: float) -> FloatArray:
        scales = np.diag(1.0 + scale_sigma * rng.standard_normal(3))
        terms = off_diagonal(cross_sigma * rng.standard_normal(6))
        return np.asarray((scales + terms) @ turned)

    of_chip = turned()
    accel = left(of_chip, c.accel_scale_sigma, c.accel_cross_sigma)
    if scenario.sensor.accelerometer is not Part.MPU6050:
        of_chip = turned()
    gyro = left(of_chip, c.gyro_scale_sigma, c.gyro_cross_sigma)
    accel = chip.accel_matrix @ np.linalg.inv(accel)
    gyro = chip.gyro_matrix @ np.linalg.inv(gyro)
    left_bias = c.accel_bias_sigma_g * rng.standard_normal(3)
    return StoredErrors(accel, chip.accel_bias_g - accel @ left_bias, gyro)
