"""Cars and jobs in the store."""

from __future__ import annotations

import sqlite3
from datetime import UTC, datetime
from pathlib import Path

import pytest

from knuckle.errors import StoreError, UsageError
from knuckle.store.database import Store
from knuckle.store.jobs import JOBS
from knuckle.store.rows import JobOf
from store.stored_outcomes import sweep_outcome

NOON = datetime(2026, 3, 1, 12, 0, 0, tzinfo=UTC)


@pytest.fixture
def store(tmp_path: Path):
    with Store(tmp_path / "runs.sqlite3", utc_now=lambda: NOON) as opened:
        yield opened


def test_a_car_is_told_by_its_name(store: Store):
    first = store.jobs.keep_car("Wren", {"file": "wren.toml"})
    other = store.jobs.keep_car("Heron", {"file": "heron.toml"})
    assert store.jobs.keep_car("Wren", {"file": "moved/wren.toml"}) == first != other
    assert [(car.name, car.facts["file"]) for car in store.jobs.cars()] == [
        ("Heron", "heron.toml"),
        ("Wren", "moved/wren.toml"),
    ]


def test_entries_come_back_in_order_and_each_job_counts_its_own(store: Store):
    car = store.jobs.keep_car("Wren", {})
    job, other = store.jobs.begin(car, {"car": {"name": "Wren"}}), store.jobs.begin(car, {})
    assert [store.jobs.add(job, "pads", "heights", {"mm": i}) for i in range(3)] == [0, 1, 2]
    assert store.jobs.add(other, "pads", "skipped", {}) == 0
    entries = store.jobs.entries(job)
    assert [entry.record["mm"] for entry in entries] == [0, 1, 2]
    assert {entry.written_utc for entry in entries} == {"2026-03-01T12:00:00.000+00:00"}
    assert store.jobs.job(job).facts == {"car": {"name": "Wren"}}
    with pytest.raises(UsageError, match="no job 9"):
        store.jobs.job(9)


def test_open_job_is_the_newest_unless_closed(store: Store):
    car = store.jobs.keep_car("Wren", {})
    assert store.jobs.open_job(car) is None
    first = store.jobs.begin(car, {})
    assert store.jobs.open_job(car).job_id == first
    store.jobs.add(first, "close", "closed", {})
    assert store.jobs.open_job(car) is None
    assert store.jobs.job(first).closed
    second = store.jobs.begin(car, {})
    assert store.jobs.open_job(car).job_id == second
    assert [row.job_id for row in store.jobs.jobs(car)] == [second, first]


def test_entries_are_append_only(store: Store):
    job = store.jobs.begin(store.jobs.keep_car("Wren", {}), {})
    store.jobs.add(job, "pads", "heights", {"mm": 1})
    for change in ("UPDATE job_entry SET record = '{}'", "DELETE FROM job_entry"):
        with pytest.raises(sqlite3.IntegrityError, match="append-only"):
            store._db.execute(change)


def test_an_entry_of_no_job_is_refused(store: Store):
    with pytest.raises(StoreError):
        store.jobs.add(7, "pads", "heights", {})
    with pytest.raises(StoreError):
        store.jobs.add(
            store.jobs.begin(store.jobs.keep_car("Wren", {}), {}), "readings", "run", {}, 99
        )


def test_runs_of_a_job_carry_it_and_its_car(store: Store):
    car = store.jobs.keep_car("Wren", {})
    job = store.jobs.begin(car, {})
    with Store(store.path, job=JobOf(job, car)) as within:
        run = within.begin_run("sweep", ["LF"], facts={"driver": "in"})
        within.add_result(run, sweep_outcome(4.0), method="sweep-1")
        within.add_result(run, sweep_outcome(5.0), method="sweep-1")
        within.finish_run(run)
        bare = within.begin_run("camber", ["LF"])
        within.finish_run(bare)
    alone = store.begin_run("sweep", ["LF"])
    found = store._db.execute("SELECT id, job_id, car_id FROM run ORDER BY id").fetchall()
    assert found == [(run, job, car), (bare, job, car), (alone, None, None)]
    assert store.jobs.runs_without_entry(job) == (
        (run, "sweep", "finished"),
        (bare, "camber", "finished"),
    )
    store.jobs.add(job, "readings", "run", {}, run)
    assert [row[0] for row in store.jobs.runs_without_entry(job)] == [bare]
    read = store.jobs.runs([run, bare])
    assert [row.outcome for row in read[run].results] == [sweep_outcome(5.0)]
    assert read[bare].results == ()
    assert (read[run].facts, read[run].state) == ({"driver": "in"}, "finished")


def test_pods_of_a_run_by_wheel(store: Store):
    run = store.begin_run("sweep", ["LF", "RF"])
    store.describe_stream(run, 1, identity="0b")
    walk = store.begin_run("camber", [None])
    store.describe_stream(walk, 0, identity="0a")
    read = store.jobs.runs([run, walk])
    assert (read[run].pod_at("LF"), read[run].pod_at("RF")) == ("", "0b")
    assert read[walk].pod_at("RR") == read[walk].identity == "0a"


def test_lists_of_jobs_use_indices(store: Store):
    store.jobs.begin(store.jobs.keep_car("Wren", {}), {})
    plan = store._db.execute(
        "EXPLAIN QUERY PLAN " + JOBS.format(where="WHERE job.car_id = :car"),
        {"car": 1, "limit": 1},
    ).fetchall()
    told = " ".join(row[3] for row in plan)
    assert "job_of_car" in told and "job_entry_of_kind" in told
    assert "SCAN" not in told.replace("SCAN CONSTANT ROW", "")
