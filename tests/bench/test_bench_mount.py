"""A wheel-turn run, camber by it, and a reversal through the shipped program, hands-free."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from bench.told import told
from knuckle.links.schemes import open_link
from knuckle.model.wheel import Wheel

pytestmark = pytest.mark.usefixtures("own_places")


def test_a_wheel_turned_by_hand_and_camber_by_it_agree_with_the_truth(
    board_elf: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pod = "spin?seed=3&spinning.stops=5"
    found = told(capsys, "spin", "--wheel", "LF", "--pod", f"avr:{pod}")
    link: Any = open_link(f"sim:{pod}", wheel=Wheel.LF, purpose="spin")
    truth = link.pod.truth()
    for name, true_deg in (("mount_tilt", truth.tilt_deg), ("mount_yaw", truth.yaw_deg)):
        result = found["results"][name]
        assert result["value"] == pytest.approx(true_deg, abs=1.5 * result["expanded_uncertainty"])
        assert result["expanded_uncertainty"] < 0.3
    camber = ["camber", "--wheel", "LF", "--same-mount"]
    made = told(capsys, *camber, "--pod", f"avr:{pod}&script.on_wheel=true")
    result = made["results"]["camber"]
    true_deg = truth.wheel.camber_deg
    assert result["value"] == pytest.approx(true_deg, abs=1.5 * result["expanded_uncertainty"])
    assert "MOUNT_MEASURED" in {warning["code"] for warning in made["warnings"]}


def test_a_pod_turned_end_for_end_on_a_bench(
    board_elf: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    found = told(capsys, "reversal", "--pod", "avr:bench?seed=2")["results"]
    for name, true_deg in (("slope_x", 0.8), ("slope_y", -0.5)):
        result = found[name]
        assert result["value"] == pytest.approx(true_deg, abs=1.5 * result["expanded_uncertainty"])
        assert result["expanded_uncertainty"] < 0.15
    assert found["camber_zero"]["budget"][0]["source"] == "squareness"
