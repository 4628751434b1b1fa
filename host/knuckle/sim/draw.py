"""Scenarios whose truths are drawn from the priors that the estimator states."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Final

from knuckle.model.wheel import Wheel
from knuckle.sim.car import Car, Knuckle
from knuckle.sim.case import Stream, generator
from knuckle.sim.linear_spec import LinearKind, LinearSensor, Linkage, LinkageKind
from knuckle.sim.scenario import Scenario
from knuckle.sim.spec import Calibration, Mount, Pads, Part, Pod, Purpose, Script, Sensor

_CALIBRATED: Final = Sensor(
    accel_bias_sigma_g=(0.001, 0.001, 0.001),
    accel_scale_sigma=0.001,
    accel_cross_sigma=0.001,
    turn_sigma_deg=0.05,
    gyro_scale_sigma=0.03,
    gyro_cross_sigma=0.02,
    temp_c=25.0,
    warm_up_c=0.0,
)
_ADXL355: Final = replace(
    _CALIBRATED,
    accelerometer=Part.ADXL355,
    accel_noise_ug=25.0,
    accel_bias_sigma_g=(0.025, 0.025, 0.025),
    accel_scale_sigma=0.08 / math.sqrt(3.0),
    accel_cross_sigma=0.01,
    turn_sigma_deg=1.5,
)


def draw_case(
    seed: int,
    *,
    wheel: Wheel | None = None,
    purpose: Purpose = Purpose.SWEEP,
    script: Script | None = None,
    part: Part = Part.MPU6050,
    gyro: bool = True,
) -> Scenario:
    """Draw a scenario for the coverage of intervals.

    Uniform: side, caster -2 to 9, SAI 5 to 16, camber -4 to 1 deg, pitch of the pod, any.
    Normal, one sigma, as in docs/measurement.md: toe 0.3 deg; pads 0.1 deg each;
    mount tilt 0.2, yaw 0.5 deg; roll 0.05 deg at each stop; accelerometer bias 1 mg, scale and
    cross-axis 0.1 %, turn in the case 0.05 deg; gyro scale 3 %, cross-axis 2 %. The body does not
    roll, the first stop is straight ahead, and nothing goes wrong.

    Parameters
    ----------
    seed : int
        Also the scenario's own seed: draws mount, pads, sensor, noise and person.
    wheel : Wheel or None
        None draws LF or RF.
    purpose : Purpose
    script : Script or None
        None takes the default script.
    part : Part
        The accelerometer. An ADXL355 has its own noise, and comes without calibration beside a
        gyro on a chip of its own: bias 25 mg, scale 8 / sqrt(3) %, cross-axis 1 %, and each
        chip's turn in the case 1.5 deg.
    gyro : bool
        Whether the pod has one.

    Returns
    -------
    Scenario
        Its pod carries no calibration: its readings already are as good as a calibrated pod's.
    """
    rng = generator(seed, Stream.TRUTH)
    left = bool(rng.integers(2))
    knuckle = Knuckle(
        caster_deg=float(rng.uniform(-2.0, 9.0)),
        sai_deg=float(rng.uniform(5.0, 16.0)),
        camber_deg=float(rng.uniform(-4.0, 1.0)),
        toe_deg=float(rng.normal(0.0, 0.3)),
    )
    return Scenario(
        name="drawn",
        about="Drawn from the stated priors.",
        seed=seed,
        wheel=wheel or (Wheel.LF if left else Wheel.RF),
        purpose=purpose,
        car=Car(LF=knuckle, RF=knuckle, LR=knuckle, RR=knuckle, body_roll=False),
        mount=Mount(pitch_deg=float(rng.uniform(-180.0, 180.0))),
        pads=Pads(sigma_deg=0.1),
        pod=Pod(gyro=gyro),
        sensor=_ADXL355 if part is Part.ADXL355 else _CALIBRATED,
        calibration=Calibration(stored=False),
        script=script or Script(),
    )


def with_linkage(scenario: Scenario, kind: LinkageKind) -> Scenario:
    """Lay a linear sensor to the wheel of a drawn scenario.

    Uniform: a wire's lever 200 to 450 mm, length 250 to 600 mm, angle 70 to 110 deg, rise -20 to
    20 mm; a rod's lever 80 to 105 mm, angle 80 to 100 deg, face -20 to 20 mm; the lever's
    direction -40 to 60 deg; which way makes it longer. What is measured of it has the standard
    uncertainties that `linkage` and `linear` of the scenario give: lever 5 mm (a rod's 1.5),
    angle 2 deg, direction 10 deg, rise 10 mm, face 5 mm, play 0.2 mm, scale 0.2 %, zero 0.5 mm,
    straightness 0.2 mm.
    """
    rng = generator(scenario.seed, Stream.TRUTH, 1)
    wire = kind is LinkageKind.WIRE
    distance_mm = float(rng.uniform(250.0, 600.0))
    gain = 6.0 if wire else 1.0
    linkage = Linkage(
        kind=kind,
        lever_mm=float(rng.uniform(200.0, 450.0) if wire else rng.uniform(80.0, 105.0)),
        lever_sigma_mm=5.0 if wire else 1.5,
        arm_deg=float(rng.uniform(-40.0, 60.0)),
        arm_sigma_deg=10.0,
        distance_mm=distance_mm,
        angle_deg=float(90.0 + rng.uniform(-20.0, 20.0) * (1.0 if wire else 0.5)),
        angle_sigma_deg=2.0,
        rise_mm=float(rng.uniform(-20.0, 20.0)),
        rise_sigma_mm=10.0,
        face_mm=float(rng.uniform(-20.0, 20.0)),
        face_sigma_mm=5.0,
        longer_left=bool(rng.integers(2)),
        play_mm=0.2,
    )
    linear = LinearSensor(
        kind=LinearKind.POTENTIOMETER,
        gain=gain,
        gain_sigma=0.002 * gain,
        offset_mm=distance_mm - 50.0 * gain,
        offset_sigma_mm=0.5,
        nonlinearity_mm=0.2,
    )
    return replace(scenario, linkage=linkage, linear=linear)
