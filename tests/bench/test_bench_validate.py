"""A validation through the shipped program: a plate is tilted, the pod taken off and turned."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from knuckle.cli import app as program


def test_a_pod_on_the_emulated_board_is_held_against_a_protractor(
    board_elf: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setenv("KNUCKLE_LOG", str(tmp_path / "knuckle.log"))
    monkeypatch.setenv("KNUCKLE_STORE", str(tmp_path / "runs.sqlite3"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.setenv("KNUCKLE_SOUND", "off")
    monkeypatch.setenv("KNUCKLE_PLAIN", "1")
    reference = ["--reference", "gauge", "--resolution", "0.05", "--accuracy", "0.1"]
    # The protractor's zero is off by 0.3 deg: the turn end for end takes that off the pod.
    address = "avr:protractor?seed=3&tilting.zero_deg=0.3&tilting.zero_sigma_deg=0"
    words = ["--design", "reversal", "--tolerance", "0.5", "--accuracy", "0.6", "--json"]
    assert program.run(["validate", "--pod", address, *reference[:4], *words]) in (0, 3)
    found = json.loads(capsys.readouterr().out)["validation"]
    assert len(found["readings"]) == 10
    assert sum(reading["turned"] for reading in found["readings"]) == 5
    zero = found["reference_zero"]
    assert zero["value"] == pytest.approx(0.3, abs=2.0 * zero["expanded_uncertainty"])
    assert zero["expanded_uncertainty"] < 0.1
