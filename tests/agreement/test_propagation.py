"""Propagation and coverage: examples of the GUM, and GTC."""

from __future__ import annotations

import math

import numpy as np
import pytest
from GTC import cos as gtc_cos
from GTC import get_covariance, result, type_a, uncertainty, ureal
from GTC import sin as gtc_sin

from knuckle.agreement.propagation import coverage_factor, effective_freedom, propagate


def test_end_gauge() -> None:
    """GUM (JCGM 100:2008) H.1; inputs of table H.1 from memory."""
    length_nm, expansion = 50.000623e6, 11.5e-6
    comparator = [13.0 / math.sqrt(5.0), 10.0 / 2.57, 20.0 / 3.0]
    assert comparator == pytest.approx([5.8, 3.9, 6.7], abs=0.05)
    assert effective_freedom(comparator, [24, 5, 8]) == pytest.approx(25.6, abs=0.05)
    parts = [
        25.0,
        math.sqrt(5.8**2 + 3.9**2 + 6.7**2),
        length_nm * 0.1 * 1e-6 / math.sqrt(3.0),
        length_nm * expansion * 0.05 / math.sqrt(3.0),
    ]
    u = math.sqrt(float(propagate(np.ones(4), np.diag(np.square(parts)))[0, 0]))
    assert u == pytest.approx(31.6639, abs=5e-5)
    freedom = effective_freedom(parts, [18, 25.6, 50, 2])
    assert freedom == pytest.approx(16.75, abs=0.005)
    factor = coverage_factor(0.99, math.floor(freedom))
    assert factor == pytest.approx(2.92, abs=0.005)
    assert round(factor, 2) * u == pytest.approx(92.5, abs=0.05)


VOLTS = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
AMPERES = np.array([19.663, 19.639, 19.640, 19.685, 19.678]) * 1e-3
RADIANS = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])


def test_resistance_and_reactance() -> None:
    """GUM (JCGM 100:2008) H.2; readings of table H.2 from memory."""
    v, i, phase = VOLTS.mean(), AMPERES.mean(), RADIANS.mean()
    covariance = np.cov([VOLTS, AMPERES, RADIANS]) / 5.0
    r, x, z = v / i * math.cos(phase), v / i * math.sin(phase), v / i
    jacobian = np.array([[r / v, -r / i, -x], [x / v, -x / i, r], [z / v, -z / i, 0.0]])
    found = propagate(jacobian, covariance)
    u = np.sqrt(np.diag(found))
    assert (r, x, z) == pytest.approx((127.7322, 219.8465, 254.2597), abs=5e-5)
    assert u == pytest.approx([0.07107, 0.29558, 0.23634], abs=5e-6)
    correlation = found / np.outer(u, u)
    wanted = (-0.58843, -0.48526, 0.99251)
    assert (correlation[0, 1], correlation[0, 2], correlation[1, 2]) == pytest.approx(
        wanted, abs=5e-6
    )
    inputs = type_a.multi_estimate_real([VOLTS, AMPERES, RADIANS])
    a = result(inputs[0] / inputs[1] * gtc_cos(inputs[2]))
    b = result(inputs[0] / inputs[1] * gtc_sin(inputs[2]))
    assert (u[0], u[1]) == pytest.approx((uncertainty(a), uncertainty(b)), rel=1e-9)
    assert found[0, 1] == pytest.approx(get_covariance(a, b), rel=1e-9)


def test_effective_freedom_agrees_with_gtc() -> None:
    parts, freedoms = [0.03, 0.05, 0.02], [4.0, 9.0, math.inf]
    oracle = sum(ureal(0.0, u, df) for u, df in zip(parts, freedoms, strict=True))
    assert effective_freedom(parts, freedoms) == pytest.approx(oracle.df, rel=1e-12)


def test_stated_tolerances_alone_have_no_end_of_freedom() -> None:
    assert math.isinf(effective_freedom([0.1, 0.2], [math.inf, math.inf]))
    assert coverage_factor(0.95, math.inf) == pytest.approx(1.959964, abs=5e-7)
    assert coverage_factor(0.95, 16.0) == pytest.approx(2.12, abs=5e-3)  # GUM table G.2
