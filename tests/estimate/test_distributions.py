"""Quantiles and tails, against scipy.stats and against printed tables."""

from __future__ import annotations

import math

import pytest
from scipy import stats

from knuckle.estimate.distributions import (
    chi_squared_tail,
    fisher_tail,
    normal_quantile,
    normal_tail,
    student_quantile,
    student_tail,
)


def test_printed_tables() -> None:
    # NIST/SEMATECH e-Handbook, section 1.3.6.7 (from memory): tables of t, chi-squared and F.
    assert student_quantile(0.975, 5) == pytest.approx(2.571, abs=5e-4)
    assert student_quantile(0.95, 1) == pytest.approx(6.314, abs=5e-4)
    assert chi_squared_tail(7.815, 3) == pytest.approx(0.05, abs=5e-5)
    assert fisher_tail(3.708, 3, 10) == pytest.approx(0.05, abs=5e-5)
    assert normal_quantile(0.975) == pytest.approx(1.959964, abs=5e-7)


@pytest.mark.parametrize("freedom", [1.0, 2.5, 7.0, 40.0, 1e5])
def test_as_the_reference_library(freedom: float) -> None:
    for probability in (0.6, 0.9, 0.975, 0.9995):
        expected = stats.t.ppf(probability, freedom)
        assert student_quantile(probability, freedom) == pytest.approx(expected, rel=1e-9)
    for value in (0.0, 0.3, 2.0, 25.0):
        assert student_tail(value, freedom) == pytest.approx(stats.t.sf(value, freedom), rel=1e-9)
        assert chi_squared_tail(value, freedom) == pytest.approx(
            stats.chi2.sf(value, freedom), rel=1e-9
        )
        assert fisher_tail(value, 3, freedom) == pytest.approx(
            stats.f.sf(value, 3, freedom), rel=1e-9
        )
        assert normal_tail(value) == pytest.approx(stats.norm.sf(value), rel=1e-9)


def test_infinite_freedom_is_the_normal_one() -> None:
    assert student_quantile(0.975, math.inf) == normal_quantile(0.975)
    assert student_tail(2.0, math.inf) == normal_tail(2.0)
    assert chi_squared_tail(-1e-12, 3) == 1.0
