"""Effective sample size and the covariance of a mean, against outside values."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from statsmodels.tsa.stattools import acf

from knuckle.model.block import Block
from knuckle.model.rest import Rest
from knuckle.rests.effective_size import autocorrelation, effective_sample_size
from knuckle.rests.noise_floor import NoiseFloor
from knuckle.rests.reading import read_rest

Find = Callable[[str], Path]


def nist(find: Find, name: str, skip: int, column: int = 0) -> np.ndarray:
    return np.loadtxt(find(f"nist/{name}"), skiprows=skip, usecols=column)


@pytest.mark.parametrize(
    ("name", "skip", "lag_1"),
    [
        ("LEW.DAT", 25, -0.307304800605679),
        ("MAVRO.DAT", 25, 0.937989183438),
        ("MICHELSO.DAT", 25, 0.535199668621),
        ("NUMACC4.DAT", 60, -0.999),
    ],
)
def test_lag_one_of_nist_sets(outside_data: Find, name: str, skip: int, lag_1: float) -> None:
    """NIST StRD, univariate summary statistics: certified autocorrelation coefficients."""
    x = nist(outside_data, name, skip)
    assert autocorrelation(x)[1] == pytest.approx(lag_1, rel=2e-8)


@pytest.mark.parametrize("phi", [-0.6, 0.0, 0.9])
@pytest.mark.parametrize("n", [7, 500, 1001])
def test_all_lags_against_statsmodels(n: int, phi: float) -> None:
    """statsmodels.tsa.stattools.acf, summed directly, same (biased) estimator."""
    noise = np.random.default_rng(n).normal(size=n)
    x = np.full(n, 3.0)
    for i in range(1, n):
        x[i] = 3.0 + phi * (x[i - 1] - 3.0) + noise[i]
    expected = acf(x, nlags=n - 1, fft=False, adjusted=False)
    np.testing.assert_allclose(autocorrelation(x), expected, rtol=0.0, atol=1e-12)


def test_size_of_nist_sets_is_clipped(outside_data: Find) -> None:
    """LEW is anticorrelated (NIST StRD): a naive estimator gives more than n."""
    lew = nist(outside_data, "LEW.DAT", 25)
    rho = autocorrelation(lew)
    naive = 1.0 + 2.0 * float(np.sum(rho[1:3]))
    assert naive < 1.0
    assert 1.0 <= effective_sample_size(lew) <= len(lew)
    assert effective_sample_size(nist(outside_data, "NUMACC4.DAT", 60)) == 1001
    mavro = nist(outside_data, "MAVRO.DAT", 25)
    assert 1.0 <= effective_sample_size(mavro) < 5.0
    michelso = nist(outside_data, "MICHELSO.DAT", 25)
    assert 5.0 < effective_sample_size(michelso) < 50.0


def sp1065(n: int) -> np.ndarray:
    """NIST SP 1065 section 12.4: the portable generator behind its 1000-point set."""
    value = 1234567890
    out = np.empty(n)
    for i in range(n):
        out[i] = value / 2147483647
        value = 16807 * value % 2147483647
    return out


@pytest.mark.parametrize(
    ("phi", "theory"), [(0.0, 1000.0), (0.5, 333.3), (0.8, 111.1), (0.9, 52.6)]
)
def test_first_order_process(phi: float, theory: float) -> None:
    """n (1 - phi) / (1 + phi), textbook theory; data from the SP 1065 generator."""
    x = np.zeros(1000)
    last = 0.0
    for i, u in enumerate(sp1065(1000)):
        last = phi * last + (u - 0.5)
        x[i] = last
    # A single series of 1000 tells the correlation time to about a third at phi = 0.9.
    assert effective_sample_size(x) == pytest.approx(theory, rel=0.35)


def test_mean_over_many_series_is_near_theory() -> None:
    rng = np.random.default_rng(2)
    sizes = []
    for _ in range(100):
        x = np.zeros(2000)
        noise = rng.normal(size=2000)
        for i in range(1, 2000):
            x[i] = 0.8 * x[i - 1] + noise[i]
        sizes.append(effective_sample_size(x))
    assert np.median(sizes) == pytest.approx(2000 / 9, rel=0.1)


def test_degenerate_rows() -> None:
    assert effective_sample_size(np.array([3.0])) == 1.0
    assert effective_sample_size(np.full(50, 0.1)) == 50.0
    assert effective_sample_size(np.arange(1000.0)) < 10.0
    with pytest.raises(ValueError, match="at least one"):
        effective_sample_size(np.empty(0))
    with pytest.raises(ValueError, match="finite"):
        effective_sample_size(np.array([1.0, np.nan]))


def rest_of(accel_g: np.ndarray, linear_mm: np.ndarray | None = None) -> Rest:
    n = len(accel_g)
    floor = NoiseFloor()
    floor.accel.restart(1e-6, 1e-6, 1e-6, 9)
    block = Block(
        t_s=np.arange(n) / 100.0,
        accel_g=accel_g,
        gyro_dps=None,
        temp_c=None,
        linear_mm=linear_mm,
        lost_before=np.zeros(n, dtype=np.int64),
        stretch=np.zeros(n, dtype=np.int64),
        clipped=np.zeros(n, dtype=np.bool_),
        rate_hz=100.0,
    )
    reading = read_rest(block, np.ones(n // 7, dtype=np.bool_), 7, 0, 0, floor, 1.0, True)
    assert reading is not None
    return reading.rest


def test_standard_deviation_of_numacc4(outside_data: Find) -> None:
    """NIST StRD NUMACC4: standard deviation exactly 0.1 about 10000000.2."""
    x = nist(outside_data, "NUMACC4.DAT", 60)
    rest = rest_of(np.zeros((1001, 3)), x[:, None])
    assert rest.count == 1001
    assert np.sqrt(rest.linear_cov_mm2[0, 0] * 1001) == pytest.approx(0.1, rel=1e-5)
    assert rest.linear_mm[0] == pytest.approx(10000000.2, rel=1e-15)


def test_covariance_is_that_of_the_mean_and_positive() -> None:
    """Monte Carlo: correlated axes, one of them also in time."""
    rng = np.random.default_rng(4)
    means, covs = [], []
    mix = np.array([[1.0, 0.0, 0.0], [0.6, 0.8, 0.0], [0.0, 0.3, 1.0]])
    for _ in range(300):
        noise = rng.normal(size=(700, 3)) @ mix.T * 1e-3
        for i in range(1, 700):
            noise[i, 2] += 0.7 * noise[i - 1, 2]
        rest = rest_of(noise)
        means.append(rest.accel_g)
        covs.append(rest.accel_cov_g2)
        assert np.all(np.linalg.eigvalsh(rest.accel_cov_g2) > 0)
        assert np.all((rest.effective_count >= 1) & (rest.effective_count <= 700))
    truth = np.cov(np.array(means).T)
    stated = np.mean(covs, axis=0)
    assert np.allclose(np.diag(stated), np.diag(truth), rtol=0.25)
    assert stated[0, 1] == pytest.approx(truth[0, 1], rel=0.3)
