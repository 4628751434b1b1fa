"""A long list of runs is quick because of what it does not read. Judged by plan, not by time."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest

from knuckle.store import queries
from knuckle.store.database import Store
from store.stored_outcomes import sweep_outcome

NEVER_READ = {"chunk", "outcome", "job", "car", "mounting", "calibration"}


@pytest.fixture
def filled(tmp_path: Path):
    with Store(tmp_path / "runs.sqlite3") as store:
        store._db.execute("PRAGMA synchronous = OFF")
        add_runs(store, 20)
        yield store


def add_runs(store: Store, count: int) -> None:
    for _ in range(count):
        run = store.begin_run("sweep", ["LF", "RF"])
        store.add_chunk(run, 0, 0.0, bytes(20_000))
        store.add_result(run, sweep_outcome(4.0), method="sweep-1")
        store.add_result(run, sweep_outcome(5.0), method="sweep-1")
        store.add_note(run, "a note")
        store.finish_run(run)


def steps_of_list(store: Store, limit: int | None) -> int:
    """Count the instructions of SQLite's virtual machine that a list takes, in hundreds."""
    taken = 0

    def step() -> int:
        nonlocal taken
        taken += 1
        return 0

    store._db.set_progress_handler(step, 100)
    try:
        store.runs(limit)
    finally:
        store._db.set_progress_handler(None, 100)
    return taken


def test_list_reads_no_raw_bytes_and_no_whole_outcomes(filled: Store):
    read: set[str] = set()

    def note_table(action: int, table: str | None, *_: object) -> int:
        if action == sqlite3.SQLITE_READ and table:
            read.add(table)
        return sqlite3.SQLITE_OK

    filled._db.set_authorizer(note_table)
    listed = filled.runs()
    filled._db.set_authorizer(None)
    assert len(listed) == 20 and all(len(summary.figures) == 3 for summary in listed)
    assert {"run", "stream", "result", "figure", "note"} <= read
    assert not read & NEVER_READ


@pytest.mark.parametrize("statement", queries.LIST_STATEMENTS)
def test_short_list_searches_and_never_scans_a_table(filled: Store, statement: str):
    plan = [
        row[3]
        for row in filled._db.execute(
            "EXPLAIN QUERY PLAN " + statement.format(where=""), {"limit": 10, "only": None}
        )
    ]
    scans = [line for line in plan if line.startswith("SCAN") and "chosen" not in line]
    # Taking the newest ids walks `run` from its end, and stops at the limit.
    assert all(line.startswith("SCAN run") for line in scans), plan


def test_work_grows_with_the_runs_listed_not_with_those_stored(filled: Store):
    few = steps_of_list(filled, 10)
    add_runs(filled, 180)
    assert steps_of_list(filled, 10) <= 1.1 * few + 2
    assert 5 * few < steps_of_list(filled, None) < 30 * few


def test_limit_takes_the_newest(filled: Store):
    assert [summary.run_id for summary in filled.runs(3)] == [20, 19, 18]
    assert filled.run_count() == 20
