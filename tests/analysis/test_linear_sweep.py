"""Sweeps with a linear sensor: right where it can be, and said where it cannot."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.linkage_on_paper import Linkage, lengths
from analysis.paper_sweeps import SWEEP, block_of, codes, errors_in_u, outcome_of_block
from analysis.wheel_on_paper import Wheel, heading_of, record, sweep_steer
from knuckle.estimate.linear import LinearCalibration
from knuckle.estimate.linear_steer import LinearSteer
from knuckle.estimate.priors import Given, Priors
from knuckle.geometry.linkage import LinkageKind
from knuckle.model.result import Quantity

QUIET = {"noise": 1e-6, "gyro_bias": np.zeros(3)}
GAIN, OFFSET_MM = 5.0, 200.0


def calibration(**other):
    made = LinearCalibration(
        channel=1,
        gain=GAIN,
        offset_mm=OFFSET_MM,
        covariance=np.diag([1e-4, 0.09]),
        scatter_mm=0.1,
        count=5,
        valid_mm=(0.0, 100.0),
    )
    return replace(made, **other)


def said(linkage, exact=False, **other):
    """Return what a user says who measured the linkage without error."""
    u = 1e-6 if exact else 1.0
    steer = LinearSteer(
        LinkageKind(linkage.kind),
        Given(linkage.lever, 5.0 * u),
        linkage.longer_left,
        Given(linkage.reach, 5.0 * u),
        Given(linkage.angle, 2.0 * u),
        Given(linkage.arm, 10.0 * u),
        Given(linkage.rise, 10.0 * u),
        own_mm=0.2 * u + 1e-6,
        calibration=calibration(covariance=np.diag([1e-4, 0.09]) * u**2, scatter_mm=0.1 * u),
    )
    return replace(steer, **other)


def recorded(wheel, linkage, seed=1, stops=SWEEP, spoiled=lambda sent: sent, noise_mm=0.03):
    """Return a block with the linear channel as the pod would send it."""
    rng = np.random.default_rng(seed)
    steer, _ = sweep_steer(rng, stops, rate_hz=wheel.rate_hz)
    columns = record(wheel, steer, rng)
    base_mm = linkage.reach if linkage.kind == "wire" else 450.0
    sent = (base_mm + lengths(wheel, steer, linkage) - OFFSET_MM) / GAIN
    sent = sent + rng.normal(0.0, noise_mm * min(wheel.noise, 1.0), sent.size)
    columns["linear_mm"] = spoiled(sent)
    return block_of(columns, wheel.rate_hz)


def swept(wheel, linkage, steer=None, priors=None, plates_deg=None, **how):
    block = recorded(wheel, linkage, **how)
    steer = said(linkage) if steer is None else steer
    return outcome_of_block(block, wheel, priors=priors, linear=steer, plates_deg=plates_deg)


WIRE = Linkage(arm=25.0, rise=20.0, angle=85.0)
ROD = Linkage("rod", lever=300.0, reach=15.0, angle=93.0, arm=10.0)


@pytest.mark.parametrize("name", ["LF", "RF"])
@pytest.mark.parametrize("linkage", [WIRE, ROD, replace(WIRE, longer_left=False)])
def test_without_noise_the_truth_is_found_by_length_alone(name, linkage):
    wheel = Wheel(name=name, toe=0.4, pitch=7.0, has_gyro=False, **QUIET)
    priors = Priors(toe=Given(0.4, 1e-6), mount_tilt_deg=1e-5, mount_yaw_deg=1e-5)
    outcome = swept(wheel, linkage, said(linkage, exact=True), priors)
    assert outcome.refused is None
    for quantity, truth in (
        (Quantity.CAMBER, wheel.camber),
        (Quantity.CASTER, wheel.caster),
        (Quantity.SAI, wheel.sai),
    ):
        assert outcome.results[quantity].value == pytest.approx(truth, abs=2e-3)
    assert outcome.details["steer_left_deg"] == pytest.approx(heading_of(wheel, 20.0), abs=2e-3)
    assert outcome.details["steer_right_deg"] == pytest.approx(heading_of(wheel, -20.0), abs=2e-3)


@pytest.mark.parametrize("seed", range(3))
def test_length_alone_does_better_than_the_cone_alone(seed):
    wheel = Wheel(name="RF", caster=4.0, sai=13.0, has_gyro=False, roll_at_rest=0.05)
    with_wire = swept(wheel, WIRE, seed=seed)
    alone = outcome_of_block(recorded(wheel, WIRE, seed=seed), wheel)
    assert all(abs(error) < 1.6 for error in errors_in_u(with_wire, wheel).values())
    sai = [o.results[Quantity.SAI].expanded_uncertainty for o in (with_wire, alone)]
    assert sai[0] < 0.7 * sai[1]
    assert "NO_GYRO" in codes(with_wire) and "BRAKE_UNCHECKED" not in codes(with_wire)


def test_its_uncertainty_is_in_the_budget_by_source():
    wheel = Wheel(has_gyro=False)

    def budget(steer):
        terms = swept(wheel, WIRE, steer).results[Quantity.SAI].budget
        return {term.source: term.standard_uncertainty for term in terms}

    usual = budget(said(WIRE))
    assert {"linear", "linear_calibration", "linear_geometry"} <= set(usual)
    fine = replace(
        said(WIRE),
        lever_mm=Given(WIRE.lever, 1.0),
        angle_deg=Given(WIRE.angle, 0.4),
        rise_mm=Given(WIRE.rise, 2.0),
    )
    assert budget(fine)["linear_geometry"] < 0.4 * usual["linear_geometry"]
    loose = budget(replace(said(WIRE), own_mm=4.0))
    assert loose["linear"] > 5.0 * usual["linear"]


def test_with_the_gyro_it_makes_up_for_a_scale_that_is_not_calibrated():
    wheel = Wheel(gyro_matrix=1.05 * np.eye(3))
    both = swept(wheel, WIRE)
    assert both.refused is None
    gyro = outcome_of_block(recorded(wheel, WIRE), wheel)
    assert (
        both.results[Quantity.SAI].expanded_uncertainty
        < gyro.results[Quantity.SAI].expanded_uncertainty
    )
    assert abs(both.details["steer_left_deg"] - heading_of(wheel, 20.0)) < 0.4


def test_a_wheel_whose_axis_stands_nearly_upright_is_measured_by_length():
    wheel = Wheel(caster=0.5, sai=1.5, has_gyro=False)
    bare = outcome_of_block(recorded(wheel, WIRE), wheel)
    assert bare.refused is not None and bare.refused.code == "CONE_TOO_WEAK"
    outcome = swept(wheel, WIRE)
    assert outcome.refused is None
    assert all(abs(error) < 1.0 for error in errors_in_u(outcome, wheel).values())


def test_stops_on_the_way_and_any_order_are_placed_by_length():
    wheel = Wheel(has_gyro=False)
    outcome = swept(wheel, WIRE, stops=(-20, 0, 10, 22, 0, -10, 0))
    assert outcome.refused is None
    places = [rest.position.value for rest in outcome.rests]
    assert places == ["in", "straight", "out", "out", "straight", "in", "straight"]


DEAD = Linkage(angle=170.0)


@pytest.mark.parametrize(
    "linkage", [DEAD, replace(DEAD, longer_left=False), replace(DEAD, angle=8.0)]
)
def test_dead_centre_is_refused_where_nothing_else_tells_the_steer(linkage):
    outcome = swept(Wheel(has_gyro=False), linkage)
    assert outcome.refused is not None and outcome.refused.code == "LINEAR_DEAD_CENTRE"


def test_dead_centre_at_a_lock_is_refused():
    """A short wire opens towards the axis as the wheel turns: 40 deg of steer pass dead centre."""
    linkage = Linkage(lever=370.0, reach=200.0, angle=55.0)
    outcome = swept(Wheel(has_gyro=False), linkage, stops=(0, 35, 0, -35, 0))
    assert outcome.refused is not None
    assert outcome.refused.code == "LINEAR_DEAD_CENTRE"


@pytest.mark.parametrize(
    ("linkage", "stops"),
    [
        (Linkage(lever=358.0, reach=150.0, angle=161.0), (0, 27, 0, -26, 0)),
        (Linkage(lever=398.0, reach=196.0, angle=144.0, longer_left=False), (0, 25, 0, -29, 0)),
        (Linkage(lever=428.0, reach=160.0, angle=114.0), (0, 28, 0, -22, 0)),
    ],
)
def test_lengths_folded_over_dead_centre_are_not_blamed_on_straight_ahead(linkage, stops):
    """Past dead centre both locks read alike: the cone of 'up' tells that they are apart."""
    outcome = swept(Wheel(has_gyro=False), linkage, stops=stops)
    assert outcome.refused is not None and outcome.refused.code == "LINEAR_DEAD_CENTRE"


def test_lengths_that_the_linkage_cannot_have_are_refused():
    wrong = said(WIRE, lever_mm=Given(60.0, 2.0))
    outcome = swept(Wheel(has_gyro=False), WIRE, wrong)
    assert outcome.refused is not None
    assert outcome.refused.code in ("LINEAR_GEOMETRY", "LINEAR_DEAD_CENTRE")
    apart = said(WIRE, reach_mm=Given(15.0, 1.0))
    outcome = swept(Wheel(has_gyro=False), WIRE, apart)
    assert outcome.refused is not None and outcome.refused.code == "LINEAR_GEOMETRY"


def test_dead_centre_beside_a_gyro_is_left_out_and_said():
    wheel = Wheel()
    outcome = swept(wheel, DEAD)
    bare = outcome_of_block(recorded(wheel, DEAD), wheel)
    assert "LINEAR_DEAD_CENTRE" in codes(outcome)
    assert outcome.results == bare.results


@pytest.mark.parametrize("stuck_mm", [0.0, 37.0, 100.0])
def test_a_channel_that_never_moved_is_said(stuck_mm):
    how = {"spoiled": lambda sent: np.full_like(sent, stuck_mm)}
    alone = swept(Wheel(has_gyro=False), WIRE, **how)
    assert alone.refused is not None and alone.refused.code == "LINEAR_STUCK"
    assert "not hooked up" in alone.refused.text
    beside = swept(Wheel(), WIRE, **how)
    assert "LINEAR_STUCK" in codes(beside) and beside.refused is None


def test_rests_without_a_reading_are_bridged_and_said():
    def gone(sent):
        sent = sent.copy()
        sent[int(0.35 * sent.size) : int(0.55 * sent.size)] = np.nan
        return sent

    wheel = Wheel(has_gyro=False)
    outcome = swept(wheel, WIRE, spoiled=gone)
    assert "LINEAR_MISSING" in codes(outcome)
    assert len(outcome.rests) == 5
    assert all(abs(error) < 1.6 for error in errors_in_u(outcome, wheel).values())


def test_without_any_reading_it_is_refused():
    outcome = swept(Wheel(has_gyro=False), WIRE, spoiled=lambda sent: np.full_like(sent, np.nan))
    assert outcome.refused is not None and outcome.refused.code == "LINEAR_MISSING"


def test_which_of_several_channels_must_be_said():
    wheel = Wheel(has_gyro=False)
    block = recorded(wheel, WIRE)
    other = np.full((len(block), 1), 12.34)
    block = replace(block, linear_mm=np.concatenate([other, block.linear_mm], axis=1))
    unsaid = outcome_of_block(block, wheel, linear=said(WIRE))
    assert unsaid.refused is not None and unsaid.refused.code == "LINEAR_CHANNEL"
    second = outcome_of_block(block, wheel, linear=said(WIRE, channel=2))
    assert second.results == swept(wheel, WIRE).results
    third = outcome_of_block(block, wheel, linear=said(WIRE, channel=3))
    assert third.refused is not None and third.refused.code == "LINEAR_ABSENT"


def test_a_recording_without_linear_channel_is_refused():
    wheel = Wheel(has_gyro=False)
    block = replace(recorded(wheel, WIRE), linear_mm=None)
    outcome = outcome_of_block(block, wheel, linear=said(WIRE))
    assert outcome.refused is not None and outcome.refused.code == "LINEAR_ABSENT"


def test_a_sensor_without_calibration_is_said_and_pays_for_it():
    wheel = Wheel(has_gyro=False)
    scaled = said(WIRE, calibration=None, gain_percent=2.0)
    outcome = swept(wheel, WIRE, scaled, spoiled=lambda sent: sent * GAIN)
    assert "LINEAR_UNCALIBRATED" in codes(outcome)
    assert all(abs(error) < 1.6 for error in errors_in_u(outcome, wheel).values())


def test_readings_beyond_the_calibration_are_said():
    narrow = said(WIRE, calibration=calibration(valid_mm=(40.0, 60.0)))
    assert "LINEAR_OUT_OF_RANGE" in codes(swept(Wheel(has_gyro=False), WIRE, narrow))


@pytest.mark.parametrize("factor", [0.75, 1.3])
def test_a_wrong_lever_beside_the_gyro_is_found(factor):
    wrong = said(WIRE, lever_mm=Given(WIRE.lever * factor, 5.0))
    outcome = swept(Wheel(), WIRE, wrong)
    assert outcome.refused is not None and outcome.refused.code == "LINEAR_DISAGREES"


def test_a_wrong_lever_beside_plates_is_found():
    wheel = Wheel(has_gyro=False)
    plates = tuple(abs(heading_of(wheel, end)) for end in (20.0, -20.0))
    right = swept(wheel, WIRE, plates_deg=plates)
    assert right.refused is None
    wrong = said(WIRE, lever_mm=Given(WIRE.lever * 1.4, 5.0))
    outcome = swept(wheel, WIRE, wrong, plates_deg=plates)
    assert outcome.refused is not None and outcome.refused.code == "LINEAR_DISAGREES"


@pytest.mark.parametrize("has_gyro", [True, False])
def test_the_wrong_side_never_passes(has_gyro):
    """Left and right exchanged: the cone of 'up' turns the other way, and so does the gyro."""
    wrong = said(WIRE, longer_left=False)
    outcome = swept(Wheel(has_gyro=has_gyro), WIRE, wrong)
    assert outcome.refused is not None
    if has_gyro:
        assert outcome.refused.code == "LINEAR_DISAGREES"


def test_wire_gyro_and_plates_together_agree():
    wheel = Wheel(roll_at_rest=0.05)
    plates = tuple(abs(heading_of(wheel, end)) for end in (20.0, -20.0))
    outcome = swept(wheel, WIRE, plates_deg=plates)
    assert outcome.refused is None
    assert all(abs(error) < 1.6 for error in errors_in_u(outcome, wheel).values())
    found = {term.source for term in outcome.results[Quantity.SAI].budget}
    assert {"gyro", "plates", "linear", "linear_geometry"} <= found


def test_the_length_at_straight_ahead_may_come_from_the_calibration():
    wheel = Wheel(has_gyro=False)
    given, found = swept(wheel, WIRE), swept(wheel, WIRE, said(WIRE, reach_mm=None))
    for quantity in (Quantity.CASTER, Quantity.SAI):
        apart = given.results[quantity].value - found.results[quantity].value
        assert abs(apart) < 0.2 * given.results[quantity].expanded_uncertainty


def test_a_slow_sweep_takes_the_lengths_at_its_rests_as_well():
    wheel = Wheel(rate_hz=100.0)
    rng = np.random.default_rng(3)
    slow = np.concatenate(
        [
            np.zeros(400),
            20.0 * np.sin(np.linspace(0.0, 2.0 * np.pi, 3200)),
            np.zeros(400),
        ]
    )
    columns = record(wheel, slow, rng)
    columns["linear_mm"] = (WIRE.reach + lengths(wheel, slow, WIRE) - OFFSET_MM) / GAIN
    outcome = outcome_of_block(block_of(columns, 100.0), wheel, linear=said(WIRE))
    assert outcome.refused is None
    assert "SLOW_SWEEP" in codes(outcome)
