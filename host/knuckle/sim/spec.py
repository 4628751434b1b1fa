"""What a scenario says: mount, pads, pod, sensor, calibration, script. Every key is declared here.

Keys that end in ``sigma`` are drawn, normally distributed, by the seed, on top of the given value.
"""

# ruff: noqa: RUF009  `key` returns a dataclasses.field
from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from knuckle.model.wheel import Wheel
from knuckle.sim.fields import key

Three = tuple[float, float, float]
Six = tuple[float, float, float, float, float, float]

_CROSS = "order xy, xz, yx, yz, zx, zy (reading, truth)"


class Part(StrEnum):
    """The part that is the pod's accelerometer."""

    MPU6050 = "mpu6050"
    ADXL355 = "adxl355"


class Purpose(StrEnum):
    """What the person does; decides the script."""

    CAMBER = "camber"
    CAMBER_ALL = "camber_all"
    SWEEP = "sweep"
    WATCH = "watch"
    LENGTHS = "lengths"
    TOE = "toe"
    STILL = "still"
    CALIBRATE = "calibrate"
    SPIN = "spin"
    REVERSAL = "reversal"
    VALIDATE = "validate"


@dataclass(frozen=True, slots=True)
class Mount:
    """How the pod sits on the wheel."""

    pitch_deg: float = key(0.0, "Turn of the case about its +Y; any angle.", low=-180, high=180)
    tilt_deg: float = key(
        0.0, "Spin axis out of the face's normal, towards pod +Z.", low=-10, high=10
    )
    yaw_deg: float = key(
        0.0, "Spin axis out of the face's normal, towards pod +X.", low=-10, high=10
    )
    runout_deg: float = key(
        0.0, "The wheel's spin axis out of the normal of the rim's face.", low=0, high=10
    )
    runout_at_deg: float = key(
        0.0, "Where that points on the rim, from +Z towards +X.", low=-360, high=360
    )
    tilt_sigma_deg: float = key(0.2, "Drawn on top of tilt_deg.", low=0, high=5)
    yaw_sigma_deg: float = key(0.5, "Drawn on top of yaw_deg.", low=0, high=5)
    lever_outboard_m: float = key(
        0.3, "Accelerometer outboard of the steering axis.", low=-1, high=1
    )
    lever_forward_m: float = key(
        0.0, "Accelerometer along pod X from the steering axis.", low=-1, high=1
    )


@dataclass(frozen=True, slots=True)
class Pads:
    """The ground under the wheels: the truth is relative to it, the readings to gravity."""

    left_higher_deg: float = key(0.0, "Slope across: left pads higher.", low=-5, high=5)
    front_higher_deg: float = key(0.0, "Slope along: front pads higher.", low=-5, high=5)
    sigma_deg: float = key(0.0, "Drawn on top of each slope.", low=0, high=2)


@dataclass(frozen=True, slots=True)
class Pod:
    """The pod's hardware and clock."""

    name: str = key("simulated pod", "The name in its settings.")
    gyro: bool = key(True, "Whether it has a gyro.")
    raw_rate_hz: float = key(100.0, "Raw readings a second at start.", low=1, high=1000)
    averaging: int = key(1, "Raw readings summed into one sample at start.", low=1, high=1000)
    baud: int = key(115200, "Speed of the line; sets the least averaging.", low=1200, high=4000000)
    tick_hz: int = key(250000, "Nominal rate of the clock.", low=1000, high=100000000)
    clock_ppm: float = key(
        30.0, "How much faster than nominal the clock runs.", low=-50000, high=50000
    )
    starts_streaming: bool = key(False, "Streams from boot, without being asked.")


@dataclass(frozen=True, slots=True)
class Sensor:
    """Errors of the chip before calibration. Defaults: MPU-6050 data sheet rev 3.3.

    Tolerances of the sheet are taken as one sigma. An ADXL355 is a chip of its own beside the
    gyro's: each is turned in the case by itself, with the same sigma.
    """

    accelerometer: Part = key(
        Part.MPU6050, "Part that the hello names; its errors are the keys below."
    )

    accelerometer_range_g: float = key(2.0, "Full scale.", low=0.5, high=32)
    gyro_range_dps: float = key(250.0, "Full scale.", low=10, high=4000)
    accel_noise_ug: float = key(400.0, "Noise density, micro-g per sqrt(Hz).", low=0, high=10000)
    gyro_noise_dps: float = key(0.005, "Noise density, deg/s per sqrt(Hz).", low=0, high=1)
    accel_bias_g: Three = key((0.0, 0.0, 0.0), "Zero-g offset of each axis.", low=-1, high=1)
    accel_bias_sigma_g: Three = key((0.05, 0.05, 0.08), "Drawn on top.", low=0, high=1)
    accel_scale: Three = key((0.0, 0.0, 0.0), "Scale error, 0.01 is 1 %.", low=-0.5, high=0.5)
    accel_scale_sigma: float = key(0.03, "Drawn on top.", low=0, high=0.2)
    accel_cross: Six = key((0.0,) * 6, f"Cross-axis terms, {_CROSS}.", low=-0.5, high=0.5)
    accel_cross_sigma: float = key(0.02, "Drawn on top.", low=0, high=0.2)
    turn_deg: Three = key(
        (0.0, 0.0, 0.0), "Turn of the chip in its case (rotation vector).", low=-180, high=180
    )
    turn_sigma_deg: float = key(1.5, "Drawn on top, each component.", low=0, high=10)
    gyro_bias_dps: Three = key((0.0, 0.0, 0.0), "Zero-rate output.", low=-100, high=100)
    gyro_bias_sigma_dps: float = key(5.0, "Drawn on top (the sheet allows 20).", low=0, high=50)
    gyro_scale: Three = key((0.0, 0.0, 0.0), "Scale error.", low=-0.5, high=0.5)
    gyro_scale_sigma: float = key(0.03, "Drawn on top.", low=0, high=0.2)
    gyro_cross: Six = key((0.0,) * 6, f"Cross-axis terms, {_CROSS}.", low=-0.5, high=0.5)
    gyro_cross_sigma: float = key(0.02, "Drawn on top.", low=0, high=0.2)
    gyro_bias_walk_dps: float = key(
        0.0002, "Random walk of the zero-rate output, deg/s per sqrt(s).", low=0, high=1
    )
    gyro_g_sensitivity_sigma_dps: float = key(
        0.1, "Zero rate per g of specific force, drawn for each of nine terms.", low=0, high=5
    )
    nonlinearity_percent: float = key(
        0.0, "Accelerometer: error at full scale, square law (sheet: 0.5).", low=-5, high=5
    )
    temp_c: float = key(24.0, "Temperature at boot.", low=-40, high=85)
    warm_up_c: float = key(1.5, "How much warmer it gets.", low=-50, high=50)
    warm_up_s: float = key(300.0, "Time constant of warming up.", low=1, high=100000)
    accel_bias_per_c_sigma_g: Three = key(
        (0.00025, 0.00025, 0.00043),
        "Drift with temperature, per degree from 25 C, drawn (half the sheet's span).",
        low=0,
        high=0.1,
    )
    accel_scale_per_c_sigma: float = key(
        0.0001, "Drift of scale per degree, drawn.", low=0, high=0.01
    )
    gyro_bias_per_c_sigma_dps: float = key(
        0.08, "Drift of zero rate per degree, drawn.", low=0, high=5
    )


@dataclass(frozen=True, slots=True)
class Calibration:
    """The calibration stored in the pod and how far it is from the truth (one sigma, drawn)."""

    stored: bool = key(True, "Whether the pod carries one.")
    accel_bias_sigma_g: float = key(0.001, "Left in each axis.", low=0, high=0.1)
    accel_scale_sigma: float = key(0.001, "Left in each axis.", low=0, high=0.1)
    accel_cross_sigma: float = key(0.001, "Left in each of six terms.", low=0, high=0.1)
    turn_sigma_deg: float = key(0.05, "Left of the chip's turn, each component.", low=0, high=5)
    gyro_scale_sigma: float = key(0.003, "Left in each axis.", low=0, high=0.1)
    gyro_cross_sigma: float = key(0.003, "Left in each of six terms.", low=0, high=0.1)


@dataclass(frozen=True, slots=True)
class Script:
    """What the person does, and how well."""

    continuous: bool = key(False, "One slow sweep without stops at the locks.")
    positions_deg: tuple[float, ...] = key(
        (0.0, 20.0, 0.0, -20.0, 0.0),
        "Turns about the steering axis to stop at, left positive, in order.",
        low=-55,
        high=55,
    )
    repeat: int = key(1, "How often the sweep is gone through.", low=1, high=1000)
    lock_sigma_deg: float = key(0.8, "Scatter of the positions away from straight.", low=0, high=10)
    straight_sigma_deg: float = key(
        0.15, "Scatter of the later returns to straight.", low=0, high=10
    )
    hold_s: tuple[float, float] = key(
        (3.2, 4.8), "Shortest and longest hold when no cue comes.", low=0.1, high=600
    )
    reaction_s: tuple[float, float] = key(
        (0.45, 0.9), "Shortest and longest time from cue to move.", low=0.2, high=60
    )
    patience_s: float = key(12.0, "Hold once cues have been heard and none comes.", low=1, high=600)
    heeds_cues: bool = key(True, "Whether cues move the person on.")
    speed_dps: float = key(
        12.0, "Mean speed of a steering move, or of a continuous sweep / 4.", low=0.5, high=60
    )
    overshoot_percent: float = key(
        1.5, "Typical overshoot of a move, corrected at once.", low=0, high=20
    )
    settle_deg: float = key(0.12, "Typical slow approach at the end of a move.", low=0, high=3)
    settle_s: float = key(
        0.15, "Time constant of that approach (three in a row).", low=0.02, high=5
    )
    tremor_deg: float = key(
        0.002, "Unrest of the held steering wheel at the road wheel, rms.", low=0, high=1
    )
    roll_sigma_deg: float = key(0.05, "Roll of the wheel at each stop, brake held.", low=0, high=5)
    wheels: tuple[Wheel, ...] = key(
        (Wheel.LF, Wheel.RF, Wheel.LR, Wheel.RR), "Order in which camber_all visits the wheels."
    )
    on_wheel: bool = key(
        False, "Whether the pod hangs on the wheel from the start (camber): nobody touches it."
    )
    handling_s: tuple[float, float] = key(
        (4.0, 7.0), "Shortest and longest carrying of the pod from wheel to wheel.", low=1, high=600
    )
    lengths_mm: tuple[float, ...] = key(
        (10.0, 30.0, 50.0, 70.0, 90.0),
        "Known lengths that the linear sensor is set to, one after the other (lengths).",
        low=0,
        high=5000,
    )
