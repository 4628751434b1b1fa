"""How often the 95 % intervals cover the truth, over whole simulated sweeps.

    python tests/benchmarks/coverage.py [RUNS] [--part adxl355] [--no-gyro] [--linear wire|rod]

Each run draws its truths from the stated priors (docs/measurement.md, section 3): both sides,
toe, wheel roll, pads, mount, and the full sensor model; samples, rests and estimate are the
program's own. With ``--part adxl355`` the accelerometer is not calibrated and on another chip than
the gyro: the data sheet's figures are the priors, and each chip is turned by itself.
With ``--linear`` a linear sensor is laid to the wheel, with figures and errors of its own.
Wanted: 93 to 97 %, and every rest labelled straight, in or out as scripted.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path
from typing import NamedTuple

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.labels import Labels, labels_of, told
from knuckle.analysis.measure import measure
from knuckle.analysis.request import Request
from knuckle.estimate.data_sheets import accelerometer_sheet, gyro_sheet
from knuckle.estimate.linear import LinearCalibration
from knuckle.estimate.linear_steer import LinearSteer
from knuckle.estimate.priors import AccelerometerPrior, Given, GyroPrior, Priors
from knuckle.geometry.linkage import LinkageKind
from knuckle.model.result import Quantity
from knuckle.rests.detector import RestDetector
from knuckle.sim.draw import draw_case, with_linkage
from knuckle.sim.linear_spec import LinkageKind as SimulatedKind
from knuckle.sim.recording import simulate_block
from knuckle.sim.scenario import Scenario
from knuckle.sim.spec import Part


class Run(NamedTuple):
    """Errors and expanded uncertainties (deg) of camber, caster, SAI; and what was said."""

    errors: tuple[float, ...]
    expanded: tuple[float, ...]
    codes: tuple[str, ...]
    rests_too_many: int
    labels: Labels


def priors_of(part: Part, gyro: bool) -> Priors:
    """Return what the program assumes of a pod with this accelerometer."""
    if part is Part.MPU6050:
        return Priors()
    return Priors(
        accelerometer=AccelerometerPrior.data_sheet(accelerometer_sheet(part)),
        gyro=GyroPrior.data_sheet(gyro_sheet("mpu6050"), own_chip=gyro),
    )


def linear_of(scenario: Scenario) -> LinearSteer | None:
    """Return what a user would say of the scenario's linkage and sensor."""
    link, sensor = scenario.linkage, scenario.linear
    if link.kind is SimulatedKind.NONE:
        return None
    rod = link.kind is SimulatedKind.ROD
    calibration = LinearCalibration(
        channel=1,
        gain=sensor.gain,
        offset_mm=sensor.offset_mm,
        covariance=np.diag([sensor.gain_sigma**2, sensor.offset_sigma_mm**2]),
        scatter_mm=sensor.nonlinearity_mm,
        count=0,
        valid_mm=(-np.inf, np.inf),
    )
    return LinearSteer(
        LinkageKind(link.kind),
        Given(link.lever_mm, link.lever_sigma_mm),
        link.longer_left,
        Given(link.face_mm, link.face_sigma_mm) if rod else None,
        Given(link.angle_deg, link.angle_sigma_deg),
        Given(link.arm_deg, link.arm_sigma_deg),
        Given(link.rise_mm, link.rise_sigma_mm),
        link.play_mm,
        calibration=calibration,
    )


def one_run(
    seed: int,
    part: Part = Part.MPU6050,
    gyro: bool = True,
    linear: SimulatedKind = SimulatedKind.NONE,
) -> Run:
    """Simulate and measure one drawn sweep."""
    scenario = draw_case(seed, part=part, gyro=gyro)
    if linear is not SimulatedKind.NONE:
        scenario = with_linkage(scenario, linear)
    block, truth = simulate_block(scenario)
    detector = RestDetector(block.rate_hz, block.gyro_dps is not None)
    detector.push(block)
    detector.finish()
    wheel = truth.rests[0].wheel
    request = Request(wheel, priors_of(part, gyro), linear=linear_of(scenario))
    outcome = measure("sweep", block, detector.rests(), request, detector.dropped)
    codes = tuple(warning.code for warning in outcome.warnings)
    too_many = len(detector.rests()) - len(truth.rests)
    labels = labels_of(outcome, truth)
    if outcome.refused is not None:
        return Run((), (), (*codes, f"refused: {outcome.refused.code}"), too_many, labels)
    true = {
        Quantity.CAMBER: truth.wheel.camber_deg,
        Quantity.CASTER: truth.wheel.caster_deg,
        Quantity.SAI: truth.wheel.sai_deg,
    }
    found = [outcome.results[quantity] for quantity in true]
    errors = tuple(r.value - t for r, t in zip(found, true.values(), strict=True))
    return Run(errors, tuple(r.expanded_uncertainty for r in found), codes, too_many, labels)


def main() -> None:
    """Run the study and print it."""
    words = argparse.ArgumentParser()
    words.add_argument("runs", nargs="?", type=int, default=2000)
    words.add_argument("--part", type=Part, choices=list(Part), default=Part.MPU6050)
    words.add_argument("--no-gyro", action="store_true")
    words.add_argument("--linear", type=SimulatedKind, default=SimulatedKind.NONE)
    typed = words.parse_args()
    count = typed.runs
    drawn = partial(one_run, part=typed.part, gyro=not typed.no_gyro, linear=typed.linear)
    with ProcessPoolExecutor() as pool:
        runs = list(pool.map(drawn, range(count), chunksize=20))
    whole = [run for run in runs if run.errors]
    error = np.array([run.errors for run in whole])
    expanded = np.array([run.expanded for run in whole])
    inside = np.mean(np.abs(error) <= expanded, axis=0)
    spread = np.sqrt(inside * (1 - inside) / len(whole))
    print(f"coverage of 95 % intervals over {len(whole)} of {count} drawn sweeps (wanted 93-97 %)")
    for i, name in enumerate(("camber", "caster", "SAI")):
        print(
            f"  {name:<7}{100 * inside[i]:6.1f} % +- {100 * spread[i]:.1f}   "
            f"error {np.sqrt(np.mean(error[:, i] ** 2)):.3f} deg rms, "
            f"stated {np.sqrt(np.mean((expanded[:, i] / 1.96) ** 2)):.3f} deg, "
            f"bias {np.mean(error[:, i]):+.3f}"
        )
    print(f"  rests found more or fewer than scripted: {Counter(r.rests_too_many for r in runs)}")
    print(f"  {told([run.labels for run in runs])}")
    print(f"  said: {dict(Counter(code for run in runs for code in run.codes))}")


if __name__ == "__main__":
    main()
