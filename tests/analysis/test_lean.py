"""Whether a lean from stop to stop, or one that wanders, is told from the run itself."""

from __future__ import annotations

import numpy as np
import pytest

from benchmarks.spin import unnoticed, wandering
from knuckle.analysis.lean import USUAL_LEAN_DEG, lean_of_stops, lean_of_turn

NOISE = np.full(9, 1e-5)


def test_a_car_that_rocks_is_told_by_its_own_scatter_alone() -> None:
    off = np.radians(0.3) * np.array([1.0, -1.0, 1.0, -1.0, 1.0, -1.0, 1.0, -1.0, 0.0])
    lean = lean_of_stops(off, NOISE)
    assert lean.freedom == 6.0
    expected = np.sum(off**2) / 6.0
    assert np.diag(lean.covariance_g2) == pytest.approx(np.full(9, expected), rel=1e-3)


def test_three_stops_keep_the_usual_lean_and_its_one_degree_of_freedom() -> None:
    lean = lean_of_stops(np.zeros(3), NOISE[:3])
    assert lean.freedom == 1.0
    assert np.degrees(np.sqrt(lean.covariance_g2[0, 0])) == pytest.approx(USUAL_LEAN_DEG, rel=1e-2)


def test_a_wandering_lean_of_a_slow_turn_widens_what_is_known_of_the_axis() -> None:
    t_s = np.arange(0.0, 26.0, 0.25)
    turn = 2.0 * np.pi * t_s / 26.0
    rng = np.random.default_rng(4)
    found = []
    for rms_deg in (0.0, 0.1, 0.3):
        off = np.radians(rms_deg) * wandering(rng, len(t_s), 0.06) + 6e-4 * rng.standard_normal(
            len(t_s)
        )
        readings = np.stack([np.sin(turn), off, np.cos(turn)], axis=1)
        lean = lean_of_turn(t_s, readings, np.full(len(t_s), 6e-4))
        design = np.stack([np.ones(len(t_s)), readings[:, 0], readings[:, 2]], axis=1)
        inverse = np.linalg.inv(design.T @ np.linalg.inv(lean.covariance_g2) @ design)
        found.append(np.degrees(np.sqrt(inverse[1, 1])))
        assert lean.freedom > 2.0
    assert found[0] < 0.015
    assert found[0] < found[1] < found[2]


def test_few_cars_that_rock_go_wrong_without_a_word() -> None:
    refused, told, silent = unnoticed(25, (5, 7, 9), 0.3)
    assert refused + told >= 85.0
    assert silent <= 5.0
