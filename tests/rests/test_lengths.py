"""Means of linear channels over a rest, readings missing among them."""

from __future__ import annotations

import numpy as np
import pytest

from knuckle.rests.lengths import lengths_of


def test_mean_and_its_variance_of_white_noise() -> None:
    """Variance of a mean: sigma squared over n."""
    samples = np.random.default_rng(1).normal(40.0, 0.2, (4000, 1))
    mean, covariance = lengths_of(samples, 1e-4)
    assert mean[0] == pytest.approx(40.0, abs=0.015)
    assert np.sqrt(covariance[0, 0]) == pytest.approx(0.2 / np.sqrt(4000), rel=0.2)


def test_held_values_count_once() -> None:
    """A caliper that speaks ten times a second gives a tenth of the readings at 100 Hz."""
    fresh = np.random.default_rng(2).normal(20.0, 0.05, 400)
    _, once = lengths_of(fresh[:, None], 1e-4)
    _, held = lengths_of(np.repeat(fresh, 10)[:, None], 1e-4)
    assert held[0, 0] == pytest.approx(once[0, 0], rel=0.4)


def test_missing_samples_are_left_out_and_a_channel_that_is_away_has_no_reading() -> None:
    samples = np.random.default_rng(3).normal(10.0, 0.1, (100, 3))
    samples[:40, 1] = np.nan
    samples[:60, 2] = np.nan
    mean, covariance = lengths_of(samples, 1e-4)
    assert mean[1] == pytest.approx(samples[40:, 1].mean())
    assert np.isnan(mean[2]) and np.isnan(covariance[2, 2])
    assert covariance[0, 1] == 0.0


def test_equal_readings_are_not_said_to_be_exact() -> None:
    _, covariance = lengths_of(np.full((50, 1), 3.0), 1e-4)
    assert covariance[0, 0] == pytest.approx(1e-8)
