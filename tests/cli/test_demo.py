"""``knuckle demo``: works anywhere, says what it is, ends beside the truth."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from knuckle.cli import app as program
from knuckle.cli.demo import demo_address
from knuckle.errors import UsageError
from knuckle.store.database import Store
from knuckle.store.rows import RunState


@pytest.fixture(autouse=True)
def own_places(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("KNUCKLE_LOG", str(tmp_path / "knuckle.log"))
    monkeypatch.setenv("KNUCKLE_STORE", str(tmp_path / "new" / "runs.sqlite3"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.setenv("KNUCKLE_SOUND", "off")
    monkeypatch.delenv("KNUCKLE_POD", raising=False)


def test_the_demonstration(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    assert program.run(["demo"]) == 0
    shown = capsys.readouterr().out
    assert "Scenario demo, seed 2" in shown
    assert "invented" in shown
    assert "\x1b" not in shown
    rows = re.findall(
        r"^  (LF|RF|LR|RR) +(camber|caster|SAI) +([+-][\d.]+) \S+ ([\d.]+) +([+-][\d.]+) +(yes|NO)",
        shown,
        re.MULTILINE,
    )
    assert [(wheel, name) for wheel, name, *_ in rows] == [
        ("LF", "camber"),
        ("RF", "camber"),
        ("LR", "camber"),
        ("RR", "camber"),
        ("LF", "camber"),
        ("LF", "caster"),
        ("LF", "SAI"),
    ]
    for *_, value, half_width, truth, inside in rows:
        off = abs(float(value) - float(truth))
        assert (off <= float(half_width) + 0.01) == (inside == "yes")
    plot = tmp_path / "new" / "plots" / "run-2-LF-result.png"
    assert str(plot) in shown
    assert plot.read_bytes().startswith(b"\x89PNG")
    with Store(tmp_path / "new" / "runs.sqlite3", read_only=True) as store:
        states = [(run.kind, run.state) for run in store.runs()]
        facts = store.run(2).facts
    assert states == [("sweep", RunState.FINISHED), ("camber", RunState.FINISHED)]
    assert (facts["scenario"], facts["seed"]) == ("demo", 2)
    assert program.run(["show", "2"]) == 0


def test_the_same_seed_shows_the_same(capsys: pytest.CaptureFixture[str]) -> None:
    def results() -> list[str]:
        assert program.run(["demo", "--seed", "3"]) == 0
        lines = capsys.readouterr().out.splitlines()
        return [line for line in lines if line.endswith(("yes", "NO"))]

    first = results()
    assert len(first) == 7
    assert results() == first


def test_a_demonstration_of_what_goes_wrong(capsys: pytest.CaptureFixture[str]) -> None:
    assert program.run(["demo", "--scenario", "small_sweep"]) == 3
    shown = capsys.readouterr().out
    assert "no result, SWEEP_TOO_SMALL" in shown
    assert "small_sweep" in shown


def test_addresses() -> None:
    assert demo_address(None, None, None) == "sim:demo"
    assert demo_address(None, "knocks", 7) == "sim:knocks?seed=7"
    assert demo_address("sim:garage?seed=2", None, None) == "sim:garage?seed=2"
    for pod, scenario, seed in (
        ("serial:COM3", None, None),
        ("sim:garage", "knocks", None),
        ("sim:?seed=2", None, 3),
    ):
        with pytest.raises(UsageError):
            demo_address(pod, scenario, seed)


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--scenario", "no-such-thing"], "no-such-thing"),
        (["--speed", "-1"], "--speed"),
        (["--speed", "fast"], "fast"),
        (["--pod", "serial:/dev/ttyUSB0"], "simulated pod"),
    ],
)
def test_mistakes(words: list[str], told: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert program.run(["demo", *words]) == 2
    assert told in capsys.readouterr().err
