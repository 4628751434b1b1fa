"""A stored run holds all that its result depends on, and its exports lead to the same result."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from flows.live_run import live
from knuckle.analysis.request import Request
from knuckle.cli import app
from knuckle.errors import UsageError
from knuckle.estimate.priors import Given, Priors, SensorFigures
from knuckle.model.result import Outcome
from knuckle.model.wheel import Wheel
from knuckle.run.calibration_json import read_file
from knuckle.run.calibrations import of_run
from knuckle.run.method_rests import Task
from knuckle.run.remeasure import measure_recording
from knuckle.run.replay import recording_of
from knuckle.store.database import Store
from knuckle.store.recording import decode_run
from knuckle.store.rows import RunDetail, RunState

PRIORS = replace(Priors(), toe=Given(0.12, 0.05), pads_across=Given(0.3, 0.02), mount_yaw_deg=0.4)
REQUEST = Request(Wheel.LF, PRIORS)


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    for name in ("HOME", "XDG_CONFIG_HOME", "XDG_STATE_HOME", "XDG_CACHE_HOME"):
        monkeypatch.setenv(name, str(tmp_path / "home"))
    monkeypatch.setenv("KNUCKLE_LOG", str(tmp_path / "knuckle.log"))
    monkeypatch.setenv("KNUCKLE_STORE", str(tmp_path / "runs.sqlite3"))
    monkeypatch.chdir(tmp_path)
    return tmp_path


def stored(folder: Path, run: int = 1) -> RunDetail:
    with Store(folder / "runs.sqlite3", read_only=True) as store:
        return store.run(run)


def computed_again(folder: Path, request: Request, run: int = 1) -> Outcome:
    with Store(folder / "runs.sqlite3", read_only=True) as store:
        decoded = decode_run(store, run, 0)
        detail = store.run(run)
    assert decoded.block is not None
    fact, calibration = of_run(detail.facts, decoded)
    recording = recording_of(decoded.block, decoded, [])
    return measure_recording("sweep", recording, request, calibration, fact["source"] == "none")


def analyzed(capsys: pytest.CaptureFixture[str], *words: str) -> dict[str, Any]:
    capsys.readouterr()
    assert app.run(["analyze", *words, "--measure", "sweep", "--wheel", "LF", "--json"]) == 0
    content: dict[str, Any] = json.loads(capsys.readouterr().out)
    return content


def test_what_a_result_was_computed_with_is_kept_and_shown(
    folder: Path, capsys: pytest.CaptureFixture[str]
):
    report = live(folder, "sim:garage?seed=5", request=REQUEST).report
    facts = stored(folder).facts
    assert facts["calibration"]["source"] == "pod"
    assert facts["calibration"]["pod"] == stored(folder).streams[0].identity
    assert facts["calibration"]["date"].startswith("2026-01-01")
    assumed = facts["assumed"]
    assert assumed["not_default"] == ["mount_yaw_deg", "toe", "pads_across"]
    assert assumed["values"]["toe"] == {"value": 0.12, "standard_uncertainty": 0.05}
    assert assumed["values"]["use_gyro"] is True and assumed["values"]["plates_deg"] is None
    assert computed_again(folder, REQUEST) == report.outcomes[0]

    assert app.run(["show", "1"]) == 0
    shown = capsys.readouterr().out
    assert "toe = 0.12 ± 0.05 (one sigma)" in shown
    assert "pads_across = 0.3 ± 0.02" in shown and "pads_along" not in shown
    assert re.search(r"calibration = the pod's own, of 2026-01-01 .*, for pod [0-9a-f]{16}", shown)
    assert app.run(["export", "1", "--as", "json"]) == 0
    content = json.loads((folder / "run-1.json").read_text(encoding="utf-8"))
    assert content["facts"]["assumed"] == assumed


def test_every_prior_and_request_is_kept(folder: Path):
    request = Request(
        Wheel.LF,
        replace(
            Priors(),
            brake_held=False,
            body_roll=(Given(0.4, 0.05), Given(-0.4, 0.05)),
            plates_deg=0.5,
            stated=SensorFigures(chip_turn_deg=0.2),
        ),
        plates_deg=(20.0, 19.0),
        straight=0,
        use_gyro=False,
    )
    live(folder, "sim:garage?seed=5", request=request)
    assumed = stored(folder).facts["assumed"]
    values = {name: assumed["values"][name] for name in assumed["not_default"]}
    assert values == {
        "brake_held": False,
        "plates_u_deg": 0.5,
        "body_roll": [
            {"value": 0.4, "standard_uncertainty": 0.05},
            {"value": -0.4, "standard_uncertainty": 0.05},
        ],
        "chip_turn_deg": 0.2,
        "plates_deg": [20.0, 19.0],
        "straight": 0,
        "use_gyro": False,
    }


def test_an_exported_log_leads_to_the_same_result(folder: Path, capsys: pytest.CaptureFixture[str]):
    report = live(folder, "sim:garage?seed=6", request=Request(Wheel.LF)).report
    assert app.run(["export", "1"]) == 0
    log = (folder / "run-1-LF.csv").read_text(encoding="utf-8")
    assert "# calibration=applied\n# calibration_date=2026-01-01T00:00:00+00:00\n" in log
    assert f"# calibration_pod={stored(folder).streams[0].identity}\n" in log
    again = analyzed(capsys, "run-1-LF.csv")["results"]
    for quantity, result in report.outcomes[0].results.items():
        assert again[quantity.value]["value"] == pytest.approx(result.value, abs=0.05)
        ratio = again[quantity.value]["expanded_uncertainty"] / result.expanded_uncertainty
        assert 0.8 < ratio < 2.0, quantity

    assert app.run(["export", "1", "--raw", "--out", "raw.csv"]) == 0
    assert "# calibration=none\n" in (folder / "raw.csv").read_text(encoding="utf-8")
    raw = analyzed(capsys, "raw.csv")["results"]
    camber = next(iter(report.outcomes[0].results.values()))
    assert raw["camber"]["expanded_uncertainty"] > 3.0 * camber.expanded_uncertainty


def test_without_a_calibration_the_log_says_so(folder: Path, capsys: pytest.CaptureFixture[str]):
    live(folder, "sim:garage?seed=6", task=Task("sweep", Request(Wheel.LF), uncalibrated=True))
    assert stored(folder).facts["calibration"] == {"source": "none"}
    assert app.run(["export", "1"]) == 0
    assert "# calibration=none\n" in (folder / "run-1-LF.csv").read_text(encoding="utf-8")
    assert app.run(["export", "1", "--as", "calibration"]) == 2
    assert "without a calibration" in capsys.readouterr().err


def test_a_calibration_from_a_file_is_kept_whole(folder: Path, capsys: pytest.CaptureFixture[str]):
    first = live(folder, "sim:garage?seed=6", request=Request(Wheel.LF)).report
    assert app.run(["export", "1", "--as", "calibration"]) == 0
    path = folder / "run-1-LF-calibration.json"
    task = Task("sweep", Request(Wheel.LF), calibration=read_file(path))
    second = live(folder, "sim:garage?seed=6", task=task).report
    assert second.outcomes == first.outcomes
    fact = stored(folder, 2).facts["calibration"]
    assert fact["source"] == "file" and fact["record"]["units"]["bias"] == "g"
    path.unlink()
    assert computed_again(folder, Request(Wheel.LF), 2) == second.outcomes[0]
    assert app.run(["show", "2"]) == 0
    assert "calibration = from a file, of 2026-01-01" in capsys.readouterr().out


def test_another_pods_calibration_is_refused_live_and_later(
    folder: Path, capsys: pytest.CaptureFixture[str]
):
    other = Path(__file__).parent / "calibration_v1.json"
    task = Task("sweep", Request(Wheel.LF), calibration=read_file(other))
    with pytest.raises(UsageError, match="The calibration is of pod 0001020304050607"):
        live(folder, "sim:garage?seed=6", task=task)
    assert stored(folder).summary.state is RunState.INTERRUPTED
    live(folder, "sim:garage?seed=6")
    for form, name in (("csv", "run-2-LF.csv"), ("capture", "run-2.kncap")):
        assert app.run(["export", "2", "--as", form]) == 0
        words = ["analyze", name, "--measure", "sweep", "--wheel", "LF"]
        capsys.readouterr()
        assert app.run([*words, "--calibration", str(other)]) == 2
        assert "The calibration is of pod 0001020304050607" in capsys.readouterr().err


def test_corrected_readings_are_not_corrected_again(
    folder: Path, capsys: pytest.CaptureFixture[str]
):
    report = live(folder, "sim:garage?seed=6").report
    assert app.run(["export", "1"]) == 0
    assert app.run(["export", "1", "--raw", "--out", "raw.csv"]) == 0
    assert app.run(["export", "1", "--as", "calibration", "--out", "pod.json"]) == 0
    words = ["--measure", "sweep", "--wheel", "LF", "--calibration", "pod.json"]
    capsys.readouterr()
    assert app.run(["analyze", "run-1-LF.csv", *words]) == 2
    assert "already" in capsys.readouterr().err
    again = analyzed(capsys, "raw.csv", "--calibration", "pod.json")["results"]
    for quantity, result in report.outcomes[0].results.items():
        # The log keeps every digit, so it is the run itself.
        assert again[quantity.value]["value"] == pytest.approx(result.value, abs=1e-9)


def test_samples_and_rests_are_dated(folder: Path, capsys: pytest.CaptureFixture[str]):
    report = live(folder, "sim:garage?seed=6").report
    detail = stored(folder)
    started = datetime.fromisoformat(detail.summary.started_utc)
    ended = datetime.fromisoformat(detail.summary.ended_utc or "")
    with Store(folder / "runs.sqlite3", read_only=True) as store:
        decoded = decode_run(store, 1, 0)
    clock = decoded.clock
    assert clock is not None and decoded.block is not None
    first = datetime.fromisoformat(clock.first_sample_utc)
    last = datetime.fromisoformat(clock.stamp(float(decoded.block.t_s[-1])))
    assert first.utcoffset() == timedelta(0)
    assert started <= first < started + timedelta(seconds=0.5)
    assert abs(last - ended) < timedelta(seconds=0.3)

    assert app.run(["export", "1"]) == 0
    stamp = f"# first_sample_utc={clock.first_sample_utc}\n"
    assert stamp in (folder / "run-1-LF.csv").read_text(encoding="utf-8")
    capsys.readouterr()
    assert app.run(["show", "1", "--json"]) == 0
    stream = json.loads(capsys.readouterr().out)["streams"][0]
    assert stream["first_sample_utc"] == clock.first_sample_utc
    assert app.run(["show", "1"]) == 0
    shown = capsys.readouterr().out
    assert f"first sample at {first.astimezone():%Y-%m-%d %H:%M:%S %z}" in shown
    rest = report.outcomes[0].rests[1]
    begun = datetime.fromisoformat(clock.stamp(rest.start_s)).astimezone()
    assert f"{begun:%H:%M:%S}" in shown.partition("Rests from ")[2].splitlines()[0]


def test_a_text_pods_id_is_kept(folder: Path, capsys: pytest.CaptureFixture[str]):
    live(folder, "sim:garage?seed=6")
    identity = stored(folder).streams[0].identity
    assert app.run(["export", "1"]) == 0
    live(folder, f"file:{folder / 'run-1-LF.csv'}")
    again = stored(folder, 2)
    assert again.streams[0].identity == identity and again.streams[0].hello is None
    assert again.facts["calibration"] == {"source": "applied"}
    assert app.run(["show", "2"]) == 0
    shown = capsys.readouterr().out
    assert f"pod {identity}: speaks the text format" in shown
    assert "the pod says that its readings are calibrated" in " ".join(shown.split())
    assert app.run(["export", "2"]) == 0
    facts = (folder / "run-2-LF.csv").read_text(encoding="utf-8")
    assert f"# id={identity}\n" in facts and "# calibration=applied\n" in facts
