"""A pod held against a protractor, from the command line to the report, in pod time."""

from __future__ import annotations

import asyncio
import io
import json
import re
import sys
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console

from knuckle.cli import app as program
from knuckle.cli.typed_lines import SimulatedLines, TypedLines
from knuckle.errors import KnuckleError
from knuckle.links.schemes import open_link
from knuckle.run.noise_kept import floor_of_facts
from knuckle.store.database import Store
from knuckle.terminal.screen import PlainScreen

GAUGE = ["--reference", "gauge", "--resolution", "0.05", "--accuracy", "0.1"]
SHORT = ["--design", "linear", "--angles", "7"]


@pytest.fixture(autouse=True)
def own_places(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("KNUCKLE_LOG", str(tmp_path / "knuckle.log"))
    monkeypatch.setenv("KNUCKLE_STORE", str(tmp_path / "runs.sqlite3"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.setenv("KNUCKLE_SOUND", "off")
    monkeypatch.setenv("KNUCKLE_PLAIN", "1")
    monkeypatch.delenv("KNUCKLE_POD", raising=False)


def said(capsys: pytest.CaptureFixture[str], code: int, *words: str) -> str:
    capsys.readouterr()
    assert program.run(["validate", *words]) == code, capsys.readouterr()
    return capsys.readouterr().out


def record(capsys: pytest.CaptureFixture[str], code: int, *words: str) -> dict[str, Any]:
    content: dict[str, Any] = json.loads(said(capsys, code, *words, "--json"))
    return content["validation"]


def figures(found: dict[str, Any]) -> dict[str, Any]:
    """Return what must not change when the same bytes are measured again."""
    kept = {key: found[key] for key in ("bias", "limits", "readings", "curve")}
    told = {name: value for name, value in found["judgement"].items() if value is not None}
    return {**kept, "judgement": told}


def test_the_whole_run_passes_and_is_reported(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """All parts of the design, one reading mistyped, the pod dropped once on the way."""
    address = "sim:protractor?seed=1&tilting.typo_at=2&tilting.drop_at=4"
    text = said(capsys, 0, "--pod", address, *GAUGE, "--tolerance", "0.35")
    assert "Validation against +-0.35 deg: PASS" in text
    assert "the letter 'o'" in text
    assert "32 pod readings at 21 settings" in text
    assert "split by turning end for end" in text
    told = text[text.index("Validation against") : text.index("Wrote")]
    assert all(len(line) <= 80 for line in told.splitlines())
    page = (tmp_path / "validation-run-1.html").read_text(encoding="utf-8")
    assert "<strong>PASS</strong>" in page
    assert len(re.findall(r'src="data:image/png;base64,iVBOR', page)) == 3
    assert "http" not in page  # it needs nothing beside it
    again = record(capsys, 0, "--run", "last", "--plots", str(tmp_path / "plots"))
    with Store(tmp_path / "runs.sqlite3") as store:
        kept = store.run(1).facts["validate"]
    assert figures(again) == figures(kept)
    assert sorted(path.name for path in (tmp_path / "plots").iterdir()) == [
        "validation-agreement.png",
        "validation-linearity.png",
        "validation-residuals.png",
    ]
    stricter = record(capsys, 3, "--run", "1", "--tolerance", "0.15")
    assert stricter["judgement"]["verdict"] != "pass"
    assert stricter["bias"] == again["bias"]


def test_readings_are_those_of_the_plate(capsys: pytest.CaptureFixture[str]) -> None:
    """A flawless pod and protractor: what is left is noise and seat."""
    flawless = "&".join(
        (
            "tilting.zero_sigma_deg=0&tilting.scale_sigma=0&tilting.resolution_deg=0.001",
            "tilting.reading_sigma_deg=0&tilting.seat_sigma_deg=0",
            "calibration.accel_bias_sigma_g=0&calibration.accel_scale_sigma=0",
            "calibration.accel_cross_sigma=0&calibration.turn_sigma_deg=0",
        )
    )
    found = record(
        capsys,
        0,
        *("--pod", f"sim:protractor?seed=2&{flawless}", *GAUGE, "--tolerance", "0.5"),
        *("--design", "updown", "--angles", "5"),
    )
    assert found["bias"]["value"] == pytest.approx(0.0, abs=0.012)
    assert found["judgement"]["scatter_deg"] < 0.012
    # White noise of the data sheet over a rest: 0.4 mg/sqrt(Hz), 2.5 s, so 0.01 deg.
    assert all(0.003 < r["pod_u_deg"] < 0.015 for r in found["readings"])


def test_a_pod_that_is_off_fails(capsys: pytest.CaptureFixture[str]) -> None:
    off = "tilting.zero_deg=-0.9&tilting.zero_sigma_deg=0"
    found = record(
        capsys, 0, "--pod", f"sim:protractor?seed=3&{off}", *GAUGE, *SHORT, "--tolerance", "0.3"
    )
    assert found["judgement"]["verdict"] == "fail"


def test_a_coarse_reference_cannot_decide(capsys: pytest.CaptureFixture[str]) -> None:
    coarse = ["--reference", "protractor", "--resolution", "0.5", "--accuracy", "0.5"]
    text = said(capsys, 3, "--pod", "sim:protractor?seed=4", *coarse, *SHORT)
    assert "This reference is too coarse for that tolerance" in text
    assert "NOT DECIDED: the reference is too coarse" in text


def test_too_few_readings_are_said_so(capsys: pytest.CaptureFixture[str]) -> None:
    few = ["--design", "linear", "--angles", "3", "--tolerance", "0.5"]
    found = record(capsys, 3, "--pod", "sim:protractor?seed=5", *GAUGE, *few)
    assert found["judgement"]["verdict"] == "not_enough_readings"
    assert found["judgement"]["readings_needed"] >= 6


def test_the_reference_is_kept_for_the_next_time(capsys: pytest.CaptureFixture[str]) -> None:
    few = ["--design", "linear", "--angles", "3"]
    assert program.run(["validate", "--pod", "sim:protractor", *few]) == 2
    assert "--reference is needed" in capsys.readouterr().err
    first = record(capsys, 3, "--pod", "sim:protractor", *GAUGE, *few)
    second = record(capsys, 3, "--pod", "sim:protractor", *few)
    assert second["reference"] == first["reference"]


def test_it_is_asked_once_in_words(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    from knuckle.cli.validate_reference import Typed, newest, stated

    monkeypatch.setattr(sys, "stdin", io.StringIO("ruler\nsine bar\n1oo\n100/0.02\n0.1\n"))
    with Store(tmp_path / "other.sqlite3") as store:
        found = stated(Typed(), store, may_ask=True)
        assert (found.kind, found.bar_mm, found.bar_u_mm) == ("sine-bar", 100.0, 0.02)
        assert newest(store) == found
        assert stated(Typed(), store, may_ask=False) == found
    told = capsys.readouterr().err
    assert "'ruler' is no kind of reference" in told
    assert "the letter 'o'" in told


def test_a_cable_pulled_half_way_is_no_end(capsys: pytest.CaptureFixture[str]) -> None:
    pulled = "faults=disconnect&faults.disconnect.at_s=25&faults.disconnect.length_s=6"
    address = f"sim:protractor?seed=6&{pulled}"
    text = said(capsys, 0, "--pod", address, *GAUGE, *SHORT, "--tolerance", "0.6")
    assert "The pod is back after" in text
    assert "7 pod readings at 7 settings" in text


def broken_off(monkeypatch: pytest.MonkeyPatch, after: int) -> None:
    """Let the input end after so many lines."""
    ask = SimulatedLines.ask
    asked = [0]

    async def at_most(self: SimulatedLines, question: str) -> str:
        asked[0] += 1
        if asked[0] > after:
            raise KnuckleError("Nothing more can be typed: the input has ended.")
        return await ask(self, question)

    monkeypatch.setattr(SimulatedLines, "ask", at_most)


def test_a_run_that_broke_off_is_gone_on_with(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    design = ["--design", "updown", "--angles", "5", "--tolerance", "0.6"]
    with monkeypatch.context() as patch:
        broken_off(patch, 4)
        assert program.run(["validate", "--pod", "sim:protractor?seed=7", *GAUGE, *design]) == 1
    whole = record(capsys, 0, "--resume", "last", "--pod", "sim:protractor?seed=7")
    assert len(whole["readings"]) == 10
    assert [r["direction"] for r in whole["readings"]] == [1] * 5 + [-1] * 5
    assert len({r["setting"] for r in whole["readings"]}) == 10
    again = record(capsys, 0, "--run", "2")
    assert figures(again) == figures(whole)
    half = record(capsys, 3, "--run", "1")
    assert half["readings"] == whole["readings"][:4]
    assert program.run(["validate", "--resume", "2", "--pod", "sim:protractor"]) == 2
    assert "Nothing is left" in capsys.readouterr().err


def test_a_pod_that_stays_seated_is_not_taken_off(capsys: pytest.CaptureFixture[str]) -> None:
    found = record(
        capsys,
        0,
        "--pod",
        "sim:protractor?seed=8",
        *GAUGE,
        *SHORT,
        "--keep-seated",
        "--tolerance",
        "0.6",
    )
    assert {r["seat"] for r in found["readings"]} == {0}
    assert any("hardly put on anew" in remark for remark in found["remarks"])


def test_stacks_of_a_sine_bar_are_typed(capsys: pytest.CaptureFixture[str]) -> None:
    bar = [
        "--reference",
        "sine-bar",
        "--bar",
        "100/0.02",
        "--stack-u",
        "0.01",
        "--accuracy",
        "0.05",
    ]
    found = record(capsys, 0, "--pod", "sim:protractor?seed=9", *bar, *SHORT, "--tolerance", "0.6")
    assert found["reference"]["kind"] == "sine_bar"
    assert found["reference"]["scale_u"] == pytest.approx(0.02 / 100.0)
    assert {r["reference_deg"] > 0.0 for r in found["readings"]} == {True, False}
    assert found["bias"]["parts"]["reference_zero"] == pytest.approx(0.05 / 3.0**0.5)
    assert 0.0 < found["bias"]["parts"]["reference_resolution"] < 0.006


def test_other_runs_are_refused(capsys: pytest.CaptureFixture[str]) -> None:
    assert program.run(["camber", "--wheel", "LF", "--pod", "sim:"]) == 0
    assert program.run(["validate", "--run", "last"]) == 2
    assert "is no validation" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--design", "sideways"], "no design 'sideways'"),
        (["--from", "5", "--to", "-5"], "range of angles is empty"),
        (["--tolerance", "0"], "above zero"),
        (["--from", "-60"], "up to 45 deg"),
        (["--bar", "100"], "belong to --reference sine-bar"),
        (["--run", "last", "--pod", "sim:"], "no pod is needed"),
    ],
)
def test_what_cannot_be_asked_for_is_refused(
    words: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    base = ["validate", *([] if "--pod" in words else ["--pod", "sim:protractor"]), *GAUGE]
    assert program.run([*base, *words]) == 2
    assert said in capsys.readouterr().err


def test_lines_are_read_while_the_program_goes_on(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO("1o.5\n10.5\n"))
    lines = TypedLines(PlainScreen(Console(file=io.StringIO())))

    async def three() -> list[str]:
        return [await lines.ask("first?"), await lines.ask("again?")]

    assert asyncio.run(three()) == ["1o.5", "10.5"]
    with pytest.raises(KnuckleError, match="input has ended"):
        asyncio.run(lines.ask("more?"))


def test_only_a_validation_has_a_person_who_types() -> None:
    from knuckle.model.wheel import Wheel

    assert open_link("sim:", wheel=Wheel.LF, purpose="camber").typed() == ()


def test_a_reference_that_asks_for_more_readings_gets_them(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Reading error alone, 0.15 of the tolerance: longer by itself, or said not to do."""
    poor = [*GAUGE[:2], "--resolution", "0.01", "--accuracy", "0.01", "--reading-u", "0.045"]
    address = "sim:protractor?seed=9&tilting.zero_sigma_deg=0&tilting.reading_sigma_deg=0.045"
    words = ["--pod", address, *poor, "--tolerance", "0.3", "--design", "reversal"]
    text = said(capsys, 0, *words)
    assert "Readings of the pod: 14, of the reference: 7." in text
    assert "So many, because the reference leaves a good pod undecided otherwise." in text
    assert "One angle alone was set" in text
    head = text[: text.index("simulated pod")]
    assert all(len(line) <= 80 for line in head.splitlines())
    words = ["--pod", address, *poor, "--tolerance", "0.3", "--design", "linear", "--angles", "6"]
    assert program.run(["validate", *words, "--keep-seated"]) in (0, 3)
    text = capsys.readouterr().out
    assert "This may not decide" in text
    assert "Better: --design" in text


def test_a_design_that_does_not_exist_is_refused_before_a_pod_is_looked_for(
    capsys: pytest.CaptureFixture[str],
) -> None:
    for words in (["--design", "lin"], ["--from", "5", "--to", "-5"], ["--angles", "1"]):
        assert program.run(["validate", *words]) == 2
        told = capsys.readouterr()
        assert "listening" not in told.out + told.err


def test_its_rests_start_from_the_noise_that_is_kept(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """And so do they when the stored bytes are measured again."""
    assert program.run(["noise", "--pod", "sim:protractor?seed=6", "--seconds", "20"]) == 0
    words = ("--pod", "sim:protractor?seed=6", *GAUGE, "--design", "linear", "--angles", "6")
    capsys.readouterr()
    code = program.run(["validate", *words, "--tolerance", "0.5", "--json"])
    found = json.loads(capsys.readouterr().out)["validation"]
    with Store(tmp_path / "runs.sqlite3") as store:
        assert floor_of_facts(store.run(1).facts) is None
        assert floor_of_facts(store.run(2).facts) is not None
    assert figures(record(capsys, code, "--run", "last")) == figures(found)
