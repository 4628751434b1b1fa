"""docs/alignment.md, followed to the letter from a clean folder."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from docs.transcripts import Typist, alike, commands, differences
from knuckle.cli.app import run
from knuckle.model.wheel import Wheel
from knuckle.sim.scenario import load

DOCUMENT = Path(__file__).resolve().parents[2] / "docs" / "alignment.md"


def saved(text: str, name: str) -> str:
    """Return the TOML block that the document says to save under a name."""
    found = re.search(rf"`{re.escape(name)}`.*?^```toml\n(.*?)^```$", text, re.M | re.S)
    assert found, f"nothing to save as {name}"
    return found[1]


def test_alignment_document_followed_to_the_letter(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    text = DOCUMENT.read_text(encoding="utf-8")
    for name in ("siskin-pod.toml", "siskin.toml"):
        (tmp_path / name).write_text(saved(text, name), encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    for name, file in (
        ("KNUCKLE_STORE", "runs.sqlite3"),
        ("KNUCKLE_LOG", "knuckle.log"),
        ("XDG_CONFIG_HOME", "config"),
    ):
        monkeypatch.setenv(name, str(tmp_path / file))
    found = commands(text)
    assert len(found) > 6, "the pattern finds nothing any more"
    wrong = []
    for command in found:
        if command.variable is not None:
            monkeypatch.setenv(*command.variable)
            continue
        typist = Typist(command.shown, lambda: capsys.readouterr().out)
        monkeypatch.setattr("sys.stdin", typist)
        capsys.readouterr()
        code = run(["--no-sound", "--plain", *command.words])
        typist.take_output()
        wrong += [f"{command.line}: asked, not shown: {each}" for each in typist.not_shown]
        wrong += [f"{command.line}: {each}" for each in differences(command.shown, typist.output)]
        assert code == 0, (command.line, typist.output[-2000:])
    assert not wrong, "\n".join(wrong)
    assert (tmp_path / "job-1.html").exists()
    run(["align", "siskin", "--status", "--json"])
    status = json.loads(capsys.readouterr().out)
    assert status["closed"]
    assert status["answers"]["fuel"]["text"] == "half a tank", "Enter takes the car file's"
    # What was read first holds the simulated truth; toe in front is about the thrust line.
    truth = load(str(tmp_path / "siskin-pod.toml")).car
    figures = {(row["place"], row["quantity"]): row["rounds"][0] for row in status["figures"]}
    thrust_deg = 0.5 * (truth.RR.toe_deg - truth.LR.toe_deg)
    for (place, quantity), true_deg in {
        **{(wheel, "camber"): truth.knuckle(wheel).camber_deg for wheel in Wheel},
        ("LR", "toe"): truth.LR.toe_deg,
        ("RR", "toe"): truth.RR.toe_deg,
        ("LF", "toe"): truth.LF.toe_deg + thrust_deg,
        ("RF", "toe"): truth.RF.toe_deg - thrust_deg,
        ("rear", "thrust"): thrust_deg,
    }.items():
        figure = figures[place, quantity]
        assert abs(figure["value"] - true_deg) < figure["expanded_uncertainty"], (place, quantity)


def test_what_is_shown_wrongly_is_seen() -> None:
    assert alike("toe  +0.61 ± 0.11 deg", "toe +0.62 ± 0.11 deg")
    assert not alike("toe +0.61", "toe +0.63")
    assert not alike("job 1", "job 2")
    shown = ["a", "...", "c 1"]
    assert list(differences(shown, "a\nb\nc 1\n")) == []
    assert len(list(differences(shown, "a\nb\nc 2\n"))) == 1
    assert len(list(differences(["a", "c"], "a\nb\nc\n"))) == 1
