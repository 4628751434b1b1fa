"""How terms combine: GTC and the GUM's own example as oracles, and coverage by simulation."""

from __future__ import annotations

import dataclasses
import math

import GTC
import numpy as np
import pytest
from scipy.stats import t

from analysis.paper_sweeps import swept
from analysis.wheel_on_paper import Wheel
from knuckle.analysis.summary import TERMS, coverage_factor
from knuckle.estimate.data_sheets import MPU6050_ACCELEROMETER
from knuckle.estimate.priors import AccelerometerPrior, Priors
from knuckle.model.budget import (
    GROUPS,
    effective_degrees_of_freedom,
    evaluation_type,
    group_of,
)
from knuckle.model.result import BudgetTerm, Outcome, Quantity, Result
from knuckle.report.outcome_text import _REMEDIES


def calibrated(freedom: float, apart_c: float = 10.0) -> Priors:
    prior = AccelerometerPrior.after_calibration()
    prior = dataclasses.replace(prior, degrees_of_freedom=freedom)
    return Priors(accelerometer=prior.at_other_temperature(MPU6050_ACCELEROMETER, apart_c))


@pytest.fixture(scope="module")
def outcome() -> Outcome:
    return swept(Wheel("LF"), priors=calibrated(4.0))


def by_gtc(result: Result) -> tuple[float, float]:
    """Combine the lines of a budget; those of the calibration's fit are one ensemble for GTC."""
    fit = [term for term in result.budget if group_of(term.source) in FIT and is_a(term)]
    ensemble = GTC.multiple_ureal(
        [0.0] * len(fit), [term.standard_uncertainty for term in fit], fit[0].degrees_of_freedom
    )
    others = [
        GTC.ureal(0.0, term.standard_uncertainty, term.degrees_of_freedom)
        for term in result.budget
        if term not in fit and term.standard_uncertainty > 0.0
    ]
    total = sum([*ensemble, *others])
    return total.u, total.df


FIT = {"calibration", "zero", "nonlinearity"}


def is_a(term: BudgetTerm) -> bool:
    return evaluation_type(term) == "A"


@pytest.mark.parametrize("quantity", [Quantity.CAMBER, Quantity.CASTER, Quantity.SAI])
def test_a_budget_combines_as_gtc_combines_it(outcome: Outcome, quantity: Quantity) -> None:
    result = outcome.results[quantity]
    u, freedom = by_gtc(result)
    assert result.standard_uncertainty == pytest.approx(u, rel=1e-9)
    assert effective_degrees_of_freedom(result.budget) == pytest.approx(freedom, rel=1e-6)
    assert result.coverage_factor == pytest.approx(t.ppf(0.975, freedom), rel=1e-6)
    assert result.expanded_uncertainty == pytest.approx(u * t.ppf(0.975, freedom), rel=1e-6)


def test_gum_example_h1() -> None:
    """GUM (JCGM 100:2008) H.1.6: 16 effective degrees of freedom; inputs from memory."""
    lines = [(25.0, 18.0), (9.7, 25.6), (2.9, 50.0), (16.6, 2.0)]
    terms = [BudgetTerm("", f"line {i}", u, freedom) for i, (u, freedom) in enumerate(lines)]
    # The 9.7 nm: readings (24), and the comparator's 10/2.57 (5) and 20/3 (8).
    shares = [(13.0 / math.sqrt(5.0), 24.0), (10.0 / 2.57, 5.0), (20.0 / 3.0, 8.0)]
    parts = [BudgetTerm("", f"part {i}", u, freedom) for i, (u, freedom) in enumerate(shares)]
    assert effective_degrees_of_freedom(parts) == pytest.approx(25.6, abs=0.05)
    assert math.floor(effective_degrees_of_freedom(terms)) == 16


def test_stated_tolerances_give_the_normal_factor() -> None:
    terms = [BudgetTerm("", "mount", 0.2), BudgetTerm("", "pads", 0.1)]
    assert effective_degrees_of_freedom(terms) == math.inf
    assert coverage_factor(terms) == pytest.approx(1.959964, abs=1e-6)


def test_few_degrees_of_freedom_behind_a_calibration_widen_the_interval() -> None:
    """Four terms of one fit with nu degrees of freedom have nu together, not four times as many.

    By simulation: one scatter, estimated with 3 degrees of freedom, scales four errors.
    """
    rng = np.random.default_rng(31)
    sources = ("zero", "calibration", "chip_turn", "nonlinearity")
    draws, freedom = 4000, 3.0
    errors = rng.normal(size=(draws, 4)).sum(axis=1)
    found = np.sqrt(rng.chisquare(freedom, draws) / freedom)
    u = [[BudgetTerm("", name, s, freedom) for name in sources] for s in found]
    expanded = np.array(
        [coverage_factor(terms) * 2.0 * terms[0].standard_uncertainty for terms in u]
    )
    covered = float(np.mean(np.abs(errors) <= expanded))
    assert covered == pytest.approx(0.95, abs=0.011)  # three sigma of 4000 draws
    # As if each were estimated by itself: 12 degrees of freedom, and far too narrow.
    apart = float(np.mean(np.abs(errors) <= t.ppf(0.975, 4.0 * freedom) * 2.0 * found))
    assert apart < 0.90


def test_few_degrees_of_freedom_beside_a_stated_mount() -> None:
    """A mount's tolerance as large as the calibration's share: covered in 93 to 97 %."""
    rng = np.random.default_rng(32)
    draws, freedom = 4000, 3.0
    errors = rng.normal(size=draws) + rng.normal(size=draws)
    found = np.sqrt(rng.chisquare(freedom, draws) / freedom)
    expanded = np.empty(draws)
    for i, s in enumerate(found):
        terms = [BudgetTerm("", "zero", s, freedom), BudgetTerm("", "mount", 1.0)]
        expanded[i] = coverage_factor(terms) * math.hypot(s, 1.0)
    assert 0.93 < float(np.mean(np.abs(errors) <= expanded)) < 0.97


@pytest.mark.parametrize("name", ["camber", "sweep"])
def test_every_result_carries_the_named_terms(name: str) -> None:
    stops = (0, 0) if name == "camber" else None
    more = {} if stops is None else {"stops": stops, "name": name}
    found = swept(Wheel("LF"), priors=calibrated(12.0), **more)
    for result in found.results.values():
        assert set(GROUPS) <= {group_of(term.source) for term in result.budget}
        temperature = sum(
            t.standard_uncertainty for t in result.budget if t.source == "temperature"
        )
        assert temperature > 0.0
    camber = found.results[Quantity.CAMBER]
    steer = [t for t in camber.budget if group_of(t.source) == "steer angle"]
    if name == "camber":
        assert [t.standard_uncertainty for t in steer] == [0.0]


def test_a_drift_counts_by_what_the_data_sheet_lets_it() -> None:
    """MPU-6050, rev 3.3: 0.02 %/C and 35 mg from 0 to 70 C for X and Y; 10 C give 5 mg on Y.

    As one sigma (data_sheets.py says how the limits are taken) times 57.3 deg a g.
    """
    found = swept(Wheel("LF", camber=0.0), priors=calibrated(12.0), stops=(0, 0), name="camber")
    terms = {t.source: t.standard_uncertainty for t in found.results[Quantity.CAMBER].budget}
    drift = MPU6050_ACCELEROMETER.drift_covariance[1, 1] ** 0.5 * 10.0
    assert terms["temperature"] == pytest.approx(math.degrees(drift), rel=0.01)
    double = swept(
        Wheel("LF", camber=0.0), priors=calibrated(12.0, 20.0), stops=(0, 0), name="camber"
    )
    again = {t.source: t.standard_uncertainty for t in double.results[Quantity.CAMBER].budget}
    assert again["temperature"] == pytest.approx(2.0 * terms["temperature"], rel=0.01)


def test_every_source_has_a_name_and_advice() -> None:
    assert {source for sources in GROUPS.values() for source in sources} <= set(TERMS)
    assert set(TERMS) == set(_REMEDIES)
