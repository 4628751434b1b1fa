"""Camber and toe through suspension travel: typed, by the pod, left and gone on with."""

from __future__ import annotations

import io
import json
import math
import os
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from flows.whole_job import CAR
from knuckle.cli.app import run

RIM_MM = 430.0
Typed = Callable[..., tuple[int, str, str]]


def camber_deg(height_mm: float) -> float:
    """The true curve: 0.016 deg/mm of gain at ride height, growing as the wheel goes up."""
    return -1.2 - 0.016 * height_mm - 6e-5 * height_mm**2


def toe_line(height_mm: float) -> str:
    """Distances to a string 60 mm away, 0.1 deg of toe-in and 0.004 deg/mm of bump steer."""
    half = RIM_MM / 2.0 * math.sin(math.radians(0.1 + 0.004 * height_mm))
    pair = f"{60 + half:.3f}/{60 - half:.3f}"
    return f"{height_mm:g} camber {camber_deg(height_mm):.3f}/0.02 toe {pair} {pair}\n"


@pytest.fixture
def typed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("KNUCKLE_STORE", str(tmp_path / "runs.sqlite3"))
    monkeypatch.setenv("KNUCKLE_LOG", str(tmp_path / "knuckle.log"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    monkeypatch.delenv("KNUCKLE_POD", raising=False)

    def answer(lines: str, *words: str) -> tuple[int, str, str]:
        monkeypatch.setattr("sys.stdin", io.StringIO(lines))
        capsys.readouterr()
        code = run(["--no-sound", "--plain", *words])
        out, err = capsys.readouterr()
        assert "Traceback" not in out + err
        return code, out, err

    return answer


def kept(typed: Typed, number: str = "last") -> dict[str, Any]:
    code, out, _ = typed("", "show", number, "--json")
    assert code == 0
    content: dict[str, Any] = json.loads(out)
    return content


def last_outcome(typed: Typed) -> dict[str, Any]:
    outcome: dict[str, Any] = kept(typed)["outcomes"][-1]
    return outcome


TRAVEL = ("travel", "--wheel", "LF", "--rim-length", "430mm")


def test_typed_readings_give_the_curves_they_came_from(typed: Typed, tmp_path: Path) -> None:
    lines = "".join(toe_line(height) for height in (0.0, 20.0, -20.0, 40.0, -40.0, 60.0, -50.0))
    code, out, err = typed(lines + "done\n", *TRAVEL, "--plot", "curve.png")
    assert code == 0, err
    assert max(len(line) for line in out.splitlines() if "is kept in" not in line) <= 80
    assert "JACK STANDS" in out and "the jack moves the wheel alone" in out
    outcome = last_outcome(typed)
    gain, steer = outcome["results"]["camber_gain"], outcome["results"]["bump_steer"]
    assert gain["unit"] == "deg/mm" and steer["unit"] == "deg/mm"
    assert gain["value"] == pytest.approx(-0.016, abs=gain["expanded_uncertainty"])
    assert steer["value"] == pytest.approx(0.004, abs=1e-4)
    assert outcome["details"]["camber_order"] == 2.0 and outcome["details"]["toe_order"] == 1.0
    assert outcome["details"]["camber_c2"] == pytest.approx(-6e-5, abs=2e-5)
    # mm of toe over the rim for each mm of travel: 430 x 0.004 deg in radians.
    assert outcome["details"]["bump_steer_mm_per_mm"] == pytest.approx(0.03002, abs=8e-4)
    assert (tmp_path / "curve.png").read_bytes().startswith(b"\x89PNG")
    code, out, _ = typed("", "show", "1")
    assert code == 0 and "reading at -50.0 mm = camber" in out
    assert "Camber gain" in out and f"{gain['value']:+.4f}" in out
    assert max(map(len, out.splitlines())) <= 80
    assert typed("", "plot", "1", "--out", "again.png")[0] == 0
    assert (tmp_path / "again.png").read_bytes() == (tmp_path / "curve.png").read_bytes()
    assert typed("", "export", "1", "--as", "json", "--out", "run.json")[0] == 0
    exported = json.loads((tmp_path / "run.json").read_text(encoding="utf-8"))
    assert len(exported["facts"]["stations"]) == 7
    code, out, _ = typed("", "runs")
    assert "camber_gain of LF: -0.01" in out


def test_left_and_gone_on_with(typed: Typed) -> None:
    code, out, _ = typed(toe_line(0.0) + toe_line(30.0), *TRAVEL)
    assert code == 130 and "--continue 1` goes on" in out
    assert kept(typed)["state"] == "interrupted"
    code, out, err = typed(
        "drop\n" + toe_line(30.0) + toe_line(-30.0) + "done\n",
        *("travel", "--wheel", "LF", "--continue", "1"),
    )
    assert code == 0, err
    assert "Reading 3 of LF" in out and "Taken back: +30.0 mm" in out
    facts = kept(typed)["facts"]
    assert [stop["height_mm"] for stop in facts["stations"]] == [0.0, 30.0, -30.0]
    assert len(facts["dropped"]) == 1 and facts["continues"] == 1
    assert len(kept(typed, "1")["facts"]["stations"]) == 2, "nothing is overwritten"
    code, _, err = typed("", "travel", "--wheel", "RF", "--continue", "1")
    assert code == 2 and "Run 1 is no travel of RF" in err


def test_killed_it_has_lost_nothing(typed: Typed, tmp_path: Path) -> None:
    started = subprocess.Popen(
        [sys.executable, "-m", "knuckle", "--plain", "--no-sound", *TRAVEL],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        env=os.environ.copy(),
        cwd=tmp_path,
        text=True,
    )
    assert started.stdin is not None and started.stdout is not None
    started.stdin.write(toe_line(0.0) + toe_line(25.0))
    started.stdin.flush()
    seen = 0
    for line in started.stdout:
        seen += "Kept:" in line
        if seen == 2:
            break
    started.send_signal(signal.SIGKILL)
    started.wait()
    code, _, err = typed(toe_line(-25.0) + "done\n", *TRAVEL, "--continue", "1")
    assert code == 0, err
    assert kept(typed, "1")["state"] == "interrupted"
    assert len(kept(typed)["facts"]["stations"]) == 3
    assert "camber_gain" in last_outcome(typed)["results"]


def test_camber_by_the_pod_at_each_height(typed: Typed) -> None:
    """The pod's seat is one and the same: it moves the curve, and not its slope."""
    heights = (0.0, 40.0, -40.0)
    run_before: list[str] = []
    for number, height in enumerate(heights, start=1):
        pod = f"sim:garage?seed=3&script.on_wheel=true&car.LF.camber_deg={camber_deg(height):.4f}"
        words = ["travel", "--wheel", "LF", "--pod", f"{pod}&transport=memory", *run_before]
        code, _, err = typed(f"{height:g}/0.3\n" + ("done\n" if number == 3 else ""), *words)
        assert code == (0 if number == 3 else 130), err
        run_before = ["--continue", str(2 * number)]
    outcome = last_outcome(typed)
    gain = outcome["results"]["camber_gain"]
    assert gain["value"] == pytest.approx(-0.016, abs=gain["expanded_uncertainty"])
    assert gain["expanded_uncertainty"] < 0.002
    assert outcome["details"]["camber_shared_u_deg"] > 0.1, "the seat, told apart"
    stations = kept(typed)["facts"]["stations"]
    assert [stop["camber_run"] for stop in stations] == [1, 3, 5]


def test_the_pods_linear_sensor_tells_the_height(typed: Typed) -> None:
    sensor = "sim:known_lengths?seed=2&script.on_wheel=true&transport=memory"
    code, _, err = typed("", "linear", "calibrate", "20", "50", "80", "--pod", sensor)
    assert code == 0, err
    more: list[str] = []
    for number, moved in enumerate((0.0, 20.0, -15.0), start=1):
        # The sensor lies at 50 mm of what it sends; its line is moved in place of the wheel.
        pod = f"{sensor}&linear.offset_mm={-2.4 - moved}&car.LF.camber_deg={camber_deg(moved):.4f}"
        words = ["travel", "--wheel", "LF", "--pod", pod, "--height-sensor", "up", *more]
        code, _, err = typed("\n" + ("done\n" if number == 3 else ""), *words)
        assert code == (0 if number == 3 else 130), err
        more = ["--continue", str(2 * number + 1)]
    heights = [stop["height_mm"] for stop in kept(typed)["facts"]["stations"]]
    assert heights == pytest.approx([0.0, 20.0, -15.0], abs=0.3)
    assert last_outcome(typed)["results"]["camber_gain"]["value"] < -0.01


def test_what_cannot_be_read_is_asked_again(typed: Typed) -> None:
    lines = (
        "25\n25 camber\n25 camber 99\n25 toe 62\n25 camebr 1\n999 camber -1\nx camber 1\n"
        "25/0 camber 1\nread\ndrop\n1in camber -1.6\ndone\n"
    )
    code, out, _ = typed(lines, "travel", "--wheel", "LF")
    said = " ".join(out.split())
    for words in (
        "No pod is named",
        "What was read there?",
        "99 is no camber",
        "two distances are needed",
        "'camebr' is not understood",
        "no wheel travels so far",
        "The uncertainty must be above zero",
        "Which height?",
        "There is nothing to take back",
        "Kept: +25.4 mm, camber -1.60 deg",
    ):
        assert words in said, words
    assert code == 3 and "TRAVEL_TOO_FEW" in said
    assert kept(typed)["state"] == "refused"
    code, out, _ = typed("0 toe 60/60\nq\n", "travel", "--wheel", "LF")
    assert "Toe needs --rim-length" in out and "Nothing was read" in out and code == 130
    for words, told in (
        (["--height-sensor", "sideways"], "takes up or down"),
        (["--height-sensor", "up"], "is of a pod"),
        (["--rim-length", "43in", "--continue", "99"], "no run 99"),
        (["--rim-length", "4mm"], "no rim is as long"),
    ):
        code, out, err = typed("", "travel", "--wheel", "LF", *words)
        assert code == 2 and told in (out + err).lower() + out + err, (words, err)


def test_in_a_job_it_is_a_reading(typed: Typed, tmp_path: Path) -> None:
    (tmp_path / "dunlin.toml").write_text(CAR, encoding="utf-8")
    lines = "".join(f"{h} camber {camber_deg(h):.3f}/0.02\n" for h in (0, 25, -25))
    code, out, err = typed(
        f"travel LF\n{lines}done\ntravel\nstatus\nq\n", "align", "dunlin", "--phase", "readings"
    )
    assert code == 0, err
    assert "LF camber gain" in out and "no result from run" not in out
    code, out, _ = typed("", "align", "dunlin", "--status", "--json")
    rows = {f"{row['place']} {row['quantity']}": row for row in json.loads(out)["figures"]}
    gain = rows["LF camber_gain"]["rounds"][0]
    assert gain["value"] == pytest.approx(-0.016, abs=0.002) and gain["runs"] == [1]
    assert "LF camber" not in rows, "camber at other heights is not the car's"


def test_two_jobs_are_compared_by_travel_and_tape(typed: Typed, tmp_path: Path) -> None:
    (tmp_path / "dunlin.toml").write_text(CAR, encoding="utf-8")
    for gain, base in ((1.0, "2401/0.5"), (1.4, "2407/0.5")):
        lines = "".join(f"{h} camber {gain * camber_deg(h):.3f}/0.02\n" for h in (0, 25, -25))
        code, _, err = typed(
            f"travel LF\n{lines}done\nwheelbase {base} 2400/0.5\nq\n",
            *("align", "dunlin", "--new", "--phase", "readings"),
        )
        assert code == 0, err
    code, out, err = typed("", "compare", "1", "2", "--json")
    assert code == 0, err
    rows = {f"{row['place']} {row['quantity']}": row for row in json.loads(out)["figures"]}
    assert rows["LF camber_gain"]["verdict"] == "differs"
    assert rows["car wheelbase_difference"]["verdict"] == "differs"
    assert typed("", "compare", "1", "2")[0] == 0
    code, out, _ = typed("", "history", "dunlin")
    assert code == 0 and "-0.016" in out
