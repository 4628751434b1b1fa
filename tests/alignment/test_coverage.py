"""95 % intervals cover the truth, over sixty drawn cars a study (2000: the benchmark)."""

from __future__ import annotations

import numpy as np
import pytest

from alignment.drawn import STUDIES, coverage

CARS = 60
NARROW = ("strings", "travel")
"""Whose budgets are wide nowhere: there the intervals must not be too long either."""


@pytest.mark.parametrize("study", STUDIES)
def test_intervals_cover(study: str) -> None:
    found = coverage(study, CARS)
    shares = np.array([share for share, _ in found.values()])
    # Of 60 with 95 % each, 50 or fewer come about in 1 of 1000 cases (binomial).
    assert shares.min() >= 0.85, {f: s for f, (s, _) in found.items() if s < 0.85}
    assert shares.mean() >= 0.92
    if study in NARROW:
        assert shares.mean() <= 0.98
