"""The rows of a linear sensor in the sweep's model: exact derivatives, pattern, shares."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.test_linear_sweep import ROD, WIRE, recorded, said
from analysis.wheel_on_paper import Wheel
from knuckle.analysis.linear_source import linear_source
from knuckle.analysis.readings import readings_of
from knuckle.analysis.request import Request
from knuckle.analysis.sweep_problem import build_problem
from knuckle.estimate.solver import derivative
from knuckle.estimate.turns import turns_between
from knuckle.model.wheel import Wheel as Position
from knuckle.rests.detector import RestDetector


def fitted(linkage, name="LF"):
    wheel = Wheel(name=name)
    block = recorded(wheel, linkage)
    detector = RestDetector(block.rate_hz, True)
    detector.push(block)
    detector.finish()
    rests = detector.rests()
    steer = said(linkage)
    source, _ = linear_source(rests, steer)
    request = Request(Position(name), linear=steer, plates_deg=(20.0, 20.0))
    problem = build_problem(
        readings_of(rests), turns_between(block, rests), [True] * len(rests), request, source
    )
    return problem.fit(0.05)


@pytest.mark.parametrize("linkage", [WIRE, ROD, replace(WIRE, longer_left=False)])
def test_derivatives_by_complex_step_against_differences(linkage) -> None:
    fit = fitted(linkage)
    model, x = fit.model, fit.solution.x
    exact = derivative(model.rows, x, model.pattern())
    assert exact == pytest.approx(derivative(model.rows, x), abs=1e-9), "the pattern is whole"
    lengths = np.array(model.sources) == "linear"
    assert lengths.sum() == 5
    size = np.maximum(np.abs(x), 1e-3)
    for k in range(x.size):
        step = 1e-5 * size[k] * np.eye(x.size)[k]
        differences = (model.rows(x + step) - model.rows(x - step)) / (2e-5 * size[k])
        # Rows of some hundreds, stepped by 1e-8 at least: differences are that coarse.
        coarse = 1e-4 + 1e-5 * np.max(np.abs(exact[lengths, k]))
        assert differences[lengths] == pytest.approx(exact[lengths, k], rel=0, abs=coarse)


def test_shares_by_source_add_up_to_the_variance() -> None:
    fit = fitted(WIRE, "RF")
    gradient = derivative(fit.model.outputs, fit.solution.x)[2]
    shares = fit.solution.shares(gradient)
    assert {"linear", "linear_calibration", "linear_geometry", "plates", "gyro"} <= set(shares)
    total = sum(float(np.sum(share**2)) for share in shares.values())
    assert total == pytest.approx(fit.solution.variance(gradient), rel=1e-9)


def test_rests_of_one_position_share_the_departure_from_the_straight_line() -> None:
    fit = fitted(WIRE)
    unknowns = fit.model.unknowns
    assert unknowns.part(fit.solution.x, "linear_curve").size == 3, "straight, left, right"
