"""Sweeps by a linear sensor as they happen: what is asked, heard, kept, and computed again."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from flows.live_run import LiveRun, live
from flows.test_flows_sweep import assert_truth_inside
from knuckle.analysis.request import Request
from knuckle.errors import UsageError
from knuckle.estimate.linear import LinearCalibration
from knuckle.estimate.linear_steer import LinearSteer
from knuckle.estimate.priors import Given
from knuckle.geometry.linkage import LinkageKind
from knuckle.model.wheel import Wheel
from knuckle.report.export import export_capture
from knuckle.run.method_rests import Task
from knuckle.run.remeasure import measure_recording
from knuckle.run.replay import read_recording
from knuckle.store.database import Store
from knuckle.store.rows import RunState
from knuckle.wire.messages import Cue

CALIBRATION = LinearCalibration(
    channel=1,
    gain=5.0,
    offset_mm=200.0,
    covariance=np.diag([1e-4, 0.09]),
    scatter_mm=0.1,
    count=5,
    valid_mm=(0.0, 100.0),
)
WIRE = LinearSteer(
    LinkageKind.WIRE,
    Given(370.0, 5.0),
    longer_left=True,
    arm_deg=Given(20.0, 10.0),
    calibration=CALIBRATION,
)
ROD = LinearSteer(
    LinkageKind.ROD,
    Given(110.0, 1.5),
    longer_left=True,
    reach_mm=Given(0.0, 5.0),
    uncalibrated=True,
)


def swept(folder: Path, address: str, steer: LinearSteer, wheel: str = "LF") -> LiveRun:
    request = Request(Wheel(wheel), linear=steer)
    return live(folder, f"sim:{address}", wheel, task=Task("sweep", request))


@pytest.mark.parametrize(
    ("address", "steer", "wheel"),
    [
        ("draw_wire_alone?seed=5&transport=memory", WIRE, "LF"),
        ("draw_wire_alone?seed=5&transport=memory", WIRE, "RF"),
        ("rod?seed=5&transport=memory", ROD, "LF"),
    ],
)
def test_a_pod_without_gyro_is_led_by_length(
    tmp_path: Path, address: str, steer: LinearSteer, wheel: str
) -> None:
    run = swept(tmp_path, address, steer, wheel)
    assert run.report.complete and run.report.state is RunState.FINISHED
    assert_truth_inside(run)
    assert run.heard.cues.count(Cue.TAKEN) == 5
    assert Cue.GO_BACK in run.heard.cues and Cue.TROUBLE not in run.heard.cues
    inout = "out" if wheel == "RF" else "in"
    assert f"Turn right ({inout}), to 20 deg" in run.heard.words
    assert not any("no live steer" in line for line in run.heard.lines)


def test_live_steer_by_length_is_near_the_truth_at_each_cue(tmp_path: Path) -> None:
    """Its figures are those that were measured: the lever within 1.4 %, one sigma."""
    run = swept(tmp_path, "draw_wire_alone?seed=5&transport=memory", WIRE)
    assert run.pod is not None
    shown = [
        moment.steer_deg
        for before, moment in zip(run.heard.moments, run.heard.moments[1:], strict=False)
        if moment.guidance.words == "Taken" and before.guidance.words != "Taken"
    ]
    true_deg = [rest.steer_deg for rest in run.pod.truth().rests]
    for here, there in zip(shown, true_deg, strict=True):
        assert here == pytest.approx(there, abs=0.2 + 0.04 * abs(there))


def test_computed_again_from_the_capture_it_is_the_same_to_the_last_digit(tmp_path: Path) -> None:
    run = swept(tmp_path, "draw_wire?seed=5&transport=memory", WIRE)
    with Store(tmp_path / "runs.sqlite3", read_only=True) as store:
        export_capture(store, 1, tmp_path / "x.kncap")
    recording = read_recording(tmp_path / "x.kncap")
    request = Request(Wheel.LF, linear=WIRE)
    assert measure_recording("sweep", recording, request).results == (
        run.report.outcomes[0].results
    )


def test_the_linkage_and_its_calibration_are_remembered_with_the_run(tmp_path: Path) -> None:
    swept(tmp_path, "draw_wire?seed=5&transport=memory", WIRE)
    with Store(tmp_path / "runs.sqlite3", read_only=True) as store:
        assumed = store.run(1).facts["assumed"]
    values = assumed["values"]
    assert values["linear"] == "wire"
    assert values["linear_lever_mm"] == {"value": 370.0, "standard_uncertainty": 5.0}
    kept = LinearCalibration.from_json(values["linear_calibration"])
    assert kept.to_json() == CALIBRATION.to_json()
    assert "linear_longer_left" in assumed["not_default"]


def test_the_newest_calibration_kept_of_this_pod_is_used_and_remembered(tmp_path: Path) -> None:
    bare = replace(WIRE, calibration=None)
    address = "draw_wire?seed=5&transport=memory"
    with pytest.raises(UsageError, match="How long the wire is"):
        swept(tmp_path, address, bare)
    with Store(tmp_path / "runs.sqlite3") as store:
        identity = "".join(row.identity for row in store.run(1).streams)
        for gain, date in ((4.0, "2026-01-01"), (5.0, "2026-02-01")):
            made = replace(CALIBRATION, gain=gain, identity=identity, date=date)
            store.add_calibration(identity, made.to_json())
    swept(tmp_path, address, bare)
    with Store(tmp_path / "runs.sqlite3", read_only=True) as store:
        values = store.run(2).facts["assumed"]["values"]
    assert values["linear_calibration"]["date"] == "2026-02-01"


def test_a_sensor_that_is_not_hooked_up_is_told_while_one_sweeps(tmp_path: Path) -> None:
    run = swept(tmp_path, "draw_wire_alone?seed=5&transport=memory&faults=linear_stuck", WIRE)
    assert any("does not follow the wheel" in line for line in run.heard.lines)
    refused = run.report.outcomes[0].refused
    assert refused is not None and refused.code == "LINEAR_STUCK"
    assert len(run.report.outcomes[0].rests) == 5


def test_a_sensor_that_is_away_for_a_while_costs_no_sweep(tmp_path: Path) -> None:
    address = "draw_wire_alone?seed=5&transport=memory&faults=linear_missing"
    run = swept(tmp_path, address, WIRE)
    assert run.report.outcomes[0].refused is None
    assert_truth_inside(run)


def test_another_pods_calibration_is_refused(tmp_path: Path) -> None:
    other = replace(WIRE, calibration=replace(CALIBRATION, identity="00112233445566ff"))
    with pytest.raises(UsageError, match="00112233445566ff"):
        swept(tmp_path, "draw_wire?seed=5&transport=memory", other)
