"""Camber from rests."""

import dataclasses
import math

import numpy as np
import pytest

from analysis.paper_sweeps import block_of, codes, outcome_of_block, swept
from analysis.wheel_on_paper import Wheel, record, sweep_steer
from knuckle.estimate.priors import Given, Priors
from knuckle.model.result import Quantity

STILL = (0, 0)


@pytest.mark.parametrize("name", ["LF", "RF", "LR", "RR"])
def test_camber_at_all_four_wheels(name):
    outcome = swept(Wheel(name, camber=-2.25), stops=STILL, name="camber")
    camber = outcome.results[Quantity.CAMBER]
    assert camber.value == pytest.approx(-2.25, abs=0.05)
    assert set(outcome.results) == {Quantity.CAMBER}
    assert camber.condition == "relative to gravity"


def test_the_default_budget_by_hand():
    """Root of squares by hand: mount 0.2, pads 0.1, bias 1 mg, cross-axis 0.1 %, turn 0.05 deg.

    At zero camber the reading's y is bias_y + (E_yz + turn_x) g: plain propagation (GUM 5.1.2).
    """
    outcome = swept(Wheel("LF", camber=0.0, noise=0.05), stops=STILL, name="camber")
    camber = outcome.results[Quantity.CAMBER]
    milli = math.degrees(1e-3)
    by_hand = math.sqrt(0.2**2 + 0.1**2 + 2 * milli**2 + 0.05**2)
    assert camber.standard_uncertainty == pytest.approx(by_hand, rel=0.01)
    shares = {term.source: term.standard_uncertainty for term in camber.budget}
    assert shares["mount"] == pytest.approx(0.2, rel=0.01)
    assert shares["pads"] == pytest.approx(0.1, rel=0.01)
    assert shares["zero"] == pytest.approx(milli, rel=0.01)
    assert shares["calibration"] == pytest.approx(milli, rel=0.01)
    assert shares["chip_turn"] == pytest.approx(0.05, rel=0.01)


def test_a_measured_spin_axis_takes_the_mount_out():
    spin = np.array([0.01, 1.0, 0.02])
    spin /= np.linalg.norm(spin)
    wheel = Wheel("LF", mount_yaw=math.degrees(math.atan(0.01)), camber=-1.0)
    wheel = dataclasses.replace(wheel, mount_tilt=math.degrees(math.atan(0.02)))
    priors = Priors(spin_axis=spin, spin_covariance_deg2=np.eye(2) * 0.02**2)
    camber = swept(wheel, stops=STILL, name="camber", priors=priors).results[Quantity.CAMBER]
    assert camber.value == pytest.approx(-1.0, abs=0.05)
    assert next(t for t in camber.budget if t.source == "mount").standard_uncertainty < 0.03


@pytest.mark.parametrize(("name", "sign"), [("LF", 1), ("LR", 1), ("RF", -1), ("RR", -1)])
def test_known_pads_correct_camber(name, sign):
    wheel = Wheel(name, camber=-1.0, pads_across=0.6)
    priors = Priors(pads_across=Given(0.6, 0.02), pads_across_known=True)
    camber = swept(wheel, stops=STILL, name="camber", priors=priors).results[Quantity.CAMBER]
    assert camber.value == pytest.approx(-1.0, abs=0.05)
    assert camber.condition == "relative to the pads"
    raw = swept(wheel, stops=STILL, name="camber").results[Quantity.CAMBER]
    assert raw.value == pytest.approx(-1.0 - sign * 0.6, abs=0.05)


def test_rests_that_disagree_are_said_and_widen_the_uncertainty():
    rng = np.random.default_rng(8)
    wheel = Wheel("LF", camber=-1.0)
    first = record(wheel, sweep_steer(rng, (0,))[0], rng)
    shifted = record(dataclasses.replace(wheel, camber=-0.4), np.zeros(160), rng)
    again = record(wheel, np.zeros(500), rng)
    columns = {
        key: np.concatenate([first[key], shifted[key], again[key]]) for key in first if key != "t_s"
    }
    columns["t_s"] = np.arange(columns["ax_g"].size) / 100.0
    block = block_of(columns, 100.0)
    stretch = np.repeat([0, 1, 2], [first["t_s"].size, 160, 500])
    outcome = outcome_of_block(dataclasses.replace(block, stretch=stretch), wheel, "camber")
    assert "RESTS_DISAGREE" in codes(outcome)
    camber = outcome.results[Quantity.CAMBER]
    assert camber.value == pytest.approx(-1.0, abs=0.05)
    agreed = swept(wheel, stops=STILL, name="camber").results[Quantity.CAMBER]
    assert camber.expanded_uncertainty > agreed.expanded_uncertainty
    assert any(term.source == "scatter" for term in camber.budget)


def test_a_pod_lying_on_the_bench_first_is_left_out():
    rng = np.random.default_rng(8)
    wheel = Wheel("LF", camber=-1.0)
    on_wheel = record(wheel, np.zeros(500), rng)
    lying = dict(on_wheel)
    lying["ay_g"], lying["az_g"] = on_wheel["az_g"], on_wheel["ay_g"]
    columns = {k: np.concatenate([lying[k], on_wheel[k]]) for k in on_wheel if k != "t_s"}
    columns["t_s"] = np.arange(1000) / 100.0
    outcome = outcome_of_block(block_of(columns, 100.0), wheel, "camber")
    assert "REST_LEFT_OUT" in codes(outcome)
    assert outcome.results[Quantity.CAMBER].value == pytest.approx(-1.0, abs=0.05)
