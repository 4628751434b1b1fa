from __future__ import annotations

import json
import math
import sqlite3
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pytest

from knuckle.errors import StoreError, UsageError
from knuckle.model.result import Quantity
from knuckle.store.database import Store
from knuckle.store.records import outcome_from_text, outcome_to_text, to_text
from knuckle.store.rows import RunState, StoredChunk
from knuckle.store.schema import APPEND_ONLY
from knuckle.wire.messages import Channel, ChannelKind, Hello, ResetCause, Sensor
from store.stored_outcomes import refused_outcome, sweep_outcome

NOON = datetime(2026, 3, 1, 12, 0, 0, tzinfo=UTC)

HELLO = Hello(
    protocol=1,
    hardware="bench",
    firmware=(1, 2, 3),
    identity=bytes(range(8)),
    name="left pod",
    reset_cause=ResetCause.POWER_ON,
    streaming=True,
    tick_hz=1_000_000,
    raw_period_ticks=10_000,
    averaging=1,
    least_averaging=1,
    channels=(Channel(ChannelKind.ACCELEROMETER, Sensor.MPU6050, 3, 16, 2**-14, 0.0, 2.0, 4e-4),),
)


@pytest.fixture
def store(tmp_path: Path):
    with Store(tmp_path / "runs.sqlite3", utc_now=lambda: NOON) as opened:
        yield opened


def committed(path: Path) -> list[tuple[int, float]]:
    """What another process would see."""
    with sqlite3.connect(path) as other:
        return other.execute("SELECT stream, arrival_s FROM chunk ORDER BY sequence").fetchall()


def test_chunks_come_back_in_the_order_of_arrival_with_every_byte(store: Store):
    run = store.begin_run("sweep", ["LF", "RF"], addresses=["serial:one", None])
    sent = [
        StoredChunk(0, 0.0, b"\x00\xff\x00"),
        StoredChunk(1, 0.05, bytes(range(256))),
        StoredChunk(0, 0.1, b"x" * 5000),
        StoredChunk(1, 0.1, b"y"),
    ]
    for chunk in sent:
        store.add_chunk(run, *chunk)
    store.commit(run)
    assert list(store.chunks(run)) == sent
    assert [chunk.data for chunk in store.chunks(run, 1)] == [bytes(range(256)), b"y"]
    streams = store.run(run).streams
    assert [(row.wheel, row.address) for row in streams] == [("LF", "serial:one"), ("RF", None)]
    assert [(row.chunk_count, row.byte_count) for row in streams] == [(2, 5003), (2, 257)]
    assert streams[0].duration_s == pytest.approx(0.1)


def test_commit_comes_within_a_second_of_arrival_time(store: Store):
    run = store.begin_run("watch", ["LF"])
    commits = set()
    for step in range(100):
        arrival_s = 1000.0 + 0.07 * step
        store.add_chunk(run, 0, arrival_s, b"abc")
        seen = len(committed(store.path))
        commits.add(seen)
        assert arrival_s - (1000.0 + 0.07 * seen) < 1.0
    assert 5 < len(commits) < 12, "chunks gather: one commit for about a second of 7"


def test_silence_commits_too_and_is_not_kept(store: Store):
    run = store.begin_run("watch", ["LF"])
    store.add_chunk(run, 0, 5.0, b"abc")
    assert committed(store.path) == []
    store.add_chunk(run, 0, 5.95, b"")
    assert committed(store.path) == [(0, 5.0)]
    store.add_chunk(run, 0, 9.0, b"")
    assert committed(store.path) == [(0, 5.0)]


def test_a_clock_that_went_back_does_not_hold_the_commit_up(store: Store):
    run = store.begin_run("watch", ["LF"])
    store.add_chunk(run, 0, 500.0, b"abc")
    store.add_chunk(run, 0, 0.0, b"def")
    assert committed(store.path) == [(0, 500.0), (0, 0.0)]


def test_outcome_record_keeps_every_digit_and_what_json_lacks():
    outcome = sweep_outcome()
    back = outcome_from_text(outcome_to_text(outcome))
    assert back.results == outcome.results
    assert back.rests == outcome.rests
    assert back.warnings == outcome.warnings
    assert back.results[Quantity.CASTER].budget[0].degrees_of_freedom == math.inf
    assert math.isnan(back.details["two_reading_caster_deg"])
    assert back.details["steer_source"] == "gyro"
    refused = refused_outcome()
    assert outcome_from_text(outcome_to_text(refused)) == refused


def test_facts_may_be_numbers_of_numpy_and_paths():
    facts = {
        "count": np.int64(3),
        "bad": np.float64("nan"),
        "held": np.bool_(True),
        "at": Path("a"),
    }
    assert json.loads(to_text(facts)) == {"count": 3, "bad": None, "held": True, "at": "a"}
    assert json.loads(to_text({"list": (1.5, math.inf, {"x": [None]})})) == {
        "list": [1.5, None, {"x": [None]}]
    }


@pytest.mark.parametrize("text", ["", "{", "[]", "null", "{}", '{"record": 1}', '{"record": "x"}'])
def test_damaged_outcome_record_is_a_store_error(text: str):
    with pytest.raises(StoreError, match="cannot be read"):
        outcome_from_text(text)


def test_outcome_record_of_a_newer_version_says_so():
    text = json.dumps({"record": 99})
    with pytest.raises(StoreError, match="version 99"):
        outcome_from_text(text)


def test_results_are_appended_and_the_last_of_a_wheel_is_shown(store: Store):
    run = store.begin_run("sweep", ["LF", "RF"])
    store.add_result(run, sweep_outcome(4.0), method="sweep-1", program_version="0.0.1")
    store.add_result(run, refused_outcome(), method="sweep-1")
    store.add_result(run, sweep_outcome(5.0), method="sweep-2")
    (summary,) = store.runs()
    caster = [item for item in summary.figures if item.quantity == "caster"]
    assert [(item.wheel, item.value) for item in caster] == [("LF", 5.0)]
    assert summary.refused_codes == ("sweep_too_small",)
    assert summary.warning_count == 1
    detail = store.run(run)
    assert [row.method for row in detail.results] == ["sweep-1", "sweep-1", "sweep-2"]
    assert detail.results[0].program_version == "0.0.1"
    assert [row.outcome.wheel for row in detail.latest()] == ["LF", "RF"]
    assert detail.latest()[0].outcome.results[Quantity.CASTER].value == 5.0


@pytest.mark.parametrize("table", APPEND_ONLY)
def test_rows_are_neither_changed_nor_deleted(store: Store, table: str):
    run = store.begin_run("sweep", ["LF"])
    store.add_chunk(run, 0, 0.0, b"abc")
    store.commit(run)
    store.add_result(run, sweep_outcome(), method="sweep-1")
    store.add_note(run, "first")
    job = store.jobs.begin(store.jobs.keep_car("a car", {}), {})
    store.jobs.add(job, "readings", "run", {}, run)
    assert store._db.execute(f"SELECT count(*) FROM {table}").fetchone()[0] >= 1
    column = store._db.execute(f"SELECT name FROM pragma_table_info('{table}')").fetchone()[0]
    with pytest.raises(sqlite3.IntegrityError, match="append-only"):
        store._db.execute(f"UPDATE {table} SET {column} = {column}")
    with pytest.raises(sqlite3.IntegrityError, match="append-only"):
        store._db.execute(f"DELETE FROM {table}")


def test_notes_are_kept_in_order(store: Store):
    run = store.begin_run("camber", ["LF"])
    store.add_note(run, "  first  ")
    store.add_note(run, "zweite: 1,5° – größer")
    assert [note.text for note in store.run(run).notes] == ["first", "zweite: 1,5° – größer"]
    (summary,) = store.runs()
    assert (summary.note, summary.note_count) == ("zweite: 1,5° – größer", 2)
    with pytest.raises(UsageError, match="empty"):
        store.add_note(run, "   ")


def test_states_of_a_run(store: Store):
    runs = [store.begin_run("sweep", ["LF"], facts={"seed": 7}) for _ in range(4)]
    store.finish_run(runs[0], facts={"closure_deg": 0.02})
    store.finish_run(runs[1], RunState.INTERRUPTED)
    store.finish_run(runs[2], RunState.REFUSED)
    assert [summary.state for summary in store.runs()] == [
        RunState.OPEN,
        RunState.REFUSED,
        RunState.INTERRUPTED,
        RunState.FINISHED,
    ]
    assert store.run(runs[0]).facts == {"seed": 7, "closure_deg": 0.02}
    with pytest.raises(ValueError, match="open"):
        store.finish_run(runs[3], RunState.OPEN)
    with pytest.raises(ValueError, match="finished"):
        store.add_chunk(runs[0], 0, 0.0, b"late")


def test_closing_commits_and_marks_open_runs_interrupted(tmp_path: Path):
    path = tmp_path / "runs.sqlite3"
    with Store(path) as store:
        run = store.begin_run("sweep", ["LF"])
        store.add_chunk(run, 0, 0.0, b"abc")
    with Store(path, read_only=True) as store:
        assert store.run(run).summary.state is RunState.INTERRUPTED
        assert list(store.chunks(run)) == [(0, 0.0, b"abc")]


def test_times_are_kept_with_their_offset(store: Store):
    summer = datetime(2026, 7, 1, 14, 30, tzinfo=timezone(timedelta(hours=2)))
    run = store.begin_run("camber", ["LF"], started_utc=summer)
    store.finish_run(run)
    summary = store.run(run).summary
    assert summary.started_utc == "2026-07-01T14:30:00.000+02:00"
    assert summary.ended_utc == "2026-03-01T12:00:00.000+00:00"


def test_what_the_pod_said_is_kept(store: Store):
    run = store.begin_run("watch", [None])
    store.describe_stream(run, 0, address="sim:car")
    store.describe_stream(run, 0, hello=HELLO)
    (row,) = store.run(run).streams
    assert (row.wheel, row.address, row.identity) == (None, "sim:car", "0001020304050607")
    assert row.hello is not None
    assert row.hello["firmware"] == "1.2.3"
    assert row.hello["channels"][0]["kind"] == "accelerometer"
    assert row.hello["channels"][0]["full_scale"] == 2.0


def test_missing_run_is_named_with_the_last_one(store: Store):
    with pytest.raises(UsageError, match=r"no run 1 .*empty"):
        store.run(1)
    run = store.begin_run("camber", ["LF"])
    with pytest.raises(UsageError, match=rf"no run 99 .*run {run}"):
        store.run(99)
    with pytest.raises(UsageError, match="no run 99"):
        store.add_note(99, "text")
    with pytest.raises(UsageError, match="no run 99"):
        store.add_result(99, sweep_outcome(), method="sweep-1")


def test_a_run_that_cannot_be_begun_leaves_nothing(store: Store, monkeypatch: pytest.MonkeyPatch):
    def refuse(path: Path, run: int) -> None:
        raise sqlite3.OperationalError("unable to open database file")

    monkeypatch.setattr("knuckle.store.database.RunLock", refuse)
    with pytest.raises(StoreError):
        store.begin_run("camber", ["LF"])
    assert store.runs() == []


def test_each_stream_is_judged_by_its_own_clock(store: Store):
    """Clocks of two links start anywhere; that alone is no reason to commit each chunk."""
    run = store.begin_run("watch", ["LF", "RF"])
    store.add_chunk(run, 0, 5000.0, b"left")
    store.add_chunk(run, 1, 3.0, b"right")
    store.add_chunk(run, 0, 5000.5, b"left")
    assert committed(store.path) == []
    store.add_chunk(run, 1, 3.9, b"")
    assert len(committed(store.path)) == 3


def test_two_stores_capture_into_one_file_at_once(store: Store):
    with Store(store.path) as other:
        mine, its = store.begin_run("sweep", ["LF"]), other.begin_run("sweep", ["RF"])
        for step in range(60):
            store.add_chunk(mine, 0, 0.1 * step, b"mine")
            other.add_chunk(its, 0, 0.1 * step, b"its")
        store.finish_run(mine)
        other.finish_run(its)
    assert {chunk.data for chunk in store.chunks(mine)} == {b"mine"}
    assert [len(list(store.chunks(run))) for run in (mine, its)] == [60, 60]
    assert {summary.state for summary in store.runs()} == {RunState.FINISHED}
