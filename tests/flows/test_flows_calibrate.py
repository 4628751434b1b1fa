"""A pod calibrated as it happens: hands, wall, turn; resumed, stored, replayed, used."""

from __future__ import annotations

import asyncio
import dataclasses
import json
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from flows.live_run import Heard, live
from knuckle.calibrate.face import fit_face
from knuckle.calibrate.pose import Pose
from knuckle.calibrate.results import AccelerometerFit, FaceFit, FitState
from knuckle.errors import PodError, UsageError
from knuckle.estimate.calibration import Calibration
from knuckle.links.schemes import open_link
from knuckle.model.block import FloatArray
from knuckle.model.guidance import Sphere
from knuckle.model.result import Quantity
from knuckle.model.wheel import Wheel
from knuckle.report.calibration_text import fit_lines
from knuckle.run.calibrate import (
    Calibrated,
    CalibrateTask,
    calibrate_measurement,
    calibrate_recording,
)
from knuckle.run.calibrate_stored import calibrate_source, earlier_runs
from knuckle.run.calibration_drift import with_drift
from knuckle.run.calibration_json import Made, from_json, of_record, to_json
from knuckle.run.calibration_pod import for_pod, write_calibration
from knuckle.run.calibrations import calibrations_of, of_settings
from knuckle.run.measurement import Report
from knuckle.run.podsettings import change_settings
from knuckle.run.pose_marks import Part
from knuckle.run.visit import visit
from knuckle.sim.case import ChipErrors, realise
from knuckle.sim.scenario import load
from knuckle.store.database import Store
from knuckle.store.rows import RunState
from knuckle.wire.messages import Cue

ALMOST_CERTAIN = 4.0
"""Standard uncertainties: one seeded case in ten thousand lies beyond."""


@dataclass
class Live:
    report: Report
    heard: Heard
    link: Any
    found: Calibrated

    @property
    def made(self) -> Made:
        assert self.found.made is not None, self.found.outcome.refused
        return self.found.made


def calibrated(
    folder: Path, options: str, task: CalibrateTask | None = None, resume: str = ""
) -> Live:
    link: Any = open_link(
        f"sim:new_pod?transport=memory&{options}", wheel=Wheel.LF, purpose="calibrate"
    )
    heard = Heard()
    task = task or CalibrateTask()
    with Store(folder / "runs.sqlite3") as store:
        if resume:
            task = dataclasses.replace(task, earlier=earlier_runs(store, resume))
        measurement, method = calibrate_measurement(task, link, heard, store)
        report = asyncio.run(measurement.carry_out())
    assert method.result is not None
    return Live(report, heard, link, method.result)


def truth_of(options: str) -> ChipErrors:
    changes = dict(option.split("=") for option in options.split("&"))
    scenario = load("new_pod", **changes)
    return realise(scenario, scenario.seed).chip


def leaned(calibration: Calibration, chip: ChipErrors, camber_deg: FloatArray) -> FloatArray:
    """Camber that the calibration reads where the truth is `camber_deg`, at 25 C and the chip's
    own errors only; the pod's pitch is that of an upright pod."""
    lean = np.radians(camber_deg)
    up = np.stack([np.zeros_like(lean), -np.sin(lean), np.cos(lean)], axis=1)
    read = up @ chip.accel_matrix.T + chip.accel_bias_g
    back = (read - calibration.bias_g) @ np.linalg.inv(calibration.matrix).T
    return np.degrees(-np.arcsin(back[:, 1] / np.linalg.norm(back, axis=1)))


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Live]:
    folder = tmp_path_factory.mktemp("whole")
    return folder, calibrated(folder, "seed=4&posing.turn=true", CalibrateTask(turn_deg=360.0))


def test_poses_face_and_turn_are_taken_hands_free(whole: tuple[Path, Live]) -> None:
    _, made = whole
    assert made.report.state is RunState.FINISHED and made.report.complete
    cues = made.heard.cues
    assert cues.count(Cue.MOVE_ON) == 2 and cues[-1] is Cue.FINISHED
    assert Cue.TROUBLE not in cues
    # Every pose that was taken is one in which the simulated hand held still.
    posed = made.link.pod.truth().poses
    marks = made.report.outcomes[0].details["poses"]
    assert marks == sum(pose.kind == "pose" for pose in posed)
    assert made.found.face is not None and made.found.face.good
    assert any(
        line.startswith("Poses: ") and "settle all nine" in line for line in made.heard.lines
    )
    assert any(line.startswith("Face run: 4 readings") for line in made.heard.lines)


def test_the_picture_shows_what_is_covered_and_wanted(whole: tuple[Path, Live]) -> None:
    spheres = [m.guidance.sphere for m in whole[1].heard.moments]
    with_poses = [s for s in spheres if isinstance(s, Sphere)]
    counts = [len(s.taken) for s in with_poses]
    assert counts[0] == 0 and max(counts) >= 12
    assert all(b - a in (0, 1) for a, b in pairwise(counts))
    assert all(s.wanted for s in with_poses if len(s.taken) < 6)
    assert spheres[-1] is None  # the face run needs no picture


def test_the_chips_errors_are_found_within_their_uncertainty(whole: tuple[Path, Live]) -> None:
    """Truth: as drawn, by the MPU-6050 data sheet rev 3.3 and 1.5 deg of turn."""
    made, chip = whole[1].made, truth_of("seed=4")
    calibration = made.calibration
    camber = np.array([-10.0, 0.0, 10.0])
    off = leaned(calibration, chip, camber) - camber
    u_deg = float(whole[1].found.outcome.details["camber_u_deg"])
    # Drift to the mean temperature of the run is within it; 0.06 deg is the data sheet's share.
    assert np.all(np.abs(off) < ALMOST_CERTAIN * u_deg + 0.06)
    assert u_deg < 0.06
    gyro = whole[1].found.gyro
    assert gyro is not None and gyro.axes == ("+x", "+y", "+z")
    sizes = np.linalg.norm(gyro.matrix, axis=1) - np.linalg.norm(chip.gyro_matrix, axis=1)
    sigma = np.sqrt(np.diag(gyro.covariance))[[0, 4, 8]]
    assert np.all(np.abs(sizes) < ALMOST_CERTAIN * sigma + 1e-3)


def test_the_stored_bytes_give_it_again_to_the_last_digit(whole: tuple[Path, Live]) -> None:
    folder, made = whole
    with Store(folder / "runs.sqlite3") as store:
        again, run, _ = calibrate_source(store, "last", CalibrateTask())
        detail = store.run(made.report.run or 0)
    assert run == made.report.run
    assert again.made is not None
    assert to_json(again.made) == to_json(made.made)
    assert again.outcome == made.found.outcome
    assert (
        from_json(detail.facts["calibration_made"]).calibration.date == again.made.calibration.date
    )
    parts = [fact["for"] for fact in detail.facts["poses"]]
    assert parts.count("face") == 4 and parts.count("turn") == 2 and parts[0] == Part.POSES


def test_camber_by_the_kept_calibration_is_within_its_uncertainty(
    whole: tuple[Path, Live], tmp_path: Path
) -> None:
    made = whole[1].made
    before = live(tmp_path, "sim:new_pod?seed=4&transport=memory", measure="camber")
    assert any("not calibrated" in line for line in before.heard.lines)
    with Store(tmp_path / "runs.sqlite3") as store:
        number = store.add_calibration(made.calibration.identity, to_json(made))
    after = live(tmp_path, "sim:new_pod?seed=4&transport=memory", measure="camber")
    assert any(f"This pod's calibration {number} of" in line for line in after.heard.lines)
    truth = load("new_pod", seed=4).truth().camber_deg
    results = [run.report.outcomes[0].results[Quantity.CAMBER] for run in (before, after)]
    for result in results:
        assert abs(result.value - truth) < 2.0 * result.expanded_uncertainty
    assert results[0].expanded_uncertainty > 3.0  # degrees, not tenths
    assert results[1].expanded_uncertainty < 0.6  # the mount's share
    with Store(tmp_path / "runs.sqlite3") as store:
        fact = store.run(after.report.run or 0).facts["calibration"]
    assert (fact["source"], fact["number"]) == ("store", number)


def test_another_pods_calibration_is_not_used(whole: tuple[Path, Live], tmp_path: Path) -> None:
    made = whole[1].made
    with Store(tmp_path / "runs.sqlite3") as store:
        store.add_calibration(made.calibration.identity, to_json(made))
        found = calibrations_of(store.calibrations())
    assert found(made.calibration.identity) is not None
    assert found("0123456789abcdef") is None and found("") is None
    other = live(tmp_path, "sim:new_pod?seed=5&transport=memory", measure="camber")
    assert any("not calibrated" in line for line in other.heard.lines)


def test_it_is_written_into_the_pod_and_read_back(whole: tuple[Path, Live]) -> None:
    _, made = whole
    kept = for_pod(made.made.calibration, made.found.parts)
    identity = made.made.calibration.identity
    asyncio.run(
        visit(made.link, lambda hello: write_calibration(hello, kept, identity, lambda: b"8" * 8))
    )
    settings = asyncio.run(
        visit(made.link, lambda hello: change_settings(hello, None, None, lambda: b"8" * 8))
    )
    own = of_settings(settings.now)
    assert own is not None and own.identity == identity
    assert own.bias_g == pytest.approx(made.made.calibration.bias_g, abs=1e-7)
    assert own.matrix == pytest.approx(made.made.calibration.matrix, abs=1e-6)
    # The turn about +Y, which nothing depends on, is not in the pod's one figure for the turn.
    assert own.turn_deg < 0.1
    with pytest.raises(PodError, match="the calibration is of"):
        asyncio.run(
            visit(made.link, lambda h: write_calibration(h, kept, "ff" * 8, lambda: b"8" * 8))
        )


def test_a_cable_pulled_half_way_is_gone_on_with(tmp_path: Path) -> None:
    made = calibrated(tmp_path, "seed=5&faults=disconnect&faults.disconnect.at_s=25")
    cues = made.heard.cues
    assert Cue.LINK_LOST in cues and Cue.LINK_BACK in cues and cues[-1] is Cue.FINISHED
    assert made.found.outcome.details["poses"] >= 12
    assert made.found.fit.is_calibration


def test_a_drop_and_a_push_are_told(tmp_path: Path) -> None:
    made = calibrated(tmp_path, "seed=7&posing.unsteady_at=9&posing.drop_at=4")
    codes = [warning.code for warning in made.found.outcome.warnings]
    assert "POD_DROPPED" in codes and "POSE_LEFT_OUT" in codes
    assert [not one.used for one in made.found.fit.residuals].index(True) == 8
    assert any("knocked beyond its range" in line for line in made.heard.lines)
    assert any(line.startswith("Pose 9 does not fit") for line in made.heard.lines)
    assert max(len(line) for line in made.heard.lines) <= 80


def test_what_is_left_early_is_no_calibration_and_is_resumed(tmp_path: Path) -> None:
    first = calibrated(tmp_path, "seed=8&posing.poses=8&posing.tires=true")
    assert first.found.made is None
    refused = first.found.outcome.refused
    assert refused is not None and refused.code == "ILL_CONDITIONED"
    assert "would help" in refused.text and "up)" in refused.text
    told = list(fit_lines(first.found.outcome.details))
    assert not any(line.startswith("Left in camber") for line in told)
    assert first.report.state is RunState.REFUSED
    assert any("left alone" in line for line in first.heard.lines)
    second = calibrated(tmp_path, "seed=8&posing.scatter_deg=15", resume="last")
    assert any("of the earlier run are carried on" in line for line in second.heard.lines)
    kept = first.found.outcome.details["poses"]
    assert second.found.outcome.details["poses"] > kept
    assert second.made.face
    with Store(tmp_path / "runs.sqlite3") as store:
        again, _, _ = calibrate_source(store, "last", CalibrateTask())
    assert again.made is not None and to_json(again.made) == to_json(second.made)
    with Store(tmp_path / "runs.sqlite3") as store, pytest.raises(UsageError, match="is of pod"):
        task = CalibrateTask(earlier=earlier_runs(store, "last"))
        link = open_link("sim:new_pod?seed=9", wheel=Wheel.LF, purpose="calibrate")
        measurement, _ = calibrate_measurement(task, link, Heard(), store)
        asyncio.run(measurement.carry_out())


def test_a_face_run_that_upsets_the_poses_is_left_out(
    whole: tuple[Path, Live], monkeypatch: pytest.MonkeyPatch
) -> None:
    def upset(poses: list[Pose], fit: AccelerometerFit) -> FaceFit:
        return dataclasses.replace(
            fit_face(poses, fit), state=FitState.ILL_CONDITIONED, state_reason="scale_x is open"
        )

    monkeypatch.setattr("knuckle.run.calibrate.fit_face", upset)
    folder, _ = whole
    with Store(folder / "runs.sqlite3") as store:
        found, _, _ = calibrate_source(store, "1", CalibrateTask())
    assert found.made is not None and not found.made.face
    assert np.all(np.degrees(np.sqrt(np.diag(found.made.calibration.covariance)[12:15])) > 1.4)
    told = {notice.code: notice.text for notice in found.outcome.warnings}
    assert "scale_x is open" in told["FACE_RUN_UNSURE"]
    assert "turn_x_u_deg" not in found.outcome.details


def test_a_slow_full_turn_counts_as_well(tmp_path: Path) -> None:
    """24 s for a turn: its creeping start and end would pass for lying still."""
    made = calibrated(
        tmp_path, "seed=4&posing.turn=true&posing.turn_s=24", CalibrateTask(turn_deg=360.0)
    )
    assert made.found.gyro is not None and made.found.gyro.good
    assert "NO_FULL_TURN" not in {notice.code for notice in made.found.outcome.warnings}
    true = truth_of("seed=4").gyro_matrix
    found = np.linalg.norm(made.found.gyro.matrix, axis=1)
    assert found == pytest.approx(np.linalg.norm(true, axis=1), abs=5e-3)


def test_without_the_face_run_the_turn_stays_open(tmp_path: Path) -> None:
    made = calibrated(tmp_path, "seed=4&posing.face=false", CalibrateTask(face=False))
    assert "NO_FACE_RUN" in [warning.code for warning in made.found.outcome.warnings]
    turn = np.degrees(np.sqrt(np.diag(made.made.calibration.covariance)[12:15]))
    assert np.all(turn > 1.4)
    details = made.found.outcome.details
    assert float(details["camber_u_deg"]) > 1.4
    told = next(line for line in fit_lines(details) if line.startswith("Left in camber"))
    assert float(told.split()[3]) > 1.96 * 1.4 and "the chip's turn open" in told


def test_a_second_temperature_gives_the_drift(tmp_path: Path) -> None:
    made = []
    with Store(tmp_path / "kept.sqlite3") as store:
        for temp in (12, 40):
            run = calibrated(tmp_path, f"seed=4&sensor.temp_c={temp}&sensor.warm_up_c=0")
            one, _ = with_drift(run.made, store.calibrations(), run.found.parts)
            store.add_calibration(one.calibration.identity, to_json(one))
            made.append(of_record(store.calibrations()[0].record).calibration)
    assert made[0].drift is None
    drift = made[1].drift
    assert drift is not None and (drift.low_c, drift.high_c) == pytest.approx((12, 40), abs=0.5)
    chip = truth_of("seed=4")
    sigma = np.sqrt(np.diag(drift.covariance))[:3]
    assert np.all(np.abs(drift.bias_g_per_c - chip.accel_bias_per_c_g) < ALMOST_CERTAIN * sigma)


def test_a_recording_without_marks_is_taken_as_poses(whole: tuple[Path, Live]) -> None:
    folder, made = whole
    with Store(folder / "runs.sqlite3") as store:
        recording = earlier_runs(store, "last")[0].recording
    found = calibrate_recording(recording, CalibrateTask(), None, date="")
    assert found.face is None and found.fit.is_calibration
    assert len(found.fit.residuals) > made.found.outcome.details["poses"]
    assert json.dumps(to_json(found.made or made.made))
