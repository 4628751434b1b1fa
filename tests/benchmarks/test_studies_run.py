"""Each study runs from end to end on the least it takes; its figures are not judged here."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

FOLDER = Path(__file__).resolve().parent
LEAST = {
    "alignment": 2,
    "calibration": 2,
    "coverage": 2,
    "efficiency": 1,
    "rests": 1,
    "toe": 2,
    "spin": 2,
    "reversal": 2,
    "cue": 1,
    "decode": 500,
    "long_log": 70,
    "noise_figures": 2,
    "start_up": 1,
    "stored_runs": 20,
    "verdicts": 2,
    "verdicts_strict": 1,
}
SAID = {
    "alignment": "before and after",
    "calibration": "without calibration",
    "coverage": "labelled right",
    "efficiency": "cone alone",
    "rests": "one hour at 200 Hz",
    "toe": "touches not taken",
    "spin": "camber without",
    "reversal": "camber_zero",
    "cue": "walks round the car",
    "decode": "byte by byte",
    "long_log": "exit 0",
    "noise_figures": "random walk of",
    "start_up": "--help",
    "stored_runs": "history Plover",
    "verdicts": "undecidable",
    "verdicts_strict": "told",
}


@pytest.mark.parametrize("study", LEAST)
def test_study_runs(study: str) -> None:
    done = subprocess.run(
        [sys.executable, FOLDER / f"{study}.py", str(LEAST[study])],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert SAID[study] in done.stdout


@pytest.mark.parametrize(
    "words", [["--linear", "wire", "--no-gyro"], ["--linear", "rod"], ["--part", "adxl355"]]
)
def test_coverage_runs_with_other_sensors(words: list[str]) -> None:
    program = [sys.executable, FOLDER / "coverage.py", "2", *words]
    done = subprocess.run(program, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert "over 2 of 2 drawn sweeps" in done.stdout


def test_every_study_is_tried() -> None:
    others = {"__main__", "captured_hour", "labels"}
    programs = {path.stem for path in FOLDER.glob("*.py") if not path.stem.startswith("test_")}
    assert programs - others == set(LEAST) == set(SAID)
