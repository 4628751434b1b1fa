"""A pod checked through and through: each thing that can be wrong is found and named."""

from __future__ import annotations

import asyncio
import json
import random
from pathlib import Path
from typing import Any

import pytest

from knuckle.cli import app as program
from knuckle.errors import LinkError, LinkTimeout
from knuckle.links.schemes import open_link
from knuckle.links.sim import SimLink
from knuckle.model.check import Check, Verdict, is_good
from knuckle.report.selftest_text import selftest_lines
from knuckle.run.examination import Evidence, examine
from knuckle.run.selftest import checks_of
from knuckle.sim.pod import SimulatedPod
from knuckle.sim.scenario import load
from knuckle.wire.messages import Command
from links.devices import ScriptedBytes


@pytest.fixture(autouse=True)
def own_places(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("KNUCKLE_LOG", str(tmp_path / "knuckle.log"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.delenv("KNUCKLE_POD", raising=False)


def look(device: Any, seconds: float = 6.0) -> Evidence:
    link = SimLink(device, scenario="test", seed=1, transport="memory")
    return asyncio.run(examine(link, seconds))


def checks(scenario: str = "garage", seconds: float = 6.0, **overrides: Any) -> dict[str, Check]:
    """Return the checks of a simulated pod that lies still, by subject."""
    pod = SimulatedPod(load(scenario, purpose="still", **overrides), 3)
    found = checks_of(look(pod, seconds))
    for line in selftest_lines(found, "a pod"):
        assert len(line) <= 80, line
    for check in found:
        told = check.verdict in (Verdict.BAD, Verdict.LOOK)
        assert check.what or not told
        assert told or not check.next_step
        if told:
            assert check.what.endswith("."), check
            assert check.next_step.endswith("."), check
    return {check.subject: check for check in found}


def switched(name: str, **keys: object) -> dict[str, Any]:
    return {f"faults.{name}": {"on": True, **keys}}


@pytest.mark.parametrize("scenario", ["garage", "no_gyro", "fine", "draw_wire", "string_caliper"])
def test_a_sound_pod_is_good(scenario: str) -> None:
    found = checks(scenario, **{"linear.offset_mm": 0.0})
    odd = {
        subject: check
        for subject, check in found.items()
        if check.verdict in (Verdict.BAD, Verdict.LOOK) and not subject.startswith("potentiometer")
    }
    assert not odd
    assert found["accelerometer noise"].verdict is Verdict.GOOD
    assert found["gravity, calibrated"].value == pytest.approx(1.0, abs=0.01)
    assert found["samples a second"].value == pytest.approx(100.0, abs=0.2)


def test_noise_is_held_against_the_data_sheet() -> None:
    # Source: data sheets: 400 and (from memory) 25 ug/sqrt(Hz); white noise up to 50 Hz.
    assert checks()["accelerometer noise"].value == pytest.approx(0.4 * 50**0.5, rel=0.1)
    assert checks("fine")["accelerometer noise"].value == pytest.approx(0.025 * 50**0.5, rel=0.1)
    assert checks()["gyro noise"].value == pytest.approx(0.005 * 50**0.5, rel=0.1)


BAD, LOOK = Verdict.BAD, Verdict.LOOK
WRONG_SCALE: dict[str, Any] = {"sensor.accel_scale": [0.4] * 3, "calibration.stored": False}


@pytest.mark.parametrize(
    ("overrides", "subject", "verdict", "word"),
    [
        (switched("sensor_missing", at_s=1.0), "MPU-6050", BAD, "does not answer"),
        (switched("sensor_missing", at_boot=True), "sensors", BAD, "finds"),
        (switched("wrong_part"), "sensors", BAD, "none of the pod's sensors"),
        (switched("sensor_stuck"), "readings", BAD, "repeats one reading"),
        (switched("sensor_stuck", at_s=0.0), "accelerometer noise", BAD, "never change"),
        (switched("sensor_noisy", noise_g=0.03), "accelerometer noise", BAD, "noisier"),
        (switched("sensor_noisy", noise_g=0.005), "accelerometer noise", LOOK, "noisier"),
        (switched("self_test_fails"), "own test of MPU-6050", BAD, "failed its own self-test"),
        (switched("supply_low"), "supply", BAD, "supply voltage"),
        (switched("settings_lost"), "settings", LOOK, "damaged"),
        (switched("bus_disturbed", every_s=0.2), "errors on the sensors' bus", BAD, "bus"),
        (switched("bus_disturbed", every_s=4.0), "errors on the sensors' bus", LOOK, "bus"),
        (switched("dropped"), "samples dropped by the pod", BAD, "throws samples away"),
        (switched("gap", at_s=2.0), "readings late or left out", BAD, "late"),
        (switched("unsteady_ticks"), "steadiness of ticks", LOOK, "on time"),
        (switched("unsteady_ticks", sigma_us=2000.0), "steadiness of ticks", BAD, "on time"),
        ({"pod.clock_ppm": 12000.0}, "clock, by the computer's", LOOK, "fast"),
        ({"pod.clock_ppm": -50000.0}, "clock, by the computer's", BAD, "slow"),
        (WRONG_SCALE, "gravity, raw", BAD, "1 g"),
        ({"sensor.gyro_bias_dps": [0.0, 30.0, 0.0]}, "gyro at rest", LOOK, "reads a turn"),
        ({"sensor.gyro_bias_dps": [60.0, 0.0, 0.0]}, "gyro at rest", BAD, "reads a turn"),
        ({"sensor.temp_c": 84.0}, "temperature", LOOK, "not plausible"),
        (switched("line", lost_per_byte=0.0004), "frames lost or damaged", BAD, "loses"),
        (switched("clipping", limit_g=0.9), "range", BAD, "end of its range"),
    ],
    ids=lambda value: "" if isinstance(value, dict) else str(value),
)  # fmt: skip
def test_what_is_wrong_is_named(
    overrides: dict[str, Any], subject: str, verdict: Verdict, word: str
) -> None:
    found = checks(**overrides)
    assert subject in found, list(found)
    check = found[subject]
    assert check.verdict is verdict, check
    assert word in check.what
    assert is_good(list(found.values())) == all(c.verdict is not BAD for c in found.values())


@pytest.mark.parametrize(
    ("overrides", "subject", "verdict"),
    [
        (switched("linear_open"), "potentiometer: place", BAD),
        (switched("linear_stuck", reading_mm=37.0), "potentiometer: flicker", LOOK),
        (switched("linear_missing", at_s=0.0, length_s=100.0), "potentiometer", BAD),
        (switched("linear_missing", at_s=1.0, length_s=2.0), "potentiometer: readings", LOOK),
    ],
    ids=lambda value: "" if isinstance(value, dict) else str(value),
)
def test_what_is_wrong_with_a_linear_channel_is_named(
    overrides: dict[str, Any], subject: str, verdict: Verdict
) -> None:
    # The pod lies on the bench: the wire is drawn out to somewhere in its travel.
    middle = {"linear.offset_mm": -50.0, "linear.nonlinearity_mm": 0.0}
    found = checks("draw_wire", **middle, **overrides)
    assert found[subject].verdict is verdict, found[subject]


def test_a_pod_of_lengths_alone_can_be_checked() -> None:
    found = checks("draw_wire", **switched("sensor_missing", at_boot=True))
    assert found["accelerometer"].verdict is LOOK
    assert "camber and sweep cannot" in found["accelerometer"].what
    assert found["samples a second"].verdict is Verdict.GOOD


def test_a_pod_that_is_moved_is_not_judged_by_its_noise() -> None:
    evidence = look(SimulatedPod(load("garage", purpose="sweep"), 3), 12.0)
    found = {check.subject: check for check in checks_of(evidence)}
    assert found["lay still"].verdict is LOOK
    assert "accelerometer noise" not in found


def text_lines(rows: int, noise_g: float = 0.0015) -> list[bytes]:
    rng = random.Random(1)
    head = b"# id=bench\nt_s,ax_g,ay_g,az_g,temp_c,linear_mm\n"
    lines = [
        (
            f"{i / 50:.3f},{rng.gauss(0, noise_g):.5f},{rng.gauss(0, noise_g):.5f},"
            f"{1 + rng.gauss(0, noise_g):.5f},21.5,{50 + rng.gauss(0, 0.02):.3f}\n"
        ).encode()
        for i in range(rows)
    ]
    return [head, *lines]


def text_pod(rows: int, noise_g: float = 0.0015) -> ScriptedBytes:
    return ScriptedBytes(text_lines(rows, noise_g))


def test_a_text_pod() -> None:
    found = {check.subject: check for check in checks_of(look(text_pod(400), 6.0))}
    assert found["pod"].found == "text format"
    assert "supply" not in found
    for subject in ("samples a second", "accelerometer noise", "gravity, raw", "temperature"):
        assert found[subject].verdict is Verdict.GOOD, found[subject]
    assert found["linear_mm: noise"].verdict is Verdict.GOOD
    shaken = {check.subject: check for check in checks_of(look(text_pod(400, 0.05), 6.0))}
    assert shaken["accelerometer noise"].verdict is BAD or shaken["lay still"].verdict is LOOK


def test_it_stops_the_pod_at_the_end_and_asks_before_it_starts() -> None:
    class Noting(SimulatedPod):
        def __init__(self) -> None:
            self.asked: list[int] = []
            super().__init__(load("garage", purpose="still"), 1)

        def _obey(self, command: Any) -> None:
            self.asked.append(command.command)
            super()._obey(command)

    pod = Noting()
    look(pod, 2.0)
    order = list(dict.fromkeys(pod.asked))
    assert order == [
        Command.SETTINGS_READ, Command.SELF_TEST, Command.STATUS, Command.START, Command.STOP,
    ]  # fmt: skip


def test_a_pod_that_streams_already_is_stopped_and_checked() -> None:
    found = checks(**{"pod.starts_streaming": True})
    assert found["samples a second"].verdict is Verdict.GOOD
    assert found["own test of MPU-6050"].verdict is Verdict.GOOD


def test_no_pod_and_a_pod_that_goes_away() -> None:
    with pytest.raises(LinkTimeout):
        look(ScriptedBytes([b""] * 400))
    gone = SimulatedPod(load("garage", purpose="still", **switched("disconnect", at_s=1.0)), 1)
    with pytest.raises(LinkError):
        look(gone, 6.0)


def test_the_command(capsys: pytest.CaptureFixture[str]) -> None:
    assert program.run(["selftest", "--pod", "sim:?seed=3", "--seconds", "4"]) == 0
    shown = capsys.readouterr().out
    assert "seed 3" in shown
    assert "The pod is good." in shown
    assert max(map(len, shown.splitlines())) <= 80
    words = ["selftest", "--pod", "sim:?seed=3&faults=supply_low,self_test_fails"]
    assert program.run([*words, "--seconds", "4"]) == 1
    shown = capsys.readouterr().out
    assert "NOT fit to measure: 2 bad" in shown
    assert "next: Charge the battery" in shown


def test_the_commands_json(capsys: pytest.CaptureFixture[str]) -> None:
    words = ["selftest", "--pod", "sim:fine?faults=supply_low", "--seconds", "4", "--json"]
    assert program.run(words) == 1
    content = json.loads(capsys.readouterr().out)
    assert content["good"] is False
    assert content["schema"] == 1
    assert content["pod"]["sensors"] == ["ADXL355", "MPU6050", "ADXL355"]
    by_subject = {check["subject"]: check for check in content["checks"]}
    assert by_subject["supply"]["verdict"] == "bad"
    noise = by_subject["accelerometer noise"]
    assert noise["unit"] == "mg"
    assert 0.0 < noise["value"] < noise["limit"]


def test_a_recording_played_back_as_a_pod(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_bytes(b"".join(text_lines(600)))
    link = open_link(f"file:{path}")
    assert checks_of(asyncio.run(examine(link, 5.0)))


def test_a_look_too_short_to_judge_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    assert program.run(["selftest", "--pod", "sim:", "--seconds", "0.1"]) == 2
    assert "--seconds 2" in capsys.readouterr().err
