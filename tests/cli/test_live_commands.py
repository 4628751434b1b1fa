"""``knuckle camber`` and ``knuckle sweep`` as a new user meets them."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from knuckle.cli import app as program
from knuckle.cli.camber import chosen_order
from knuckle.cli.live import sim_in_order
from knuckle.cli.live_view import scene_of
from knuckle.config import resolve, wheels_in_order
from knuckle.errors import UsageError
from knuckle.model.guidance import Ask, Guidance, LinkState, PlaceMark
from knuckle.model.wheel import Wheel
from knuckle.run.view import LiveView
from knuckle.store.database import Store


@pytest.fixture(autouse=True)
def own_places(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("KNUCKLE_LOG", str(tmp_path / "knuckle.log"))
    monkeypatch.setenv("KNUCKLE_STORE", str(tmp_path / "runs.sqlite3"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.setenv("KNUCKLE_SOUND", "off")
    monkeypatch.delenv("KNUCKLE_POD", raising=False)


def test_a_sweep(capsys: pytest.CaptureFixture[str]) -> None:
    assert program.run(["sweep", "--pod", "sim:?seed=5", "--wheel", "lf"]) == 0
    shown = capsys.readouterr().out
    assert shown.count("FOOT BRAKE") == 1, "cautions are printed once"
    assert "parking brake does not hold front" in shown
    assert "seed 5" in shown
    assert "Recorded: somebody sits in the driver's seat." in shown
    for word in ("Camber  ", "Caster  ", "Steering-axis inclination", "limited by", "two-reading"):
        assert word in shown
    assert "Run 1 (finished)" in shown
    assert "\x1b" not in shown
    assert all(len(line) <= 80 for line in shown.splitlines() if not line.startswith("Run"))


def test_a_sweep_as_json(capsys: pytest.CaptureFixture[str]) -> None:
    assert program.run(["sweep", "--pod", "sim:?seed=5", "--wheel", "RF", "--json"]) == 0
    captured = capsys.readouterr()
    content = json.loads(captured.out)
    assert content["schema"] == 1
    assert content["wheel"] == "RF"
    assert set(content["results"]) == {"camber", "caster", "steering_axis_inclination"}
    assert "Sweep, RF" in captured.err, "the live view goes elsewhere"


def test_camber_of_all_as_json(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    words = ["camber", "--pod", "sim:demo", "--order", "RR LF", "--driver", "in", "--json"]
    assert program.run(words) == 0
    content = json.loads(capsys.readouterr().out)
    assert [each["wheel"] for each in content["wheels"]] == ["RR", "LF"]
    with Store(tmp_path / "runs.sqlite3", read_only=True) as store:
        facts = store.run(1).facts
    assert facts["driver"] == "in"
    assert facts["order"] == ["RR", "LF"]
    assert facts["scenario"] == "demo"
    assert [part["wheel"] for part in facts["parts"]] == ["RR", "LF"]


def test_camber_of_one_wheel_says_where_the_driver_is(capsys: pytest.CaptureFixture[str]) -> None:
    assert program.run(["camber", "--pod", "sim:", "--wheel", "LR"]) == 0
    shown = capsys.readouterr().out
    assert "nobody in the driver's seat" in shown
    assert "LR  camber" in shown
    assert "limited by" in shown


def test_an_exported_run_is_analyzed_to_the_last_digit(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    assert program.run(["sweep", "--pod", "sim:?seed=6", "--wheel", "LF", "--json"]) == 0
    live = json.loads(capsys.readouterr().out)
    capture = tmp_path / "run.kncap"
    assert program.run(["export", "1", "--out", str(capture)]) == 0
    capsys.readouterr()
    words = ["analyze", str(capture), "--measure", "sweep", "--wheel", "LF", "--json"]
    assert program.run(words) == 0
    again = json.loads(capsys.readouterr().out)
    for key in ("results", "rests", "warnings", "details"):
        assert again[key] == live[key]


def test_a_rear_wheel_is_refused(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    assert program.run(["sweep", "--pod", "sim:", "--wheel", "LR"]) == 3
    assert "does not steer" in capsys.readouterr().err
    assert program.run(["sweep", "--pod", "sim:", "--wheel", "RR", "--json"]) == 3
    content = json.loads(capsys.readouterr().out)
    assert content["error"]["code"] == "REAR_WHEEL"
    assert content["results"] == {}
    assert not (tmp_path / "runs.sqlite3").exists()


def test_refused_measurements_exit_with_3(capsys: pytest.CaptureFixture[str]) -> None:
    assert program.run(["sweep", "--pod", "sim:small_sweep", "--wheel", "LF"]) == 3
    shown = capsys.readouterr().out
    assert "No result: SWEEP_TOO_SMALL" in shown
    assert "Run 1 (refused, incomplete)" in shown


@pytest.mark.parametrize(
    ("words", "told", "code"),
    [
        (["sweep", "--pod", "sim:", "--wheel", "XX"], "'XX' is no wheel", 2),
        (["sweep", "--pod", "sim:"], "Which wheel?", 2),
        (["sweep", "--pod", "serial:/dev/no-such-port", "--wheel", "LF"], "no-such-port", 1),
        (["sweep", "--pod", "sim:", "--wheel", "LF", "--driver", "up"], "in or out", 2),
        (["sweep", "--pod", "sim:", "--wheel", "LF", "--plates", "2"], "5 to 60", 2),
        (["sweep", "--pod", "sim:", "--wheel", "LF", "--straight", "0"], "from 1", 2),
        (["sweep", "--pod", "sim:", "--wheel", "LF", "--calibration", "/no/file"], "/no/file", 1),
        (["sweep", "--pod", "sim:", "--wheel", "LF", "--brake", "half"], "on or off", 2),
        (["sweep", "--pod", "sim:", "--wheel", "LF", "--rate", "0"], "above 0", 2),
        (["camber", "--pod", "sim:"], "Which wheel?", 2),
        (["camber", "--pod", "sim:", "--wheel", "LF", "--all"], "choose", 2),
        (["camber", "--pod", "sim:", "--order", "LF,LF"], "at most once", 2),
        (["camber", "--pod", "sim:", "--wheel", "LF", "--speed", "2"], "--speed", 2),
        (["camber", "--pod", "file:/no/such.kncap", "--wheel", "LF"], "/no/such.kncap", 1),
    ],
)
def test_mistakes(
    words: list[str], told: str, code: int, capsys: pytest.CaptureFixture[str]
) -> None:
    assert program.run(words) == code
    shown = capsys.readouterr().err
    assert told in shown
    assert "fault of its own" not in shown


def test_orders() -> None:
    settings = resolve({}, {"KNUCKLE_ORDER": "RR,LR"})
    assert wheels_in_order("lf, rf") == wheels_in_order(["LF", "rf"]) == (Wheel.LF, Wheel.RF)
    assert chosen_order(None, True, None, settings) == (Wheel.RR, Wheel.LR)
    assert chosen_order(Wheel.RF, False, None, settings) == (Wheel.RF,)
    assert chosen_order(None, False, "LR,LF", settings) == (Wheel.LR, Wheel.LF)
    with pytest.raises(UsageError):
        chosen_order(None, False, "", settings)
    assert sim_in_order("sim:?seed=1", [Wheel.RF]) == "sim:?seed=1&script.wheels=RF"
    assert sim_in_order("serial:COM3", [Wheel.RF]) == "serial:COM3"


def moment(steer_deg: float | None, wheel: Wheel, measure: str = "sweep") -> LiveView:
    guidance = Guidance("Turn on", Ask.MOVE, 20.0, (PlaceMark("left", 0, 1),))
    return LiveView(measure, wheel, guidance, -1.234, steer_deg, LinkState(connected=False), 1.0)


def test_the_driver_sees_the_steer_angle_large_with_its_side() -> None:
    # ISO 8855: left is positive; on a left wheel left is out (trade terms).
    scene = scene_of(moment(12.34, Wheel.LF))
    assert (scene.value, scene.caption) == ("12.3", "steer, left (out)")
    assert scene_of(moment(12.34, Wheel.RF)).caption == "steer, left (in)"
    assert scene_of(moment(-12.34, Wheel.RF)).caption == "steer, right (out)"
    assert scene_of(moment(0.1, Wheel.RF)).caption == "steer, straight ahead"
    assert scene.ask is Ask.MOVE
    assert scene.goal_deg == 20.0
    assert not scene.links[0].connected
    assert scene_of(moment(None, Wheel.LF)).value == ""


def test_camber_shows_camber_large() -> None:
    scene = scene_of(moment(5.0, Wheel.LF, "camber"))
    assert scene.value == "-1.23"
    assert scene.steer_deg is None
