"""`knuckle analyze` from a log to its JSON object and exit code."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest

from analysis.wheel_on_paper import Wheel, record, sweep_steer, write_csv
from knuckle.cli.app import run


@pytest.fixture
def log(tmp_path: Path):
    """Write the log of a sweep; returns a function of the wheel and of what the log states."""

    def write(wheel: Wheel, facts=(), seed: int = 3, stops=(0, 20, 0, -20, 0)) -> Path:
        rng = np.random.default_rng(seed)
        path = tmp_path / f"{wheel.name}-{seed}-{len(facts)}.csv"
        write_csv(path, record(wheel, sweep_steer(rng, stops)[0], rng), facts)
        return path

    return write


@pytest.fixture
def analyze(capsys: pytest.CaptureFixture[str]):
    """Run the command with --json; returns exit code and object (None if none was printed)."""

    def call(path: Path, *words: str):
        code = run(["analyze", str(path), "--json", *words])
        out = capsys.readouterr().out
        return code, json.loads(out) if out else None

    return call


SWEEP = ("--measure", "sweep", "--wheel", "LF")


def test_the_object_is_as_documented(log, analyze) -> None:
    code, found = analyze(log(Wheel("LF")), *SWEEP)
    assert code == 0
    assert (found["schema"], found["measure"], found["wheel"]) == (1, "sweep", "LF")
    assert set(found["results"]) == {"camber", "caster", "steering_axis_inclination"}
    truth = {"camber": -1.5, "caster": 5.0, "steering_axis_inclination": 12.0}
    for name, result in found["results"].items():
        assert abs(result["value"] - truth[name]) < 1.3 * result["expanded_uncertainty"]
        assert result["unit"] == "deg"
        squares = sum(term["standard_uncertainty"] ** 2 for term in result["budget"])
        expanded = result["coverage_factor"] * math.sqrt(squares)
        assert result["expanded_uncertainty"] == pytest.approx(expanded)
        assert set(result["budget"][0]) == {
            "term",
            "source",
            "standard_uncertainty",
            "share",
            "type",
            "degrees_of_freedom",
            "group",
        }
        assert sum(term["share"] for term in result["budget"]) == pytest.approx(1.0)
        groups = {term["group"] for term in result["budget"]}
        assert groups >= {"calibration", "zero", "mount", "temperature", "noise", "steer angle"}
    positions = [rest["position"] for rest in found["rests"]]
    assert positions == ["straight", "out", "straight", "in", "straight"]
    assert found["rests"][1]["steer_deg"] > 15
    assert "error" not in found


def test_the_budget_is_printed_where_it_is_asked_for(log, capsys) -> None:
    file = str(log(Wheel("LF")))
    assert run(["analyze", file, *SWEEP]) == 0
    assert "one sigma" not in capsys.readouterr().out.split("Budget of")[-1].splitlines()[0]
    assert run(["analyze", file, *SWEEP, "--budget"]) == 0
    lines = capsys.readouterr().out.splitlines()
    for name in ("camber", "caster", "SAI"):
        assert any(line.startswith(f"Budget of {name} (") for line in lines)
    assert sum(line.split()[:1] == ["combined"] for line in lines) == 3
    assert max(map(len, lines)) <= 80


def test_a_refusal_has_exit_code_3_and_keeps_its_rests(log, analyze) -> None:
    code, found = analyze(log(Wheel("LF"), stops=(0, 20, 0)), *SWEEP)
    assert code == 3
    assert found["error"]["code"] == "STRAIGHT_MISSING"
    assert found["results"] == {}
    assert len(found["rests"]) == 3


def test_milliseconds_and_other_columns(log, analyze, tmp_path: Path) -> None:
    path = log(Wheel("LF"))
    lines = path.read_text(encoding="utf-8").splitlines()
    changed = ["t_ms," + lines[0].partition(",")[2] + ",mood"]
    for line in lines[1:]:
        seconds, _, rest = line.partition(",")
        changed.append(f"{1000 * float(seconds):.1f},{rest},7")
    other = tmp_path / "ms.csv"
    other.write_text("\n".join(changed) + "\n", encoding="utf-8")
    _, first = analyze(path, *SWEEP)
    code, second = analyze(other, *SWEEP)
    assert code == 0
    assert any("mood" in notice for notice in second["notices"])
    for name, result in first["results"].items():
        assert second["results"][name]["value"] == pytest.approx(result["value"], abs=1e-6)


def test_a_log_that_names_another_wheel_is_not_read_as_this_one(log, analyze, capsys) -> None:
    path = log(Wheel("LF"), facts=[("wheel", "LF")])
    assert analyze(path, *SWEEP)[0] == 0
    assert run(["analyze", str(path), "--measure", "sweep", "--wheel", "RF"]) == 2
    assert "says that it is of LF" in capsys.readouterr().err


def test_priors_by_option(log, analyze) -> None:
    path = log(Wheel("LF"))

    def uncertainty(name: str, *words: str) -> float:
        return analyze(path, *SWEEP, *words)[1]["results"][name]["expanded_uncertainty"]

    assert uncertainty("camber", "--mount-tilt", "0.02") < 0.6 * uncertainty("camber")
    assert uncertainty("caster", "--toe", "0;1") > uncertainty("caster")
    assert uncertainty("camber", "--uncalibrated") > 5 * uncertainty("camber")
    stated = uncertainty("camber", "--uncalibrated", "--accel-bias", "1", "--chip-turn", "0.1")
    assert stated < 0.8 * uncertainty("camber", "--uncalibrated")


def test_gravity_and_pads_are_named(log, analyze) -> None:
    found = analyze(log(Wheel("LF")), *SWEEP, "--pads-across", "0.1;0.02")[1]["results"]
    assert found["camber"]["condition"] == "relative to the pads"
    assert found["caster"]["condition"].startswith("relative to gravity, as swept")


def test_camber_of_a_rear_wheel(log, analyze) -> None:
    path = log(Wheel("RR", camber=-2.0), stops=(0, 0))
    code, found = analyze(path, "--measure", "camber", "--wheel", "rr")
    assert code == 0
    assert found["results"]["camber"]["value"] == pytest.approx(-2.0, abs=0.1)
    assert all(rest["steer_deg"] is None for rest in found["rests"])
    code, found = analyze(path, "--measure", "sweep", "--wheel", "RR")
    assert (code, found["error"]["code"]) == (3, "REAR_WHEEL")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--measure", "ride", "--wheel", "LF"), "camber, sweep, toe"),
        (("--measure", "sweep", "--wheel", "XX"), "is no wheel"),
        ((*SWEEP, "--straight", "0"), "counts rests from 1"),
        ((*SWEEP, "--toe", "1o.5"), "letter 'o'"),
        ((*SWEEP, "--plates", "90"), "5 to 60"),
        ((*SWEEP, "--frob"), "No such option"),
        ((*SWEEP, "--brake", "maybe"), "on or off"),
    ],
)
def test_what_is_typed_wrongly_has_exit_code_2(log, words, said, capsys) -> None:
    assert run(["analyze", str(log(Wheel("LF"), stops=(0,))), *words]) == 2
    shown = capsys.readouterr().err
    assert said in shown
    assert "Traceback" not in shown


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "empty"),
        (bytes(range(256)) * 20, "not a text file"),
        (b"t_s,ax_g,ay_g,az_g\n", "no samples"),
        (b"t_s,ax_g,ay_g,az_g\n0,0,0,1\n0.01,0,nan,1\n", "line 3, column 3"),
        (b"t_s,ax_g,ay_g,az_g\n0,0,0,1\n-1,0,0,1\n", "line 3, column 1"),
        (b"t_s,ax,ay_g,az_g\n0,0,0,1\n", "line 1, column 2"),
    ],
)
def test_files_that_cannot_be_read_have_exit_code_1(tmp_path, content, said, capsys) -> None:
    path = tmp_path / "log.csv"
    path.write_bytes(content)
    assert run(["analyze", str(path), *SWEEP]) == 1
    shown = capsys.readouterr().err
    assert said in shown
    assert "Traceback" not in shown
