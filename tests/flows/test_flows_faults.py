"""Measurements with a sensor that goes away, a pod without one, and what is said of it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from flows.live_run import live
from knuckle.analysis.request import Request
from knuckle.errors import PodError
from knuckle.model.linear import LinearBlock
from knuckle.model.result import Quantity
from knuckle.model.wheel import Wheel
from knuckle.run.events import LinearSamples
from knuckle.run.needed import check_not_lengths_alone
from knuckle.run.remeasure import measure_recording
from knuckle.run.replay import recording_of
from knuckle.store.database import Store
from knuckle.store.recording import decode_run
from knuckle.store.rows import RunState

AWAY = (
    "&faults.sensor_missing.on=true&faults.sensor_missing.at_s={at}"
    "&faults.sensor_missing.length_s={length}&faults.sensor_missing.part={part}"
)


def sweep_address(scenario: str, seed: int, **away: object) -> str:
    return f"sim:{scenario}?seed={seed}&transport=memory" + AWAY.format(**away)


@pytest.mark.parametrize(
    ("scenario", "part", "said"),
    [
        ("garage", "accelerometer", "The MPU-6050 (accelerometer, gyro, temperature) does not"),
        ("fine", "accelerometer", "The ADXL355 (accelerometer, temperature) does not"),
        ("fine", "gyro", "The MPU-6050 (gyro) does not"),
    ],
)
def test_a_sensor_away_for_a_moment_is_told_and_the_sweep_goes_on(
    scenario: str, part: str, said: str, tmp_path: Path
):
    address = sweep_address(scenario, 2, at=1.2, length=1.0, part=part)
    run = live(tmp_path, address)
    lines = run.heard.lines
    told = next(i for i, line in enumerate(lines) if " ".join(lines[i : i + 2]).startswith(said))
    following = lines[told : told + 7]
    assert any(line.startswith("  cause:") for line in following)
    assert any(line.startswith("  next:") for line in following)
    assert all(len(line) < 80 for line in following)
    assert any(line.startswith("Over: ") for line in lines[told:])
    assert run.report.state is RunState.FINISHED
    (outcome,) = run.report.outcomes
    assert outcome.refused is None
    codes = {warning.code for warning in outcome.warnings}
    assert {"SAMPLES_LOST", "RECORD_BROKEN"} <= codes
    assert run.pod is not None
    truth = run.pod.truth()
    result = outcome.results[Quantity.CASTER]
    assert abs(result.value - truth.caster_as_swept_deg) <= 1.5 * result.expanded_uncertainty

    with Store(tmp_path / "runs.sqlite3") as store:
        decoded = decode_run(store, 1, 0)
    assert decoded.block is not None
    assert np.isfinite(decoded.block.accel_g).all()
    again = measure_recording("sweep", recording_of(decoded.block, decoded, []), Request(Wheel.LF))
    assert again.results[Quantity.CASTER] == result


def test_standing_faults_are_beside_the_link(tmp_path: Path):
    address = sweep_address("garage", 2, at=1.2, length=1.0, part="accelerometer")
    run = live(tmp_path, address)
    shown = {moment.link.faults for moment in run.heard.moments}
    assert ("MPU-6050 missing",) in shown
    assert run.heard.moments[-1].link.faults == ()


@pytest.mark.parametrize("measure", ["camber", "sweep"])
def test_a_pod_of_lengths_alone_is_refused_in_words(measure: str, tmp_path: Path):
    address = "sim:draw_wire?transport=memory&faults=wrong_part"
    with pytest.raises(PodError) as told:
        live(tmp_path, address, measure=measure)
    assert f"no accelerometer, and {measure}" in told.value.what
    assert "toe" in told.value.next_step


def test_a_pod_that_finds_no_sensor_is_refused_in_words(tmp_path: Path):
    with pytest.raises(PodError, match="finds no sensor"):
        live(tmp_path, "sim:garage?transport=memory&faults=wrong_part")


def test_a_text_pod_of_lengths_alone_is_refused_once_that_is_clear():
    def event(seconds: float) -> LinearSamples:
        t_s = np.arange(0.0, seconds, 0.02)
        zeros = np.zeros(t_s.size, dtype=np.int64)
        return LinearSamples(Wheel.LF, 0.0, LinearBlock(t_s, t_s[:, None], zeros, zeros, 50.0))

    check_not_lengths_alone(event(2.0), "camber")
    with pytest.raises(PodError, match="no accelerometer"):
        check_not_lengths_alone(event(4.0), "camber")
