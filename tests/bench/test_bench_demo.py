"""The main job through the shipped program: ``knuckle demo --pod avr:``."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from bench.conftest import Starter
from knuckle.cli import app as program
from knuckle.links.schemes import open_link
from knuckle.store.database import Store

ROW = re.compile(
    r"^  (LF|RF|LR|RR) +(camber|caster|SAI) +([+-][\d.]+) \S+ ([\d.]+) +([+-][\d.]+) +(yes|NO)",
    re.MULTILINE,
)
SEVEN = [(wheel, "camber") for wheel in ("LF", "RF", "LR", "RR")]
SEVEN += [("LF", name) for name in ("camber", "caster", "SAI")]


pytestmark = pytest.mark.usefixtures("own_places")


def test_camber_and_sweep_through_the_shipped_program_agree_with_the_truth(
    board_elf: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert program.run(["demo", "--pod", "avr:"]) == 0
    shown = capsys.readouterr().out
    assert "Pod: the board's own program" in shown
    rows = ROW.findall(shown)
    assert [(wheel, name) for wheel, name, *_ in rows] == SEVEN
    assert [inside for *_, inside in rows] == ["yes"] * 7
    for *_, half_width, truth, _ in rows:  # an interval that holds everything would be no result
        assert 0.05 < float(half_width) < 0.6
        assert abs(float(truth)) < 20.0
    with Store(tmp_path / "runs.sqlite3", read_only=True) as store:
        facts = store.run(2).facts
    assert (facts["scenario"], facts["seed"]) == ("demo", 2)
    assert program.run(["show", "2"]) == 0


@pytest.mark.parametrize("options", ["sensor=adxl355", "sensor=both", "baud=9600"])
def test_other_sensors_and_a_slow_line_do_the_job_too(
    options: str, board_elf: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert program.run(["demo", "--pod", f"avr:demo?{options}"]) == 0
    rows = ROW.findall(capsys.readouterr().out)
    assert [(wheel, name) for wheel, name, *_ in rows] == SEVEN
    assert [inside for *_, inside in rows].count("yes") >= 6


def test_the_same_seed_gives_the_same_bytes(board_elf: Path) -> None:
    def some() -> bytes:
        pod = open_link("avr:demo?seed=5", purpose="sweep").pod  # type: ignore[attr-defined]
        pod.open()
        sent: bytes = pod.advance(0.5)
        pod.receive(b"\x00\x05\x42\x07\x06\x46\x00")  # START, docs/protocol.md
        sent += b"".join(pod.advance(0.5 + 0.25 * i) for i in range(1, 9))
        pod.close()
        return sent

    first = some()
    assert len(first) > 4000
    assert some() == first


def test_a_program_that_is_no_pod_is_told(
    start: Starter, bench_folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    elf = bench_folder / "conformance.elf"
    assert program.run(["demo", "--pod", f"avr:?elf={elf}"]) == 1
    told = capsys.readouterr().err
    assert "said no hello" in told
    assert "make -C firmware" in told
