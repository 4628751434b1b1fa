"""``knuckle pod`` on a simulated pod, and what it says."""

from __future__ import annotations

from pathlib import Path

import pytest

from knuckle.cli import app as program
from knuckle.cli import pod as command
from knuckle.cli.pod import baud_rate, described
from knuckle.errors import UsageError
from knuckle.run.podsettings import BAUDS, PodSettings
from knuckle.wire.messages import Channel, ChannelKind, Hello, ResetCause, Sensor
from knuckle.wire.settings import SettingsRecord

HELLO = Hello(
    protocol=1,
    hardware="bench board",
    firmware=(1, 2, 3),
    identity=bytes(range(8)),
    name="",
    reset_cause=ResetCause.POWER_ON,
    streaming=False,
    tick_hz=250_000,
    raw_period_ticks=250,
    averaging=3,
    least_averaging=3,
    channels=(
        Channel(ChannelKind.ACCELEROMETER, Sensor.MPU6050, 3, 16, 1 / 16384, 0.0, 2.0, 4e-4),
        Channel(ChannelKind.GYRO, Sensor.MPU6050, 3, 16, 1 / 131, 0.0, 250.0, 5e-3),
        Channel(ChannelKind.TEMPERATURE, Sensor.MPU6050, 1, 16, 1 / 340, 36.53, 85.0, 0.0),
    ),
)


@pytest.fixture(autouse=True)
def own_places(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("KNUCKLE_LOG", str(tmp_path / "knuckle.log"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.delenv("KNUCKLE_POD", raising=False)


def test_it_shows_and_changes(capsys: pytest.CaptureFixture[str]) -> None:
    assert program.run(["pod", "--pod", "sim:?seed=3"]) == 0
    shown = capsys.readouterr().out
    assert "simulated pod" in shown
    assert "2026-01-01" in shown
    assert "Written" not in shown
    words = ["pod", "--pod", "sim:?seed=3", "--name", "rear", "--baud", "9600", "--yes"]
    assert program.run(words) == 0
    shown = capsys.readouterr().out
    assert "name         rear" in shown
    assert "Written" in shown
    assert "Restart the pod" in shown


def test_a_baud_rate_without_yes_is_not_changed(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    assert program.run(["pod", "--pod", "sim:", "--baud", "9600"]) == 2
    assert "out of reach" in capsys.readouterr().err
    monkeypatch.setattr(command.sys.stdin, "isatty", lambda: True, raising=False)
    monkeypatch.setattr(command.typer, "confirm", lambda words: False)
    assert program.run(["pod", "--pod", "sim:", "--baud", "9600"]) == 2
    assert "You said no" in capsys.readouterr().err
    monkeypatch.setattr(command.typer, "confirm", lambda words: True)
    assert program.run(["pod", "--pod", "sim:", "--baud", "9600"]) == 0
    assert "9600 baud" in capsys.readouterr().out


@pytest.mark.parametrize("text", ["9601", "0", "1e4", "921600", ""])
def test_only_rates_that_pods_offer(text: str) -> None:
    with pytest.raises(UsageError, match="no baud rate"):
        baud_rate(text)


def test_rates_are_those_of_the_wire_page() -> None:
    assert [baud_rate(str(baud)) for baud in BAUDS] == list(BAUDS)
    # the table of docs/protocol.md: 333 samples/s at 115200 baud, 31 at 9600
    for baud, rate in ((115200, "333"), (9600, "31.2")):
        record = SettingsRecord(bytes(8), "x", baud)
        lines = described(PodSettings(HELLO, record, record), "serial:/dev/ttyUSB0")
        assert any(f"{baud} (carries up to {rate} samples/s" in line for line in lines)


def test_the_new_address_is_told() -> None:
    old, new = SettingsRecord(bytes(8), "x"), SettingsRecord(bytes(8), "x", 9600)
    there = "\n".join(described(PodSettings(HELLO, old, new), "serial:COM4"))
    assert "serial:COM4?baud=9600" in there
    back = "\n".join(described(PodSettings(HELLO, new, old), "serial:COM4?baud=9600"))
    assert back.count("serial:COM4") == 1
    assert "serial:COM4?baud" not in back
    same = "\n".join(described(PodSettings(HELLO, new, new), "serial:COM4"))
    assert "Restart" not in same


def test_a_blank_pod_is_told_to_be_named() -> None:
    lines = described(PodSettings(HELLO, None, None), "serial:COM4")
    assert "blank" in lines[0]
    assert "--name" in lines[1]
