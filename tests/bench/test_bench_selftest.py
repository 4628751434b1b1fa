"""``knuckle selftest`` through the shipped program: whole, and with each part ailing."""

from __future__ import annotations

from pathlib import Path

import pytest

from knuckle.cli import app as program

pytestmark = pytest.mark.usefixtures("own_places")


@pytest.mark.parametrize(
    ("sensor", "parts"),
    [("mpu6050", ["MPU-6050"]), ("adxl355", ["ADXL355"]), ("both", ["MPU-6050", "ADXL355"])],
)
def test_a_whole_pod_is_good(
    sensor: str, parts: list[str], board_elf: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert program.run(["selftest", "--pod", f"avr:?sensor={sensor}"]) == 0
    shown = capsys.readouterr().out
    assert "The pod is good." in shown
    for part in parts:
        assert f"own test of {part}" in shown


@pytest.mark.parametrize(
    ("fault", "told"),
    [
        (
            "sensor_missing",
            "BAD  MPU-6050: The MPU-6050 (accelerometer, gyro, temperature) does",
        ),
        ("wrong_part", "BAD  sensors: A part answers"),
        ("sensor_stuck", "BAD  readings: The MPU-6050 (accelerometer, gyro, temperature) repeats"),
        ("sensor_noisy", "BAD  accelerometer noise"),
        ("self_test_fails", "BAD  own test of MPU-6050"),
        ("supply_low", "BAD  supply"),
        ("settings_lost", "LOOK  settings"),
        ("bus_disturbed", "LOOK  errors on the sensors' bus"),
    ],
)
def test_what_ails_a_part_is_told(
    fault: str, told: str, board_elf: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    program.run(["selftest", "--pod", f"avr:?faults={fault}"])
    assert told in capsys.readouterr().out.replace("\n     ", "")
