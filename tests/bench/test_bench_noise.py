"""``knuckle noise`` through the shipped program: the noise that its chips were given."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from knuckle.cli import app as program

pytestmark = pytest.mark.usefixtures("own_places")


def test_both_chips_show_their_data_sheets_noise(
    board_elf: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["noise", "--pod", "avr:?sensor=both&seed=3", "--seconds", "20", "--json"]
    assert program.run(words) == 0
    made = json.loads(capsys.readouterr().out)["noise"]
    assert made["rate_hz"] == pytest.approx(200.0)
    for channel in made["channels"]:
        truth, part = (25e-6, "ADXL355") if channel["unit"] == "g" else (0.005, "MPU-6050")
        white = channel["white_noise"]
        # The chips' low-pass is at a quarter of the raw rate: white from some readings on.
        assert abs(white["value"] - truth) < 4.0 * white["standard_uncertainty"] + 0.1 * truth
        assert channel["part"] == part
        assert channel["verdict"] == "as stated"
    assert made["rests"]["size"] == 20
    assert program.run(["noise", "--run", "last", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["noise"]["channels"] == made["channels"]
