"""Scripted sweeps: every rest found, none invented, the cue in time, the mean true."""

from __future__ import annotations

import numpy as np
import pytest

from knuckle.rests.detector import RestDetector, find_rests
from rests.driver_signal import Plan, random_plan, record
from rests.scoring import Score


def score(seeds: range, **fixed: object) -> Score:
    total = Score()
    for seed in seeds:
        plan = random_plan(seed, **fixed)
        block, truths = record(plan)
        total.take(f"seed {seed}", block, truths, plan.knocks_s)
    return total


def test_all_found_none_invented_means_true() -> None:
    total = score(range(1000, 1060))
    assert total.wanted > 200
    assert total.missed == []
    assert total.invented == []
    assert total.split == []
    # Errors over their stated sigma: what is left of creep and knocks would show here.
    assert np.sqrt(np.mean(np.square(total.errors))) < 1.15
    assert np.max(np.abs(total.errors)) < 5.0


def test_cue_at_data_sheet_noise() -> None:
    total = score(range(2000, 2040), noise=1.0, rate_hz=100.0)
    assert len(total.delays_s) > 100
    assert np.percentile(total.delays_s, 95) <= 1.5


@pytest.mark.parametrize(
    "fixed",
    [
        {"rate_hz": 10.0, "noise": 0.5},
        {"rate_hz": 25.0},
        {"rate_hz": 400.0, "noise": 3.0},
        {"noise": 0.25},
        {"caster_deg": 0.0},
        {"start_moving": True},
        {"vibration_g": 0.02, "vibration_dps": 0.2, "vibration_hz": 27.0, "rate_hz": 100.0},
        {"vibration_g": 0.01, "vibration_dps": 0.05, "vibration_hz": 41.0, "rate_hz": 200.0},
        {"accel_step_g": 0.001, "gyro_step_dps": 0.05, "noise": 0.25},
    ],
    ids=str,
)
def test_other_pods_and_conditions(fixed: dict[str, object]) -> None:
    total = score(range(3000, 3012), slips=(), **fixed)
    assert total.missed == []
    assert total.split == []
    if "vibration_g" not in fixed:
        # Vibration widens what a gyro mean may be off: a drift of 0.1 deg/s may pass there.
        assert total.invented == []


def test_pod_without_gyro_finds_all() -> None:
    total = score(range(4000, 4030), has_gyro=False, rate_hz=100.0, noise=1.0)
    assert total.missed == []


def test_recording_of_one_rest_and_of_none() -> None:
    block, _ = record(Plan(targets_deg=(0.0,), rest_s=(3.0,), move_s=(), drift_dps=(0.0,),
                           creep_deg=(), creep_tau_s=(), overshoot_deg=()))  # fmt: skip
    (rest,) = find_rests(block)
    assert rest.start_s == 0.0
    assert rest.end_s > 2.8
    assert rest.ended is False
    sweep, truths = record(Plan(rest_s=(0.1, 0.1, 0.1, 0.1), move_s=(6.0, 9.0, 6.0)))
    assert len(truths) == 4
    assert find_rests(sweep) == []


def test_steady_sweep_without_stops_is_no_rest() -> None:
    """A constant turn looks like gyro bias; gravity tells."""
    for rate_dps in (2.0, 5.0, 10.0):
        plan = Plan(
            targets_deg=(-20.0,), rest_s=(40.0 / rate_dps,), move_s=(), drift_dps=(rate_dps,),
            creep_deg=(), creep_tau_s=(), overshoot_deg=(),
        )  # fmt: skip
        block, _ = record(plan)
        assert find_rests(block) == []


def test_an_hour_of_rest_is_one_rest() -> None:
    rng = np.random.default_rng(8)
    block, _ = record(Plan(targets_deg=(0.0,), rest_s=(3600.0,), move_s=(), drift_dps=(0.0,),
                           creep_deg=(), creep_tau_s=(), overshoot_deg=(), rate_hz=25.0,
                           bias_drift_dps_per_s=0.0001,
                           knocks_s=tuple(np.sort(rng.uniform(0, 3600, 30)))))  # fmt: skip
    (rest,) = find_rests(block)
    assert rest.duration_s > 3599.0
    assert rest.knocks >= 25


def test_state_follows_the_wheel() -> None:
    block, truths = record(Plan())
    detector = RestDetector(100.0, True)
    states = []
    for first in range(0, len(block), 10):
        detector.push(block.part(first, first + 10))
        states.append((block.t_s[min(first + 9, len(block) - 1)], detector.state))
    for at_s, state in states:
        inside = any(t.start_s + 1.5 < at_s < t.end_s - 0.1 for t in truths)
        between = not any(t.start_s - 0.7 < at_s < t.end_s + 1.0 for t in truths)
        if inside:
            assert state == "still", at_s
        if between:
            assert state == "moving", at_s
