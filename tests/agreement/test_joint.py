"""Everything that a run is made of is found back, and told apart only where it can be."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from benchmarks.verdicts import Pod, compare
from knuckle.agreement.assess import assess, supported_fit
from knuckle.agreement.comparison import Comparison, PodReading, ReferenceReading
from knuckle.agreement.design import Design, steps_of
from knuckle.agreement.effects import linearity, turn_end_for_end
from knuckle.agreement.joint import best_terms, joint_fit
from knuckle.agreement.reference import Reference, ReferenceKind
from knuckle.agreement.rows import Source, Terms
from knuckle.agreement.verdict import Verdict

EXACT = Reference(ReferenceKind.GAUGE, 0.0, 0.0, 0.0, 0.0)
UNSURE = Reference(ReferenceKind.PROTRACTOR, 0.0, 0.01, 0.5, 0.01)


def run(pod: Pod, reference: Reference, design: Design = Design.FULL, seed: int = 1) -> Comparison:
    return compare(np.random.default_rng(seed), pod, reference, design)


def offset(comparison: Comparison, deg: float) -> Comparison:
    """Return the same run with a reference whose zero is off by so much."""
    shown = tuple(replace(r, value_deg=r.value_deg + deg) for r in comparison.reference_readings)
    return replace(comparison, reference_readings=shown)


def test_known_errors_are_found_back() -> None:
    pod = Pod((0.1, 0.05, -0.04), 0.03, 0.002, 10.0)
    found = assess(run(pod, EXACT), 1.0)
    for angle in (-10.0, 0.0, 5.0, 10.0):
        assert found.fit.error(angle).value == pytest.approx(pod.error(angle), abs=0.004)
    assert found.hysteresis is not None
    assert found.hysteresis.value == pytest.approx(0.03, abs=0.004)
    assert found.linearity is not None
    assert found.linearity.curved
    # A parabola c x^2 leaves its best line by 2/3 c at either end.
    assert abs(found.linearity.departure_deg) == pytest.approx(0.04 * 2.0 / 3.0, abs=0.004)
    assert found.regression is not None
    assert found.regression.gain.value == pytest.approx(1.005, abs=5e-4)
    assert found.judgement.scatter.deg == pytest.approx(0.002, rel=0.4)
    assert found.judgement.verdict is Verdict.PASS


def test_a_straight_pod_is_not_called_curved_too_often() -> None:
    called = []
    for seed in range(120):
        comparison = run(Pod((0.1,), 0.0, 0.05, 10.0), EXACT, Design.LINEAR, seed)
        departure = linearity(supported_fit(comparison))
        assert departure is not None
        called.append(departure.curved)
    assert 1 <= sum(called) <= 13  # 6 wanted: F test at 5 %


def test_turning_splits_the_references_zero_from_the_pods() -> None:
    pod = Pod((-0.2,), 0.0, 0.005, 5.0)
    turned = offset(run(pod, replace(UNSURE, zero_deg=0.0, scale=0.0)), 0.3)
    found = assess(replace(turned, reference=replace(UNSURE, scale=0.0)), 1.0)
    assert found.reference_zero is not None
    assert found.reference_zero.value == pytest.approx(0.3, abs=0.02)
    assert found.reference_zero.u < 0.02
    assert found.pod_zero is not None
    assert found.pod_zero.value == pytest.approx(-0.2, abs=0.02)
    assert found.pod_zero.u < 0.02


def test_without_a_turn_the_references_zero_stays_in_the_pods() -> None:
    pod = Pod((-0.2,), 0.0, 0.005, 5.0)
    plain = offset(run(pod, replace(UNSURE, zero_deg=0.0), Design.UP_DOWN), 0.3)
    found = assess(replace(plain, reference=UNSURE), 1.0)
    assert found.bias.value == pytest.approx(-0.5, abs=0.02)
    assert found.bias.parts[Source.ZERO] == pytest.approx(0.5, abs=1e-6)
    assert found.reference_zero is not None
    assert found.reference_zero.value == pytest.approx(0.0, abs=1e-6)
    low, high = found.bias.interval()
    assert low < -0.2 < high


def test_turning_the_reference_shows_its_zero_too() -> None:
    comparison = Comparison(
        UNSURE,
        (ReferenceReading(0, 1.3), ReferenceReading(0, -0.7, turned=True)),
        tuple(PodReading(0, 0.8 + 0.001 * (-1) ** i, seat=i) for i in range(6)),
    )
    fit = supported_fit(comparison)
    assert fit.estimate({"zero": 1.0}).value == pytest.approx(0.3, abs=0.01)
    assert fit.error(1.0).value == pytest.approx(-0.2, abs=0.02)


def test_only_reading_error_averages() -> None:
    """Four times the readings halve the random part and leave the common part as it is."""
    figures = []
    for angles in (9, 36):
        reference = Reference(ReferenceKind.GAUGE, 0.0, 0.1, 0.2, 0.0)
        shown, read = [], []
        rng = np.random.default_rng(7)
        for i in range(angles):
            angle = -5.0 + 10.0 * (i % 9) / 8.0
            shown.append(ReferenceReading(i, angle + rng.normal(0.0, 0.1) + i * 1e-5))
            read.append(PodReading(i, angle + rng.normal(0.0, 0.01), seat=i))
        fit = joint_fit(Comparison(reference, tuple(shown), tuple(read)), Terms(0))
        figures.append(fit.error(0.0))
    few, many = figures
    assert few.parts[Source.READING] == pytest.approx(0.1 / 3.0, rel=0.01)
    assert many.parts[Source.READING] == pytest.approx(0.1 / 6.0, rel=0.01)
    assert few.parts[Source.ZERO] == pytest.approx(0.2)
    assert many.parts[Source.ZERO] == pytest.approx(0.2)


def test_the_same_number_read_again_does_not_average_the_resolution() -> None:
    coarse = Reference(ReferenceKind.PROTRACTOR, 0.5, 0.0, 0.0, 0.0)
    rng = np.random.default_rng(5)

    def part(values: list[float]) -> float:
        shown = tuple(ReferenceReading(i, value) for i, value in enumerate(values))
        read = tuple(
            PodReading(i, value + rng.normal(0.0, 0.01), seat=i) for i, value in enumerate(values)
        )
        error = joint_fit(Comparison(coarse, shown, read), Terms(0)).error(0.0)
        return error.parts[Source.RESOLUTION]

    one = 0.5 / math.sqrt(12.0)
    assert part([3.0] * 9) == pytest.approx(one)
    assert part([float(i) for i in range(9)]) == pytest.approx(one / 3.0)


def test_drift_is_told_from_angle_only_if_an_angle_comes_back() -> None:
    def drifting(design: Design) -> Comparison:
        plain = run(Pod((0.0,), 0.0, 0.002, 10.0), EXACT, design)
        read = tuple(
            replace(r, value_deg=r.value_deg + 0.6 * r.time_s / 3600.0) for r in plain.pod_readings
        )
        return replace(plain, pod_readings=read)

    back = assess(drifting(Design.FULL), 1.0).drift
    assert back is not None
    assert back.separable
    low, high = back.per_hour.interval(0.999)
    assert low < 0.6 < high
    assert back.per_hour.u < 0.1
    once = assess(drifting(Design.LINEAR), 1.0).drift
    assert once is not None
    assert not once.separable


def test_seat_kept_through_the_run_stays_in_the_bias() -> None:
    """A pod that is not taken off carries one seating's error into every reading."""
    anew, kept = (
        Comparison(
            EXACT,
            tuple(ReferenceReading(i, float(i) - 4.0) for i in range(10)),
            (
                *(PodReading(i, float(i) - 4.0, seat=i if each else 0) for i in range(9)),
                *(PodReading(9, 5.0 + 0.1 * (-1) ** i, seat=100 + i) for i in range(6)),
            ),
        )
        for each in (True, False)
    )
    assert Source.SEATING not in joint_fit(anew, Terms(0)).error(0.0).parts
    assert joint_fit(kept, Terms(0)).error(0.0).parts[Source.SEATING] > 0.01


def test_terms_follow_the_design_not_the_readings() -> None:
    pod = Pod((0.0, 0.0, 0.5), 0.0, 0.01, 10.0)
    assert best_terms(run(pod, EXACT, Design.REPEAT)) == Terms(0)
    assert best_terms(run(pod, EXACT, Design.UP_DOWN)).hysteresis
    assert not best_terms(run(pod, EXACT, Design.LINEAR)).hysteresis


def test_intervals_cover_the_truth() -> None:
    """The pod's error at an end of the range, reference with errors of every kind."""
    reference = Reference(ReferenceKind.GAUGE, 0.05, 0.04, 0.1, 0.01)
    covered = 0
    for seed in range(240):
        rng = np.random.default_rng(seed)
        pod = Pod(tuple(rng.normal(0.0, 0.1, 3)), float(rng.normal(0.0, 0.05)), 0.05, 10.0)
        fit = supported_fit(compare(rng, pod, reference, Design.FULL))
        low, high = fit.error(10.0, 1).interval()
        covered += low <= pod.error(10.0, 1) <= high
    assert 0.93 <= covered / 240 <= 0.98


def test_turn_end_for_end() -> None:
    """Plain arithmetic: 0.7 on the way there, -0.3 turned: zero 0.2, slope 0.5."""
    found = turn_end_for_end(0.7, -0.3, 0.02)
    assert (found.zero_deg, found.angle_deg) == pytest.approx((0.2, 0.5))
    assert found.u_deg == pytest.approx(0.02 / math.sqrt(2.0))


def test_a_reading_without_a_reference_is_refused() -> None:
    with pytest.raises(ValueError, match="setting 3"):
        Comparison(EXACT, (ReferenceReading(0, 1.0),), (PodReading(3, 1.0),))
    with pytest.raises(ValueError, match="within 90"):
        Comparison(EXACT, (ReferenceReading(0, math.nan),), (PodReading(0, 1.0),))


def test_designs_come_back_and_turn() -> None:
    steps = steps_of(Design.FULL, -5.0, 5.0)
    assert len(steps) == 9 + 9 + 10 + 4
    assert steps[0].target_deg == steps[17].target_deg == -5.0
    assert len({step.seat for step in steps}) == len(steps)
    kept = steps_of(Design.UP_DOWN, -5.0, 5.0, keep_seated=True)
    assert {step.seat for step in kept} == {0}
    with pytest.raises(ValueError, match="empty"):
        steps_of(Design.LINEAR, 5.0, 5.0)
