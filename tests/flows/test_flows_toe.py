"""Toe and calibration as they happen: simulated hand, live, stored, replayed, typed in."""

from __future__ import annotations

import asyncio
import json
import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from flows.live_run import Heard
from knuckle.analysis.toe_request import ToeRequest
from knuckle.cli.app import run
from knuckle.errors import UsageError
from knuckle.estimate.linear import LinearCalibration
from knuckle.estimate.priors import Given
from knuckle.links.schemes import open_link
from knuckle.model.result import Outcome, Quantity
from knuckle.model.wheel import Wheel
from knuckle.run.measurement import Report
from knuckle.run.toe import ToeTask, toe_measurement
from knuckle.sim.pod import SimulatedPod
from knuckle.store.database import Store
from knuckle.store.rows import RunState
from knuckle.wire.messages import Cue

CHORD_MM = 420.0
ALMOST_CERTAIN = 1.5


@dataclass
class Live:
    report: Report
    heard: Heard
    pod: SimulatedPod


def calibration(identity: str = "") -> LinearCalibration:
    """The simulated potentiometer's own line, as if it had been calibrated well."""
    return LinearCalibration(
        1, 1.013, -2.4, np.diag([1e-6, 1e-2]), 0.05, 5, (5.0, 98.0), identity, ""
    )


def task_of(wheel: Wheel, given: LinearCalibration | None = None) -> ToeTask:
    # The caliper's pod has a potentiometer beside it, laid to nothing.
    return ToeTask(ToeRequest(wheel, Given(CHORD_MM, 1.0)), given=given, channel=1)


def live(folder: Path, scenario: str, task: ToeTask) -> Live:
    wheel = task.request.wheel
    link = open_link(
        f"sim:{scenario}&transport=memory&script.wheels={wheel}&script.repeat={task.repeats}",
        wheel=wheel,
        purpose="toe",
    )
    heard = Heard()
    with Store(folder / "runs.sqlite3") as store:
        measurement = toe_measurement(task, lambda _pod, _channel: None, link, heard, store)
        report = asyncio.run(measurement.carry_out())
    return Live(report, heard, link.pod)  # type: ignore[attr-defined]  # simulated links have one


def outcome_of(made: Live) -> Outcome:
    (outcome,) = made.report.outcomes
    assert outcome.refused is None, outcome.refused
    return outcome


@pytest.mark.parametrize("wheel", list(Wheel))
@pytest.mark.parametrize("scenario", ["string?seed=3", "string_caliper?seed=4"])
def test_each_wheel_is_measured_hands_free(scenario: str, wheel: Wheel, tmp_path: Path) -> None:
    given = None if "caliper" in scenario else calibration()
    made = live(tmp_path, scenario, task_of(wheel, given))
    assert made.report.complete
    assert made.report.state is RunState.FINISHED
    outcome = outcome_of(made)
    result = outcome.results[Quantity.TOE]
    true_deg = made.pod.scenario.truth(wheel).toe_deg
    assert abs(result.value - true_deg) <= ALMOST_CERTAIN * result.expanded_uncertainty
    assert [touch.place.value for touch in outcome.touches] == ["front", "rear"] * 3
    assert made.heard.cues.count(Cue.TAKEN) == 6
    assert made.heard.cues[-1] is Cue.FINISHED
    assert {moment.measure for moment in made.heard.moments} == {"toe"}
    codes = {warning.code for warning in outcome.warnings}
    assert ("LINEAR_UNCALIBRATED" in codes) == (given is None)


def test_each_length_is_that_of_the_script(tmp_path: Path) -> None:
    made = live(tmp_path, "string?seed=3", task_of(Wheel.LF, calibration()))
    truths = made.pod.truth().lengths
    touches = outcome_of(made).touches
    assert len(truths) == len(touches)
    for touch, truth in zip(touches, truths, strict=True):
        assert touch.place.value == truth.place.value
        assert touch.start_s is not None
        # The hand trembles by 0.02 mm, rms, beside what the budget holds.
        assert abs(touch.length_mm - truth.length_mm) < touch.length_expanded_uncertainty_mm + 0.05


def test_another_pods_calibration_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="of pod 0123456789abcdef"):
        live(tmp_path, "string?seed=3", task_of(Wheel.LF, calibration("0123456789abcdef")))


def test_a_potentiometer_without_calibration_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="is not calibrated"):
        live(tmp_path, "string?seed=3", task_of(Wheel.LF))


def test_of_several_channels_one_must_be_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    store = ("--store", str(tmp_path / "runs.sqlite3"), "--plain", "--no-sound")
    assert run([*_toe(), "--pod", "sim:string_caliper?seed=4", *store]) == 2
    assert "1 caliper, 2 potentiometer" in capsys.readouterr().err


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with a calibration (run 1) and a measurement of toe by it (run 2)."""
    place = tmp_path_factory.mktemp("toe")
    store = ["--store", str(place / "runs.sqlite3"), "--plain", "--no-sound"]
    lengths = ["10", "30", "50/0.01", "70", "90", "--reference-uncertainty", "0.02"]
    calibrate = ["linear", "calibrate", *lengths, "--pod", "sim:known_lengths?seed=2"]
    assert run([*calibrate, "--out", str(place / "linear.json"), *store]) == 0
    assert run([*_toe(), "--pod", "sim:string?seed=2", *store]) == 0
    return place


def _toe() -> list[str]:
    return ["toe", "--wheel", "LF", "--rim-length", "420mm"]


def told(capsys: pytest.CaptureFixture[str], *words: str, code: int = 0) -> str:
    capsys.readouterr()
    assert run(words) == code
    return capsys.readouterr().out


def general(folder: Path) -> tuple[str, ...]:
    return ("--store", str(folder / "runs.sqlite3"), "--plain", "--no-sound")


@pytest.mark.parametrize("form", ["capture", "csv"])
def test_what_is_stored_gives_the_same_to_the_last_digit(
    folder: Path, form: str, capsys: pytest.CaptureFixture[str]
) -> None:
    shown = json.loads(told(capsys, "show", "2", "--json", *general(folder)))["outcomes"][-1]
    file = folder / f"run.{form}"
    told(capsys, "export", "2", "--as", form, "--out", str(file), *general(folder))
    words = ["analyze", str(file), "--measure", "toe", "--wheel", "LF", "--rim-length", "420"]
    again = json.loads(told(capsys, *words, "--json", *general(folder)))
    for member in ("results", "touches", "details", "warnings"):
        assert again[member] == shown[member]
    by_file = ("--linear-calibration", str(folder / "linear.json"))
    named = json.loads(told(capsys, *words, *by_file, "--json", *general(folder)))
    assert named["results"] == shown["results"]


def test_a_recording_that_does_not_name_its_touches(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shown = json.loads(told(capsys, "show", "2", "--json", *general(folder)))["outcomes"][-1]
    file = folder / "named.csv"
    told(capsys, "export", "2", "--as", "csv", "--out", str(file), *general(folder))
    lines = file.read_text(encoding="utf-8").splitlines(keepends=True)
    bare = folder / "bare.csv"
    bare.write_text("".join(x for x in lines if "touches=" not in x), encoding="utf-8")
    words = ["analyze", str(bare), "--measure", "toe", "--wheel", "LF", "--rim-length", "420"]
    again = json.loads(told(capsys, *words, "--json", *general(folder)))
    assert again["results"] == shown["results"]
    told(capsys, *words[:5], "RF", *words[6:], *general(folder), code=2)


def test_lengths_alone_are_measured_and_exported(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A board without accelerometer that can only print: time and length."""
    shown = json.loads(told(capsys, "show", "2", "--json", *general(folder)))["outcomes"][-1]
    whole = tmp_path / "whole.csv"
    told(capsys, "export", "2", "--as", "csv", "--out", str(whole), *general(folder))
    facts, rows = [], []
    for line in whole.read_text(encoding="utf-8").splitlines():
        cells = line.split(",")
        if not line.startswith("#"):
            rows.append(f"{cells[0]},{cells[-1]}")
        elif line.startswith(("# id=", "# linear_sensors=")):
            facts.append(line)
    alone = tmp_path / "alone.csv"
    alone.write_text("\n".join([*facts, *rows, ""]), encoding="utf-8")
    store = ("--store", str(tmp_path / "own.sqlite3"), "--plain", "--no-sound")
    by_file = ("--linear-calibration", str(folder / "linear.json"))
    live = told(capsys, *_toe(), "--pod", f"file:{alone}", *by_file, "--json", *store)
    assert json.loads(live)["results"] == shown["results"]
    again = tmp_path / "again.csv"
    told(capsys, "export", "last", "--as", "csv", "--out", str(again), *store)
    words = ["analyze", str(again), "--measure", "toe", "--wheel", "LF", "--rim-length", "420"]
    found = json.loads(told(capsys, *words, *by_file, "--json", *store))
    assert found["results"] == shown["results"]


def test_runs_and_show_tell_toe(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    listed = told(capsys, "runs", *general(folder))
    assert "toe of LF: 0.1" in listed
    shown = told(capsys, "show", "2", *general(folder))
    assert "linear calibration = from the store" in shown
    assert "Budget of toe" in shown
    assert "touch of rear" in shown
    made = told(capsys, "show", "1", *general(folder))
    assert "length = 1.01" in made
    for line in (*listed.splitlines(), *shown.splitlines()):
        assert len(line) <= 80, line


def test_lines_of_a_live_run_fit_80_columns(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = told(capsys, *_toe(), "--pod", "sim:string?seed=2", *general(folder))
    assert "Keep still: front" in text
    assert "Toe-in." in text
    for line in text.splitlines():
        assert len(line) <= 80 or line.startswith("Run "), line


def test_calibrations_are_listed_shown_and_written(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    kept = json.loads((folder / "linear.json").read_text(encoding="utf-8"))
    listed = json.loads(told(capsys, "linear", "list", "--json", *general(folder)))
    assert {**kept, "number": 1} in listed["calibrations"]
    assert kept["pod"][:8] in told(capsys, "linear", "list", *general(folder))
    shown = json.loads(told(capsys, "linear", "show", "1", "--json", *general(folder)))
    assert shown == kept
    again = folder / "again.json"
    told(capsys, "linear", "show", "1", "--out", str(again), *general(folder))
    assert json.loads(again.read_text(encoding="utf-8")) == kept
    told(capsys, "linear", "show", "1", "--out", str(again), *general(folder), code=2)
    told(capsys, "linear", "show", "99", *general(folder), code=2)
    # Truth of the scenario: gain 1.013, offset -2.4; noise and bow beside it.
    assert kept["gain"] == pytest.approx(1.013, abs=5.0 * kept["covariance"][0][0] ** 0.5)
    assert kept["count"] == 5


def test_another_pods_calibration_in_the_store_is_not_used(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    store = ("--store", str(tmp_path / "runs.sqlite3"), "--plain", "--no-sound")
    typed = ["linear", "calibrate", "10=12", "50=52", "90=91", "--identity", "0123456789abcdef"]
    told(capsys, *typed, *store)
    assert run([*_toe(), "--pod", "sim:string?seed=2", *store]) == 2
    assert "is not calibrated" in capsys.readouterr().err


def test_a_calibration_that_lacks_a_length_is_not_kept(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    store = ("--store", str(tmp_path / "runs.sqlite3"), "--plain", "--no-sound")
    pod = "sim:known_lengths?seed=2&script.lengths_mm=10,50"
    assert run(["linear", "calibrate", "10", "50", "90", "--pod", pod, *store]) == 3
    shown = capsys.readouterr()
    assert "Not set: 90 mm" in shown.out
    assert "No calibration is kept." in shown.err
    assert "keeps no calibration" in told(capsys, "linear", "list", *store)


def test_typed_distances_are_kept_like_a_run(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    store = ("--store", str(tmp_path / "runs.sqlite3"))
    text = told(capsys, *_toe(), "--typed", "63/60", "--runout", "0", *store)
    # asin(3 / 420) = 0.40926 deg: plain trigonometry.
    assert "+0.41 ±" in text
    shown = json.loads(told(capsys, "show", "last", "--json", *store))
    assert shown["facts"]["typed_mm"] == [63.0, 60.0]
    assert shown["outcomes"][0]["touches"][0]["start_s"] is None
    assert "toe of LF: 0.41" in told(capsys, "runs", *store)
    inches = told(capsys, *_toe(), "--typed", "2.5in/2.4in", "--json", *store)
    assert json.loads(inches)["details"]["toe_mm"] == pytest.approx(2.54)


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (["toe", "--wheel", "LF", "--typed", "63/60"], 2, "--rim-length"),
        (["toe", "--wheel", "LF", "--typed", "63/60", "--rim-length", "17"], 2, "17in"),
        (["toe", "--wheel", "LF", "--typed", "63/60", "--rim-length", "1e6"], 2, "2500 mm"),
        (["toe", "--typed", "63/60"], 2, "Choose from: LF, RF, LR, RR"),
        ([*_toe(), "--typed", "63/60"], 0, "touch each place more often, or"),
        ([*_toe(), "--typed", "63"], 2, "two distances"),
        ([*_toe(), "--typed-u", "1", "--pod", "sim:string"], 2, "--typed"),
        ([*_toe(), "--typed", "63/60", "--along", "tyre"], 2, "--along takes"),
        ([*_toe(), "--typed", "63/60", "--first", "left"], 2, "--first takes"),
        ([*_toe(), "--typed", "63/60", "--repeats", "0"], 2, "--repeats"),
        ([*_toe(), "--typed", "63/60", "--height", "300"], 2, "--height"),
        ([*_toe(), "--typed", "63/60", "--runout=-1"], 2, "negative"),
        ([*_toe(), "--typed", "163/60"], 3, "TOE_IMPOSSIBLE"),
        (["linear", "calibrate", "25"], 2, "two known lengths"),
        (["linear", "calibrate", "25=24", "50"], 2, "LENGTH=READING"),
        (["linear", "calibrate", "25=24", "50=49", "--linearity", "1"], 2, "unit"),
        (["linear", "calibrate", "25=24", "50=49"], 3, "LINEARITY_UNKNOWN"),
        (["linear", "calibrate", "25=24", "50=24.1"], 3, "LENGTHS_ALIKE"),
        (["linear", "calibrate", "25=24", "50=74", "75=50"], 3, "NOT_STRAIGHT"),
        (["linear", "calibrate", "25", "50", "--identity", "a"], 2, "--identity"),
        (["linear", "list"], 0, "no calibration"),
    ],
)
def test_mistakes_are_told(
    words: list[str], code: int, said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    Store(tmp_path / "runs.sqlite3").close()
    assert run([*words, "--store", str(tmp_path / "runs.sqlite3"), "--plain"]) == code
    shown = capsys.readouterr()
    assert said in shown.out + shown.err


def test_a_pod_without_linear_sensor_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    store = ("--store", str(tmp_path / "runs.sqlite3"), "--plain", "--no-sound")
    assert run(["linear", "calibrate", "10", "50", "90", "--pod", "sim:demo", *store]) == 2
    assert "no linear sensor" in capsys.readouterr().err


def test_the_calibration_that_is_taken_is_told_once(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    store = ("--store", str(tmp_path / "runs.sqlite3"))
    told(capsys, "linear", "calibrate", "10", "50", "90", "--pod", "sim:known_lengths", *store)
    text = told(capsys, *_toe(), "--pod", "sim:string", *store)
    line = r"^Linear channel 1: the store's calibration of 20\d\d-\d\d-\d\d, 10 to 90 mm\.$"
    assert len(re.findall(line, text, re.MULTILINE)) == 1


def test_a_link_that_ends_early_keeps_what_was_taken(tmp_path: Path) -> None:
    task = task_of(Wheel.LF, calibration())
    link = open_link(
        "sim:string?seed=3&transport=memory&script.wheels=LF&script.repeat=1",
        wheel=Wheel.LF,
        purpose="toe",
    )
    heard = Heard()
    with Store(tmp_path / "runs.sqlite3") as store:
        measurement = toe_measurement(task, lambda _pod, _channel: None, link, heard, store)
        report = asyncio.run(measurement.carry_out())
    assert not report.complete
    (outcome,) = report.outcomes
    assert [touch.place.value for touch in outcome.touches] == ["front", "rear"]
    assert "FEW_TOUCHES" in {warning.code for warning in outcome.warnings}
