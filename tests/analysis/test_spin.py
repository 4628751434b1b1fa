"""Wheel-turn runs on paper: readings by scipy rotations, sharing no code with the package."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from benchmarks.spin import Drawn, coverage, rest_of, turned
from knuckle.analysis.camber import analyse_camber
from knuckle.analysis.mount_watch import not_trusted
from knuckle.analysis.request import Request
from knuckle.analysis.runout import clocks_deg, runout_of
from knuckle.analysis.spin import analyse_spin
from knuckle.errors import MeasurementRefused
from knuckle.estimate.mounting import Mounting
from knuckle.estimate.priors import AccelerometerPrior, Priors
from knuckle.model.block import Block
from knuckle.model.rest import Rest
from knuckle.model.result import Outcome, Quantity
from knuckle.model.wheel import Wheel

REQUEST = Request(Wheel.LF, Priors())


def pod(yaw_deg: float = 0.0, tilt_deg: float = 0.0) -> Drawn:
    spin = np.array([np.tan(np.radians(yaw_deg)), 1.0, np.tan(np.radians(tilt_deg))])
    return Drawn(spin / np.linalg.norm(spin), np.eye(3), np.zeros(3), np.zeros(3))


def codes(outcome: Outcome) -> set[str]:
    return {notice.code for notice in outcome.warnings}


def at(
    drawn: Drawn, places_deg: list[float], camber_deg: list[float] | float = 1.0, seed: int = 1
) -> tuple[Block, list[Rest]]:
    """Return a run with stops at these places, the car leaning so at each."""
    rng = np.random.default_rng(seed)
    lean = np.broadcast_to(np.asarray(camber_deg, float), (len(places_deg),))
    ups = drawn.read(drawn.up(np.radians(places_deg), lean))
    rests = [rest_of(rng, up, 3.0 * i) for i, up in enumerate(ups)]
    still = np.array([rest.accel_g for rest in rests]).repeat(60, axis=0)
    still = still + 0.0012 * rng.standard_normal(still.shape)
    t_s = np.arange(len(still)) / 20.0
    none = np.zeros(len(still), dtype=int)
    return Block(t_s, still, None, None, None, none, none, none.astype(bool), 20.0), rests


@pytest.mark.parametrize(("yaw", "tilt"), [(0.0, 0.0), (3.0, 0.0), (0.0, 3.0), (-2.0, 1.5)])
@pytest.mark.parametrize("stops", [0, 3, 5, 9])
def test_tilt_and_yaw_have_their_signs(yaw: float, tilt: float, stops: int) -> None:
    block, rests = turned(np.random.default_rng(5), pod(yaw, tilt), stops, lean_deg=0.0)
    outcome, _ = analyse_spin(block, rests, REQUEST)
    for quantity, true in ((Quantity.MOUNT_YAW, yaw), (Quantity.MOUNT_TILT, tilt)):
        result = outcome.results[quantity]
        # Nothing but noise is drawn here: the sensor is perfect and the car stands.
        assert result.value == pytest.approx(true, abs=0.02)
        assert 0.1 < result.expanded_uncertainty < 0.25
    assert outcome.details["way"] == ("stops" if stops else "slow turn")


def test_a_small_sample_of_the_study_covers() -> None:
    """Of 60 intervals at 95 %, fewer than 52 cover in one case of 400 (binomial)."""
    found = coverage(60)
    for name in ("tilt", "yaw", "camber"):
        covered, rms, expanded = found[name]
        assert covered >= 86.0
        assert rms < 0.75 * expanded
    assert found["camber without"][1] > 0.8, "mounts of this size would show"
    assert found["camber"][1] < 0.1


def test_scale_skew_and_turn_of_the_chip_drop_out_of_camber_and_the_bias_stays() -> None:
    rng = np.random.default_rng(3)
    matrix = np.array([[1.03, 0.02, -0.015], [0.02, 0.975, 0.025], [-0.01, 0.02, 1.02]])
    wild = Drawn(pod(2.0, -1.0).spin, matrix, np.zeros(3), np.zeros(3))
    prior = AccelerometerPrior.data_sheet()
    request = Request(Wheel.LF, Priors(accelerometer=prior))
    block, rests = turned(rng, wild, 9, lean_deg=0.0)
    _, mounting = analyse_spin(block, rests, request)
    by_it = replace(request, priors=mounting.on(request.priors, None))
    reading = wild.read(wild.up(np.array([0.7]), np.array([-2.0])))[0]
    result = analyse_camber([rest_of(rng, reading, 0.0)], by_it).results[Quantity.CAMBER]
    assert result.value == pytest.approx(-2.0, abs=0.1)
    shares = {term.source: term.standard_uncertainty for term in result.budget}
    assert shares.get("chip_turn", 0.0) < 0.1
    # 50 mg along Y (MPU-6050 data sheet rev 3.3) are 2.9 deg: the bias along e remains.
    assert shares["zero"] == pytest.approx(np.degrees(0.05), rel=0.1)


@pytest.mark.parametrize("places", [[0.0, 30.0, 60.0, 90.0], [0.0, 5.0, 2.0], [10.0]])
def test_too_little_of_a_turn_is_refused(places: list[float]) -> None:
    block, rests = at(pod(1.0, 1.0), places)
    with pytest.raises(MeasurementRefused) as refused:
        analyse_spin(block, rests, REQUEST)
    assert refused.value.code == "TURN_TOO_SMALL"


def test_a_steered_wheel_is_no_turned_one() -> None:
    """A pod turned about an axis near its Z, by a slanted steering axis, all the way round."""
    steered = pod()
    axis = np.array([0.0, 0.6, 0.8])
    skew = Drawn(axis, steered.matrix, steered.bias_g, steered.curve)
    block, rests = at(skew, [0.0, 20.0, 340.0, 180.0, 90.0], camber_deg=-50.0)
    with pytest.raises(MeasurementRefused) as refused:
        analyse_spin(block, rests, REQUEST)
    assert refused.value.code in {"NOT_SPUN", "POD_TURNED", "TURN_TOO_SMALL"}


def test_three_stops_are_enough_and_said_to_be_unchecked() -> None:
    block, rests = at(pod(1.0, -1.0), [0.0, 125.0, 245.0])
    outcome, _ = analyse_spin(block, rests, REQUEST)
    assert outcome.results[Quantity.MOUNT_YAW].value == pytest.approx(1.0, abs=0.03)
    assert "TURN_UNCHECKED" in codes(outcome)
    more = analyse_spin(*at(pod(1.0, -1.0), [0.0, 90.0, 180.0, 270.0, 0.0]), REQUEST)[0]
    assert "TURN_UNCHECKED" not in codes(more)


def test_a_part_of_the_turn_left_open_is_told() -> None:
    outcome, _ = analyse_spin(*at(pod(), [0.0, 60.0, 120.0, 180.0]), REQUEST)
    assert "PART_TURN" in codes(outcome)
    assert outcome.details["largest_gap_deg"] == pytest.approx(180.0, abs=1.0)


@pytest.mark.parametrize(
    "lean", [[0.0, 0.15, 0.0, -0.15, 0.0, 0.1], [0.0, 0.05, 0.1, 0.15, 0.2, 0.25]]
)
def test_a_car_that_leans_meanwhile_is_noticed_and_costs(lean: list[float]) -> None:
    places = [0.0, 75.0, 150.0, 220.0, 290.0, 360.0]
    outcome, shaken = analyse_spin(*at(pod(1.0, 1.0), places, lean), REQUEST)
    assert "CAR_ROCKED" in codes(outcome)
    quiet, steady = analyse_spin(*at(pod(1.0, 1.0), places, 0.0), REQUEST)
    assert "CAR_ROCKED" not in codes(quiet)
    grown = np.trace(shaken.covariance_rad2) / np.trace(steady.covariance_rad2)
    assert grown > 5.0


def test_a_car_that_rocks_by_half_a_degree_is_refused() -> None:
    lean = [0.0, 0.9, -0.9, 0.9, -0.9, 0.0]
    with pytest.raises(MeasurementRefused) as refused:
        analyse_spin(*at(pod(), [0.0, 75.0, 150.0, 220.0, 290.0, 360.0], lean), REQUEST)
    assert refused.value.code == "CAR_ROCKED_TOO_MUCH"


def test_runout_and_mount_are_told_apart_by_seats() -> None:
    """e lies off +Y by m + R(-phi) r; the numbers are set here and found again."""
    mount, runout = np.array([-1.2, 0.7]), np.array([0.6, 0.8])
    clock = np.array([0.0, 100.0, -130.0])
    c, s = np.cos(np.radians(clock)), np.sin(np.radians(clock))
    yaw_tilt = mount + np.stack(
        [c * runout[0] - s * runout[1], s * runout[0] + c * runout[1]], axis=1
    )
    results, details, notices = runout_of(yaw_tilt, clock, np.full(3, 0.01), ((), ()))
    assert results[Quantity.RUNOUT].value == pytest.approx(1.0, abs=1e-9)
    assert details["runout_at_deg"] == pytest.approx(np.degrees(np.arctan2(0.6, 0.8)))
    assert results[Quantity.SEAT_YAW].value == pytest.approx(-1.2)
    assert results[Quantity.SEAT_TILT].value == pytest.approx(0.7)
    assert not notices
    close = runout_of(yaw_tilt[:2], np.array([0.0, 20.0]), np.full(2, 0.01), ((), ()))
    assert close[0] == {}
    assert close[2][0].code == "SEATS_TOO_CLOSE"


def test_the_clock_is_read_off_the_pitch_while_the_wheel_stands() -> None:
    """A pod turned by +90 deg about its +Y sees "up" go from +Z to -X."""
    up_z, up_minus_x = np.array([0.0, 0.0, 1.0]), np.array([-1.0, 0.0, 0.0])
    np.testing.assert_allclose(clocks_deg([(up_z, up_z), (up_minus_x, up_z)]), [0.0, 90.0])


def test_a_mounting_is_kept_to_the_last_digit_and_carried_to_another_calibration() -> None:
    block, rests = turned(np.random.default_rng(2), pod(1.0, 2.0), 7)
    outcome, mounting = analyse_spin(block, rests, REQUEST)
    again = Mounting.from_json(json.loads(str(outcome.details["mounting"])))
    for name in ("normal", "covariance_rad2", "matrix"):
        assert np.array_equal(getattr(again, name), getattr(mounting, name))
    matrix = np.array([[1.02, 0.01, 0.0], [-0.02, 0.98, 0.03], [0.0, 0.01, 1.01]])
    corrected = [replace(r, accel_g=np.linalg.solve(matrix, r.accel_g)) for r in rests]
    seen = replace(block, accel_g=np.linalg.solve(matrix, block.accel_g.T).T)
    other = analyse_spin(seen, corrected, replace(REQUEST, correction=matrix))[1]
    carried = mounting.corrected_by(matrix)
    np.testing.assert_allclose(carried.normal, other.normal, atol=2e-5)
    np.testing.assert_allclose(carried.covariance_rad2, other.covariance_rad2, rtol=0.2)
    assert mounting.corrected_by(np.eye(3)) is mounting
    for wrong in ({}, {**mounting.to_json(), "version": 2}, {**mounting.to_json(), "normal": [1]}):
        with pytest.raises(ValueError, match=r"version|member|shape"):
            Mounting.from_json(wrong)


def test_a_mounting_is_not_trusted_where_the_record_speaks_against_it() -> None:
    block, _ = at(pod(), [0.0, 90.0, 180.0])
    assert not_trusted(block, stated=False) is None
    gap = replace(block, stretch=(block.t_s > 4.0).astype(int))
    notice = not_trusted(gap, stated=False)
    assert notice is not None
    assert notice.code == "MOUNT_UNWATCHED"
    assert not_trusted(gap, stated=True) is None
    lying = block.accel_g.copy()
    lying[40:60] = [0.0, 0.9, 0.4]
    for stated in (True, False):
        notice = not_trusted(replace(block, accel_g=lying), stated=stated)
        assert notice is not None
        assert notice.code == "MOUNT_HANDLED"
