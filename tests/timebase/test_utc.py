"""The pod's clock against arrivals: quantised, in bursts, with outliers and restarts."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta, timezone

import numpy as np
import pytest

from knuckle.errors import UsageError
from knuckle.timebase.ticks import TickCounter
from knuckle.timebase.utc import ArrivalFit, stamp

ZERO = datetime(2026, 5, 1, 12, 0, tzinfo=UTC)


Late = Callable[[np.ndarray, np.random.Generator], np.ndarray]


def quantised(t_s: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """USB adapter: hands over every 16 ms."""
    return np.ceil((t_s + rng.uniform(0.0, 0.001, t_s.shape)) / 0.016) * 0.016


def bursts(t_s: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Radio: held back until the next of irregular moments, 50 to 500 ms apart."""
    moments = np.cumsum(rng.uniform(0.05, 0.5, int(t_s[-1] / 0.05) + 50)) + t_s[0]
    return moments[np.searchsorted(moments, t_s)]


@pytest.mark.parametrize(("late", "within_s"), [(quantised, 0.017), (bursts, 0.03)])
@pytest.mark.parametrize("rate", [1.0, 1.0 + 8e-5, 1.0 - 3e-3])
def test_rate_and_offset(late: Late, within_s: float, rate: float) -> None:
    rng = np.random.default_rng(3)
    pod_s = np.arange(0.0, 300.0, 0.1)
    host_s = 40.0 + rate * pod_s
    arrival_s = late(host_s, rng)
    outliers = rng.uniform(size=pod_s.shape) < 0.05
    arrival_s = arrival_s + outliers * rng.uniform(0.5, 3.0, pod_s.shape)
    fit = ArrivalFit(ZERO)
    for t, a in zip(pod_s, arrival_s, strict=True):
        fit.add(float(t), float(a))
    line = fit.line()
    assert line is not None
    assert abs(line.rate - rate) * 300.0 < within_s
    for t in (0.0, 150.0, 300.0):
        at = fit.arrival_of(t)
        assert at is not None
        assert -0.001 < at - (40.0 + rate * t) < within_s


@pytest.mark.parametrize("lasting_s", [20.0, 60.0, 300.0, 1800.0])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_delays_of_50_to_500_ms_date_late_by_little_more_than_50(
    lasting_s: float, seed: int
) -> None:
    """Also where one pair in a hundred stands early, by a fault that has no name."""
    rng = np.random.default_rng(seed)
    pod_s = np.arange(0.0, lasting_s, 0.25)
    arrival_s = 1.0001 * pod_s + rng.uniform(0.05, 0.5, pod_s.shape)
    arrival_s -= (rng.uniform(size=pod_s.shape) < 0.01) * rng.uniform(0.0, 0.03, pod_s.shape)
    for early in rng.integers(0, len(pod_s), len(pod_s) // 400):
        arrival_s[early] -= 2.0
    fit = ArrivalFit(ZERO)
    for t, a in zip(pod_s, arrival_s, strict=True):
        fit.add(float(t), float(a))
    for t in (0.0, 0.5 * lasting_s, lasting_s):
        at = fit.arrival_of(t)
        assert at is not None
        assert 0.02 < at - 1.0001 * t < 0.13


def test_few_pairs_keep_the_nominal_rate() -> None:
    fit = ArrivalFit(ZERO)
    fit.add(0.0, 10.0)
    fit.add(0.6, 10.75)
    line = fit.line()
    assert line is not None
    assert abs(line.rate - 1.0) < 0.02


def test_each_restart_has_its_own_line() -> None:
    fit = ArrivalFit(ZERO)
    for j in range(100):
        fit.add(j * 0.1, 5.0 + j * 0.1)
    fit.restart(11.0)
    assert fit.arrival_of(11.0) == pytest.approx(16.0, abs=0.01)
    for j in range(100):
        fit.add(11.0 + j * 0.1, 75.0 + j * 0.1)
    assert fit.arrival_of(4.0) == pytest.approx(9.0, abs=0.01)
    assert fit.arrival_of(12.0) == pytest.approx(76.0, abs=0.01)


def test_stamps_are_iso_8601_with_offset() -> None:
    fit = ArrivalFit(ZERO.astimezone(timezone(timedelta(hours=2))))
    assert fit.utc_of(0.0) is None
    for j in range(20):
        fit.add(float(j), 1.5 + j)
    moment = fit.utc_of(10.0)
    assert moment is not None
    assert stamp(moment) == "2026-05-01T12:00:11.500+00:00"
    with pytest.raises(UsageError):
        ArrivalFit(datetime(2026, 5, 1))
    with pytest.raises(UsageError):
        stamp(datetime(2026, 5, 1))


def test_memory_stays_bounded_over_a_day() -> None:
    fit = ArrivalFit(ZERO)
    for j in range(0, 86_400, 2):
        fit.add(float(j), 3.0 + j * 1.00002)
    assert len(fit) <= 2048
    line = fit.line()
    assert line is not None
    assert line.rate == pytest.approx(1.00002, abs=1e-9)


def test_tick_counter() -> None:
    counter = TickCounter()
    assert counter.unwrap(2**32 - 10) == 2**32 - 10
    assert counter.unwrap(5) == 2**32 + 5
    assert counter.unwrap(3) is None
    assert counter.unwrap(6) == 2**32 + 6
    counter.restart()
    assert counter.unwrap(3) == 3
