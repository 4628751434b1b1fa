"""A small sample of the study in tests/benchmarks/calibration.py: whole simulated calibrations."""

from __future__ import annotations

import numpy as np
import pytest

from benchmarks.calibration import one_pod


@pytest.mark.parametrize("nonlinearity", ["off", "on"])
def test_sloppy_hands_calibrate_a_pod(nonlinearity: str) -> None:
    made = [one_pod(seed, nonlinearity) for seed in range(10)]
    errors = np.array([one.error_deg for one in made])
    stated = np.array([one.expanded_deg for one in made])
    bare = np.array([one.bare_error_deg for one in made])
    assert np.all(np.isfinite(errors))
    assert np.sqrt(np.mean(errors**2)) < 0.08
    # 95 % each: fewer than 7 of 10 inside would be a chance of 1 in 1000.
    assert np.sum(np.abs(errors) <= stated) >= 7
    assert np.sum(np.abs(bare) <= [one.bare_expanded_deg for one in made]) >= 7
    assert np.sqrt(np.mean(bare**2)) > 1.0
