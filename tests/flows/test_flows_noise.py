"""`knuckle noise` live, from a recording and from a stored run, and what its figures serve."""

from __future__ import annotations

import asyncio
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from matplotlib.image import imread

from flows.live_run import Heard, live
from knuckle.cli import app
from knuckle.links.schemes import open_link
from knuckle.model.guidance import Ask
from knuckle.model.wheel import Wheel
from knuckle.noise.analyse import FORMAT
from knuckle.rests.noise_floor import KnownFloor
from knuckle.run.guide_noise import NoiseGuide
from knuckle.run.noise import NoiseTask, noise_measurement
from knuckle.run.noise_kept import NOISE_FLOOR, floor_of_facts, kept_floors
from knuckle.store.database import Store
from knuckle.store.rows import CalibrationRow, RunState

Told = dict[str, Any]


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    for name in ("HOME", "XDG_CONFIG_HOME", "XDG_STATE_HOME", "XDG_CACHE_HOME"):
        monkeypatch.setenv(name, str(tmp_path / "home"))
    monkeypatch.setenv("KNUCKLE_LOG", str(tmp_path / "knuckle.log"))
    monkeypatch.setenv("KNUCKLE_STORE", str(tmp_path / "runs.sqlite3"))
    monkeypatch.setenv("KNUCKLE_SOUND", "off")
    monkeypatch.setenv("KNUCKLE_PLAIN", "1")
    monkeypatch.delenv("KNUCKLE_POD", raising=False)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def told(capsys: pytest.CaptureFixture[str], *words: str, code: int = 0) -> Told:
    capsys.readouterr()
    assert app.run([*words, "--json"]) == code
    content: Told = json.loads(capsys.readouterr().out)
    return content


def channels(content: Told) -> dict[str, Told]:
    return {channel["channel"]: channel for channel in content["noise"]["channels"]}


def test_live_stored_and_exported_agree_to_the_last_digit(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    made = told(capsys, "noise", "--pod", "sim:?seed=3", "--seconds", "60")
    assert made["measure"] == "noise"
    assert made["kept"] == 1
    assert made["noise"]["used_s"] >= 60.0
    for name, channel in channels(made).items():
        # The scenario's chip has the data sheet's density: one-sided, up to half the rate.
        truth = 400e-6 if name.startswith("a") else 0.005
        white = channel["white_noise"]
        off = white["value"] - truth
        assert abs(off) < max(3.5 * white["standard_uncertainty"], 0.03 * truth), name
        assert channel["verdict"] == "as stated"
        assert channel["part"] == "MPU-6050"
    again = told(capsys, "noise", "--run", "last")
    assert again["noise"]["channels"] == made["noise"]["channels"]
    assert again["noise"]["rests"] == made["noise"]["rests"]
    assert app.run(["export", "last", "--as", "capture", "--out", "still.kncap"]) == 0
    assert app.run(["export", "last", "--as", "csv", "--raw", "--out", "still.csv"]) == 0
    for name in ("still.kncap", "still.csv"):
        recorded = told(capsys, "noise", "--file", name)
        assert recorded["noise"]["channels"] == made["noise"]["channels"], name
        assert recorded["noise"]["pod"] == made["noise"]["pod"]
    shown = told(capsys, "show", "last")
    assert shown["facts"]["noise"]["channels"] == made["noise"]["channels"]
    assert told(capsys, "noise", "--list")["noise"][0]["pod"] == made["noise"]["pod"]


def test_text_fits_eighty_columns_and_plots_are_drawn(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["noise", "--pod", "sim:draw_wire", "--seconds", "20", "--plot", "noise.png"]
    assert app.run(words) == 0
    shown = capsys.readouterr().out
    assert max(len(line) for line in shown.splitlines() if not line.startswith("Run 1")) <= 80
    for said in ("ax   ug", "gz   mdeg/s", "lin1 um", "as its data sheet says", "known to 2 %"):
        assert said in shown
    assert float(np.ptp(imread(folder / "noise.png")[:, :, 0])) > 0.5
    assert app.run(["plot", "1", "--what", "noise", "--svg", "--out", "one.svg"]) == 0
    drawing = (folder / "one.svg").read_text(encoding="utf-8")
    for word in ("averaging time", "accelerometer", "gyro", "MPU-6050 data sheet", "ay"):
        assert word in drawing
    assert app.run([*words[:-1], "noise.png"]) == 2
    assert "exists already" in capsys.readouterr().err


def test_the_finding_of_rests_starts_from_the_figures_kept(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """And a run says from which, so that whoever measures again starts from the same."""
    before = live(folder, "sim:?seed=5", measure="sweep")
    told(capsys, "noise", "--pod", "sim:?seed=5", "--seconds", "30")
    after = live(folder, "sim:?seed=5", measure="sweep")
    with Store(folder / "runs.sqlite3", read_only=True) as store:
        first, last = store.run(1).facts, store.run(3).facts
        identity = store.run(3).streams[0].identity or ""
        kept = kept_floors(store.calibrations(), identity)
    assert NOISE_FLOOR not in first
    assert kept == [floor_of_facts(last)]
    assert before.report.state is after.report.state is RunState.FINISHED
    one, other = before.report.outcomes[0], after.report.outcomes[0]
    for quantity, result in one.results.items():
        apart = abs(result.value - other.results[quantity].value)
        assert apart < 0.2 * result.expanded_uncertainty
    for run, outcome in ((1, one), (3, other)):
        for form, name in (("capture", f"{run}.kncap"), ("csv", f"{run}.csv")):
            assert app.run(["export", str(run), "--as", form, "--out", name]) == 0
        found = told(capsys, "analyze", f"{run}.kncap", "--measure", "sweep", "--wheel", "LF")
        for quantity, result in outcome.results.items():
            assert found["results"][quantity.value]["value"] == result.value
        assert [rest["start_s"] for rest in found["rests"]] == [r.start_s for r in outcome.rests]
        lines = (folder / f"{run}.csv").read_text(encoding="utf-8")
        assert ("# noise_floor=" in lines) == (run == 3)
    assert app.run(["show", "3"]) == 0
    assert "noise = the pod's own by an earlier `knuckle noise`" in capsys.readouterr().out


def test_another_pod_or_rate_learns_by_itself(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    told(capsys, "noise", "--pod", "sim:?seed=5", "--seconds", "30")
    live(folder, "sim:?seed=6", measure="camber")
    live(folder, "sim:?seed=5&pod.raw_rate_hz=200", measure="camber")
    with Store(folder / "runs.sqlite3", read_only=True) as store:
        assert NOISE_FLOOR not in store.run(2).facts
        assert NOISE_FLOOR not in store.run(3).facts


def test_a_record_that_cannot_be_read_is_passed_over() -> None:
    def row(number: int, identity: str, record: Told) -> CalibrationRow:
        return CalibrationRow(number, "2026-01-01T00:00:00+00:00", identity, record)

    sensor = {"inner": 1e-5, "between": 1e-6, "swing": 4e-6}
    good = {"rate_hz": 100.0, "size": 10, "accel": sensor, "gyro": None}
    rows = [
        row(5, "aa", {"format": FORMAT, "rests": {"rate_hz": 100.0}}),
        row(4, "bb", {"format": FORMAT, "rests": good}),
        row(3, "aa", {"format": "another", "rests": good}),
        row(2, "aa", {"format": FORMAT, "rests": None}),
        row(1, "aa", {"format": FORMAT, "rests": good}),
    ]
    assert kept_floors(rows, "aa") == [KnownFloor.from_json(good)]
    assert kept_floors(rows, "") == []
    assert floor_of_facts({NOISE_FLOOR: "no JSON"}) is None
    assert floor_of_facts({NOISE_FLOOR: json.dumps(good)}) == KnownFloor.from_json(good)
    assert floor_of_facts({}) is None


def test_a_link_that_is_cut_is_taken_up_again(folder: Path) -> None:
    """The pod's samples before and after count; the gap is marked, and nothing is put into it."""
    link: Any = open_link(
        "sim:disconnect?seed=2&faults=disconnect", wheel=Wheel.LF, purpose="still"
    )
    heard = Heard()
    with Store(folder / "runs.sqlite3") as store:
        measurement, method = noise_measurement(NoiseTask(40.0), link, heard, store)
        report = asyncio.run(measurement.carry_out())
    assert report.state is RunState.FINISHED
    assert report.complete
    assert method.found is not None and method.found.pod is not None
    codes = {warning.code for warning in report.outcomes[0].warnings}
    assert codes & {"NOISE_RECORD_BROKEN", "NOISE_SAMPLES_LOST"}
    assert method.found.pod.used_s < method.found.pod.total_s + 1.0
    assert any("back after" in line for line in heard.lines)


def test_a_pod_that_is_carried_about_is_refused(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    live(folder, "sim:?seed=4", wheels="LF,RF,RR,LR", measure="camber")
    refusal = told(capsys, "noise", "--run", "last", code=3)
    assert refusal["error"]["code"] in {"NOISE_NOT_STILL", "NOISE_RECORD_SHORT"}


def test_an_interrupted_record_keeps_its_bytes_but_no_figures(folder: Path) -> None:
    class Impatient(Heard):
        def show(self, live: Any) -> None:
            super().show(live)
            if live.passed_s > 20.0:
                task = asyncio.current_task()
                assert task is not None
                task.cancel()

    link: Any = open_link("sim:?seed=2", wheel=Wheel.LF, purpose="still")
    with Store(folder / "runs.sqlite3") as store:
        measurement, method = noise_measurement(NoiseTask(60.0), link, Impatient(), store)
        with pytest.raises(asyncio.CancelledError):
            asyncio.run(measurement.carry_out())
        assert store.calibrations() == []
    assert measurement.report is not None
    assert measurement.report.state is RunState.INTERRUPTED
    assert method.found is not None and method.found.pod is not None
    assert 18.0 < method.found.pod.used_s < 23.0


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--pod", "sim:", "--run", "1"], "choose"),
        (["--run", "1", "--seconds", "5"], "used whole"),
        (["--pod", "sim:", "--plot", "x.pdf"], ".png or .svg"),
        (["--run", "one"], "not the number"),
    ],
)
def test_what_cannot_be_is_said_before_anybody_waits(
    words: list[str], said: str, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with Store(folder / "runs.sqlite3"):
        pass
    assert app.run(["noise", *words]) == 2
    assert said in capsys.readouterr().err


def test_the_guide_before_anything_came() -> None:
    guide = NoiseGuide(60.0)
    assert guide.guidance.ask is Ask.WAIT
    assert guide.figure is None
    assert not guide.finished
    assert guide.passed_s == 0.0
