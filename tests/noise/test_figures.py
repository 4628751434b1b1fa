"""White noise, bias instability, random walk: found where they are, bounded where not."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from scipy.signal import lfilter

from knuckle.model.block import FloatArray
from knuckle.noise.channel import channel_noise
from knuckle.noise.curve import curve_of
from knuckle.noise.figures import (
    Figures,
    figures_of,
    record_for_floor_s,
    record_for_white_s,
)
from knuckle.noise.freedom import Kind, degrees_of_freedom
from noise.synthetic import RATE_HZ, flicker, walk, white

N = 30000


def found(make: Callable[[np.random.Generator], FloatArray], count: int) -> list[Figures]:
    rng = np.random.default_rng(21)
    figures = [figures_of(curve_of([make(rng)], RATE_HZ)) for _ in range(count)]
    assert all(each is not None for each in figures)
    return [each for each in figures if each is not None]


def test_white_noise_is_white_and_nothing_else() -> None:
    figures = found(lambda rng: white(N, 1.0, rng), 60)
    whites = [each.white for each in figures]
    assert all(each is not None for each in whites)
    off = np.array([(each.value - 1.0) / each.u for each in whites if each is not None])
    assert 0.6 < np.sqrt(np.mean(off**2)) < 1.25
    assert np.mean([each.u for each in whites if each is not None]) < 0.006
    # What is not there is bounded, with at most one slip in twenty.
    assert sum(not each.instability.bound for each in figures) <= 3
    assert sum(not each.walk.bound for each in figures) <= 3
    assert sum(each.best_is_bound for each in figures) >= 55


def test_a_random_walk_is_found_with_its_size() -> None:
    figures = found(lambda rng: white(N, 1.0, rng) + walk(N, 0.4, rng), 40)
    walks = [each.walk for each in figures if not each.walk.bound]
    assert len(walks) >= 38
    off = np.array([(each.value - 0.4) / each.u for each in walks])
    assert np.mean(np.abs(off) < 2.0) >= 0.85
    assert np.mean([each.value for each in walks]) == pytest.approx(0.4, rel=0.08)
    # White and walk cross where 1/(2 tau) = K^2 tau/3.
    lowest_s = math.sqrt(1.5) / 0.4
    assert lowest_s / 2.5 < np.median([each.best_s for each in figures]) < lowest_s * 2.5
    assert not any(each.best_is_bound for each in figures if not each.walk.bound)


def test_bias_instability_is_found_with_its_size() -> None:
    figures = found(lambda rng: white(N, 1.0, rng) + flicker(N, 0.7, rng), 40)
    floors = [each.instability for each in figures if not each.instability.bound]
    assert len(floors) >= 38
    assert np.mean([each.value for each in floors]) == pytest.approx(0.7, rel=0.06)
    off = np.array([(each.value - 0.7) / each.u for each in floors])
    assert np.mean(np.abs(off) < 2.0) >= 0.85
    whites = [each.white.value for each in figures if each.white is not None]
    assert np.mean(whites) == pytest.approx(1.0, rel=0.01)


def test_bounds_hold() -> None:
    """Too little of a walk or of flicker to be seen: the bound stands above it."""
    figures = found(lambda rng: white(N, 1.0, rng) + walk(N, 0.01, rng), 40)
    bounds = [each.walk.value for each in figures if each.walk.bound]
    assert np.mean(np.array(bounds) > 0.01) >= 0.95
    figures = found(lambda rng: white(N, 1.0, rng) + flicker(N, 0.05, rng), 40)
    bounds = [each.instability.value for each in figures if each.instability.bound]
    assert np.mean(np.array(bounds) > 0.05) >= 0.95


def test_a_low_pass_does_not_hide_the_white_noise() -> None:
    """A first-order low-pass at 5 Hz: short means hang together, long ones are white."""
    pole = math.exp(-2.0 * math.pi * 5.0 / RATE_HZ)

    def passed(rng: np.random.Generator) -> FloatArray:
        return np.asarray(lfilter([1.0 - pole], [1.0, -pole], white(N, 1.0, rng)))

    for each in found(passed, 10):
        assert each.white is not None
        assert each.white.value == pytest.approx(1.0, rel=0.12)
        assert each.white_from_s > 0.02


def test_a_steady_signal_has_no_figures() -> None:
    assert figures_of(curve_of([np.full(5000, 1.5)], RATE_HZ)) is None
    still = channel_noise("linear1", "mm", [np.full(5000, 1.5)], RATE_HZ)
    assert still.figures is None
    assert still.verdict == "hidden"


def test_noise_below_a_step_is_not_taken_for_noise() -> None:
    rng = np.random.default_rng(5)
    fine = white(N, 1e-3, rng) + 2.003
    coarse = channel_noise("linear1", "mm", [np.round(fine / 0.05) * 0.05], RATE_HZ)
    assert coarse.verdict == "hidden"
    assert coarse.step == pytest.approx(0.05) or coarse.scatter == 0.0
    dithered = channel_noise("linear1", "mm", [np.round(fine / 0.005) * 0.005], RATE_HZ)
    assert dithered.step == pytest.approx(0.005)
    assert dithered.figures is not None and dithered.figures.white is not None
    # The steps add their own q^2/12, GUM F.2.2.1.
    wanted = math.sqrt(1e-6 + 2.0 / RATE_HZ * 0.005**2 / 12.0)
    assert dithered.figures.white.value == pytest.approx(wanted, rel=0.03)


@pytest.mark.parametrize(
    ("density", "verdict"),
    [(150e-6, "below"), (400e-6, "as stated"), (800e-6, "above"), (2000e-6, "far above")],
)
def test_held_against_the_data_sheet(density: float, verdict: str) -> None:
    rng = np.random.default_rng(8)
    made = channel_noise("ax", "g", [white(6000, density, rng)], RATE_HZ, "MPU-6050", 400e-6)
    assert made.verdict == verdict
    assert made.ratio == pytest.approx(density / 400e-6, rel=0.05)
    unknown = channel_noise("ax", "g", [white(6000, density, rng)], RATE_HZ)
    assert unknown.verdict == "not compared"


def test_how_long_a_record_is_needed() -> None:
    """By the degrees of freedom that such a record would have."""
    for u in (0.02, 0.05):
        n = round(record_for_white_s(0.01, u) * RATE_HZ)
        assert degrees_of_freedom(Kind.WHITE, n, 1) == pytest.approx(0.5 / u**2, rel=0.01)
    for u in (0.1, 0.2, 0.3):
        n = round(record_for_floor_s(10.0, u) * RATE_HZ)
        assert degrees_of_freedom(Kind.FLICKER, n, 1000) == pytest.approx(0.5 / u**2, rel=0.01)
