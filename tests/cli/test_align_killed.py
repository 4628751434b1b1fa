"""Killed (-9) at every phase, a job goes on with nothing lost: real processes."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from cli.killed_align import Process
from cli.typed_jobs import CAR
from knuckle.car.file import read_car
from knuckle.job.book import JobView, view_of
from knuckle.job.phases import Mark, Phase
from knuckle.model.result import Quantity
from knuckle.store.database import Store

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="no POSIX signals there")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "plover.toml").write_text(CAR, encoding="utf-8")
    return tmp_path


def view(folder: Path, job: int = 1) -> JobView:
    with Store(folder / "runs.sqlite3", read_only=True) as store:
        return view_of(store, job)


def killed(folder: Path, *steps: tuple[tuple[str, ...], str], words: tuple[str, ...] = ()) -> str:
    """Start it, type each step's lines once what came before is shown, and kill it."""
    process = Process(folder, "align", "plover", *words)
    process.wait_for("== ")
    for lines, shown in steps:
        process.type(*lines)
        process.wait_for(shown)
    process.kill()
    return process.shown


def test_killed_at_every_phase_it_goes_on_with_nothing_lost(folder: Path) -> None:
    killed(folder, (("1.9bar 1.8bar", "80kg"), "Fuel"))
    state = view(folder).state
    assert set(state.answers) == {"pressures", "ballast"}
    assert state.mark(Phase.PREPARATION) is Mark.BEGUN

    shown = killed(folder, (("",) * 5, "Heights"), (("0 0 0 0", ""), "shimmed"))
    assert "Tyre pressures" not in shown, "what was answered is not asked again"
    state = view(folder).state
    assert state.mark(Phase.PREPARATION) is Mark.DONE
    assert state.answers["ballast"].record["values"] == {"kg": 80.0}
    assert [each.record["u_mm"] for each in state.pads] == [0.5]

    killed(folder, (("100 100 100 100", "", "1400 1400"), "moved a string"))
    assert len(view(folder).state.strings) == 1

    asked = ((), "Read [")
    killed(folder, asked, (("camber LF -0.3/0.1",), "Read ["), (("toe LF 61/60",), "Read ["))
    before = view(folder)
    assert before.state.next_phase is Phase.READINGS and len(before.readings) == 2

    shown = killed(
        folder,
        (("done",), "mm of shims"),
        (("y",), "Anything else"),
        (("RF link 0.5",), "Anything else"),
    )
    assert "LF camber" in shown
    state = view(folder).state
    assert [each.record["amount"] for each in state.turned] == [pytest.approx(-5.24, abs=0.02), 0.5]
    assert state.next_phase is Phase.REREAD and len(state.advice) == 1

    killed(folder, asked, (("camber LF -1.5/0.1",), "Read ["))
    after = view(folder)
    row = next(r for r in after.figures if (r.place, r.quantity) == ("LF", Quantity.CAMBER))
    assert row.before.result.value == before.figures[0].now.result.value
    assert row.after.result.value == pytest.approx(-1.5, abs=0.01)

    killed(folder, asked, (("done",), "== close"), (("y",), "Close this job"))
    assert not view(folder).state.closed
    with Store(folder / "runs.sqlite3") as store:
        assert len(store.jobs.jobs()) == 1
        assert not store.jobs.runs_without_entry(1)


def test_killed_in_a_measurement_its_bytes_stay_with_the_job(folder: Path) -> None:
    skip = ("--skip", "preparation", "--skip", "pads", "--skip", "strings")
    process = Process(folder, "align", "plover", "--pod", "sim:garage?seed=4&speed=8", *skip)
    process.wait_for("== readings")
    process.type("camber LF")
    process.wait_for("is kept in")
    process.type("sweep LF")
    process.wait_for("straight 1")
    process.kill()
    process = Process(folder, "align", "plover")
    process.wait_for("Taken up: run 2")
    process.kill()
    now = view(folder)
    assert [each.entry.run_id for each in now.state.readings] == [1, 2]
    assert now.runs[2].state == "interrupted" and now.runs[2].results == ()
    assert [reading.runs for reading in now.readings] == [(1,)]
    with Store(folder / "runs.sqlite3", read_only=True) as store:
        assert store.run(2).streams[0].byte_count > 1000


def test_questions_of_a_car_go_on_after_a_kill(tmp_path: Path) -> None:
    process = Process(tmp_path, "car", "new", "wren")
    process.wait_for("name of the car")
    process.type("Wren", "92.1in")
    process.wait_for("front track")
    process.kill()
    assert not (tmp_path / "wren.toml").exists()
    process = Process(tmp_path, "car", "new", "wren")
    process.wait_for("Going on with 2 answers")
    process.wait_for("front track")
    process.type("1405", "1420", "430", "done")
    process.wait_for("is written")
    process.kill()
    car = read_car(tmp_path / "wren.toml").car
    assert car.name == "Wren" and car.wheelbase_mm == pytest.approx(92.1 * 25.4)
    assert "wheelbase_in = 92.1" in (tmp_path / "wren.toml").read_text()
