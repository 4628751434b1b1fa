from __future__ import annotations

import math

import pytest

from knuckle.report.figures import decimals_for, number, with_uncertainty


# Rounding as GUM (JCGM 100:2008) 7.2.6 advises: two digits of the uncertainty, the value to
# the same place.
@pytest.mark.parametrize(
    ("value", "expanded", "text"),
    [
        (5.12345, 0.314, "5.12 ± 0.31"),
        (-1.0, 0.0812, "-1.000 ± 0.081"),
        (12.04, 1.26, "12.0 ± 1.3"),
        (12.04, 12.6, "12 ± 13"),
        (0.5, 0.0996, "0.50 ± 0.10"),
        (0.5, 0.00996, "0.500 ± 0.010"),
        (0.5, 0.997, "0.5 ± 1.0"),
        (-0.0004, 0.31, "0.00 ± 0.31"),
        (math.nan, 0.31, "? ± 0.31"),
        (1.0, math.inf, "1.000 ± ?"),
        (1.0, 0.0, "1.000 ± 0.000"),
    ],
)
def test_value_and_uncertainty_share_their_last_place(value: float, expanded: float, text: str):
    assert with_uncertainty(value, expanded) == text


def test_fixed_decimals_never_show_a_zero_uncertainty():
    assert with_uncertainty(1.234, 0.081, decimals=2) == "1.23 ± 0.08"
    assert with_uncertainty(1.234, 0.31, "+/-", decimals=2) == "1.23 +/- 0.31"
    assert with_uncertainty(1.234, 0.0004, decimals=2) == "1.23 ± 0.01"
    assert with_uncertainty(1.234, math.nan, decimals=2) == "1.23 ± ?"


def test_decimals_and_numbers():
    assert [decimals_for(u) for u in (250.0, 25.0, 2.5, 0.25, 0.025, 1e-9)] == [0, 0, 1, 2, 3, 6]
    assert number(-0.001, 2) == "0.00"
    assert number(-0.006, 2) == "-0.01"
