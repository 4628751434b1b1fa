"""Watching a simulated pod, and what is said of the pods that are plugged in."""

from __future__ import annotations

import math
import os
import signal
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from rich.console import Console

from knuckle.cli import app as program
from knuckle.cli.opening import for_eyes
from knuckle.cli.pod_choice import choose_pod, only_pod
from knuckle.cli.pods import described
from knuckle.config import resolve
from knuckle.errors import LinkBusy, LinkNotFound, UsageError
from knuckle.links.discovery import FoundPort
from knuckle.links.ports import UsbPort
from knuckle.model.block import Block
from knuckle.model.rest import Rest
from knuckle.run.live_angles import LiveAngles
from knuckle.wire.messages import Channel, ChannelKind, Hello, ResetCause, Sensor, TextHeader

PORT = UsbPort("/dev/ttyUSB7", 0x1A86, 0x7523, name="USB Serial")
HELLO = Hello(
    protocol=1,
    hardware="bench board",
    firmware=(1, 2, 3),
    identity=bytes(range(8)),
    name="front pod",
    reset_cause=ResetCause.POWER_ON,
    streaming=False,
    tick_hz=1_000_000,
    raw_period_ticks=5_000,
    averaging=2,
    least_averaging=1,
    channels=(
        Channel(ChannelKind.ACCELEROMETER, Sensor.MPU6050, 3, 16, 1 / 16384, 0.0, 2.0, 4e-4),
    ),
)


@pytest.fixture(autouse=True)
def own_places(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("KNUCKLE_LOG", str(tmp_path / "knuckle.log"))
    monkeypatch.setenv("KNUCKLE_STORE", str(tmp_path / "runs.sqlite3"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.delenv("KNUCKLE_POD", raising=False)


def test_watch_a_simulated_pod(capsys: pytest.CaptureFixture[str]) -> None:
    assert program.run(["watch", "--pod", "sim:?seed=3", "--seconds", "9"]) == 0
    shown = capsys.readouterr().out
    lines = shown.splitlines()
    assert "seed 3" in lines[0], "a simulated run names its seed"
    assert any("Still | camber, live" in line for line in lines)
    assert any("Moving" in line and " out" in line for line in lines)
    for figure in ("samples/s, nothing lost", "noise", "temperature", "bytes lost"):
        assert any(line.startswith("    ") and figure in line for line in lines), figure
    assert all(len(line) <= 80 for line in lines)
    assert "\x1b" not in shown
    assert len(lines) < 60


def test_watching_twice_shows_the_same(capsys: pytest.CaptureFixture[str]) -> None:
    words = ["watch", "--pod", "sim:?seed=5", "--wheel", "rf", "--seconds", "6"]
    program.run(words)
    first = capsys.readouterr().out
    program.run(words)
    assert capsys.readouterr().out == first


@pytest.mark.parametrize(
    ("words", "told", "code"),
    [
        (["--pod", "ttyUSB0"], "no pod address", 2),
        (["--pod", "serial:/dev/no-such-port"], "/dev/no-such-port", 1),
        (["--pod", "sim:", "--wheel", "XX"], "'XX' is no wheel", 2),
        (["--pod", "sim:", "--seconds", "1o"], "the letter 'o'", 2),
        (["--pod", "sim:", "--seconds", "-3"], "above 0", 2),
        (["--pod", "sim:", "--rate", "0"], "above 0", 2),
        (["--pod", "sim:no-such-scenario"], "no-such-scenario", 2),
        (["--pod", "file:/no/such/file"], "/no/such/file", 1),
    ],
)
def test_mistakes(
    words: list[str], told: str, code: int, capsys: pytest.CaptureFixture[str]
) -> None:
    assert program.run(["watch", *words]) == code
    shown = capsys.readouterr().err
    assert told in shown
    assert "next:" in shown
    assert "fault of its own" not in shown


@pytest.mark.skipif(sys.platform == "win32", reason="Windows sends no SIGINT to one child")
def test_ctrl_c_ends_it_tidily() -> None:
    child = subprocess.Popen(
        [sys.executable, "-m", "knuckle", "watch", "--pod", "sim:?speed=1"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )
    assert child.stdout is not None
    for line in child.stdout:
        if "Moving" in line:
            break
    child.send_signal(signal.SIGINT)
    _, told = child.communicate(timeout=60)
    assert child.returncode == 130
    assert told == "Interrupted.\n"


def test_speed_for_eyes() -> None:
    assert for_eyes("sim:", 1.0) == {"speed": 1.0}
    assert for_eyes("sim:", None) == {}
    assert for_eyes("sim:?speed=4", 1.0) == {}
    assert for_eyes("serial:COM3", 1.0) == {}


def test_pods_are_described_by_their_own_word() -> None:
    text = described(FoundPort(PORT, hello=HELLO))
    for words in ("serial:/dev/ttyUSB7", "front pod", "1.2.3", "0001020304050607", "100 samples/s"):
        assert words in text
    unknown = HELLO._replace(identity=bytes(8), name="")
    assert "identity none yet" in described(FoundPort(PORT, hello=unknown))
    text_pod = FoundPort(PORT, text=TextHeader(("t_s", "ax_g"), ()))
    assert "t_s, ax_g" in described(text_pod)
    busy = FoundPort(PORT, problem=LinkBusy("It is busy.", "Another program.", "Close it."))
    assert "no pod: It is busy. Another program." in described(busy)
    assert "next: Close it." in described(busy)


def test_the_one_pod_is_chosen() -> None:
    pod = FoundPort(PORT, hello=HELLO)
    other = FoundPort(UsbPort("/dev/ttyUSB8", 1, 1), problem=LinkBusy("Busy."))
    assert only_pod([other, pod]) == "serial:/dev/ttyUSB7"
    with pytest.raises(UsageError, match="Several pods"):
        only_pod([pod, pod])
    with pytest.raises(LinkNotFound, match="/dev/ttyUSB8"):
        only_pod([other])
    with pytest.raises(LinkNotFound, match="No USB-serial port"):
        only_pod([])


def test_a_named_pod_needs_no_search() -> None:
    console = Console(quiet=True)
    settings = resolve({}, {"KNUCKLE_POD": "sim:one"})
    assert choose_pod("sim:two", settings, console) == "sim:two"
    assert choose_pod(None, settings, console) == "sim:one"


def block(t_s: list[float], accel_g: list[float], gyro_dps: list[float], stretch: int = 0) -> Block:
    count = len(t_s)
    return Block(
        t_s=np.array(t_s),
        accel_g=np.tile(np.array(accel_g, dtype=float), (count, 1)),
        gyro_dps=np.tile(np.array(gyro_dps, dtype=float), (count, 1)),
        temp_c=None,
        linear_mm=None,
        lost_before=np.zeros(count, dtype=np.int64),
        stretch=np.full(count, stretch, dtype=np.int64),
        clipped=np.zeros(count, dtype=np.bool_),
        rate_hz=100.0,
    )


def test_live_camber_has_the_sign_of_the_trade() -> None:
    # Plain trigonometry: the top leans outboard by 2 deg, so "up" leans inboard (-Y) in pod axes.
    lean = math.radians(2.0)
    angles = LiveAngles()
    assert angles.camber_deg is None
    angles.push(block([0.0], [0.0, -math.sin(lean), math.cos(lean)], [0, 0, 0]))
    assert angles.camber_deg == pytest.approx(2.0)
    assert angles.steer_deg is None, "unknown before a rest"
    assert angles.rate_dps == 0.0


def rest(gyro_dps: list[float], ended: bool) -> Rest:
    return Rest(
        start_s=0.0,
        end_s=1.0,
        first=0,
        end=100,
        stretch=0,
        count=100,
        effective_count=np.full(3, 100.0),
        accel_g=np.array([0.0, 0.0, 1.0]),
        accel_cov_g2=np.eye(3) * 1e-9,
        gyro_dps=np.array(gyro_dps),
        gyro_cov_dps2=np.eye(3) * 1e-6,
        temp_c=None,
        linear_mm=None,
        linear_cov_mm2=None,
        clipped=False,
        knocks=0,
        ended=ended,
    )


def test_live_steer_counts_to_the_left_from_the_first_rest() -> None:
    level, bias = [0.0, 0.0, 1.0], [1.0, 5.0, -3.0]
    angles = LiveAngles()
    angles.push(block([0.0, 1.0], level, bias))
    angles.rested(rest(bias, ended=False))
    assert angles.steer_deg == 0.0
    # Ten degrees a second about "up", counter-clockwise from above, is to the left.
    angles.push(block([1.01], level, [1.0, 5.0, 7.0]))
    before = angles.steer_deg
    angles.push(block([1.51, 2.01], level, [1.0, 5.0, 7.0]))
    assert angles.steer_deg - before == pytest.approx(10.0)
    assert angles.rate_dps == pytest.approx(10.0)
    angles.rested(rest([0.0, 0.0, 0.0], ended=False))
    angles.push(block([2.51], level, bias))
    assert angles.rate_dps == pytest.approx(0.0), "a rest that has just begun does not count"
    held = angles.steer_deg
    angles.push(block([9.0], level, [1.0, 5.0, 90.0], stretch=1))
    assert angles.steer_deg == held, "nothing is known of the turn across a long gap"
    angles.straight_here()
    assert angles.steer_deg == 0.0


def test_watching_shows_lengths_and_faults(capsys: pytest.CaptureFixture[str]) -> None:
    words = ["watch", "--pod", "sim:draw_wire?faults=linear_missing&faults.linear_missing.at_s=3"]
    assert program.run([*words, "--seconds", "8"]) == 0
    shown = capsys.readouterr().out
    assert " mm" in shown
    assert "The potentiometer is not connected." in shown
    assert "POTENTIOMETER MISSING" in shown
    assert "Over: potentiometer missing." in shown


def test_watching_a_pod_of_lengths_alone(capsys: pytest.CaptureFixture[str]) -> None:
    words = ["watch", "--pod", "sim:draw_wire?faults=wrong_part", "--seconds", "4"]
    assert program.run(words) == 0
    shown = capsys.readouterr().out
    assert "potentiometer" in shown
    assert "none of the pod's" in shown
