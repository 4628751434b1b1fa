"""From a job in the store to the page of its report, its table and the commands that write them."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pandas as pd
import pytest

from job.made_jobs import MadeJob, car_file
from knuckle.cli import app as program
from knuckle.model.result import Quantity
from knuckle.report.alignment_html import html
from knuckle.report.alignment_lines import page_of
from knuckle.report.alignment_page import Line, Verdict
from knuckle.report.alignment_words import toe_words
from knuckle.report.job_rows import COLUMNS, job_rows
from knuckle.store.database import Store
from report import browser

HEIGHTS = {"LF": 2.0, "RF": 0.0, "LR": 2.0, "RR": 0.0}
OFFSETS = {"LF": 80.0, "RF": 80.0, "LR": 80.0, "RR": 80.0}


def made(store: Store, folder: Path) -> MadeJob:
    job = MadeJob(store, car_file(folder))
    pressures = {"LF": 180.0, "RF": 180.0, "LR": 170.0, "RR": 170.0}
    job.enter("preparation", "answer", item="pressures", done=True, text="", values=pressures)
    job.enter("pads", "heights", mm=HEIGHTS, u_mm=0.3)
    job.enter("strings", "offsets", mm=OFFSETS, u_mm=0.5, tracks_mm=[[1400, 0.5], [1400, 0.5]])
    job.camber("LF", 0.5)
    job.camber("RF", -1.5)
    job.all_toe(LF=0.4, RF=0.1, LR=0.1, RR=0.1)
    job.enter("adjust", "turned", wheel="LF", adjuster="toe link", amount=-0.75, unit="turn")
    job.toe("LF", 0.1)
    job.enter("close", "note", text="Rack clamp <checked> & tight")
    return job


@pytest.fixture
def path(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("KNUCKLE_LOG", str(tmp_path / "knuckle.log"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.setenv("KNUCKLE_STORE", str(tmp_path / "runs.sqlite3"))
    monkeypatch.chdir(tmp_path)
    return tmp_path / "runs.sqlite3"


def line(page, name: str, place: str) -> Line:
    return next(
        each
        for section in page.sections
        for each in section.lines
        if (each.name, each.place) == (name, place)
    )


def test_page_holds_figures_targets_and_what_they_rest_on(path: Path, tmp_path: Path) -> None:
    with Store(path) as store:
        view = made(store, tmp_path).view
    page = page_of(view)
    camber = line(page, "Camber", "LF")
    assert (camber.low, camber.aim, camber.high) == (-2.0, -1.5, -1.0)
    assert camber.before is not None
    assert camber.before.verdict is Verdict.OUTSIDE
    # Left pads 2 mm higher over 1400 mm add 0.082 deg to left camber.
    assert camber.before.value == pytest.approx(0.582, abs=1e-3)
    toe = line(page, "Toe", "LF")
    assert toe.before is not None
    assert toe.after is not None
    assert (toe.before.value, toe.after.value) == pytest.approx((0.4, 0.1), abs=1e-6)
    assert toe.change.startswith("changed by -0.3")
    assert toe.before.also.startswith("3.00 mm")
    assert sum(term.share for term in toe.budget) == pytest.approx(1.0)
    titles = [table.title for table in page.tables]
    assert titles == [
        "Preparation",
        "Pads",
        "Strings",
        "Adjustments made",
        "Sensors and calibrations",
    ]
    assert page.tables[3].rows[0][1:4] == ("LF", "toe link", "0.75 turns shorter")
    assert page.tables[3].rows[0][4].startswith("the car answered +0.400 ± ")


def test_page_in_the_browser_passes_axe_and_prints(path: Path, tmp_path: Path) -> None:
    with Store(path) as store:
        page = html(page_of(made(store, tmp_path).view))
    assert "Rack clamp &lt;checked&gt; &amp; tight" in page
    assert browser.violations(page, tmp_path, 390) == []
    assert browser.printed(page, tmp_path).startswith(b"%PDF-")


def test_stale_figures_say_so(path: Path, tmp_path: Path) -> None:
    with Store(path) as store:
        job = made(store, tmp_path)
        job.enter("adjust", "turned", wheel="LF", adjuster="toe link", amount=0.25, unit="turn")
        page = page_of(job.view)
    assert line(page, "Toe", "LF").change.endswith("turned since: read again")
    assert line(page, "Camber", "LF").change == "", "a toe link moves toe"
    assert "read them again" in page.summary


def test_toe_in_all_units(path: Path, tmp_path: Path) -> None:
    # 3 mm over 400 mm is 0.4297 deg, 25.8': plain trigonometry; an inch is 25.4 mm (ISO 80000-3).
    with Store(path) as store:
        job = MadeJob(store, car_file(tmp_path, CAR_400))
        job.toe("LR", 0.42972)
        row = job.row(Quantity.TOE, "LR")
        words = toe_words(row.now.result, job.view.car)
    assert words == "3.00 mm (0.118 in) over 400 mm; 25.8'"


CAR_400 = (
    'name = "Avocet"\nwheelbase_mm = 2400\ntrack_front_mm = 1400\ntrack_rear_mm = 1400\n'
    "rim_mm = 400\n"
)


def test_empty_job_has_a_page(path: Path, tmp_path: Path) -> None:
    with Store(path) as store:
        page = page_of(MadeJob(store, car_file(tmp_path)).view)
    assert page.summary == "Nothing has been read yet."
    assert "Nothing has been read yet." in html(page)


def test_report_in_every_form(path: Path, tmp_path: Path, capsys) -> None:
    with Store(path) as store:
        rows = job_rows(made(store, tmp_path).view)
    for form in ("html", "csv", "json", "parquet"):
        assert program.run(["report", "last", "--as", form]) == 0
        assert f"job-1.{form}" in capsys.readouterr().out
    with (tmp_path / "job-1.csv").open(encoding="utf-8", newline="") as file:
        found = list(csv.DictReader(file))
    assert tuple(found[0]) == COLUMNS
    frame = pd.read_parquet(tmp_path / "job-1.parquet")
    assert list(frame.columns) == list(COLUMNS)
    for row, text, value in zip(rows, found, frame["value"], strict=True):
        assert row["value"] == float(text["value"]) == value
    content = json.loads((tmp_path / "job-1.json").read_text(encoding="utf-8"))
    assert {each["quantity"] for each in content["figures"]} == set(frame["quantity"])


def test_nothing_is_overwritten_unasked(path: Path, tmp_path: Path, capsys) -> None:
    with Store(path) as store:
        made(store, tmp_path)
    assert program.run(["report", "1", "--out", "page.html"]) == 0
    assert program.run(["report", "Plover", "--out", "page.html"]) == 2
    assert "exists already" in capsys.readouterr().err
    assert program.run(["report", "plover.toml", "--out", "page.html", "--force"]) == 0


def test_compare_and_history_tell_what_changed(path: Path, tmp_path: Path, capsys) -> None:
    with Store(path) as store:
        made(store, tmp_path)
    assert program.run(["compare"]) == 0
    out = capsys.readouterr().out
    assert "LF toe" in out
    assert "differs" in out
    assert max(len(text) for text in out.splitlines()) < 80
    assert program.run(["compare", "1", "--sides", "--json"]) == 0
    sides = json.loads(capsys.readouterr().out)
    assert {row["place"] for row in sides["figures"]} == {"LF - RF", "LR - RR"}
    assert program.run(["history", "Plover", "--figure", "toe", "--wheel", "lf"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert "before" in lines[3]
    assert "after 1" in lines[4]
    assert "differs: -0.3" in lines[4]
    assert program.run(["jobs", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["jobs"][0]["car"] == "Plover"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["report", "9"], "no job 9"),
        (["report", "Plovr"], "Did you mean 'Plover'?"),
        (["report", "1", "--as", "pdf"], "--as takes"),
        (["compare", "1:later"], "no round"),
        (["compare", "1", "1", "--sides"], "compares one time"),
        (["history", "Plover", "--figure", "slant"], "no figure"),
        (["history", "Plover", "--wheel", "FL"], "no wheel or axle"),
        (["report", "1", "--out", "nowhere/page.html"], "cannot be written"),
    ],
)
def test_mistakes_are_told(path: Path, tmp_path: Path, capsys, words, said) -> None:
    with Store(path) as store:
        made(store, tmp_path)
    assert program.run(words) in (1, 2)
    assert said in capsys.readouterr().err


def test_an_empty_store_says_what_to_do(path: Path, capsys) -> None:
    with Store(path):
        pass
    assert program.run(["jobs"]) == 0
    assert "knuckle align CAR" in capsys.readouterr().out
    assert program.run(["report"]) == 2
    assert "no jobs yet" in capsys.readouterr().err
