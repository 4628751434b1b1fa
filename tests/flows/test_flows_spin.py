"""Wheel-turn runs and reversals as they happen: a simulated hand, live, stored, replayed."""

from __future__ import annotations

import asyncio
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from flows.live_run import Heard
from knuckle.analysis.request import Request
from knuckle.cli.app import run
from knuckle.links.schemes import open_link
from knuckle.model.result import Outcome, Quantity
from knuckle.model.wheel import Wheel
from knuckle.run.measurement import Report
from knuckle.run.method_rests import Task
from knuckle.run.mounting import latest
from knuckle.run.spin import reversal_measurement, spin_measurement
from knuckle.store.database import Store
from knuckle.store.rows import RunState
from knuckle.wire.messages import Cue

ALMOST_CERTAIN = 1.5
ON = "script.on_wheel=true"


@dataclass
class Live:
    report: Report
    heard: Heard
    link: Any

    @property
    def outcome(self) -> Outcome:
        (outcome,) = self.report.outcomes
        assert outcome.refused is None, outcome.refused
        return outcome

    @property
    def codes(self) -> set[str]:
        return {notice.code for notice in self.outcome.warnings}


def live(folder: Path, address: str, measure: str, wheel: Wheel = Wheel.LF, count: int = 1) -> Live:
    link: Any = open_link(f"{address}&transport=memory", wheel=wheel, purpose=measure)
    heard = Heard()
    task = Task(measure, Request(wheel))
    with Store(folder / "runs.sqlite3") as store:
        measurement = (
            spin_measurement(task, link, heard, store, seats=count)
            if measure == "spin"
            else reversal_measurement(task, link, heard, store, readings=count)
        )
        report = asyncio.run(measurement.carry_out())
    return Live(report, heard, link)


def assert_close(made: Live, quantity: Quantity, true_deg: float) -> None:
    result = made.outcome.results[quantity]
    assert abs(result.value - true_deg) <= ALMOST_CERTAIN * result.expanded_uncertainty


@pytest.mark.parametrize("wheel", list(Wheel))
@pytest.mark.parametrize("scenario", ["spin?seed=3", "spin_slow?seed=4"])
def test_each_wheel_turned_by_hand_gives_its_axis(
    scenario: str, wheel: Wheel, tmp_path: Path
) -> None:
    made = live(tmp_path, f"sim:{scenario}", "spin", wheel)
    assert made.report.complete
    assert made.report.state is RunState.FINISHED
    truth = made.link.pod.truth()
    assert_close(made, Quantity.MOUNT_TILT, truth.tilt_deg)
    assert_close(made, Quantity.MOUNT_YAW, truth.yaw_deg)
    assert "CAR_ROCKED" not in made.codes
    assert made.heard.cues[-1] is Cue.FINISHED
    slow = scenario.startswith("spin_slow")
    assert made.outcome.details["way"] == ("slow turn" if slow else "stops")
    assert {moment.measure for moment in made.heard.moments} == {"spin"}


@pytest.mark.parametrize("scenario", ["rocking_car?seed=3", "sinking_jack?seed=3"])
def test_a_car_that_rocks_or_sinks_is_noticed(scenario: str, tmp_path: Path) -> None:
    made = live(tmp_path, f"sim:{scenario}", "spin")
    assert "CAR_ROCKED" in made.codes
    truth = made.link.pod.truth()
    assert_close(made, Quantity.MOUNT_TILT, truth.tilt_deg)
    assert_close(made, Quantity.MOUNT_YAW, truth.yaw_deg)


def test_a_pod_without_gyro_serves(tmp_path: Path) -> None:
    made = live(tmp_path, "sim:spin?seed=3&pod.gyro=false", "spin")
    assert_close(made, Quantity.MOUNT_YAW, made.link.pod.truth().yaw_deg)


def test_seated_three_times_the_runout_is_told_from_the_mount(tmp_path: Path) -> None:
    made = live(tmp_path, "sim:reseated?seed=3", "spin", count=3)
    assert made.report.complete
    assert_close(made, Quantity.RUNOUT, 1.0)
    assert made.outcome.results[Quantity.RUNOUT].expanded_uncertainty < 0.15
    assert made.outcome.details["runout_at_deg"] == pytest.approx(35.0, abs=6.0)
    seat = made.link.pod._rig.case.bare_seat
    assert_close(made, Quantity.SEAT_TILT, float(np.degrees(seat.tilt_rad)))
    assert_close(made, Quantity.SEAT_YAW, float(np.degrees(seat.yaw_rad)))
    last = made.link.pod._rig.person.seats[-1]
    assert_close(made, Quantity.MOUNT_TILT, float(np.degrees(last.tilt_rad)))
    assert "Hold the wheel; seat the pod anew, turned on the rim" in made.heard.words


def test_too_little_of_a_turn_leaves_no_mounting(tmp_path: Path) -> None:
    made = live(tmp_path, "sim:spin?seed=3&spinning.arc_deg=90", "spin")
    (outcome,) = made.report.outcomes
    assert outcome.refused is not None
    assert outcome.refused.code == "TURN_TOO_SMALL"
    with Store(tmp_path / "runs.sqlite3") as store:
        assert latest(store, Wheel.LF) is None


def test_a_pulled_cable_is_bridged(tmp_path: Path) -> None:
    address = "sim:spin?seed=3&faults.disconnect.on=true&faults.disconnect.at_s=20"
    made = live(tmp_path, f"{address}&faults.disconnect.length_s=3", "spin")
    assert made.report.complete
    assert Cue.LINK_BACK in made.heard.cues
    assert_close(made, Quantity.MOUNT_TILT, made.link.pod.truth().tilt_deg)


@pytest.mark.parametrize("seed", range(4))
def test_a_bench_that_is_not_level_zeroes_the_pod(seed: int, tmp_path: Path) -> None:
    made = live(tmp_path, f"sim:bench?seed={seed}", "reversal", count=2)
    assert made.report.complete
    assert_close(made, Quantity.SLOPE_X, 0.8)
    assert_close(made, Quantity.SLOPE_Y, -0.5)
    case = made.link.pod._rig.case
    upright = case.chip.accel_matrix @ [0.0, 0.0, 1.0] + case.chip.accel_bias_g
    left = np.linalg.solve(case.stored.accel_matrix, upright - case.stored.accel_bias_g)
    # The sheet's drift from the calibration's 25 C to the sensor's 24 is 0.25 mg, 0.01 deg.
    assert_close(made, Quantity.ZERO_Y, float(np.degrees(np.arcsin(left[1]))))
    assert_close(made, Quantity.ZERO_X, float(np.degrees(np.arcsin(left[0]))))


def test_laid_down_the_same_way_round_asks_again(tmp_path: Path) -> None:
    made = live(tmp_path, "sim:bench?seed=5&spinning.same_way_at=2", "reversal", count=2)
    assert made.report.complete
    assert "The same way round: turn it by half a turn" in made.heard.words
    assert made.outcome.details["placings"] == 2.0
    assert_close(made, Quantity.SLOPE_X, 0.8)


def test_four_readings_are_taken_in_pairs(tmp_path: Path) -> None:
    made = live(tmp_path, "sim:bench?seed=5&spinning.placings=4", "reversal", count=4)
    assert made.outcome.details["placings"] == 4.0
    assert made.outcome.details["turned"] == 2.0


# ---- the program itself


def told(capsys: pytest.CaptureFixture[str], *words: str, code: int = 0) -> str:
    capsys.readouterr()
    assert run(words) == code
    return capsys.readouterr().out


def general(folder: Path) -> tuple[str, ...]:
    return ("--store", str(folder / "runs.sqlite3"), "--plain", "--no-sound")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with a wheel-turn run (1), camber by it (2) and without (3), a reversal (4)."""
    place = tmp_path_factory.mktemp("spin")
    pod = "sim:spin?seed=3"
    assert run(["spin", "--wheel", "LF", "--pod", pod, *general(place)]) == 0
    camber = ["camber", "--wheel", "LF", "--pod", f"{pod}&{ON}"]
    assert run([*camber, "--same-mount", *general(place)]) == 0
    assert run([*camber, "--no-spin", *general(place)]) == 0
    assert run(["reversal", "--pod", "sim:bench?seed=2", *general(place)]) == 0
    return place


def stored(capsys: pytest.CaptureFixture[str], folder: Path, number: int) -> dict[str, Any]:
    content: dict[str, Any] = json.loads(
        told(capsys, "show", str(number), "--json", *general(folder))
    )
    return content


def test_camber_by_the_mounting_is_right_and_without_it_is_not(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    by_it = stored(capsys, folder, 2)
    result = by_it["outcomes"][-1]["results"]["camber"]
    link: Any = open_link(f"sim:spin?seed=3&{ON}", wheel=Wheel.LF, purpose="camber")
    true_deg = link.pod.truth().wheel.camber_deg
    assert abs(result["value"] - true_deg) <= ALMOST_CERTAIN * result["expanded_uncertainty"]
    mount = [term for term in result["budget"] if term["source"] == "mount"]
    assert mount[0]["standard_uncertainty"] < 0.03
    assert by_it["facts"]["mount"]["run"] == 1
    assert by_it["facts"]["mount"]["said"] == "option"
    assert "MOUNT_MEASURED" in {w["code"] for w in by_it["outcomes"][-1]["warnings"]}
    without = stored(capsys, folder, 3)
    assert abs(without["outcomes"][-1]["results"]["camber"]["value"] - true_deg) > 1.5
    assert without["facts"]["mount"] == {"run": 1, "said": "no spin"}


@pytest.mark.parametrize("form", ["capture", "csv"])
@pytest.mark.parametrize(("number", "measure"), [(1, "spin"), (2, "camber"), (4, "reversal")])
def test_what_is_stored_gives_the_same_to_the_last_digit(
    folder: Path, number: int, measure: str, form: str, capsys: pytest.CaptureFixture[str]
) -> None:
    shown = stored(capsys, folder, number)["outcomes"][-1]
    file = folder / f"run{number}.{form}"
    told(capsys, "export", str(number), "--as", form, "--out", str(file), *general(folder))
    words = ["analyze", str(file), "--measure", measure, "--wheel", "LF", "--json"]
    again = json.loads(told(capsys, *words, *general(folder)))
    for name, result in shown["results"].items():
        if form == "csv":  # what is left of the sensor's errors is a log's own assumption
            assert again["results"][name]["value"] == pytest.approx(result["value"], abs=2e-3)
        else:
            assert again["results"][name] == result
    if form == "capture" and measure == "camber":
        bare = json.loads(told(capsys, *words, "--no-spin", *general(folder)))
        assert abs(bare["results"]["camber"]["value"] - shown["results"]["camber"]["value"]) > 1.5


def test_nobody_there_to_ask_means_not_used(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    camber = ["camber", "--wheel", "LF", "--pod", f"sim:spin?seed=3&{ON}", "--json"]
    capsys.readouterr()
    assert run([*camber, *general(folder)]) == 0
    captured = capsys.readouterr()
    assert "--same-mount" in captured.err
    assert "MOUNT_MEASURED" not in captured.out
    with Store(folder / "runs.sqlite3", read_only=True) as store:
        newest = store.runs(1)[0].run_id
        assert store.run(newest).facts["mount"]["said"] == "nobody asked"


@pytest.mark.parametrize(("answer", "used"), [("y\n", "asked"), ("\n", "no")])
def test_asked_the_person_decides(
    folder: Path,
    answer: str,
    used: str,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    import io
    import sys

    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    monkeypatch.setattr(sys, "stdin", Terminal(answer))
    camber = ["camber", "--wheel", "LF", "--pod", f"sim:spin?seed=3&{ON}", "--json"]
    assert run([*camber, *general(folder)]) == 0
    capsys.readouterr()
    with Store(folder / "runs.sqlite3", read_only=True) as store:
        newest = store.run(store.runs(1)[0].run_id)
    assert newest.facts["mount"]["said"] == used
    codes = {notice.code for notice in newest.results[-1].outcome.warnings}
    assert ("MOUNT_MEASURED" in codes) == (used == "asked")


def test_a_pod_in_the_hand_is_no_same_mount_from_then_on(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    told(capsys, "spin", "--wheel", "LF", "--pod", "sim:spin?seed=3", *general(tmp_path))
    camber = ["camber", "--wheel", "LF", "--same-mount", "--pod", "sim:spin?seed=3", "--json"]
    made = json.loads(told(capsys, *camber, *general(tmp_path)))
    codes = {warning["code"] for warning in made["warnings"]}
    assert "MOUNT_HANDLED" in codes
    assert "MOUNT_MEASURED" not in codes
    told(capsys, *camber, *general(tmp_path), code=2)


@pytest.mark.parametrize(
    "words",
    [
        ["--wheel", "LF", "--same-mount", "--no-spin"],
        ["--wheel", "RR", "--same-mount"],
        ["--all", "--same-mount"],
        ["--wheel", "LF", "--same-mount", "--pod", f"sim:spin?seed=99&{ON}"],
    ],
)
def test_a_same_mount_that_cannot_be_is_refused(
    folder: Path, words: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    pod = [] if "--pod" in words else ["--pod", f"sim:spin?seed=3&{ON}"]
    told(capsys, "camber", *words, *pod, *general(folder), code=2)


def test_a_pod_that_was_elsewhere_has_been_taken_off(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pod = "sim:spin?seed=3"
    told(capsys, "spin", "--wheel", "LF", "--pod", pod, *general(tmp_path))
    with Store(tmp_path / "runs.sqlite3") as store:
        before = latest(store, Wheel.LF)
        assert before is not None
        assert before.elsewhere is None
        number = store.begin_run("camber", ["RF"])
        store.add_chunk(number, 0, 0.0, b"x")
        store.describe_stream(number, 0, identity=before.identity)
        store.finish_run(number, RunState.FINISHED)
        after = latest(store, Wheel.LF)
        assert after is not None
        assert after.elsewhere == number
    camber = ["camber", "--wheel", "LF", "--pod", f"{pod}&{ON}"]
    told(capsys, *camber, "--same-mount", *general(tmp_path), code=2)
