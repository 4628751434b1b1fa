"""How well rests are found, over whole sweeps of two generators that share no code.

    python tests/benchmarks/rests.py [SWEEPS]

The first is that of tests/rests (six out of ten sweeps with knocks, one in three with a drift of
0.1 deg/s or more, one in seven with a slipping mount, most with creep; 50 to 200 Hz; 0.25 to 3
times data sheet noise), the second the package's own simulated car. Wanted: every rest of 2 s or
more found, none invented; the cue within 1.5 s (95th percentile, 100 Hz, data sheet noise, no
knock in the last second) of steer staying within 0.1 deg of its final value.
"""

from __future__ import annotations

import sys
import time
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

import numpy as np

# In place of this folder, where this very file would hide the package of the same name.
sys.path[0] = str(Path(__file__).resolve().parents[1])

from benchmarks.labels import Labels, labels_of, told
from knuckle.analysis.measure import measure
from knuckle.analysis.request import Request
from knuckle.model.block import Block
from knuckle.rests.detector import RestDetector, find_rests
from knuckle.sim.recording import simulate_block
from knuckle.sim.scenario import load
from rests.driver_signal import Truth, random_plan, record
from rests.hand_signal import held
from rests.scoring import Score

SCENARIOS = ("garage", "knocks", "slow_settling", "drifting", "slip", "everything", "many_stops")


def driven(seed: int, **fixed: object) -> Score:
    """Score one sweep of the tests' generator."""
    score = Score()
    plan = random_plan(seed, **fixed)
    block, truths = record(plan)
    score.take(f"sweep {seed}", block, truths, plan.knocks_s)
    return score


def simulated(seed: int) -> Score:
    """Score one sweep of the simulated car, its scenarios in turn."""
    score = Score()
    name = SCENARIOS[seed % len(SCENARIOS)]
    scenario = load(name)
    block, truth = simulate_block(scenario, seed)
    up = np.full(3, np.nan)
    truths = [
        # Only the reading's place is judged: the drift marks what is no rest.
        Truth(r.start_s, r.start_s, r.end_s, r.steer_deg, r.drift_dps or 1e-9, up)
        for r in truth.rests
    ]
    score.take(f"{name} {seed}", block, truths, truth.knocks_s)
    return score


def labelled(seed: int) -> Labels:
    """Analyse one sweep of the simulated car, its scenarios in turn."""
    block, truth = simulate_block(load(SCENARIOS[seed % len(SCENARIOS)]), seed)
    detector = RestDetector(block.rate_hz, block.gyro_dps is not None)
    detector.push(block)
    detector.finish()
    request = Request(truth.rests[0].wheel)
    outcome = measure("sweep", block, detector.rests(), request, detector.dropped)
    return labels_of(outcome, truth)


def hands(seed: int) -> int:
    """Return how many rests are found in a held pod; sizes from loose to firm."""
    rng = np.random.default_rng(seed)
    return len(
        find_rests(
            held(
                15.0,
                float(rng.uniform(0.1, 2.0)),
                float(rng.uniform(0.03, 0.3)),
                noise=float(rng.uniform(0.25, 3.0)),
                seed=seed,
            )
        )
    )


def tell(title: str, scores: list[Score]) -> None:
    """Print what the scores come to."""
    total = Score()
    for score in scores:
        total.add(score)
    delays = np.percentile(total.delays_s or [np.nan], [50, 95, 99, 100])
    print(title)
    print(
        f"  rests of 2 s or more: {total.wanted}, found {total.found}, missed {len(total.missed)}, "
        f"invented {len(total.invented)}, found twice {len(total.split)}; "
        f"cues withdrawn {total.withdrawn}"
    )
    print(
        "  cue after settling: "
        + ", ".join(
            f"{name} {value:.2f} s"
            for name, value in zip(("median", "95 %", "99 %", "longest"), delays, strict=True)
        )
    )
    if total.errors:
        errors = np.array(total.errors)
        print(
            f"  error of the mean over its stated sigma: {np.sqrt(np.mean(errors**2)):.3f} rms, "
            f"{np.abs(errors).max():.1f} at most"
        )
    for name, labels in (
        ("missed", total.missed),
        ("invented", total.invented),
        ("found twice", total.split),
    ):
        if labels:
            print(f"  {name}: {'; '.join(labels[:8])}{' ...' if len(labels) > 8 else ''}")


def hour_at_200_hz() -> float:
    """Return the seconds that the rests of an hour's log take."""
    n = 720_000
    rng = np.random.default_rng(0)
    block = Block(
        t_s=np.arange(n) / 200.0,
        accel_g=rng.normal(size=(n, 3)) * 0.004 + np.array([0.0, 0.0, 1.0]),
        gyro_dps=rng.normal(size=(n, 3)) * 0.05,
        temp_c=None,
        linear_mm=None,
        lost_before=np.zeros(n, dtype=np.int64),
        stretch=np.zeros(n, dtype=np.int64),
        clipped=np.zeros(n, dtype=np.bool_),
        rate_hz=200.0,
    )
    detector = RestDetector(200.0, True)
    began = time.perf_counter()
    detector.push(block)
    detector.finish()
    return time.perf_counter() - began


def main() -> None:
    """Run the study and print it."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    with ProcessPoolExecutor() as pool:
        sheet = partial(driven, noise=1.0, rate_hz=100.0)
        without = partial(driven, noise=1.0, rate_hz=100.0, has_gyro=False)
        some = max(1, count // 4)
        tell(f"{count} sweeps, all conditions", list(pool.map(driven, range(count), chunksize=20)))
        tell(
            f"{some} sweeps, 100 Hz, data sheet noise",
            list(pool.map(sheet, range(count, count + some), chunksize=20)),
        )
        tell(
            f"{some} sweeps without gyro, 100 Hz, data sheet noise (drifts not judged)",
            list(pool.map(without, range(count, count + some), chunksize=20)),
        )
        tell(
            f"{count} sweeps of the simulated car: {', '.join(SCENARIOS)}",
            list(pool.map(simulated, range(count), chunksize=20)),
        )
        print(f"  {told(list(pool.map(labelled, range(count), chunksize=20)))}")
        print(f"{count} pods held in a hand: rests found {sum(pool.map(hands, range(count)))}")
    print(f"one hour at 200 Hz: {hour_at_200_hz():.2f} s")


if __name__ == "__main__":
    main()
