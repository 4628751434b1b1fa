"""The straight line of a linear channel's calibration, against published fits and oracles."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import GTC
import numpy as np
import pytest
from scipy.stats import t

from knuckle.estimate.linear import LinearCalibration
from knuckle.estimate.linear_fit import KnownLength, LineFit, caliper_as_sold, fit_line

Find = Callable[[str], Path]


def fit_table(find: Find, name: str) -> LineFit:
    reading, length = np.loadtxt(find(f"nist/{name}"), skiprows=25, usecols=(0, 1)).T
    points = [KnownLength(y, 1e-5, x, 0.0) for x, y in zip(reading, length, strict=True)]
    return fit_line(points)


def test_the_calibration_line_of_nist(outside_data: Find) -> None:
    # NIST/SEMATECH e-Handbook, 3.6.7.3 (check-values: CALIBRATIONLINE).
    fit = fit_table(outside_data, "CALIBRATIONLINE.DAT")
    found = fit.calibration
    assert found.gain == pytest.approx(0.9870377, abs=5e-8)
    assert found.offset_mm == pytest.approx(0.2357623, abs=5e-8)
    u_gain, u_offset = np.sqrt(np.diag(found.covariance))
    assert u_gain == pytest.approx(0.0034406, abs=5e-8)
    assert u_offset == pytest.approx(0.0243003, abs=5e-8)
    assert found.scatter_mm == pytest.approx(0.0620320, abs=5e-8)
    assert found.degrees_of_freedom == 38
    assert found.valid_mm == (1.99, 10.77)
    assert not fit.curved


def test_the_load_cell_of_nist_is_curved(outside_data: Find) -> None:
    # NIST/SEMATECH e-Handbook, 3.6.5: quadratic term 7.0318651e-6 (check-values: LOADCELL).
    fit = fit_table(outside_data, "LOADCELL.DAT")
    assert fit.bow_mm == pytest.approx(7.0318651e-6 * 19.0**2 / 4.0, rel=1e-6)
    assert fit.curved


def test_the_thermometer_of_the_gum() -> None:
    # GUM (JCGM 100:2008) H.3, table H.6: corrections b against t - 20; y1 -0.1712 (0.0029),
    # y2 0.00218 (0.00067), r -0.930. The data are those of the GUM's table.
    t_k = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
    b_k = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]
    fit = fit_line([KnownLength(b, 1e-5, x - 20.0, 0.0) for x, b in zip(t_k, b_k, strict=True)])
    found = fit.calibration
    assert found.offset_mm == pytest.approx(-0.1712, abs=5e-5)
    assert found.gain == pytest.approx(0.0021827, abs=5e-7)
    u_gain, u_offset = np.sqrt(np.diag(found.covariance))
    assert u_offset == pytest.approx(0.0028776, abs=5e-7)
    assert u_gain == pytest.approx(0.00066794, abs=5e-8)
    assert found.covariance[0, 1] / (u_gain * u_offset) == pytest.approx(-0.93043, abs=5e-6)


def test_two_lengths_against_gtc() -> None:
    """Gain and offset by GTC's propagation through the two-point formula."""
    linearity, u_ref, u_read = 0.3, 0.02, 0.03
    fit = fit_line(
        [KnownLength(25.0, u_ref, 24.1, u_read), KnownLength(75.0, u_ref, 77.6, u_read)],
        linearity_mm=linearity,
    )
    l1, l2 = (GTC.ureal(x, math.hypot(u_ref, linearity)) for x in (25.0, 75.0))
    r1, r2 = (GTC.ureal(x, u_read) for x in (24.1, 77.6))
    gain = (l2 - l1) / (r2 - r1)
    offset = l1 - gain * r1
    found = fit.calibration
    assert found.gain == pytest.approx(gain.x, rel=1e-12)
    assert found.offset_mm == pytest.approx(offset.x, rel=1e-9)
    assert math.sqrt(found.covariance[0, 0]) == pytest.approx(gain.u, rel=1e-6)
    assert math.sqrt(found.covariance[1, 1]) == pytest.approx(offset.u, rel=1e-6)
    assert found.scatter_mm == linearity
    assert found.degrees_of_freedom == math.inf
    assert fit.bow_mm is None
    assert not fit.curved


def test_lengths_of_unequal_uncertainty_weigh_by_it() -> None:
    points = [
        KnownLength(10.0, 0.001, 10.0, 0.0),
        KnownLength(50.0, 0.001, 50.0, 0.0),
        KnownLength(30.0, 10.0, 33.0, 0.0),
    ]
    found = fit_line(points).calibration
    assert found.gain == pytest.approx(1.0, abs=1e-6)
    assert found.offset_mm == pytest.approx(0.0, abs=1e-4)


@pytest.mark.parametrize("lengths", [3, 5, 9])
def test_intervals_of_a_length_cover_the_truth(lengths: int) -> None:
    """Student's t with n - 2 degrees of freedom: 95 % of 2000 drawn sensors."""
    random = np.random.default_rng(lengths)
    true = np.linspace(20.0, 80.0, lengths)
    inside = 0
    for _ in range(2000):
        gain, offset = 1.0 + 0.05 * random.standard_normal(), random.uniform(-3.0, 3.0)
        reading = (true - offset) / gain + 0.08 * random.standard_normal(lengths)
        points = [
            KnownLength(length, 0.001, x, 0.002) for length, x in zip(true, reading, strict=True)
        ]
        found = fit_line(points).calibration
        at = random.uniform(25.0, 75.0)
        # Of one more reading at that place: scatter of its own, and the line's uncertainty.
        seen = (at - offset) / gain + 0.08 * random.standard_normal()
        lengths_found = found.length(np.array([seen]))
        k = t.ppf(0.975, found.degrees_of_freedom)
        inside += abs(lengths_found.length_mm[0] - at) <= k * lengths_found.u_mm[0]
    assert 0.93 <= inside / 2000 <= 0.97


def test_a_straight_sensor_is_seldom_called_curved_and_a_bent_one_is() -> None:
    random = np.random.default_rng(1)
    x = np.linspace(0.0, 100.0, 6)

    def curved(bow_mm: float) -> float:
        count = 0
        for _ in range(300):
            y = x + bow_mm * (1.0 - ((x - 50.0) / 50.0) ** 2) + 0.05 * random.standard_normal(6)
            points = [KnownLength(b, 0.05, a, 0.0) for a, b in zip(x, y, strict=True)]
            count += fit_line(points).curved
        return count / 300

    assert curved(0.0) <= 0.03
    assert curved(1.0) >= 0.95


def test_three_lengths_show_a_bow_beyond_their_own_uncertainty() -> None:
    fit = fit_line([KnownLength(y, 0.02, x, 0.0) for x, y in ((0, 0.0), (50, 51.0), (100, 100.0))])
    assert fit.curved
    assert fit.bow_mm == pytest.approx(1.0)


@pytest.mark.parametrize(
    "points", [[(1.0, 1.0)], [(1.0, 1.0), (1.0, 2.0)], [(1.0, 1.0), (2.0, 1.0)]]
)
def test_what_is_no_line_is_refused(points: list[tuple[float, float]]) -> None:
    with pytest.raises(ValueError, match=r"two known lengths|the same"):
        fit_line([KnownLength(y, 0.1, x, 0.1) for x, y in points])


def test_a_caliper_as_sold_reads_true_within_its_tolerance() -> None:
    sold = caliper_as_sold(1, "0123")
    lengths = sold.length(np.array([52.03]), 0.0)
    assert lengths.length_mm[0] == 52.03
    # Rectangular, GUM 4.3.7: half-width over the root of 3.
    assert lengths.u_mm[0] == pytest.approx(0.02 / math.sqrt(3.0))
    assert LinearCalibration.from_json(sold.to_json()).valid_mm == (-math.inf, math.inf)
