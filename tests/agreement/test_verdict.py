"""The verdict: wrong passes are rare, good pods pass, and what cannot be told is not."""

from __future__ import annotations

import numpy as np
import pytest

from benchmarks.verdicts import CASES, QUARTER, Case, Pod, compare, shares
from knuckle.agreement.assess import supported_fit
from knuckle.agreement.comparison import Comparison, PodReading, ReferenceReading
from knuckle.agreement.design import Design, steps_of
from knuckle.agreement.reference import Reference, ReferenceKind
from knuckle.agreement.verdict import Judgement, Verdict, can_pass, judge

GOOD = Reference(ReferenceKind.GAUGE, 0.01, 0.005, 0.01, 0.0)


def judged(
    pod: Pod, reference: Reference, tolerance: float, design: Design = Design.FULL, seed: int = 3
) -> Judgement:
    comparison = compare(np.random.default_rng(seed), pod, reference, design)
    return judge(comparison, supported_fit(comparison), tolerance)


def test_four_outcomes() -> None:
    pod = Pod((0.05, 0.02), 0.0, 0.01, 10.0)
    assert judged(pod, GOOD, 0.3).verdict is Verdict.PASS
    assert judged(Pod((0.4,), 0.0, 0.01, 10.0), GOOD, 0.3).verdict is Verdict.FAIL
    coarse = Reference(ReferenceKind.PROTRACTOR, 0.5, 0.1, 0.3, 0.02)
    assert judged(pod, coarse, 0.1, seed=5).verdict is Verdict.TOO_COARSE
    few = judged(Pod((0.05,), 0.0, 0.1, 10.0), GOOD, 0.3)
    assert few.verdict is Verdict.TOO_FEW
    assert few.needed is not None
    assert few.needed > few.readings


def test_what_is_stated_adds_up() -> None:
    found = judged(Pod((0.1, 0.05), 0.0, 0.02, 10.0), GOOD, 0.4, Design.UP_DOWN)
    whole = abs(found.error_deg) + 1.96 * found.scatter.deg
    assert found.largest_deg == pytest.approx(whole, rel=1e-4)
    assert found.lower_deg < found.largest_deg < found.upper_deg
    assert found.common_deg == pytest.approx(1.96 * 0.01, rel=1e-3)
    assert found.scatter.low_deg < found.scatter.deg < found.scatter.high_deg
    assert abs(found.at_deg) == pytest.approx(10.0, abs=0.05)


def test_guard_band_decides_at_its_edge() -> None:
    """JCGM 106:2012, 8.3.2: accepted up to the limit less the guard band, not beyond."""
    comparison = compare(
        np.random.default_rng(3), Pod((0.1,), 0.0, 0.02, 5.0), GOOD, Design.UP_DOWN
    )
    fit = supported_fit(comparison)
    edge = judge(comparison, fit, 1.0).upper_deg
    assert judge(comparison, fit, edge * 1.000001).verdict is Verdict.PASS
    assert judge(comparison, fit, edge * 0.999).verdict is not Verdict.PASS


def test_a_pod_that_scatters_does_not_pass_for_a_mean_of_zero() -> None:
    assert judged(Pod((0.0,), 0.0, 0.3, 10.0), GOOD, 0.3).verdict is not Verdict.PASS


def test_an_error_at_one_end_is_not_averaged_away() -> None:
    assert judged(Pod((0.0, 0.4), 0.0, 0.01, 10.0), GOOD, 0.3).verdict is Verdict.FAIL


def test_too_few_readings_never_pass() -> None:
    comparison = compare(
        np.random.default_rng(3), Pod((0.0,), 0.0, 0.001, 5.0), GOOD, Design.REPEAT
    )
    short = Comparison(GOOD, comparison.reference_readings, comparison.pod_readings[:4])
    found = judge(short, supported_fit(short), 0.3)
    assert found.verdict is Verdict.TOO_FEW
    assert found.needed is not None
    assert found.needed >= 6


def test_a_hopeless_reference_is_known_beforehand() -> None:
    reference = Reference(ReferenceKind.PROTRACTOR, 0.1, 0.0, 0.1, 0.01)
    assert not can_pass(reference, 0.19, 0.0)
    assert can_pass(reference, 0.2, 0.0)
    assert not can_pass(reference, 0.2, 10.0)


def test_a_tolerance_of_nothing_is_refused() -> None:
    with pytest.raises(ValueError, match="above zero"):
        judged(Pod((0.0,), 0.0, 0.01, 5.0), GOOD, 0.0)


@pytest.mark.parametrize(
    "case", [case for case in CASES if case.whole[0] >= 1.0], ids=lambda case: case.name
)
@pytest.mark.parametrize("design", [Design.LINEAR, Design.FULL])
def test_pods_out_of_tolerance_seldom_pass(case: Case, design: Design) -> None:
    """A small seeded sample; the study of thousands is tests/benchmarks/verdicts.py."""
    assert shares(case, design, 80)[Verdict.PASS] < 0.05


def test_pods_at_a_quarter_pass() -> None:
    assert shares(QUARTER, Design.FULL, 60)[Verdict.PASS] >= 0.9


def test_steps_of_a_coarse_reference_do_not_fail_a_good_pod() -> None:
    """A 1 deg protractor, each mark met anew to within half a step: not the pod's scatter."""
    coarse = Reference(ReferenceKind.PROTRACTOR, 1.0, 0.0, 0.0, 0.0)
    verdicts = []
    for seed in range(20):
        rng = np.random.default_rng(seed)
        steps = steps_of(Design.FULL, -5.0, 5.0, angles=11)
        angles: dict[int, float] = {}
        for step in steps:
            angles.setdefault(step.setting, step.target_deg + rng.uniform(-0.5, 0.5))
        shown = tuple(
            ReferenceReading(setting, float(round(angle))) for setting, angle in angles.items()
        )
        read = tuple(
            PodReading(
                step.setting,
                (-1.0 if step.turned else 1.0) * angles[step.setting] + rng.normal(0.05, 0.006),
                0.002,
                step.seat,
                step.turned,
                step.direction,
                20.0 * index,
            )
            for index, step in enumerate(steps)
        )
        comparison = Comparison(coarse, shown, read)
        verdicts.append(judge(comparison, supported_fit(comparison), 0.2).verdict)
    assert Verdict.FAIL not in verdicts
    assert verdicts.count(Verdict.TOO_COARSE) >= 15
