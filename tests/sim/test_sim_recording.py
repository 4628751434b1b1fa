"""Whole runs: their truth, their rests, and that they answer to the seed alone."""

from __future__ import annotations

import numpy as np
import pytest

from knuckle.errors import UsageError
from knuckle.model.block import Block
from knuckle.model.result import Position
from knuckle.model.wheel import Wheel
from knuckle.sim.draw import draw_case
from knuckle.sim.recording import simulate_block
from knuckle.sim.scenario import load
from knuckle.sim.spec import Purpose
from knuckle.sim.truth import ScriptedRest

QUIET = {
    "mount.tilt_sigma_deg": 0.0,
    "mount.yaw_sigma_deg": 0.0,
    "pads.left_higher_deg": 0.0,
    "pads.front_higher_deg": 0.0,
    "script.roll_sigma_deg": 0.0,
    "car.body_roll": False,
    "calibration.accel_bias_sigma_g": 0.0,
    "calibration.accel_scale_sigma": 0.0,
    "calibration.accel_cross_sigma": 0.0,
    "calibration.turn_sigma_deg": 0.0,
    "sensor.temp_c": 25.0,
    "sensor.warm_up_c": 0.0,
}


def _mean(block: Block, rest: ScriptedRest) -> np.ndarray:
    inside = (block.t_s >= rest.start_s) & (block.t_s <= rest.end_s)
    assert inside.sum() > 50
    return np.asarray(block.accel_g[inside].mean(axis=0))


@pytest.mark.parametrize("wheel", ["LF", "RF"])
@pytest.mark.parametrize("pitch_deg", [0.0, 70.0, -160.0])
def test_camber_at_each_rest_is_the_truth(wheel: str, pitch_deg: float) -> None:
    scenario = load("garage", wheel=wheel, **QUIET, **{"mount.pitch_deg": pitch_deg})
    block, truth = simulate_block(scenario, 3)
    labels = [rest.position for rest in truth.rests]
    out_first = [Position.STRAIGHT, Position.OUT, Position.STRAIGHT, Position.IN, Position.STRAIGHT]
    in_first = [Position.STRAIGHT, Position.IN, Position.STRAIGHT, Position.OUT, Position.STRAIGHT]
    assert labels == (out_first if wheel == "LF" else in_first)
    for rest in truth.rests:
        assert rest.duration_s > 2.5
        up = _mean(block, rest)
        shown = -np.degrees(np.arcsin(up[1] / np.linalg.norm(up)))
        assert shown == pytest.approx(rest.camber_deg, abs=0.04)
    assert truth.rests[0].camber_deg == pytest.approx(truth.wheel.camber_deg, abs=1e-9)
    assert truth.rests[1].steer_deg == pytest.approx(20.0, abs=3.0)
    assert truth.rests[3].steer_deg == pytest.approx(-20.0, abs=3.0)


@pytest.mark.parametrize("wheel", ["LF", "RF"])
def test_the_cone_of_the_rests_gives_caster_and_sai_back(wheel: str) -> None:
    # docs/measurement.md: x = q (y x z), tan caster = -k_x / k_z, tan SAI = -k_y / k_z.
    scenario = load("garage", wheel=wheel, **QUIET, **{"mount.pitch_deg": 30.0})
    scenario = load(
        "garage", wheel=wheel, **QUIET,
        **{"mount.pitch_deg": 30.0, "script.positions_deg": [0, 40, 0, -40, 0],
           "script.hold_s": [60, 60], "sensor.accel_noise_ug": 20.0},
    )  # fmt: skip
    block, truth = simulate_block(scenario, 8)
    ups = np.array([_mean(block, rest) for rest in truth.rests])
    k = np.linalg.svd(ups - ups.mean(axis=0))[2][2]
    k *= np.sign(k @ ups[0])
    q = 1 if wheel == "LF" else -1
    z = ups[0] / np.linalg.norm(ups[0])
    y = np.array([0.0, 1.0, 0.0])
    y -= z * (y @ z)
    y /= np.linalg.norm(y)
    x = q * np.cross(y, z)
    toe = np.radians(truth.wheel.toe_deg)
    forward = x * np.cos(toe) + y * np.sin(toe)
    outboard = y * np.cos(toe) - x * np.sin(toe)
    assert np.degrees(np.arctan(-(k @ forward) / (k @ z))) == pytest.approx(
        truth.wheel.caster_deg, abs=0.05
    )
    assert np.degrees(np.arctan(-(k @ outboard) / (k @ z))) == pytest.approx(
        truth.wheel.sai_deg, abs=0.05
    )


def test_the_seed_decides_everything() -> None:
    scenario = load("knocks")
    first, again, other = (simulate_block(scenario, seed) for seed in (5, 5, 6))
    assert np.array_equal(first.block.accel_g, again.block.accel_g)
    assert first.truth == again.truth
    assert first.truth.rests != other.truth.rests
    assert simulate_block(load("knocks", seed=5)).truth == first.truth


def test_two_pods_on_one_car_see_the_same_moves() -> None:
    left, right = (simulate_block(load("garage", wheel=wheel), 5) for wheel in ("LF", "RF"))
    times = [[(rest.start_s, rest.end_s, rest.theta_deg) for rest in run.truth.rests]
             for run in (left, right)]  # fmt: skip
    assert times[0] == times[1]
    assert left.truth.rests[1].roll_deg != right.truth.rests[1].roll_deg
    assert left.truth.tilt_deg != right.truth.tilt_deg
    noise = [
        run.block.accel_g[:200, 0] - run.block.accel_g[:200, 0].mean() for run in (left, right)
    ]
    assert abs(np.corrcoef(noise)[0, 1]) < 0.3


def test_faults_leave_the_other_draws_alone() -> None:
    plain = simulate_block(load("garage"), 5).truth
    knocked = simulate_block(load("garage", faults="knocks"), 5).truth
    assert plain.rests == knocked.rests
    assert not plain.knocks_s
    assert knocked.knocks_s


def test_rests_stand_still_and_start_within_a_tenth_of_a_degree() -> None:
    for seed in range(6):
        silent = {"sensor.gyro_noise_dps": 0.0, "sensor.gyro_bias_walk_dps": 0.0}
        still = {"sensor.gyro_g_sensitivity_sigma_dps": 0.0, "sensor.warm_up_c": 0.0}
        block, truth = simulate_block(load("slow_settling", **silent, **still), seed)
        assert block.gyro_dps is not None
        rate = 1.0 / block.rate_hz
        bias = block.gyro_dps[: int(2.0 / rate)].mean(axis=0)
        turn = np.cumsum(block.gyro_dps - bias, axis=0) * rate
        for rest in truth.rests[1:]:
            inside = (block.t_s >= rest.start_s) & (block.t_s <= rest.end_s)
            left = np.linalg.norm(turn[inside] - turn[inside][-50:].mean(axis=0), axis=1)
            assert left.max() < 0.13  # with the gyro's steps and the hand's tremor
            assert rest.duration_s > 3.0


def test_a_drifting_hold_is_marked_and_drifts() -> None:
    block, truth = simulate_block(load("drifting"), 2)
    drifts = [rest.drift_dps for rest in truth.rests]
    assert drifts == [0.0, -0.3, 0.0, 0.0, 0.0]
    rest = truth.rests[1]
    inside = (block.t_s >= rest.start_s + 0.4) & (block.t_s <= rest.end_s - 0.4)
    still = (block.t_s >= 0.5) & (block.t_s <= truth.rests[0].end_s)
    assert block.gyro_dps is not None
    speed = block.gyro_dps[inside].mean(axis=0) - block.gyro_dps[still].mean(axis=0)
    assert np.linalg.norm(speed) == pytest.approx(0.3, abs=0.03)


def test_a_free_wheel_rolls_by_scrub_over_radius() -> None:
    scenario = load("brake_free", **{"faults.brake_free.sigma_deg": 0.0, "car.LF.scrub_mm": 62.0})
    truth = simulate_block(scenario, 2).truth
    for rest in truth.rests:
        assert rest.roll_deg == pytest.approx(-62.0 / 310.0 * rest.theta_deg)
    held = simulate_block(load("garage"), 2).truth
    assert 0.0 < max(abs(rest.roll_deg) for rest in held.rests) < 0.3


def test_a_slip_moves_the_straight_reading() -> None:
    block, truth = simulate_block(load("slip", **QUIET), 2)
    before, after = _mean(block, truth.rests[0]), _mean(block, truth.rests[-1])
    expected = np.degrees(np.arcsin(before[1])) - np.degrees(np.arcsin(after[1]))
    assert abs(expected) == pytest.approx(0.4, abs=0.05)


def test_knocks_are_where_the_truth_says() -> None:
    block, truth = simulate_block(
        load("garage", **{"faults.knocks.on": True, "faults.knocks.times_s": [1.0, 2.0]}), 2
    )
    assert truth.knocks_s == pytest.approx((1.0, 2.0), abs=1e-3)
    plain = simulate_block(load("garage"), 2).block
    apart = np.abs(block.accel_g - plain.accel_g).max(axis=1)
    hit = block.t_s[apart > 0.01]
    assert hit.min() == pytest.approx(1.0, abs=0.05)
    assert np.all((hit < 1.7) | ((hit > 2.0) & (hit < 2.7)))


def test_gap_restart_and_clipping_show_in_the_block() -> None:
    block = simulate_block(load("gaps"), 2).block
    assert block.lost_before.sum() == 12
    assert block.stretch.max() == 0
    assert simulate_block(load("long_gap"), 2).block.stretch.max() == 1
    assert simulate_block(load("restart"), 2).block.stretch.max() == 1
    assert simulate_block(load("clipped"), 2).block.clipped.mean() > 0.3
    assert not simulate_block(load("garage"), 2).block.clipped.any()


def test_a_pod_without_gyro_and_one_that_averages() -> None:
    assert simulate_block(load("no_gyro"), 2).block.gyro_dps is None
    fast, plain = simulate_block(load("averaging"), 2), simulate_block(load("garage"), 2)
    assert fast.block.rate_hz == pytest.approx(100.0)
    assert len(fast.block) == pytest.approx(len(plain.block), abs=1)
    still = slice(0, 300)
    # Ten readings at 1000 Hz carry the noise of one at 100 Hz: the density is the same.
    ratio = fast.block.accel_g[still].std(axis=0) / plain.block.accel_g[still].std(axis=0)
    assert ratio == pytest.approx(1.0, abs=0.2)


def test_pod_time_is_the_pods() -> None:
    block, truth = simulate_block(load("garage", **{"pod.clock_ppm": 10000.0}), 2)
    plain = simulate_block(load("garage", **{"pod.clock_ppm": 0.0}), 2).truth
    assert np.diff(block.t_s) == pytest.approx(0.01)
    assert truth.rests[2].start_s == pytest.approx(plain.rests[2].start_s * 1.01)


def test_continuous_sweep_never_stops_between() -> None:
    block, truth = simulate_block(load("continuous"), 2)
    assert [rest.position for rest in truth.rests] == [Position.STRAIGHT] * 2
    assert block.gyro_dps is not None
    first, last = truth.rests
    moving = (block.t_s > first.end_s + 1.0) & (block.t_s < last.start_s - 1.5)
    bias = block.gyro_dps[block.t_s < first.end_s].mean(axis=0)
    turn = np.cumsum(block.gyro_dps[moving] - bias, axis=0) * 0.01
    assert np.ptp(turn[:, 2]) > 33.0
    speed = np.linalg.norm(block.gyro_dps[moving] - bias, axis=1)
    slow = np.convolve(speed < 0.35, np.ones(150), "valid").max()
    assert slow < 150  # nowhere 1.5 s of standing still


def test_camber_of_four_wheels() -> None:
    scenario = load("garage", purpose="camber_all", **QUIET)
    block, truth = simulate_block(scenario, 2)
    assert [rest.wheel for rest in truth.rests] == [Wheel.LF, Wheel.RF, Wheel.LR, Wheel.RR]
    for rest in truth.rests:
        up = _mean(block, rest)
        shown = -np.degrees(np.arcsin(up[1] / np.linalg.norm(up)))
        assert rest.camber_deg == scenario.truth(rest.wheel).camber_deg
        assert shown == pytest.approx(rest.camber_deg, abs=0.04)
    one = simulate_block(load("garage", purpose="camber", wheel="RR"), 2).truth
    assert [rest.wheel for rest in one.rests] == [Wheel.RR]
    # In the hand it is never still: between two wheels it turns and shakes.
    assert block.gyro_dps is not None
    carried = (block.t_s > truth.rests[0].end_s) & (block.t_s < truth.rests[1].start_s - 1.0)
    speed = np.linalg.norm(np.diff(block.accel_g[carried], axis=0), axis=1)
    assert np.convolve(speed, np.ones(50) / 50, "valid").min() > 0.006


def test_a_rear_wheel_cannot_be_swept() -> None:
    with pytest.raises(UsageError, match="rear"):
        simulate_block(load("garage", wheel="LR"), 1)
    watched = simulate_block(load("garage", wheel="LR", purpose="watch"), 1, duration_s=20.0)
    assert len(watched.block) == pytest.approx(2000, abs=2)


def test_a_repeated_script_and_one_that_does_not_come_back() -> None:
    truth = simulate_block(load("many_stops"), 1).truth
    assert len(truth.rests) == 17
    truth = simulate_block(load("no_straight"), 1).truth
    assert [rest.position for rest in truth.rests] == [Position.OUT, Position.IN] * 2


def test_drawn_cases_follow_the_stated_priors() -> None:
    cases = [draw_case(seed) for seed in range(400)]
    caster = np.array([case.truth().caster_deg for case in cases])
    assert caster.min() > -2.0
    assert caster.max() < 9.0
    assert caster.mean() == pytest.approx(3.5, abs=0.5)
    assert np.std([case.truth().toe_deg for case in cases]) == pytest.approx(0.3, rel=0.12)
    share = np.mean([case.wheel is Wheel.LF for case in cases])
    assert 0.4 < share < 0.6
    truths = [simulate_block(case, duration_s=0.1).truth for case in cases]
    assert np.std([t.tilt_deg for t in truths]) == pytest.approx(0.2, rel=0.12)
    assert np.std([t.yaw_deg for t in truths]) == pytest.approx(0.5, rel=0.12)
    assert np.std([t.left_higher_deg for t in truths]) == pytest.approx(0.1, rel=0.12)
    assert draw_case(3) == draw_case(3)
    assert draw_case(3, wheel=Wheel.RR, purpose=Purpose.CAMBER).wheel is Wheel.RR
