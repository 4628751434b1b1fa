"""A wheel-turn run, camber by it, and a reversal through the shipped program, hands-free."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from knuckle.cli import app as program
from knuckle.links.schemes import open_link
from knuckle.model.wheel import Wheel


@pytest.fixture(autouse=True)
def own_places(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("KNUCKLE_LOG", str(tmp_path / "knuckle.log"))
    monkeypatch.setenv("KNUCKLE_STORE", str(tmp_path / "runs.sqlite3"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.setenv("KNUCKLE_SOUND", "off")
    monkeypatch.setenv("KNUCKLE_PLAIN", "1")
    monkeypatch.delenv("KNUCKLE_POD", raising=False)


def told(capsys: pytest.CaptureFixture[str], *words: str) -> dict[str, Any]:
    capsys.readouterr()
    assert program.run([*words, "--json"]) == 0
    content: dict[str, Any] = json.loads(capsys.readouterr().out)
    return content


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
