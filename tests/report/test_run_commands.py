"""`knuckle runs`, `show`, `note`, `export` and `plot`, called as the user calls them."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from knuckle.cli import app
from knuckle.model.result import Outcome, PlacedRest, Quantity
from knuckle.store.capture import is_capture
from knuckle.store.database import Store
from knuckle.wire.textlog import read_csv
from report.made_sweep import made_outcome
from report.stored_sweep import filled_store


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Where a new user stands: his own folders, and a store with one sweep."""
    for name in ("HOME", "XDG_DATA_HOME", "XDG_CONFIG_HOME", "XDG_STATE_HOME", "XDG_CACHE_HOME"):
        monkeypatch.setenv(name, str(tmp_path / "home"))
    monkeypatch.setenv("KNUCKLE_LOG", str(tmp_path / "knuckle.log"))
    monkeypatch.setenv("KNUCKLE_STORE", str(tmp_path / "runs.sqlite3"))
    filled_store(tmp_path / "runs.sqlite3")
    (tmp_path / "here").mkdir()
    monkeypatch.chdir(tmp_path / "here")
    return tmp_path / "here"


def test_runs(folder: Path, capsys: pytest.CaptureFixture[str]):
    assert app.run(["runs"]) == 0
    out = capsys.readouterr().out
    assert "sweep  LF finished" in out and "5.00" in out and "before the bushes" in out
    with Store(folder.parent) as store:
        for _ in range(25):
            store.finish_run(store.begin_run("watch", ["LF"]))
    assert app.run(["runs"]) == 0
    assert "6 earlier runs" in capsys.readouterr().out
    assert app.run(["runs", "--limit", "3"]) == 0
    assert "23 earlier runs" in capsys.readouterr().out
    assert app.run(["runs", "--all", "--json"]) == 0
    content = json.loads(capsys.readouterr().out)
    assert content["schema"] == 1 and len(content["runs"]) == 26
    assert content["runs"][-1]["figures"][1]["value"] == 5.0


def test_show(folder: Path, capsys: pytest.CaptureFixture[str]):
    assert app.run(["show", "last"]) == 0
    assert "Run 1: sweep, finished" in capsys.readouterr().out
    assert app.run(["show", "1", "--json"]) == 0
    content = json.loads(capsys.readouterr().out)
    assert content["outcomes"][0]["results"]["caster"]["expanded_uncertainty"] == 0.31


def test_note(folder: Path, capsys: pytest.CaptureFixture[str]):
    assert app.run(["note", "1", "camber", "plates", "moved"]) == 0
    assert app.run(["show", "1"]) == 0
    assert "camber plates moved" in capsys.readouterr().out
    assert app.run(["note", "1", " "]) == 2


def test_export(folder: Path, capsys: pytest.CaptureFixture[str]):
    assert app.run(["export", "1"]) == 0
    assert "Wrote run-1-LF.csv" in capsys.readouterr().out
    block, facts, notices = read_csv(folder / "run-1-LF.csv")
    assert len(block) == 2300 and facts["wheel"] == "LF" and notices == []
    assert app.run(["export", "1"]) == 2
    assert "exists already" in capsys.readouterr().err
    assert app.run(["export", "1", "--force"]) == 0
    assert app.run(["export", "1", "--as", "json"]) == 0
    assert json.loads((folder / "run-1.json").read_text(encoding="utf-8"))["run"] == 1
    assert app.run(["export", "1", "--out", "raw.kncap"]) == 0
    assert is_capture(folder / "raw.kncap")
    assert app.run(["export", "1", "--out", "samples.docx"]) == 2
    assert "names no format" in capsys.readouterr().err


def test_export_parquet(folder: Path, capsys: pytest.CaptureFixture[str]):
    pytest.importorskip("pyarrow")
    assert app.run(["export", "1", "--as", "parquet"]) == 0
    assert (folder / "run-1-LF.parquet").read_bytes().startswith(b"PAR1")


def test_run_with_several_pods_asks_which(folder: Path, capsys: pytest.CaptureFixture[str]):
    with Store(folder.parent) as store:
        store.finish_run(store.begin_run("sweep", ["LF", "RF"]))
        store.finish_run(store.begin_run("sweep", []))
    assert app.run(["export", "2"]) == 2
    assert "2 pods, on LF, RF" in capsys.readouterr().err
    assert app.run(["export", "2", "--wheel", "rf"]) == 1
    assert "no samples" in capsys.readouterr().err
    assert app.run(["export", "3"]) == 2
    assert "has no pod" in capsys.readouterr().err


def test_one_pod_carried_round_the_car(folder: Path, capsys: pytest.CaptureFixture[str]):
    """One stream, a result for each wheel: --wheel picks the result."""
    camber = {Quantity.CAMBER: made_outcome().results[Quantity.CAMBER]}
    with Store(folder.parent) as store:
        run = store.begin_run("camber", [None])
        for chunk in list(store.chunks(1)):
            store.add_chunk(run, *chunk)
        for number, wheel in enumerate(("LF", "RF")):
            rests = (PlacedRest(None, 5.0 * number, 5.0 * number + 3.0, -1.0, 0.1, None),)
            store.add_result(run, Outcome("camber", wheel, camber, rests), method="camber-1")
        store.finish_run(run)
    assert app.run(["runs"]) == 0
    assert "camber LF finished" in capsys.readouterr().out
    assert app.run(["plot", "2", "--wheel", "RF", "--what", "result", "--out", "rf.svg"]) == 0
    assert "camber on RF" in (folder / "rf.svg").read_text(encoding="utf-8")
    assert app.run(["plot", "2", "--wheel", "RR"]) == 2


def test_plot(folder: Path, capsys: pytest.CaptureFixture[str]):
    assert app.run(["plot", "1"]) == 0
    assert sorted(path.name for path in folder.iterdir()) == [
        "run-1-LF-result.png",
        "run-1-LF-samples.png",
    ]
    assert app.run(["plot", "1", "--what", "result", "--out", "fit.svg"]) == 0
    assert (folder / "fit.svg").read_bytes().startswith(b"<?xml")
    assert app.run(["plot", "1", "--what", "result", "--out", "fit.gif"]) == 2
    assert ".png or .svg" in capsys.readouterr().err


def test_plot_of_a_run_without_result_shows_its_samples(
    folder: Path, capsys: pytest.CaptureFixture[str]
):
    with Store(folder.parent) as store:
        chunks = list(store.chunks(1))
        run = store.begin_run("watch", ["RF"])
        for chunk in chunks:
            store.add_chunk(run, *chunk)
        store.finish_run(run)
    assert app.run(["plot", "2", "--what", "result"]) == 2
    assert "no result" in capsys.readouterr().err
    assert app.run(["plot", "2"]) == 0
    assert [path.name for path in folder.iterdir()] == ["run-2-RF-samples.png"]


@pytest.mark.parametrize(
    ("words", "code", "told"),
    [
        (["show", "99"], 2, "no run 99"),
        (["show", "x1"], 2, "not the number of a run"),
        (["show", "-5"], 2, ""),
        (["show", "9" * 30], 2, "not the number of a run"),
        (["export", "1", "--wheel", "RR"], 2, "no pod on 'RR'"),
        (["plot", "1", "--wheel", "XX"], 2, "no pod on 'XX'"),
        (["runs", "--store", "/proc/none/runs.sqlite3"], 1, "no store at"),
        (["runs", "--store", sys.executable], 1, "not a store"),
        (["export", "1", "--out", "/proc/none/run.csv"], 1, "cannot be written"),
        (["runs", "--limit", "0"], 2, ""),
    ],
)
def test_mistakes_are_told(
    folder: Path, capsys: pytest.CaptureFixture[str], words: list[str], code: int, told: str
):
    assert app.run(words) == code
    captured = capsys.readouterr()
    assert told in captured.err and captured.err.strip()
    assert "Traceback" not in captured.err + captured.out


def test_a_first_user_has_no_store_yet(folder: Path, capsys: pytest.CaptureFixture[str]):
    assert app.run(["runs", "--store", "empty.sqlite3"]) == 1
    assert "knuckle demo" in capsys.readouterr().err
    Store(folder / "empty.sqlite3").close()
    assert app.run(["runs", "--store", "empty.sqlite3"]) == 0
    assert "no runs yet" in capsys.readouterr().out
    assert app.run(["show", "last", "--store", "empty.sqlite3"]) == 2


def test_listing_imports_nothing_heavy(folder: Path):
    code = (
        "import sys; from knuckle.cli import app; assert app.run(['runs']) == 0;"
        "heavy = {'numpy', 'pandas', 'matplotlib', 'scipy'} & set(sys.modules);"
        "assert not heavy, heavy"
    )
    subprocess.run([sys.executable, "-c", code], check=True, timeout=120, capture_output=True)


def test_output_passes_through_an_old_code_page(folder: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setenv("PYTHONIOENCODING", "ascii")
    done = subprocess.run(
        [sys.executable, "-m", "knuckle.cli.app", "runs"],
        check=True,
        timeout=120,
        capture_output=True,
    )
    assert b"5.00+/-0.31" in done.stdout
