"""How often the 95 % interval of toe covers the truth, from calibration to result.

    python tests/benchmarks/toe.py [RUNS]

Each run draws a sensor (gain, offset, bow, noise), calibrates it at five known lengths by a
simulated hand, and measures a drawn toe with it: three pairs of touches, rim out of true and
string askew as the priors say (docs/measurement.md, section 9). All of the program's own.
Wanted: 93 to 97 %, and every touch taken.
"""

from __future__ import annotations

import asyncio
import sys
import tempfile
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import NamedTuple

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from flows.live_run import Heard
from knuckle.analysis.toe_request import ToeRequest
from knuckle.estimate.linear import LinearCalibration
from knuckle.estimate.priors import Given
from knuckle.links.schemes import open_link
from knuckle.model.result import Quantity
from knuckle.model.wheel import Wheel
from knuckle.run.linear import LinearTask, SetLength, linear_measurement
from knuckle.run.toe import ToeTask, toe_measurement
from knuckle.store.database import Store

LENGTHS_MM = (20.0, 35.0, 50.0, 65.0, 80.0)
CHORD_MM = 420.0
SENSOR = "linear.gain_sigma=0.02&linear.offset_sigma_mm=1"
STRING = "string.rim_sigma_mm=0.25&string.skew_sigma_deg=0.03&script.wheels=LF&script.repeat=3"


class Run(NamedTuple):
    """Error and expanded uncertainty in deg; touches taken; why there is none, if so."""

    error: float
    expanded: float
    touches: int
    refused: str


def _calibrated(seed: int, store: Store) -> LinearCalibration | None:
    lengths = ",".join(f"{length:g}" for length in LENGTHS_MM)
    address = f"sim:known_lengths?seed={seed}&{SENSOR}&script.lengths_mm={lengths}"
    link = open_link(f"{address}&transport=memory", wheel=Wheel.LF, purpose="lengths")
    # The hand lays the sensor on with a fifth of the scatter of a touch at a rim.
    known = tuple(SetLength(f"{length:g} mm", length, 0.02) for length in LENGTHS_MM)
    measurement, method = linear_measurement(LinearTask(known), link, Heard(), store)
    asyncio.run(measurement.carry_out())
    return None if method.fit is None else method.fit.calibration


def one_run(seed: int) -> Run:
    """Calibrate and measure one drawn sensor and wheel."""
    toe_deg = float(np.random.default_rng(seed).normal(0.0, 0.3))
    with tempfile.TemporaryDirectory() as folder, Store(Path(folder) / "runs.sqlite3") as store:
        calibration = _calibrated(seed, store)
        if calibration is None:
            return Run(0.0, 0.0, 0, "not calibrated")
        address = f"sim:string?seed={seed}&{SENSOR}&{STRING}&car.LF.toe_deg={toe_deg!r}"
        link = open_link(f"{address}&transport=memory", wheel=Wheel.LF, purpose="toe")
        request = ToeRequest(Wheel.LF, Given(CHORD_MM, 1.0))
        task = ToeTask(request, given=calibration)
        measurement = toe_measurement(task, lambda _pod, _channel: None, link, Heard(), store)
        report = asyncio.run(measurement.carry_out())
    (outcome,) = report.outcomes
    if outcome.refused is not None:
        return Run(0.0, 0.0, len(outcome.touches), outcome.refused.code)
    result = outcome.results[Quantity.TOE]
    error = result.value - toe_deg
    return Run(error, result.expanded_uncertainty, len(outcome.touches), "")


def main() -> None:
    """Print coverage, error and what was not taken."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 400
    with ProcessPoolExecutor(2) as pool:
        runs = list(pool.map(one_run, range(count)))
    good = [run for run in runs if not run.refused]
    errors = np.array([run.error for run in good])
    inside = sum(abs(run.error) <= run.expanded for run in good)
    missed = sum(6 - run.touches for run in runs)
    print(f"toe over {len(good)} of {count} drawn sensors and wheels, wanted 93 to 97 %:")
    print(f"  covered {100.0 * inside / max(len(good), 1):.1f} %")
    if good:
        half = np.mean([run.expanded for run in good])
        print(
            f"  root-mean-square error {np.sqrt(np.mean(errors**2)):.4f} deg, mean U {half:.4f} deg"
        )
    print(f"  touches not taken: {missed} of {6 * count}")
    for run in runs:
        if run.refused:
            print(f"  refused: {run.refused}")


if __name__ == "__main__":
    main()
