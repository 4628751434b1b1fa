"""Both front wheels swept at once by two emulated boards on one simulated car."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from bench.told import told

pytestmark = pytest.mark.usefixtures("own_places")

# Of the scenario: 0.62 more of cotangent at the outer wheel (Ackermann's condition).
TURN_OUT_DEG = 20.0 - math.degrees(math.atan(1.0 / (0.62 + 1.0 / math.tan(math.radians(20.0)))))


def test_two_boards_give_each_wheel_and_the_pair(
    board_elf: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pod = "avr:both_wheels?seed=2"
    made = told(capsys, "sweep", "--left-pod", pod, "--right-pod", pod)["wheels"]
    assert [each["wheel"] for each in made] == ["LF", "RF", "front"]  # type: ignore[index]  # JSON
    front = made[-1]["results"]
    cross = front["cross_caster"]
    # 6.2 and 5.1 deg; the body's roll takes as much from both.
    assert cross["value"] == pytest.approx(1.1, abs=cross["expanded_uncertainty"])
    for way in ("turn_out_left", "turn_out_right"):
        assert front[way]["value"] == pytest.approx(
            TURN_OUT_DEG, abs=front[way]["expanded_uncertainty"]
        )
