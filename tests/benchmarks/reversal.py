"""How often the 95 % intervals of a reversal cover the truth.

    python tests/benchmarks/reversal.py [RUNS]

Each run draws a sensor (calibrated or not), a slope of about 1 deg each way, two to six placings,
each about 0.02 deg and 2 deg of half turn off, and a base 0.2 deg out of square; then a camber
by that zero, with an exact mount. Readings are plain
vector arithmetic, sharing no code with the package. Wanted: 93 to 97 %.
"""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.spin import EXACT, draw, rest_of
from knuckle.analysis.camber import analyse_camber
from knuckle.analysis.request import Request
from knuckle.analysis.reversal import analyse_reversal
from knuckle.estimate.data_sheets import MPU6050_ACCELEROMETER
from knuckle.estimate.priors import AccelerometerPrior, Priors
from knuckle.estimate.zero import FoundZero
from knuckle.model.block import Block
from knuckle.model.result import Quantity
from knuckle.model.wheel import Wheel

QUANTITIES = (
    Quantity.ZERO_X,
    Quantity.ZERO_Y,
    Quantity.SLOPE_X,
    Quantity.SLOPE_Y,
    Quantity.CAMBER_ZERO,
    Quantity.CAMBER,
)


def no_samples() -> Block:
    """Return a block without gyro: the placings count as laid in turn."""
    none = np.zeros(2, dtype=int)
    t_s, accel = np.array([0.0, 100.0]), np.zeros((2, 3))
    return Block(t_s, accel, None, None, None, none, none, none.astype(bool), 20.0)


def one_run(seed: int, calibrated: bool) -> dict[Quantity, tuple[float, float]]:
    """Return each quantity's error and expanded uncertainty, deg."""
    rng = np.random.default_rng(seed)
    kind = AccelerometerPrior
    prior = kind.after_calibration() if calibrated else kind.data_sheet()
    pod = draw(rng, prior)
    slope = np.radians(rng.normal(0.0, 1.0, 2))
    square_deg = 0.2 * float(rng.standard_normal())
    # As wide as the prior of a placing says: a scaled inverse chi-squared with 3 degrees.
    seating = np.radians(0.02) * np.sqrt(3.0 / rng.chisquare(3.0))
    rests = []
    for number in range(int(rng.choice([2, 2, 4, 6]))):
        psi = np.pi * number + (np.radians(2.0) * rng.standard_normal() if number else 0.0)
        turn = np.array([[np.cos(psi), np.sin(psi)], [-np.sin(psi), np.cos(psi)]])
        level = turn @ slope + seating * rng.standard_normal(2)
        up = np.array([*level, 1.0])
        rests.append(rest_of(rng, pod.read(up / np.linalg.norm(up)), 5.0 * number))
    request = Request(Wheel.LF, Priors(accelerometer=prior))
    outcome = analyse_reversal(no_samples(), rests, request)
    found = dict(outcome.results)
    zero = np.degrees(np.arcsin(pod.read(np.array([0.0, 0.0, 1.0]))[:2]))
    truth = (*zero, *np.degrees(slope), square_deg - zero[1])
    # The pod's axes are those of its mounting face: the base stands off by the squareness.
    zero_known = FoundZero.from_json(json.loads(str(outcome.details["zero"])))
    shifted = replace(zero_known, value_g=zero_known.value_g + np.sin(np.radians(square_deg)))
    camber_deg = float(rng.uniform(-4.0, 4.0))
    lean = np.radians(camber_deg)
    pitch = np.radians(5.0) * float(rng.standard_normal())
    up = np.array([np.cos(lean) * np.sin(pitch), -np.sin(lean), np.cos(lean) * np.cos(pitch)])
    at = pod.read(up)
    exact = replace(request.priors, mount_tilt_deg=1e-6, mount_yaw_deg=1e-6)
    exact = replace(exact, pads_across=EXACT, pads_along=EXACT)
    by_it = shifted.on(exact, MPU6050_ACCELEROMETER, 0.0)
    later = [rest_of(rng, at, 0.0)]
    found[Quantity.CAMBER] = analyse_camber(later, replace(request, priors=by_it)).results[
        Quantity.CAMBER
    ]
    truth = (*truth, camber_deg)
    return {
        quantity: (found[quantity].value - true, found[quantity].expanded_uncertainty)
        for quantity, true in zip(QUANTITIES, truth, strict=True)
    }


def coverage(runs: int, calibrated: bool) -> dict[Quantity, tuple[float, float, float]]:
    """Return for each quantity: share covered in %, rms error and mean expanded, deg."""
    made = [one_run(seed, calibrated) for seed in range(runs)]
    table = {}
    for quantity in QUANTITIES:
        error, expanded = np.array([one[quantity] for one in made]).T
        covered = 100.0 * float(np.mean(np.abs(error) <= expanded))
        table[quantity] = (covered, float(np.sqrt(np.mean(error**2))), float(np.mean(expanded)))
    return table


def main() -> int:
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    for calibrated in (True, False):
        print(f"{runs} reversals, {'calibrated' if calibrated else 'by the data sheet'}")
        for quantity, (covered, rms, expanded) in coverage(runs, calibrated).items():
            print(
                f"  {quantity.value:<12} covered {covered:5.1f} %  (wanted: 93 to 97); "
                f"rms error {rms:.3f} deg, U95 {expanded:.3f} deg"
            )
    return 0


if __name__ == "__main__":
    sys.exit(main())
