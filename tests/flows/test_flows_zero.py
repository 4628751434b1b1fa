"""The zero of a reversal, kept and applied: live, to another pod, exported and replayed."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from knuckle.cli.app import run
from knuckle.store.database import Store

POD = "sim:uncalibrated?seed=5"


def general(folder: Path) -> list[str]:
    return ["--store", str(folder / "runs.sqlite3"), "--plain", "--no-sound"]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with a reversal of a pod without calibration (1)."""
    place = tmp_path_factory.mktemp("zero")
    assert run(["reversal", "--pod", POD, "--squareness", "0.05", *general(place)]) == 0
    return place


def camber(
    capsys: pytest.CaptureFixture[str], folder: Path, *words: str, pod: str = POD
) -> dict[str, Any]:
    capsys.readouterr()
    command = ["camber", "--wheel", "LF", "--pod", pod, "--json", *words, *general(folder)]
    assert run(command) == 0
    content: dict[str, Any] = json.loads(capsys.readouterr().out)
    return content


def codes(content: dict[str, Any]) -> set[str]:
    return {warning["code"] for warning in content["warnings"]}


def test_camber_by_the_zero_is_good_to_tenths_where_it_was_degrees(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    by_it = camber(capsys, folder)
    without = camber(capsys, folder, "--no-zero")
    assert "ZERO_USED" in codes(by_it)
    assert not any(code.startswith("ZERO") for code in codes(without))
    good, bad = (made["results"]["camber"] for made in (by_it, without))
    assert bad["expanded_uncertainty"] > 5.0
    assert good["expanded_uncertainty"] < 0.6
    terms = {term["source"]: term for term in good["budget"]}
    assert terms["squareness"]["standard_uncertainty"] == pytest.approx(0.05, rel=0.05)
    assert terms["reversal"]["degrees_of_freedom"] == 3.0
    assert {terms["squareness"]["group"], terms["reversal"]["group"]} == {"zero"}
    with Store(folder / "runs.sqlite3", read_only=True) as store:
        newest, before = (store.run(row.run_id) for row in store.runs(2))
    assert newest.facts["zero"] == "no zero"
    assert before.facts["zero"]["run"] == 1


def test_the_zero_of_one_pod_is_never_anothers(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    other = camber(capsys, folder, pod="sim:uncalibrated?seed=6")
    assert not any(code.startswith("ZERO") for code in codes(other))


def test_a_zero_found_without_calibration_is_not_used_with_one(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The same seed is the same pod, here with a calibration of its own."""
    calibrated = camber(capsys, folder, pod="sim:fine?seed=5")
    assert "ZERO_OTHER_CALIBRATION" in codes(calibrated)


@pytest.mark.parametrize("form", ["csv", "capture"])
def test_an_exported_run_is_measured_by_the_zero_that_it_used(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], form: str
) -> None:
    live = camber(capsys, folder)
    file = tmp_path / f"run.{form}"
    assert run(["export", "last", "--as", form, "--out", str(file), *general(folder)]) == 0
    capsys.readouterr()
    words = ["analyze", str(file), "--measure", "camber", "--wheel", "LF", "--json"]
    assert run([*words, *general(tmp_path)]) == 0
    again = json.loads(capsys.readouterr().out)
    assert again["results"]["camber"]["value"] == live["results"]["camber"]["value"]
    assert "ZERO_USED" in codes(again)
    assert run([*words, "--no-zero", *general(tmp_path)]) == 0
    without = json.loads(capsys.readouterr().out)
    assert without["results"]["camber"]["expanded_uncertainty"] > 5.0
