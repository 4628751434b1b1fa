"""A linear sensor through the shipped program: calibrated, then used for toe, hands-free."""

from __future__ import annotations

from pathlib import Path

import pytest

from bench.told import told

pytestmark = pytest.mark.usefixtures("own_places")


def test_a_potentiometer_calibrated_and_used_agrees_with_the_truth(
    board_elf: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    known = ["30", "60", "90", "--reference-uncertainty", "0.02"]
    made = told(capsys, "linear", "calibrate", *known, "--pod", "avr:known_lengths?seed=2")
    # Truth of the scenario: length = 1.013 x reading - 2.4; its bow is 0.05 mm, rms.
    kept = made["calibration"]
    assert isinstance(kept, dict)
    assert kept["gain"] * 60.0 + kept["offset"] == pytest.approx(1.013 * 60.0 - 2.4, abs=0.25)
    toe = ["toe", "--wheel", "LF", "--rim-length", "420", "--repeats", "2"]
    found = told(capsys, *toe, "--pod", "avr:string?seed=2")
    result = found["results"]["toe"]  # type: ignore[index]  # JSON
    # The string scenario's left front wheel has 0.14 deg of toe, a true rim and a true string.
    assert result["value"] == pytest.approx(0.14, abs=result["expanded_uncertainty"])
    assert 0.05 < result["expanded_uncertainty"] < 0.25
    again = told(capsys, "show", "last")["outcomes"]
    assert again[-1]["results"]["toe"]["value"] == result["value"]  # type: ignore[index]  # JSON


def test_a_caliper_needs_no_calibration(
    board_elf: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    toe = ["toe", "--wheel", "RF", "--rim-length", "420", "--repeats", "1"]
    # The board's table has the potentiometer first.
    found = told(capsys, *toe, "--linear-channel", "2", "--pod", "avr:string_caliper?seed=4")
    codes = {warning["code"] for warning in found["warnings"]}  # type: ignore[union-attr,index]  # JSON
    assert {"LINEAR_UNCALIBRATED", "FEW_TOUCHES"} <= codes
    assert len(found["touches"]) == 2  # type: ignore[arg-type]  # JSON
