"""`knuckle car new|show|check` through a pipe. No outside source: plain arithmetic."""

from __future__ import annotations

import io
import json
from pathlib import Path

import pytest

from knuckle.car.asking import QUESTIONS, place
from knuckle.car.file import read_car
from knuckle.cli.app import run
from knuckle.errors import UsageError
from knuckle.model.car import Side, Target, Thread
from knuckle.model.wheel import Wheel

LEAST = "Wren\n92.1in\n1405\n1420mm\n430\n"


@pytest.fixture
def typed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("KNUCKLE_LOG", str(tmp_path / "knuckle.log"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))

    def answer(lines: str, *words: str) -> tuple[int, str, str]:
        monkeypatch.setattr("sys.stdin", io.StringIO(lines))
        capsys.readouterr()
        code = run(["car", *words])
        out, err = capsys.readouterr()
        assert "Traceback" not in out + err
        assert all(len(line) <= 80 for line in out.splitlines())
        return code, out, err

    return answer


def test_only_a_few_answers_are_needed(typed, tmp_path: Path) -> None:
    code, out, err = typed(LEAST + "done\n", "new", "wren")
    assert code == 0, err
    assert "wren.toml is written" in out
    car = read_car(tmp_path / "wren.toml").car
    assert (car.name, car.track_rear_mm) == ("Wren", 1420.0)
    assert car.wheelbase_mm == pytest.approx(92.1 * 25.4)
    assert not list(tmp_path.glob("*.part*"))


def test_all_answers_keep_their_units(typed, tmp_path: Path) -> None:
    front = (
        "28psi\n5.2in\n1.5\nsi\n4.6in\nbeh\n30\n245\nup\n0.5 1 2\n1.75\n330\nlower\n"
        "-1.5/0.25\n5/0.5\n\n0.8mm/0.4\n6'/3'\n0/0.3\n0/0.5\n"
    )
    rear = "1.8bar\n\n1.25\nsleeve\n140\n\n\n\n-1°15'/15'\n\n0.06in/0.03\n\n0/0.1\n"
    code, _, err = typed(LEAST + front + rear + "165lb\nhalf a tank\n", "new", "wren.toml")
    assert code == 0, err
    text = (tmp_path / "wren.toml").read_text(encoding="utf-8")
    for line in (
        "wheelbase_in = 92.1",
        "pressure_psi = 28",
        'toe_link = { pitch_mm = 1.5, thread = "single", arm_in = 4.6, side = "behind", '
        "joint_height_mm = 30 }",
        "camber_deg = { aim = -1.5, within = 0.25 }",
        "toe_mm = { aim = 0.8, within = 0.4 }",
        "total_toe_min = { aim = 6, within = 3 }",
        "ballast_lb = 165",
        'fuel = "half a tank"',
    ):
        assert line in text, text
    car = read_car(tmp_path / "wren.toml").car
    assert car.corners[Wheel.LF].toe_link.side is Side.BEHIND
    assert car.corners[Wheel.RR].toe_link.thread is Thread.SLEEVE
    assert car.corners[Wheel.LR].toe_link.side is None
    # -1 deg 15 min within 15 min is -1.5 to -1.
    assert car.corners[Wheel.LR].targets["camber"] == Target(-1.25, -1.5, -1.0)


def test_slips_are_told_and_asked_again(typed, tmp_path: Path) -> None:
    lines = "\nWren\n2.34\n234o\n92.1 furlong\n2340\n1405kg\n1405\n-1420\n1420\n430\n2.1\n"
    lines += "2.1bar\n\n1.5\ndouble\nsingle\n118\nleft\nahead\n\n\n\n-1.5\n-1.5/-1\n0.25/-1.5mm\n"
    lines += "-1.5/0.25\ndone\n"
    code, out, err = typed(lines, "new", "wren")
    assert code == 0, err
    said = " ".join(out.split())
    for words in (
        "This one is needed.",
        "500 to 10000 mm is expected",
        "(the letter 'o' (not the digit zero))",
        "'furlong' is no unit",
        "'1405kg' is in kg, which is no unit of a length",
        "-1420 is negative",
        "'double' is none of its words",
        "a target needs its tolerance",
        "must be above 0",
        "'-1.5mm' is in mm, which is no unit of camber",
    ):
        assert words in said, words
    assert read_car(tmp_path / "wren.toml").car.corners[Wheel.LF].toe_link.side is Side.AHEAD


def test_back_goes_to_the_question_before(typed, tmp_path: Path) -> None:
    code, _, err = typed("Wren\n2340\nback\n92in\n1405\n1420\n430\nback\n420\ndone\n", "new", "w")
    assert code == 0, err
    text = (tmp_path / "w.toml").read_text(encoding="utf-8")
    assert "wheelbase_in = 92" in text and "wheelbase_mm" not in text and "rim_mm = 420" in text


def test_stopped_half_way_it_goes_on(typed, tmp_path: Path, monkeypatch) -> None:
    code, out, err = typed("Wren\n92.1in\n", "new", "wren")
    assert code == 1 and "goes on from there" in out and "input ended" in err
    assert not (tmp_path / "wren.toml").exists()

    class Stopped(io.StringIO):
        def readline(self, *_: int) -> str:
            line = super().readline()
            if not line:
                raise KeyboardInterrupt
            return line

    monkeypatch.setattr("sys.stdin", Stopped("1405\n"))
    assert run(["car", "new", "wren"]) == 130
    code, out, _ = typed("1420\n430\ndone\n", "new", "wren")
    assert code == 0 and "Going on with 3 answers" in out
    assert read_car(tmp_path / "wren.toml").car.track_front_mm == 1405.0


def test_no_file_is_overwritten(typed, tmp_path: Path) -> None:
    (tmp_path / "wren.toml").write_text("mine", encoding="utf-8")
    code, _, err = typed(LEAST + "done\n", "new", "wren")
    assert code == 2 and "exists already" in err
    assert (tmp_path / "wren.toml").read_text() == "mine"
    code, _, err = typed("Wren\n", "new", "nowhere/wren")
    assert code == 2 and "cannot be kept" in err


def test_damaged_answers_are_left_alone(typed, tmp_path: Path) -> None:
    (tmp_path / "wren.toml.part").write_text("{", encoding="utf-8")
    code, _, err = typed(LEAST, "new", "wren")
    assert code == 2 and "cannot be read" in err
    assert (tmp_path / "wren.toml.part").read_text() == "{"


def test_show_and_check(typed, tmp_path: Path) -> None:
    typed(LEAST + "28psi\ndone\n", "new", "wren")
    code, out, _ = typed("", "show", "wren")
    assert code == 0 and "wheelbase 2339.34 mm" in out and "193.1 kPa (1.93 bar)" in out
    code, out, _ = typed("", "show", "wren", "--json")
    assert code == 0 and json.loads(out)["front"] == {
        "pressure_kpa": pytest.approx(193.05, abs=0.01)
    }
    assert typed("", "check", "wren")[0] == 0
    with (tmp_path / "wren.toml").open("a") as file:
        file.write("\n[rear]\npresure_kpa = 180\nride_height = 3\n")
    code, out, _ = typed("", "check", "wren")
    assert code == 2 and "2 things are wrong" in out
    assert "line 14: [rear] presure_kpa" in out and "Did you mean\n   pressure_kpa?" in out
    code, _, err = typed("", "show", "wren")
    assert code == 2 and "1 more in this file" in err


def test_every_question_has_a_key_and_takes_an_answer() -> None:
    examples = {"thread": "single", "side": "ahead", "place": "upper", "joint": "lower"}
    for question in QUESTIONS:
        if question.table.endswith("targets"):
            answer = "1/0.5"
        else:
            answer = examples.get(question.name, "x" if question.name in ("name", "fuel") else "")
        for number in ("1.5", "100", "1000"):
            try:
                place({"rim_mm": 430}, question, answer or number)
                break
            except UsageError:
                continue
        else:
            pytest.fail(f"{question.identity} takes no answer")
