"""What a validation's report says of its own figures."""

from __future__ import annotations

import numpy as np
import pytest

from benchmarks.verdicts import Pod, compare
from knuckle.agreement.assess import assess
from knuckle.agreement.design import Design
from knuckle.agreement.record import to_json
from knuckle.agreement.reference import Reference, ReferenceKind
from knuckle.report.plot_validation import _errors
from knuckle.report.validation_text import validation_lines
from knuckle.report.validation_words import rows


def record(pod: Pod, reference: Reference, design: Design, seed: int = 1) -> dict[str, object]:
    comparison = compare(np.random.default_rng(seed), pod, reference, design)
    found = to_json(comparison, assess(comparison, 0.3), ["x"] * len(comparison.pod_readings))
    calibration = {"source": "none", "date": ""}
    return {**found, "pod": "p", "date": "", "planned": None, "calibration": calibration}


def test_limits_do_not_claim_the_reference_s_own_errors() -> None:
    """A reference whose zero is off: limits stay narrow, the bias's uncertainty does not."""
    reference = Reference(ReferenceKind.GAUGE, 0.01, 0.0, 0.2, 0.0)
    found = record(Pod((0.0,), 0.0, 0.01, 5.0), reference, Design.LINEAR)
    text = " ".join(validation_lines(found))
    assert "not in them" in text
    assert found["bias"]["u"] > 0.19  # type: ignore[index]
    assert found["differences"]["sd_deg"] < 0.05  # type: ignore[index]
    assert all(len(line) <= 80 for line in validation_lines(found))


def test_the_turned_pod_is_not_in_the_limits_and_is_put_right_in_the_plots() -> None:
    """A zero of the reference of 0.5 deg: it would part turned from other readings by 1 deg."""
    reference = Reference(ReferenceKind.GAUGE, 0.001, 0.0, 0.5, 0.0)
    found = record(Pod((0.1,), 0.0, 0.005, 5.0), reference, Design.FULL, seed=4)
    zero = found["reference_found"]["zero_deg"]  # type: ignore[index]
    assert abs(zero) > 0.1
    raw = [r["difference_deg"] for r in found["readings"]]  # type: ignore[attr-defined]
    assert max(raw) - min(raw) > abs(zero)
    put_right = [r["error_deg"] for r in _errors(found)]
    assert np.allclose(put_right, 0.1, atol=0.03)
    limits = found["limits"]
    assert limits["upper_deg"] - limits["lower_deg"] < 0.1  # type: ignore[index]


def test_scatter_that_the_reference_hides_is_given_as_a_bound() -> None:
    reference = Reference(ReferenceKind.GAUGE, 0.0, 0.2, 0.0, 0.0)
    for seed in range(20):
        found = record(Pod((0.0,), 0.0, 0.001, 5.0), reference, Design.LINEAR, seed)
        if found["judgement"]["scatter_deg"] == 0.0:  # type: ignore[index]
            break
    else:
        pytest.fail("no draw without scatter")
    figures = {name: figure for name, figure, _ in rows(found)}
    assert figures["reproducibility"].startswith("below 0.")
    assert figures["scatter of one reading"] == figures["reproducibility"]
