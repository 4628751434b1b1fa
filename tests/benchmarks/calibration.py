"""How true a calibration by sloppy hands is, over whole simulated calibrations.

    python tests/benchmarks/calibration.py [PODS] [--nonlinearity off|on|drawn] [--wall DEG]

Each pod is drawn from the data sheet's tolerances (six cross-axis terms, the chip turned in its
case by 1.5 deg one sigma) and turned by a drawn person through 12 to 20 poses of 1 to 2 s, with
tremor of 5 to 20 mg rms at 4 to 12 Hz, a steady push of 0.7 mg and a drift of up to 5 deg, then
held to a wall in four quarter turns; --wall makes it uneven: how far the face is off it at each
turn, one sigma. Samples, poses and fits are the program's own. The calibration
then serves a noiseless camber within +-10 deg, at any pitch of the pod up to 15 deg.
Wanted: coverage of the 95 % intervals 93 to 97 %, and without nonlinearity at most 0.05 deg rms.
"""

from __future__ import annotations

import argparse
import dataclasses
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from typing import Final, NamedTuple

import numpy as np
from scipy.stats import norm
from scipy.stats import t as student

from knuckle.calibrate.accelerometer import fit_accelerometer
from knuckle.calibrate.face import fit_face
from knuckle.calibrate.finder import find_poses
from knuckle.calibrate.made import calibration_of
from knuckle.calibrate.pose import Pose
from knuckle.estimate.calibration import Calibration
from knuckle.estimate.camber_model import CamberModel
from knuckle.estimate.priors import AccelerometerPrior, Given, Priors
from knuckle.estimate.solver import derivative, solve
from knuckle.estimate.wheel_model import Reading
from knuckle.model.block import Block, FloatArray
from knuckle.sim.case import Case, realise
from knuckle.sim.recording import simulate_block
from knuckle.sim.scenario import Scenario, load
from knuckle.sim.truth import PoseKind

NONLINEARITY_PERCENT: Final = {"off": 0.0, "on": 0.5, "drawn": None}
CAMBER_DEG: Final = 10.0
PITCH_DEG: Final = 15.0
BARE: Final = Priors(
    mount_tilt_deg=0.0,
    mount_yaw_deg=0.0,
    pads_across=Given(0.0, 0.0),
    pads_along=Given(0.0, 0.0),
)
"""Nothing but the sensor is unsure: what a calibration leaves."""
UNCALIBRATED: Final = dataclasses.replace(BARE, accelerometer=AccelerometerPrior.data_sheet())


class Made(NamedTuple):
    """A pod's calibration, and what came out."""

    state: str
    face: bool
    error_deg: float
    expanded_deg: float
    stated_deg: float
    bare_error_deg: float
    bare_expanded_deg: float


def scenario_of(seed: int, nonlinearity: str, wall_deg: float | None) -> Scenario:
    """Draw a pod and a person; the wall is the scenario's own without `wall_deg`."""
    rng = np.random.default_rng([seed, 4])
    base = load("new_pod")
    percent = NONLINEARITY_PERCENT[nonlinearity]
    if percent is None:
        percent = 0.5 * float(rng.standard_normal())
    posing = dataclasses.replace(
        base.posing, poses=int(rng.integers(12, 21)), hold_s=(1.0, 2.0), drift_deg=5.0
    )
    if wall_deg is not None:
        posing = dataclasses.replace(posing, flush_deg=wall_deg)
    sensor = dataclasses.replace(base.sensor, nonlinearity_percent=percent, warm_up_c=0.0)
    return dataclasses.replace(base, posing=posing, sensor=sensor, seed=seed)


def poses_of(scenario: Scenario) -> tuple[list[Pose], list[Pose], Block]:
    """Return the poses in the hand and on the wall as the finder has them, and the readings."""
    block, truth = simulate_block(scenario, calibrated=False)
    by_kind: dict[PoseKind, list[Pose]] = {PoseKind.POSE: [], PoseKind.FACE: []}
    for pose in find_poses(block):
        for posed in truth.poses:
            together_s = min(pose.end_s, posed.end_s) - max(pose.start_s, posed.start_s)
            if together_s > 0.3 and posed.kind in by_kind:
                by_kind[posed.kind].append(pose)
                break
    return by_kind[PoseKind.POSE], by_kind[PoseKind.FACE], block


def read_g(case: Case, up: FloatArray) -> FloatArray:
    """Return what the chip reads of directions, shape (n, 3), without noise."""
    sensor, chip = case.scenario.sensor, case.chip
    warmer = sensor.temp_c - 25.0
    a = up @ chip.accel_matrix.T
    bent = sensor.nonlinearity_percent / 100.0 / sensor.accelerometer_range_g * a**2
    drift = warmer * (chip.accel_bias_per_c_g + chip.accel_scale_per_c * up)
    return np.asarray(a + bent + chip.accel_bias_g + drift)


def up_of(camber_deg: float, pitch_deg: float) -> FloatArray:
    """Return "up" in pod axes: camber is positive when the top leans outboard."""
    camber, pitch = np.radians([camber_deg, pitch_deg])
    level = np.array([np.sin(pitch), 0.0, np.cos(pitch)])
    return np.asarray(np.cos(camber) * level + np.array([0.0, -np.sin(camber), 0.0]))


def camber_by(
    calibration: Calibration | None, reading_g: FloatArray, priors: Priors = BARE
) -> tuple[float, float, float]:
    """Return camber, expanded and standard uncertainty, deg, of one noiseless reading."""
    one = np.ones(1)
    block = Block(
        one, reading_g[None, :], None, None, None, one.astype(int) * 0, one.astype(int) * 0,
        np.zeros(1, dtype=bool), 100.0,
    )  # fmt: skip
    factor = norm.ppf(0.975)
    if calibration is not None:
        block, priors = (
            calibration.applied(block),
            calibration.priors(priors, temp_c=calibration.temp_c),
        )
        freedom = priors.accelerometer.degrees_of_freedom
        factor = student.ppf(0.975, min(max(freedom, 1.0), 1e6))
    reading = Reading(block.accel_g[0], np.eye(3) * 1e-12)
    model = CamberModel([reading], 1, priors)
    solution = solve(model.rows, model.start(), model.sources, model.pattern())
    gradient = derivative(model.cambers, solution.x)[0]
    sigma = float(np.sqrt(solution.variance(gradient)))
    return float(model.cambers(solution.x)[0]), float(factor * sigma), sigma


def one_pod(seed: int, nonlinearity: str, wall_deg: float | None = None) -> Made:
    """Draw, calibrate and use one pod."""
    scenario = scenario_of(seed, nonlinearity, wall_deg)
    hand, wall, _ = poses_of(scenario)
    fit = fit_accelerometer(hand)
    face = fit_face(wall, fit)
    rng = np.random.default_rng([seed, 5])
    camber_deg = float(rng.uniform(-CAMBER_DEG, CAMBER_DEG))
    up = up_of(camber_deg, float(rng.uniform(-PITCH_DEG, PITCH_DEG)))
    reading = read_g(realise(scenario, scenario.seed), up[None, :])[0]
    bare, bare_expanded, _ = camber_by(None, reading, UNCALIBRATED)
    bare_found = (bare - camber_deg, bare_expanded)
    if not face.is_calibration:
        return Made(face.state, face.good, np.nan, np.nan, np.nan, *bare_found)
    found, expanded, sigma = camber_by(calibration_of(fit, face), reading)
    return Made(face.state, face.good, found - camber_deg, expanded, sigma, *bare_found)


def told(made: list[Made], nonlinearity: str) -> str:
    """Return the study in words."""
    whole = [one for one in made if np.isfinite(one.error_deg)]
    error = np.array([one.error_deg for one in whole])
    expanded = np.array([one.expanded_deg for one in whole])
    bare = np.array([one.bare_error_deg for one in made])
    bare_expanded = np.array([one.bare_expanded_deg for one in made])
    inside = float(np.mean(np.abs(error) <= expanded))
    return (
        f"nonlinearity {nonlinearity}: {len(whole)} of {len(made)} pods calibrated; camber error "
        f"{np.sqrt(np.mean(error**2)):.4f} deg rms, stated "
        f"{np.sqrt(np.mean([one.stated_deg**2 for one in whole])):.4f}, mean factor "
        f"{np.mean([one.expanded_deg / one.stated_deg for one in whole]):.2f}; coverage "
        f"{100 * inside:.1f} % +- {100 * np.sqrt(inside * (1 - inside) / len(whole)):.1f}\n"
        f"  fits: {dict(Counter(one.state for one in made))}, face runs not good: "
        f"{sum(not one.face for one in made)}\n"
        f"  without calibration: error {np.sqrt(np.mean(bare**2)):.2f} deg rms, coverage "
        f"{100 * np.mean(np.abs(bare) <= bare_expanded):.1f} %"
    )


def main() -> None:
    """Run the study and print it."""
    words = argparse.ArgumentParser()
    words.add_argument("pods", nargs="?", type=int, default=2000)
    words.add_argument("--nonlinearity", choices=list(NONLINEARITY_PERCENT), default=None)
    words.add_argument("--wall", type=float, default=None)
    typed = words.parse_args()
    ways = [typed.nonlinearity] if typed.nonlinearity else list(NONLINEARITY_PERCENT)
    with ProcessPoolExecutor() as pool:
        for way in ways:
            one = partial(one_pod, nonlinearity=way, wall_deg=typed.wall)
            made = list(pool.map(one, range(typed.pods), chunksize=5))
            print(told(made, way))


if __name__ == "__main__":
    main()
