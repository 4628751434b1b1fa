"""Lines and polynomials through readings: NIST sets, GUM H.3, York, GTC, statsmodels."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from GTC import type_b, ureal

from agreement.nist_sets import Find, numbers
from knuckle.agreement.comparison import Comparison, PodReading, ReferenceReading
from knuckle.agreement.effects import regression
from knuckle.agreement.joint import joint_fit
from knuckle.agreement.line import line_through
from knuckle.agreement.reference import Reference, ReferenceKind
from knuckle.agreement.rows import Terms


def perfect(x: np.ndarray, y: np.ndarray) -> Comparison:
    """Return readings y at known x: a reference without errors of its own."""
    return Comparison(
        Reference(ReferenceKind.GAUGE, 0.0, 0.0, 0.0, 0.0),
        tuple(ReferenceReading(i, float(v)) for i, v in enumerate(x)),
        tuple(PodReading(i, float(v), seat=i) for i, v in enumerate(y)),
    )


def test_calibration_line(outside_data: Find) -> None:
    """NIST/SEMATECH e-Handbook, CALIBRATIONLINE."""
    x, y = numbers(outside_data, "CALIBRATIONLINE.DAT")[:, :2].T
    comparison = perfect(x, y)
    found = regression(comparison)
    assert found.offset_deg.value == pytest.approx(0.2357623, abs=5e-7)
    assert found.offset_deg.u == pytest.approx(0.0243003, abs=5e-7)
    assert found.gain.value == pytest.approx(0.9870377, abs=5e-7)
    assert found.gain.u == pytest.approx(0.0034406, abs=5e-7)
    fit = joint_fit(comparison, Terms(1))
    assert fit.pod_scatter_deg == pytest.approx(0.0620320, abs=5e-6)
    assert fit.freedom == 38
    assert found.gain.freedom == pytest.approx(38.0)
    line = line_through(x, y, 0.0, 1.0)
    assert (line.intercept, line.slope) == pytest.approx((0.2357623, 0.9870377), abs=5e-8)
    scaled = line.scatter_ratio * np.sqrt(np.diag(line.covariance))
    assert tuple(scaled) == pytest.approx((0.0243003, 0.0034406), abs=5e-8)
    assert line.scatter_ratio == pytest.approx(0.0620320, abs=5e-8)


def test_load_cell(outside_data: Find) -> None:
    """NIST/SEMATECH e-Handbook, LOADCELL: quadratic."""
    x, y = numbers(outside_data, "LOADCELL.DAT").T
    fit = joint_fit(perfect(x, y), Terms(2))
    middle, half = fit.rows.middle_deg, fit.rows.half_deg
    c = [float(fit.values[fit.rows.place[f"error {power}"]]) for power in range(3)]
    curve = np.polynomial.Polynomial(c, domain=[middle - half, middle + half])
    found = curve.convert().coef + np.array([0.0, 1.0, 0.0])
    assert found[0] == pytest.approx(-1.8398047e-5, abs=2e-9)
    assert found[1] == pytest.approx(0.10010248540, abs=1e-9)
    assert found[2] == pytest.approx(7.0318651e-6, abs=1e-11)
    assert fit.pod_scatter_deg == pytest.approx(3.7640294e-5, rel=2e-3)
    design = sm.add_constant(np.column_stack([x, x**2]))
    oracle = sm.OLS(y - x, design).fit()
    for angle in (2.0, 11.0, 21.0):
        at = oracle.get_prediction(np.array([[1.0, angle, angle**2]]))
        estimate = fit.error(angle)
        assert estimate.value == pytest.approx(float(at.predicted_mean[0]), abs=1e-9)
        assert estimate.u == pytest.approx(float(at.se[0]), rel=2e-3)
        assert estimate.interval() == pytest.approx(tuple(at.conf_int()[0]), abs=1e-6)


def test_thermometer() -> None:
    """GUM (JCGM 100:2008) H.3: data of table H.6, from memory; corrections at t - 20."""
    t = np.array(
        [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
    )
    b = -np.array([0.171, 0.169, 0.166, 0.159, 0.164, 0.165, 0.156, 0.157, 0.159, 0.161, 0.160])
    line = line_through(t - 20.0, b, 0.0, 1.0)
    covariance = line.scatter_ratio**2 * line.covariance
    u = np.sqrt(np.diag(covariance))
    assert line.intercept == pytest.approx(-0.1712, abs=5e-5)
    assert u[0] == pytest.approx(0.0028776, abs=5e-8)
    assert line.slope == pytest.approx(0.0021827, abs=5e-8)
    assert u[1] == pytest.approx(0.00066794, abs=5e-9)
    assert covariance[0, 1] / u[0] / u[1] == pytest.approx(-0.93043, abs=5e-6)


X = np.array([0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4])
Y = np.array([5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5])
U_X = np.array([1000.0, 1000, 500, 800, 200, 80, 60, 20, 1.8, 1]) ** -0.5
U_Y = np.array([1.0, 1.8, 4, 8, 20, 20, 70, 70, 100, 500]) ** -0.5


def test_errors_in_both() -> None:
    """Pearson's points with York's weights (York 1966): answer and data from memory."""
    line = line_through(X, Y, U_X, U_Y)
    assert line.slope == pytest.approx(-0.480533407, abs=5e-9)
    assert line.intercept == pytest.approx(5.47991022, abs=5e-8)


def test_errors_in_both_agree_with_gtc() -> None:
    """GTC's weighted total least squares (Krystek and Anton 2007) finds the same line."""
    x = [ureal(value, u) for value, u in zip(X, U_X, strict=True)]
    y = [ureal(value, u) for value, u in zip(Y, U_Y, strict=True)]
    a, b = type_b.line_fit_wtls(x, y).a_b
    line = line_through(X, Y, U_X, U_Y)
    assert (line.intercept, line.slope) == pytest.approx((a.x, b.x), rel=1e-6)
    assert tuple(np.sqrt(np.diag(line.covariance))) == pytest.approx((a.u, b.u), rel=0.05)


def test_joint_fit_is_the_line_with_errors_in_both() -> None:
    """Without common errors the pod's line is York's, the scatter found from the residuals."""
    rng = np.random.default_rng(4)
    angle = np.linspace(-10.0, 10.0, 15)
    shown = angle + rng.normal(0.0, 0.05, 15)
    read = 0.1 + 1.01 * angle + rng.normal(0.0, 0.08, 15)
    comparison = Comparison(
        Reference(ReferenceKind.GAUGE, 0.0, 0.05, 0.0, 0.0),
        tuple(ReferenceReading(i, float(v)) for i, v in enumerate(shown)),
        tuple(PodReading(i, float(v), seat=i) for i, v in enumerate(read)),
    )
    found = regression(comparison)
    scatter = joint_fit(comparison, Terms(1)).pod_scatter_deg
    line = line_through(shown, read, 0.05, scatter)
    assert line.chi_squared == pytest.approx(line.freedom, rel=0.02)
    assert found.gain.value == pytest.approx(line.slope, abs=2e-4)
    assert found.offset_deg.value == pytest.approx(line.intercept, abs=2e-4)
    assert found.gain.u == pytest.approx(float(np.sqrt(line.covariance[1, 1])), rel=0.03)


@pytest.mark.parametrize(
    ("x", "u", "said"), [([1.0, 1.0], 1.0, "differ in x"), ([1.0, 2.0], 0.0, "finite weight")]
)
def test_hopeless_lines_are_refused(x: list[float], u: float, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        line_through(x, [1.0, 2.0], u, u)
