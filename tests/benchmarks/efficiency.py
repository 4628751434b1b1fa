"""Error of the estimate over the Bayesian Cramer-Rao bound.

    python tests/benchmarks/efficiency.py [RUNS]

The bound (Van Trees 1968, Detection, Estimation, and Modulation Theory I, 2.4.3) takes the priors
in, and the readings of the scripted rests with nothing but white noise: no estimator can do better
on average. Recordings come from the generator of tests/analysis, which shares no code with the
package; steer, caster, SAI and camber are fixed in each scenario, the rest is drawn from the
priors.
Wanted: at most 1.10.
"""

from __future__ import annotations

import sys
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np

from analysis.linkage_on_paper import Linkage, lengths, readings
from analysis.paper_sweeps import block_of, outcome_of_block
from analysis.wheel_on_paper import Wheel, drawn, heading_of, record, sweep_steer
from knuckle.analysis.linear_source import LinearSource
from knuckle.analysis.request import Request
from knuckle.analysis.sweep_problem import build_problem
from knuckle.estimate.linear import LinearCalibration
from knuckle.estimate.linear_steer import LinearReadings, LinearSteer
from knuckle.estimate.priors import Given, Priors
from knuckle.estimate.solver import derivative
from knuckle.estimate.turns import Turn
from knuckle.estimate.wheel_model import Reading
from knuckle.geometry.linkage import LinkageKind
from knuckle.model.result import Quantity
from knuckle.model.wheel import Wheel as Position

ACCEL_G = 400e-6
GYRO_DPS = 0.005
MEAN_HOLD_S = 3.5 * 1.05
MEAN_MOVE_S = 2.5 * 1.05

WIRE = LinearSteer(
    LinkageKind.WIRE,
    Given(370.0, 5.0),
    True,
    Given(450.0, 2.0),
    Given(90.0, 2.0),
    Given(20.0, 10.0),
    Given(0.0, 10.0),
    calibration=LinearCalibration(
        channel=1,
        gain=5.0,
        offset_mm=200.0,
        covariance=np.diag([1e-4, 0.25]),
        scatter_mm=0.2,
        count=0,
        valid_mm=(-np.inf, np.inf),
    ),
)
AS_GIVEN = Linkage(lever=370.0, reach=450.0, angle=90.0, arm=20.0, rise=0.0)


class Scenario(NamedTuple):
    """What is fixed; steer in deg about the axis, `source` of steer: gyro, plates, wire, cone."""

    name: str
    wheel: str
    caster: float
    sai: float
    camber: float
    stops: tuple[float, ...]
    source: str = "gyro"


SCENARIOS = (
    Scenario("left, gyro", "LF", 5, 12, -1.5, (0, 20, 0, -20, 0)),
    Scenario("right, gyro", "RF", 7, 14, -2.5, (0, 20, 0, -20, 0)),
    Scenario("negative caster", "LF", -1.5, 8, 0.5, (0, 20, 0, -20, 0)),
    Scenario("no return", "RF", 4, 10, -1.0, (0, 20, -20)),
    Scenario("seven stops", "LF", 6, 13, -3.0, (0, 10, 20, 0, -10, -20, 0)),
    Scenario("plates, no gyro", "LF", 5, 12, -1.5, (0, 20, 0, -20, 0), "plates"),
    Scenario("plates and gyro", "RF", 5, 12, -1.5, (0, 20, 0, -20, 0), "both"),
    Scenario("wire, no gyro", "LF", 5, 12, -1.5, (0, 20, 0, -20, 0), "wire"),
    Scenario("wire and gyro", "RF", 5, 12, -1.5, (0, 20, 0, -20, 0), "wire and gyro"),
    Scenario("cone alone", "LF", 6, 13, -1.5, (0, 20, 0, -20, 0), "cone"),
)


def one_run(scenario: Scenario, seed: int) -> tuple[float, ...] | None:
    """Return the errors of camber, caster and SAI, deg; None if refused."""
    rng = np.random.default_rng([seed, len(scenario.name)])
    fixed = {"caster": scenario.caster, "sai": scenario.sai, "camber": scenario.camber}
    with_gyro = scenario.source in ("gyro", "both", "wire and gyro")
    wheel = drawn(rng, name=scenario.wheel, pitch=0.0, has_gyro=with_gyro, **fixed)
    steer, rests = sweep_steer(rng, scenario.stops)
    plates = None
    if scenario.source in ("plates", "both"):
        ends = (max(scenario.stops), min(scenario.stops))
        plates = tuple(abs(heading_of(wheel, end)) for end in ends)
        plates = tuple(angle + rng.normal(0, 0.3) for angle in plates)
    columns = record(wheel, steer, rng)
    linear = WIRE if "wire" in scenario.source else None
    if linear is not None:
        columns["linear_mm"] = readings(rng, wheel, steer, rests, linear, wheel.rate_hz)
    block = block_of(columns, wheel.rate_hz)
    outcome = outcome_of_block(block, wheel, plates_deg=plates, linear=linear)
    if outcome.refused is not None:
        return None
    truth = {
        Quantity.CAMBER: wheel.camber,
        Quantity.CASTER: wheel.caster,
        Quantity.SAI: wheel.sai,
    }
    return tuple(outcome.results[q].value - t for q, t in truth.items())


def bound_deg(scenario: Scenario) -> np.ndarray:
    """Return the bound of camber, caster and SAI, deg, from scripted rests and white noise."""
    quiet = {"noise": 1e-9, "gyro_bias": np.zeros(3), "name": scenario.wheel}
    wheel = Wheel(caster=scenario.caster, sai=scenario.sai, camber=scenario.camber, **quiet)
    rng = np.random.default_rng(0)
    at = [record(wheel, np.full(3, float(stop)), rng) for stop in scenario.stops]
    noise = np.eye(3) * ACCEL_G**2 / 2 / MEAN_HOLD_S
    ups = [Reading(np.array([c["ax_g"][1], c["ay_g"][1], c["az_g"][1]]), noise) for c in at]
    turns = []
    if scenario.source in ("gyro", "both", "wire and gyro"):
        path = [record(wheel, np.linspace(a, b, 201), rng) for a, b in pairwise(scenario.stops)]
        rate_var = GYRO_DPS**2 / 2
        bias_var = rate_var / MEAN_HOLD_S
        variance = rate_var * MEAN_MOVE_S + 2 * bias_var * MEAN_MOVE_S**2 / 4
        for k, columns in enumerate(path):
            rate = np.stack([columns[n] for n in ("gx_dps", "gy_dps", "gz_dps")], axis=1)
            angle = np.radians(np.sum(rate[:-1], axis=0) / wheel.rate_hz)
            turns.append(Turn(k, k + 1, angle, np.radians(np.radians(np.eye(3) * variance))))
    plates = None
    if scenario.source in ("plates", "both"):
        ends = (max(scenario.stops), min(scenario.stops))
        plates = tuple(abs(heading_of(wheel, end)) for end in ends)
    linear = None
    if "wire" in scenario.source:
        sent = (lengths(wheel, np.array(scenario.stops), AS_GIVEN) + 50.0) / WIRE.gain
        noise_mm = np.full(sent.size, 0.03 / np.sqrt(MEAN_HOLD_S * wheel.rate_hz))
        linear = LinearSource(WIRE, LinearReadings(sent, noise_mm))
    request = Request(Position(scenario.wheel), Priors(), plates_deg=plates)
    problem = build_problem(ups, turns, [True] * len(ups), request, linear)
    fit = problem.fit(Priors().roll_held_deg)
    gradients = derivative(fit.model.outputs, fit.solution.x)[:3]
    return np.sqrt([fit.solution.variance(g) for g in gradients])


def main() -> None:
    """Run the study and print it."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 600
    print(f"error (rms) over the Bayesian Cramer-Rao bound, {count} runs each (wanted <= 1.10;")
    print(f"chance alone moves a ratio by +-{100 / np.sqrt(2 * count):.1f} %)")
    print(f"  {'scenario':<18}{'camber':>18}{'caster':>18}{'SAI':>18}  refused")
    with ProcessPoolExecutor() as pool:
        for scenario in SCENARIOS:
            found = list(pool.map(partial(one_run, scenario), range(count), chunksize=20))
            errors = np.array([errors for errors in found if errors is not None])
            rms, bound = np.sqrt(np.mean(errors**2, axis=0)), bound_deg(scenario)
            cells = [f"{r:.3f}/{b:.3f} {r / b:.2f}" for r, b in zip(rms, bound, strict=True)]
            refused = sum(errors is None for errors in found)
            print(f"  {scenario.name:<18}" + "".join(f"{c:>18}" for c in cells) + f"  {refused}")


if __name__ == "__main__":
    main()
