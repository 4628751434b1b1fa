"""The solver against the GUM's worked example H.3 and independent oracles."""

import numpy as np
import pytest
from GTC import result, ureal
from GTC import uncertainty as gtc_uncertainty
from scipy.optimize import curve_fit

from knuckle.estimate.solver import derivative, solve

# JCGM 100:2008, table H.6: thermometer readings and corrections (typed from memory of the table;
# the fit below reproduces the published intercept and slope, which would betray a slip).
READING_C = np.array(
    [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
)
CORRECTION_C = -np.array([171, 169, 166, 159, 164, 165, 156, 157, 159, 161, 160]) / 1000.0


def line_rows(sigma):
    def rows(x):
        line = x[..., :1] + x[..., 1:] * (READING_C - 20.0)
        return (line - CORRECTION_C) / sigma

    return rows


def test_the_calibration_curve_of_gum_h3():
    """y1 -0.1712 (0.0029), y2 0.00218 (0.00067), r -0.930: GUM, JCGM 100:2008, H.3."""
    first = solve(line_rows(1.0), np.zeros(2), ["data"] * 11)
    sigma = np.sqrt(first.chi_squared / first.degrees_of_freedom)
    fit = solve(line_rows(sigma), np.zeros(2), ["data"] * 11)
    assert fit.x == pytest.approx([-0.1712, 0.0021827], abs=5e-5)
    assert np.sqrt(np.diag(fit.covariance)) == pytest.approx([0.0028776, 0.00066794], rel=1e-3)
    correlation = fit.covariance[0, 1] / np.sqrt(np.prod(np.diag(fit.covariance)))
    assert correlation == pytest.approx(-0.93043, abs=1e-4)
    assert fit.degrees_of_freedom == 9


def test_a_nonlinear_fit_is_scipys():
    rng = np.random.default_rng(3)
    t = np.linspace(0, 4, 30)
    y = 2.5 * np.exp(-0.7 * t) + rng.normal(0, 0.02, 30)
    fit = solve(lambda x: (x[..., :1] * np.exp(-x[..., 1:] * t) - y) / 0.02, np.ones(2), ["d"] * 30)
    expected, covariance = curve_fit(
        lambda t, a, b: a * np.exp(-b * t), t, y, [1, 1], np.full(30, 0.02), absolute_sigma=True
    )
    np.testing.assert_allclose(fit.x, expected, rtol=1e-6)
    np.testing.assert_allclose(fit.covariance, covariance, rtol=1e-4)


def test_shares_by_source_add_up_to_the_variance_and_agree_with_gtc():
    """A measured sum with a prior on one part; oracle: GTC."""

    def rows(x):
        total, offset = x[..., :1], x[..., 1:]
        return np.concatenate([(total + offset - 3.0) / 0.3, (offset - 0.5) / 0.4], axis=-1)

    fit = solve(rows, np.zeros(2), ["noise", "calibration"])
    gradient = np.array([1.0, 0.0])
    share = {name: float(np.sqrt(np.sum(s**2))) for name, s in fit.shares(gradient).items()}
    oracle = result(ureal(3.0, 0.3) - ureal(0.5, 0.4))
    assert fit.x[0] == pytest.approx(oracle.x)
    assert share == pytest.approx({"noise": 0.3, "calibration": 0.4})
    assert np.sqrt(fit.variance(gradient)) == pytest.approx(gtc_uncertainty(oracle))


def test_derivative_is_exact():
    found = derivative(lambda x: np.sin(x) * x[..., ::-1], np.array([0.3, 1.7]))
    a, b = 0.3, 1.7
    expected = [[np.cos(a) * b, np.sin(a)], [np.sin(b), np.cos(b) * a]]
    np.testing.assert_allclose(found, expected, rtol=1e-15)


def test_undetermined_unknowns_are_an_error():
    with pytest.raises(np.linalg.LinAlgError):
        solve(lambda x: (x[..., :1] + x[..., 1:]) * np.ones(3) - 1.0, np.zeros(2), ["noise"] * 3)
