"""Steering sweeps as they happen, on simulated pods: what is asked, heard, stored and found."""

from __future__ import annotations

from pathlib import Path

import pytest

from flows.live_run import LiveRun, live
from knuckle.analysis.request import Request
from knuckle.cli.live import exit_code
from knuckle.errors import LinkNotFound, MeasurementRefused
from knuckle.model.result import Position, Quantity
from knuckle.model.wheel import Wheel
from knuckle.report.export import export_capture
from knuckle.run.remeasure import measure_recording
from knuckle.run.replay import read_recording
from knuckle.store.database import Store
from knuckle.store.rows import RunState
from knuckle.wire.messages import Cue

ALMOST_CERTAIN = 1.5
"""Of the half-width of a 95 % interval: one seed in 300 is further off by chance."""


def assert_truth_inside(run: LiveRun, times: float = ALMOST_CERTAIN) -> None:
    (outcome,) = run.report.outcomes
    assert outcome.refused is None, outcome.refused
    assert run.pod is not None
    truth = run.pod.scenario.truth(Wheel(outcome.wheel))
    true_deg = {
        Quantity.CAMBER: truth.camber_deg,
        Quantity.CASTER: run.pod.truth().caster_as_swept_deg,
        Quantity.SAI: truth.sai_deg,
    }
    for quantity, result in outcome.results.items():
        off_deg = abs(result.value - true_deg[quantity])
        assert off_deg <= times * result.expanded_uncertainty, quantity
    assert set(outcome.results) == set(true_deg)


@pytest.mark.parametrize("wheel", ["LF", "RF"])
def test_a_healthy_sweep(wheel: str, tmp_path: Path) -> None:
    run = live(tmp_path, "sim:garage?seed=5&transport=memory", wheel)
    assert run.report.complete
    assert run.report.state is RunState.FINISHED
    assert_truth_inside(run, times=1.0)
    # The driver of the script goes 0, left, 0, right, 0.
    assert [rest.position for rest in run.report.outcomes[0].rests] == [
        Position.STRAIGHT,
        Position.OUT if wheel == "LF" else Position.IN,
        Position.STRAIGHT,
        Position.IN if wheel == "LF" else Position.OUT,
        Position.STRAIGHT,
    ]
    assert run.heard.cues.count(Cue.TAKEN) == 5
    assert run.heard.cues[-1] is Cue.FINISHED
    assert Cue.GO_BACK in run.heard.cues
    assert Cue.TROUBLE not in run.heard.cues
    last = run.heard.moments[-1]
    assert abs(last.steer_deg or 99.0) < 1.0
    assert [(mark.name, mark.taken) for mark in last.guidance.places] == [
        ("straight", 3),
        ("left", 1),
        ("right", 1),
    ]
    assert run.pod is not None
    heard_by_pod = [cue for _, cue in run.pod.cues]
    assert heard_by_pod == run.heard.cues


def test_live_steer_is_near_the_truth_at_each_cue(tmp_path: Path) -> None:
    run = live(tmp_path, "sim:garage?seed=5&transport=memory")
    assert run.pod is not None
    shown = [
        moment.steer_deg
        for before, moment in zip(run.heard.moments, run.heard.moments[1:], strict=False)
        if moment.guidance.words == "Taken" and before.guidance.words != "Taken"
    ]
    true_deg = [rest.steer_deg for rest in run.pod.truth().rests]
    for here, there in zip(shown, true_deg, strict=True):
        assert here == pytest.approx(there, abs=0.5)


def test_words_name_the_side_that_is_lacking(tmp_path: Path) -> None:
    left = live(tmp_path, "sim:garage?seed=5&transport=memory", "LF").heard.words
    right = live(tmp_path, "sim:garage?seed=5&transport=memory", "RF").heard.words
    assert "Turn right (in), to 20 deg" in left
    assert "Turn right (out), to 20 deg" in right
    assert left[0] == "Wheels straight ahead; keep still"
    assert "Come back to straight ahead" in left
    assert left[-1] == "Finished"


@pytest.mark.parametrize(
    "positions", ["20,0,-20,0", "0,-20,20,0", "-20,20,0,-20,0", "0,9,20,0,-11,-20,0"]
)
def test_any_order_will_do(positions: str, tmp_path: Path) -> None:
    run = live(tmp_path, f"sim:garage?seed=3&transport=memory&script.positions_deg={positions}")
    assert_truth_inside(run)
    assert run.report.complete


@pytest.mark.parametrize("scenario", ["garage", "disconnect", "no_gyro", "continuous"])
def test_live_and_replayed_agree_to_the_last_digit(scenario: str, tmp_path: Path) -> None:
    run = live(tmp_path, f"sim:{scenario}?seed=2&transport=memory")
    assert run.report.run is not None
    capture = tmp_path / "run.kncap"
    with Store(tmp_path / "runs.sqlite3", read_only=True) as store:
        export_capture(store, run.report.run, capture)
        stored = store.run(run.report.run).results[-1].outcome
    again = measure_recording("sweep", read_recording(capture), Request(Wheel.LF))
    assert repr(again) == repr(run.report.outcomes[0])
    assert repr(stored.results) == repr(again.results)
    # Replayed as a pod: the same guide, the same result.
    replayed = live(tmp_path, f"file:{capture}")
    assert repr(replayed.report.outcomes) == repr(run.report.outcomes)


def test_brake_not_held(tmp_path: Path) -> None:
    run = live(tmp_path, "sim:brake_free?seed=1&transport=memory")
    codes = [notice.code for notice in run.report.outcomes[0].warnings]
    assert "BRAKE_NOT_HELD" in codes
    assert_truth_inside(run)


def test_a_mount_that_slips(tmp_path: Path) -> None:
    run = live(tmp_path, "sim:slip?seed=1&transport=memory")
    (outcome,) = run.report.outcomes
    refused = outcome.refused is not None and outcome.refused.code == "MOUNT_SLIPPED"
    warned = "MOUNT_SLIPPED" in [notice.code for notice in outcome.warnings]
    assert refused or warned
    assert run.report.state is (RunState.REFUSED if refused else RunState.FINISHED)


def test_knocks_are_told_and_left_out(tmp_path: Path) -> None:
    run = live(tmp_path, "sim:knocks?seed=2&transport=memory")
    assert "A knock: left out of the mean." in run.heard.lines
    assert_truth_inside(run)


def test_a_drifting_wheel_is_asked_for_once_more(tmp_path: Path) -> None:
    run = live(tmp_path, "sim:drifting?seed=1&transport=memory")
    assert any("drifted" in line for line in run.heard.lines)
    assert Cue.TROUBLE in run.heard.cues
    codes = [notice.code for notice in run.report.outcomes[0].warnings]
    assert "MOVED_DURING_REST" in codes


@pytest.mark.parametrize("scenario", ["disconnect", "power_cut"])
def test_a_lost_link_is_heard_and_the_run_goes_on(scenario: str, tmp_path: Path) -> None:
    run = live(tmp_path, f"sim:{scenario}?seed=1&transport=memory")
    assert run.heard.cues.index(Cue.LINK_LOST) < run.heard.cues.index(Cue.LINK_BACK)
    assert any("gap is marked" in line for line in run.heard.lines)
    assert any(not moment.link.connected for moment in run.heard.moments)
    assert "RECORD_BROKEN" in [notice.code for notice in run.report.outcomes[0].warnings]
    assert run.report.complete
    assert_truth_inside(run)


def test_a_link_that_never_comes_back_ends_the_run_with_what_there_is(tmp_path: Path) -> None:
    run = live(
        tmp_path,
        "sim:disconnect?seed=1&transport=memory&faults.disconnect.length_s=400"
        "&script.patience_s=600",
    )
    assert run.report.ended is not None
    assert exit_code(run.report, interrupted=False) == 1
    assert run.report.state is RunState.INTERRUPTED
    assert len(run.report.outcomes[0].rests) >= 2


def test_the_steer_angle_is_found_again_after_a_restart(tmp_path: Path) -> None:
    run = live(tmp_path, "sim:restart?seed=1&transport=memory")
    assert "The steer angle is known again." in run.heard.lines
    assert run.report.complete
    assert_truth_inside(run)


def test_without_gyro_there_is_no_live_angle_and_it_is_said(tmp_path: Path) -> None:
    run = live(tmp_path, "sim:no_gyro?seed=1&transport=memory")
    assert any("No gyro" in line for line in run.heard.lines)
    assert all(moment.steer_deg is None for moment in run.heard.moments)
    assert run.report.complete
    assert_truth_inside(run)


def test_plates_help_a_pod_without_gyro(tmp_path: Path) -> None:
    bare = live(tmp_path, "sim:no_gyro?seed=1&transport=memory&script.lock_sigma_deg=0")
    plates = live(
        tmp_path,
        "sim:no_gyro?seed=1&transport=memory&script.lock_sigma_deg=0",
        request=Request(Wheel.LF, plates_deg=(19.5, 19.6)),
    )
    assert any("plates' marks" in line for line in plates.heard.lines)
    for quantity in (Quantity.CASTER, Quantity.SAI):
        with_plates = plates.report.outcomes[0].results[quantity].expanded_uncertainty
        assert with_plates < bare.report.outcomes[0].results[quantity].expanded_uncertainty


def test_a_slow_sweep_without_stops(tmp_path: Path) -> None:
    run = live(tmp_path, "sim:continuous?seed=1&transport=memory")
    assert run.report.complete
    assert "SLOW_SWEEP" in [notice.code for notice in run.report.outcomes[0].warnings]
    assert_truth_inside(run)


@pytest.mark.parametrize(
    ("scenario", "code"),
    [
        ("small_sweep", "SWEEP_TOO_SMALL"),
        ("no_straight", "STRAIGHT_MISSING"),
        ("clipped", "ACCELEROMETER_CLIPPED"),
    ],
)
def test_refused(scenario: str, code: str, tmp_path: Path) -> None:
    run = live(tmp_path, f"sim:{scenario}?seed=1&transport=memory")
    (outcome,) = run.report.outcomes
    assert outcome.refused is not None
    assert outcome.refused.code == code
    assert run.report.state is RunState.REFUSED
    with Store(tmp_path / "runs.sqlite3", read_only=True) as store:
        detail = store.run(run.report.run or 0)
    assert detail.summary.state is RunState.REFUSED
    assert detail.summary.refused_codes == (code,)


def test_a_rear_wheel_is_refused_before_anything_is_opened(tmp_path: Path) -> None:
    with pytest.raises(MeasurementRefused, match="does not steer"):
        live(tmp_path, "file:/no/such/file.kncap", "LR")
    with Store(tmp_path / "runs.sqlite3") as store:
        assert store.run_count() == 0


def test_a_missing_pod_leaves_no_run(tmp_path: Path) -> None:
    with pytest.raises(LinkNotFound):
        live(tmp_path, "file:/no/such/file.kncap")
    with Store(tmp_path / "runs.sqlite3") as store:
        assert store.run_count() == 0


def test_the_run_keeps_what_is_needed_to_repeat_it(tmp_path: Path) -> None:
    run = live(tmp_path, "sim:garage?seed=9&transport=memory")
    with Store(tmp_path / "runs.sqlite3", read_only=True) as store:
        detail = store.run(run.report.run or 0)
    assert detail.streams[0].address == run.link.address
    assert "seed 9" in detail.facts["link"]
    assert detail.facts["driver"] == "out"
    assert detail.streams[0].hello is not None
    assert detail.results[0].method.startswith("rests, least squares")


def _complete(run: LiveRun) -> None:
    assert run.report.complete
    assert run.report.state is RunState.FINISHED
    assert run.heard.cues[-1] is Cue.FINISHED


@pytest.mark.parametrize("address", ["garage?seed=4", "garage?seed=36", "no_gyro?seed=1"])
def test_what_is_taken_stays_taken_though_the_driver_goes_on_at_once(
    address: str, tmp_path: Path
) -> None:
    run = live(tmp_path, f"sim:{address}&transport=memory")
    _complete(run)
    assert Cue.TROUBLE not in run.heard.cues
    assert run.heard.cues.count(Cue.TAKEN) == len(run.report.outcomes[0].rests) == 5


@pytest.mark.parametrize("address", ["garage?seed=66", "no_gyro?seed=32"])
def test_a_position_that_is_taken_back_is_asked_for_again(address: str, tmp_path: Path) -> None:
    run = live(tmp_path, f"sim:{address}&transport=memory")
    cues = run.heard.cues
    at = cues.index(Cue.TROUBLE)
    assert cues[at - 2 : at + 2] == [
        Cue.TAKEN,
        cues[at - 1],
        Cue.TROUBLE,
        Cue.GO_BACK,
    ]
    assert any(word.startswith("Not taken after all: go back") for word in run.heard.words)
    _complete(run)
    assert cues.count(Cue.TAKEN) == 6
    assert len(run.report.outcomes[0].rests) == 5
    assert_truth_inside(run, 2.0)
