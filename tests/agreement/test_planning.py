"""A design long enough for the reference: reckoned beforehand, and true of drawn runs."""

from __future__ import annotations

import numpy as np
import pytest

from benchmarks.verdicts import TOLERANCE_DEG, Pod, compare_steps
from knuckle.agreement.assess import supported_fit
from knuckle.agreement.design import SIZES, Design, different_angles, steps_of
from knuckle.agreement.planning import (
    ERROR,
    SCATTER,
    WANTED,
    better_design,
    chance_to_pass,
    planned,
)
from knuckle.agreement.reference import Reference, ReferenceKind, SineBar
from knuckle.agreement.verdict import Verdict, judge

T = TOLERANCE_DEG
ONE_SIGMA = 0.15 * T


def gauge(zero: float = 0.0, reading: float = 0.0, resolution: float = 0.0) -> Reference:
    return Reference(ReferenceKind.GAUGE, resolution, reading, zero, 0.0)


READING_ALONE = gauge(reading=ONE_SIGMA)
ZERO_ALONE = gauge(zero=ONE_SIGMA)


def drawn(design: Design, reference: Reference, runs: int, *, shortest: bool = False) -> float:
    """Return how often the good pod passes when readings are drawn and judged."""
    steps = planned(design, -5.0, 5.0, reference, T).steps
    if shortest:
        steps = steps_of(design, -5.0, 5.0)
    pod = Pod((ERROR * T,), 0.0, SCATTER * T, 5.0)
    passed = 0
    for seed in range(runs):
        comparison = compare_steps(np.random.default_rng(seed), pod, reference, steps)
        found = judge(comparison, supported_fit(comparison), T)
        passed += found.verdict is Verdict.PASS
    return passed / runs


@pytest.mark.parametrize("design", list(Design))
def test_a_good_pod_passes_though_all_doubt_is_in_reading(design: Design) -> None:
    """Readings good to 0.15 of the tolerance, a pod at a quarter that scatters by a tenth."""
    found = planned(design, -5.0, 5.0, READING_ALONE, T)
    assert found.enough
    assert found.longer
    assert drawn(design, READING_ALONE, 60) >= 0.9


@pytest.mark.parametrize("design", [Design.LINEAR, Design.REPEAT])
def test_what_is_reckoned_is_what_is_drawn(design: Design) -> None:
    """The shortest sizes with such readings: told beforehand to within the sample's own error."""
    steps = steps_of(design, -5.0, 5.0)
    told = chance_to_pass(steps, READING_ALONE, T)
    assert told < WANTED
    assert drawn(design, READING_ALONE, 120, shortest=True) == pytest.approx(told, abs=0.15)


def test_a_fine_reference_takes_the_shortest() -> None:
    fine = gauge(zero=0.05 * T, reading=0.02 * T)
    assert planned(Design.UP_DOWN, -5.0, 5.0, fine, 2.0 * T).steps == steps_of(
        Design.UP_DOWN, -5.0, 5.0
    )


def test_what_is_stated_is_kept() -> None:
    found = planned(Design.LINEAR, -5.0, 5.0, READING_ALONE, T, angles=7)
    assert len({step.setting for step in found.steps}) == 7
    found = planned(Design.REPEAT, -5.0, 5.0, READING_ALONE, T, seatings=8)
    assert len(found.steps) == 8
    assert not found.enough


def test_no_design_makes_a_hopeless_reference_do() -> None:
    poor_scale = Reference(ReferenceKind.GAUGE, 0.0, 0.0, 0.0, 0.1)
    assert not better_design(-5.0, 5.0, poor_scale, T).enough
    assert chance_to_pass(steps_of(Design.FULL, -5.0, 5.0), gauge(resolution=10.0 * T), T) < 0.05


def test_the_turn_is_recommended_where_the_zero_is_in_doubt() -> None:
    coarse_zero = gauge(zero=0.6 * T)
    assert not planned(Design.LINEAR, -5.0, 5.0, coarse_zero, T).enough
    found = better_design(-5.0, 5.0, coarse_zero, T)
    assert found.enough
    assert found.design is Design.FULL


def test_stacks_of_a_sine_bar_count() -> None:
    reference = SineBar(100.0, 0.05, 0.02).reference(surface_deg=0.01)
    steps = steps_of(Design.UP_DOWN, -5.0, 5.0)
    fine, rough = (chance_to_pass(steps, reference, T, u) for u in (0.001, 0.03))
    assert rough < fine


def test_every_size_lays_out() -> None:
    for design, sizes in SIZES.items():
        lengths = [len(steps_of(design, -5.0, 5.0, size=size)) for size in sizes]
        assert lengths == sorted(set(lengths))
    seats = steps_of(Design.REPEAT, -5.0, 5.0, size=SIZES[Design.REPEAT][-1])
    assert different_angles(seats) == 1
    assert len({step.setting for step in seats}) == 1
    assert different_angles(steps_of(Design.REVERSAL, -5.0, 5.0)) == 1
    assert different_angles(steps_of(Design.FULL, -5.0, 5.0)) == 9
