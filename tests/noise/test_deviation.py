"""Allan deviation and its relatives against published sets, a real record and allantools."""

from __future__ import annotations

import gzip
import math
from collections.abc import Callable
from pathlib import Path

import allantools
import numpy as np
import pytest

from knuckle.model.block import FloatArray
from knuckle.noise.curve import curve_of, deviation_at
from knuckle.noise.deviation import (
    allan_variance,
    hadamard_variance,
    modified_allan_variance,
    overlapping_allan_variance,
    pooled_allan_variance,
)
from knuckle.noise.freedom import Kind, degrees_of_freedom, deviation_interval
from noise.synthetic import flicker, walk, white

ESTIMATORS = {
    "adev": allan_variance,
    "oadev": overlapping_allan_variance,
    "mdev": modified_allan_variance,
    "hdev": hadamard_variance,
}


@pytest.fixture(scope="module")
def set_of_1000() -> FloatArray:
    """The test set of 1000 of NIST SP 1065, by the generator that it gives."""
    n, found = 1234567890, []
    for _ in range(1000):
        found.append(n / 2147483647)
        n = 16807 * n % 2147483647
    return np.array(found)


@pytest.mark.parametrize(
    ("m", "adev", "oadev", "mdev", "hdev"),
    [
        # NIST SP 1065, table for the set of 1000.
        (1, 0.2922319, 0.2922319, 0.2922319, 0.2943883),
        (10, 0.09965736, 0.09159953, 0.06172376, 0.1052754),
        (100, 0.03897804, 0.03241343, 0.02170921, 0.03910860),
    ],
)
def test_the_set_of_1000_to_every_digit_given(
    set_of_1000: FloatArray, m: int, adev: float, oadev: float, mdev: float, hdev: float
) -> None:
    for name, published in (("adev", adev), ("oadev", oadev), ("mdev", mdev), ("hdev", hdev)):
        # The Hadamard deviation at 100 is 0.0391086056 (allantools too): published one lower.
        last_digit = 10.0 ** (math.floor(math.log10(published)) - 6)
        found = math.sqrt(ESTIMATORS[name](set_of_1000, m))
        assert found == pytest.approx(published, abs=0.6 * last_digit), name


@pytest.mark.parametrize("name", ESTIMATORS)
@pytest.mark.parametrize("m", [1, 2, 7, 31, 150])
def test_as_allantools(name: str, m: int) -> None:
    rng = np.random.default_rng(3)
    readings = white(1000, 1.0, rng) + walk(1000, 0.5, rng) + 17.0
    _, theirs, _, _ = getattr(allantools, name)(readings, rate=1.0, data_type="freq", taus=[m])
    assert math.sqrt(ESTIMATORS[name](readings, m)) == pytest.approx(float(theirs[0]), rel=1e-9)


def test_too_few_readings_are_refused() -> None:
    for estimator in ESTIMATORS.values():
        with pytest.raises(ValueError, match="too few"):
            estimator(np.ones(3), 2)
        with pytest.raises(ValueError, match="too few"):
            estimator(np.ones(3), 0)


def test_the_real_mpu6050_lying_still(outside_data: Callable[[str], Path]) -> None:
    """Figures of the check values, in counts."""
    with gzip.open(outside_data("mpu6050_static/static_7min.csv.gz"), "rt") as file:
        counts = np.loadtxt(file, delimiter=",", skiprows=5)
    scatter = [53.407, 49.359, 75.409, 9.775, 14.565, 12.256]
    assert counts.std(axis=0, ddof=1) == pytest.approx(scatter, rel=1e-4)
    for tau_s, published in (
        (1.0, [5.254, 5.007, 7.374, 0.987, 1.467, 1.209]),
        (10.0, [1.900, 1.585, 2.427, 0.257, 0.476, 0.374]),
    ):
        found = [deviation_at([counts[:, axis]], 100.0, tau_s) for axis in range(6)]
        assert found == pytest.approx(published, rel=0.003)


def test_without_holes_pooling_changes_nothing() -> None:
    readings = white(4000, 1.0, np.random.default_rng(1))
    for m in (1, 5, 64, 1000):
        pooled = pooled_allan_variance([readings], m)
        assert pooled.variance == pytest.approx(overlapping_allan_variance(readings, m), rel=1e-9)
        assert pooled.terms == 4000 - 2 * m + 1
        assert pooled.whole == 1.0


def test_pieces_are_pooled_and_nothing_reaches_across() -> None:
    """Two pieces at levels far apart: their step must not show."""
    rng = np.random.default_rng(2)
    first, second = white(3000, 1.0, rng), white(1000, 1.0, rng) + 500.0
    squares = sum(overlapping_allan_variance(one, 40) * (len(one) - 79) for one in (first, second))
    pooled = pooled_allan_variance([first, second], 40)
    assert pooled.variance == pytest.approx(squares / (2921 + 921), rel=1e-9)


def test_holes_are_left_empty() -> None:
    """A value beside a hole may be anything without changing what the rest says."""
    rng = np.random.default_rng(4)
    readings = white(20000, 1.0, rng)
    holed = readings.copy()
    holed[rng.random(20000) < 0.02] = np.nan
    for m in (1, 8, 128, 1024):
        # Half of a twentieth at most is lacking of the readings, so the deviation grows by no more.
        whole = math.sqrt(pooled_allan_variance([readings], m).variance)
        assert math.sqrt(pooled_allan_variance([holed], m).variance) == pytest.approx(
            whole, rel=0.05
        )
    gone = readings.copy()
    gone[5000:9000] = np.nan
    found = pooled_allan_variance([gone], 100)
    both = pooled_allan_variance([readings[:5000], readings[9000:]], 100)
    assert found.variance == pytest.approx(both.variance, rel=0.02)
    assert found.terms == pytest.approx(both.terms, rel=0.01)
    assert pooled_allan_variance([np.full(50, np.nan)], 2).terms == 0


@pytest.mark.parametrize("kind", Kind)
@pytest.mark.parametrize(("n", "m"), [(999, 1), (999, 10), (999, 200), (20000, 64)])
def test_degrees_of_freedom_as_allantools(kind: Kind, n: int, m: int) -> None:
    """Of flicker at m = 1 allantools leaves out a square that SP 1065's table 5 has."""
    if kind is Kind.FLICKER and m == 1:
        assert degrees_of_freedom(kind, n, m) == pytest.approx(2 * 998**2 / (2.3 * 1000 - 4.9))
    else:
        theirs = allantools.edf_simple(n + 1, m, int(kind))
        assert degrees_of_freedom(kind, n, m) == pytest.approx(max(theirs, 1.0), rel=1e-12)


@pytest.mark.parametrize(
    ("make", "truth"),
    [
        (lambda rng: white(4000, math.sqrt(2.0), rng), lambda tau_s: 1.0 / math.sqrt(tau_s)),
        (lambda rng: walk(4000, 1.0, rng), lambda tau_s: math.sqrt(tau_s / 3.0)),
        (lambda rng: flicker(4000, 1.0, rng), lambda tau_s: math.sqrt(2 * math.log(2) / math.pi)),
    ],
    ids=["white", "walk", "flicker"],
)
def test_intervals_hold_the_truth(
    make: Callable[[np.random.Generator], FloatArray], truth: Callable[[float], float]
) -> None:
    """95 % intervals over 60 records; averaging times long against a sample, short against all."""
    rng = np.random.default_rng(11)
    held = 0
    total = 0
    for _ in range(60):
        curve = curve_of([make(rng)], 100.0)
        for at in range(3, 9):
            right = truth(float(curve.tau_s[at]))
            held += curve.low[at] <= right <= curve.high[at]
            total += 1
    assert total == 360
    # 0.95 with the scatter of 60 records whose points hang together.
    assert 0.88 <= held / total <= 0.995


def test_an_interval_is_of_chi_square() -> None:
    """By the table of chi-square with 10 degrees of freedom: 3.247 and 20.483."""
    low, high = deviation_interval(1.0, 10.0)
    assert low == pytest.approx(math.sqrt(10.0 / 20.483), rel=1e-4)
    assert high == pytest.approx(math.sqrt(10.0 / 3.247), rel=1e-4)
