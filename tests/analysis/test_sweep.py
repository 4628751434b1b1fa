"""Sweeps of wheels on paper: both sides, mirrored, pitched, with and without gyro."""

import dataclasses

import numpy as np
import pytest

from analysis.paper_sweeps import codes, errors_in_u, swept
from analysis.wheel_on_paper import Wheel, drawn, heading_of
from knuckle.estimate.priors import Given, Priors
from knuckle.model.result import SWEPT, Position, Quantity

QUIET = {"noise": 0.02, "gyro_bias": np.array([2.0, -1.0, 0.5])}
SHARP = Priors(toe=Given(0.2, 1e-6), pads_across=Given(0.0, 1e-6), pads_along=Given(0.0, 1e-6))


@pytest.mark.parametrize("name", ["LF", "RF"])
@pytest.mark.parametrize("pitch", [-90.0, -12.0, 0.0, 25.0, 180.0])
@pytest.mark.parametrize("caster", [-4.0, 0.0, 7.0])
def test_an_ideal_pod_gives_the_truth(name, pitch, caster):
    wheel = Wheel(name, caster=caster, sai=13.0, camber=-2.0, toe=0.2, pitch=pitch, **QUIET)
    outcome = swept(wheel, priors=SHARP)
    values = {quantity: result.value for quantity, result in outcome.results.items()}
    assert values[Quantity.CAMBER] == pytest.approx(-2.0, abs=0.003)
    assert values[Quantity.CASTER] == pytest.approx(caster, abs=0.02)
    assert values[Quantity.SAI] == pytest.approx(13.0, abs=0.04)


def test_mirrored_cars_read_the_same():
    left = swept(Wheel("LF", toe=0.2, **QUIET), priors=SHARP)
    right = swept(Wheel("RF", toe=0.2, **QUIET), stops=(0, -20, 0, 20, 0), priors=SHARP)
    for quantity in SWEPT:
        a, b = left.results[quantity], right.results[quantity]
        assert a.value == pytest.approx(b.value, abs=0.03)
        assert a.expanded_uncertainty == pytest.approx(b.expanded_uncertainty, rel=0.05)


def test_positions_are_named_from_the_wheel_and_steer_is_left_positive():
    left = swept(Wheel("LF"))
    right = swept(Wheel("RF"))
    order = [Position.STRAIGHT, Position.OUT, Position.STRAIGHT, Position.IN, Position.STRAIGHT]
    assert [rest.position for rest in left.rests] == order
    flipped = {Position.OUT: Position.IN, Position.IN: Position.OUT}
    assert [rest.position for rest in right.rests] == [flipped.get(p, p) for p in order]
    for outcome in (left, right):
        steer = [rest.steer_deg for rest in outcome.rests]
        assert steer[1] == pytest.approx(19.5, abs=0.8)
        assert steer[3] == pytest.approx(-19.5, abs=0.8)


@pytest.mark.parametrize("stops", [(20, -20, 0), (0, -10, -20, 0, 10, 20, 0), (-18, 0, 22, 0, -18)])
def test_any_order_and_intermediate_stops(stops):
    wheel = Wheel("RF", toe=0.2, **QUIET)
    outcome = swept(wheel, stops=stops, priors=SHARP)
    assert outcome.results[Quantity.CASTER].value == pytest.approx(wheel.caster, abs=0.03)
    straight = [rest.position is Position.STRAIGHT for rest in outcome.rests]
    assert straight == [stop == 0 for stop in stops]


@pytest.mark.parametrize("source", ["gyro", "cone", "plates", "both"])
def test_every_source_of_steer_angle_holds_its_uncertainty(source):
    rng = np.random.default_rng(7)
    worst = []
    for seed in range(12):
        wheel = drawn(rng, has_gyro=source in ("gyro", "both"), caster=5.0, sai=12.0)
        plates = None
        if source in ("plates", "both"):
            plates = tuple(abs(heading_of(wheel, at)) + rng.normal(0, 0.3) for at in (20, -20))
        outcome = swept(wheel, seed, plates_deg=plates)
        assert outcome.refused is None
        worst.append(max(abs(e) for e in errors_in_u(outcome, wheel).values()))
        assert ("NO_GYRO" in codes(outcome)) == (not wheel.has_gyro)
    assert np.median(worst) < 1.0
    assert max(worst) < 2.5


def test_less_is_known_without_gyro_and_more_with_plates():
    def uncertainty(**asked):
        return swept(Wheel("LF"), **asked).results[Quantity.SAI].expanded_uncertainty

    with_plates, with_gyro = uncertainty(plates_deg=(19.42, 19.54)), uncertainty()
    without = uncertainty(use_gyro=False)
    assert with_plates < with_gyro < without


def test_toe_moves_caster_by_inclination_times_toe():
    """Caster against the car is caster against the wheel's heading + SAI x toe-in (design)."""
    wheel = Wheel("LF", toe=0.0, **QUIET)
    outcomes = [swept(wheel, priors=dataclasses.replace(SHARP, toe=Given(t, 0.01))) for t in (0, 1)]
    a, b = (outcome.results[Quantity.CASTER].value for outcome in outcomes)
    assert b - a == pytest.approx(np.degrees(np.tan(np.radians(12.0)) * np.radians(1.0)), abs=0.02)


def test_the_budget_adds_up_and_names_its_sources():
    outcome = swept(Wheel("LF"))
    for result in outcome.results.values():
        total = np.sqrt(sum(term.standard_uncertainty**2 for term in result.budget))
        assert result.standard_uncertainty == pytest.approx(total)
        assert result.coverage_factor == pytest.approx(1.96, abs=0.02)
        assert result.dominant == result.budget[0]
    assert outcome.results[Quantity.CAMBER].dominant.source == "mount"


def test_pads_are_corrected_on_both_sides():
    across, along = 0.4, -0.3
    for name in ("LF", "RF"):
        wheel = Wheel(name, toe=0.2, pads_across=across, pads_along=along, **QUIET)
        priors = Priors(
            toe=Given(0.2, 1e-6), pads_across=Given(across, 0.01), pads_along=Given(along, 0.01)
        )
        outcome = swept(wheel, priors=priors)
        assert outcome.results[Quantity.CAMBER].value == pytest.approx(-1.5, abs=0.01)
        assert outcome.results[Quantity.CASTER].value == pytest.approx(5.0, abs=0.03)
        assert outcome.results[Quantity.SAI].value == pytest.approx(12.0, abs=0.05)


def test_body_roll_lowers_caster_as_swept_and_is_corrected_when_read():
    for name, side in (("LF", 1), ("RF", -1)):
        wheel = Wheel(name, toe=0.2, body_roll_per_steer=-0.01 * side, **QUIET)
        as_swept = swept(wheel, priors=SHARP).results[Quantity.CASTER]
        assert as_swept.condition.endswith("as swept, on its springs")
        rolls = (Given(-0.2 * side, 0.01), Given(0.2 * side, 0.01))
        corrected = swept(wheel, priors=dataclasses.replace(SHARP, body_roll=rolls))
        assert abs(as_swept.value - 5.0) > 0.3
        assert corrected.results[Quantity.CASTER].value == pytest.approx(5.0, abs=0.04)


def test_body_roll_that_is_not_odd_in_steer_is_taken_from_the_gyro_too():
    wheel = Wheel("LF", toe=0.2, body_roll_per_steer=0.02, body_roll_even=0.02, **QUIET)
    rolls = (Given(0.8, 0.01), Given(0.0, 0.01))
    outcome = swept(wheel, priors=dataclasses.replace(SHARP, body_roll=rolls))
    assert codes(outcome) == {"GYRO_SCALE_UNCALIBRATED"}
    assert outcome.results[Quantity.CASTER].value == pytest.approx(5.0, abs=0.05)
    assert outcome.results[Quantity.SAI].value == pytest.approx(12.0, abs=0.08)


def test_a_slow_sweep_without_stops():
    wheel = Wheel("LF", toe=0.2)
    t = np.arange(0, 44, 0.01)
    steer = 20 * np.sin(2 * np.pi * np.clip((t - 4) / 36, 0, 1))
    from analysis.paper_sweeps import block_of, outcome_of_block
    from analysis.wheel_on_paper import record

    block = block_of(record(wheel, steer, np.random.default_rng(4)), 100.0)
    outcome = outcome_of_block(block, wheel, priors=SHARP)
    assert "SLOW_SWEEP" in codes(outcome)
    assert all(abs(error) < 1.5 for error in errors_in_u(outcome, wheel).values())
    assert outcome.results[Quantity.CASTER].expanded_uncertainty < 1.0


def test_same_recording_same_result_to_the_last_digit():
    a, b = swept(Wheel("RF"), seed=11), swept(Wheel("RF"), seed=11)
    assert a == b
