from __future__ import annotations

import sqlite3
from datetime import UTC, datetime
from pathlib import Path

import pytest

from knuckle.errors import StoreError
from knuckle.model.result import Quantity
from knuckle.store import migrations
from knuckle.store.database import Store
from knuckle.store.rows import RunState
from knuckle.store.schema import APPLICATION_ID, SCHEMA_VERSION

NOON = datetime(2026, 3, 1, 12, 0, 0, tzinfo=UTC)
OLD = Path(__file__).with_name("store_v1.sql")
SECOND = Path(__file__).with_name("store_v2.sql")


@pytest.fixture
def old_store(tmp_path: Path) -> Path:
    path = tmp_path / "runs.sqlite3"
    with sqlite3.connect(path) as connection:
        connection.executescript(OLD.read_text(encoding="utf-8"))
    return path


@pytest.fixture
def second_store(tmp_path: Path) -> Path:
    path = tmp_path / "second.sqlite3"
    with sqlite3.connect(path) as connection:
        connection.executescript(SECOND.read_text(encoding="utf-8"))
    return path


def shape(path: Path) -> dict[str, object]:
    """Tables with their columns, indices and triggers, whatever statement made them."""
    with sqlite3.connect(path) as connection:
        objects = connection.execute(
            "SELECT type, name FROM sqlite_master WHERE name NOT LIKE 'sqlite_%'"
        ).fetchall()
        columns = {
            name: sorted(
                connection.execute(
                    'SELECT name, type, "notnull", dflt_value, pk FROM pragma_table_info(?)',
                    (name,),
                ).fetchall()
            )
            for kind, name in objects
            if kind == "table"
        }
        references = {
            name: sorted(
                connection.execute(
                    'SELECT "from", "table", "to" FROM pragma_foreign_key_list(?)', (name,)
                ).fetchall()
            )
            for name in columns
        }
    return {"objects": sorted(objects), "columns": columns, "references": references}


def version(path: Path) -> int:
    with sqlite3.connect(path) as connection:
        return connection.execute("PRAGMA user_version").fetchone()[0]


def test_new_store_carries_version_and_mark(tmp_path: Path):
    Store(tmp_path / "runs.sqlite3").close()
    with sqlite3.connect(tmp_path / "runs.sqlite3") as connection:
        assert connection.execute("PRAGMA user_version").fetchone()[0] == SCHEMA_VERSION
        assert connection.execute("PRAGMA application_id").fetchone()[0] == APPLICATION_ID
        assert connection.execute("PRAGMA journal_mode").fetchone()[0] == "wal"


def test_every_older_version_has_a_step_to_the_next():
    assert sorted(migrations.STEPS) == list(range(1, SCHEMA_VERSION))


def test_old_store_is_brought_up_with_everything_in_it(old_store: Path):
    with Store(old_store, utc_now=lambda: NOON) as store:
        assert store.backup == old_store.with_name("runs.sqlite3.v1-20260301T120000Z.backup")
        detail = store.run(1)
        assert detail.facts == {"seed": 7, "brake": "on"}
        assert detail.results[0].outcome.results[Quantity.CASTER].value == 5.25
        assert [note.text for note in detail.notes] == ["before the bushes were changed"]
        assert list(store.chunks(1)) == [(0, 0.25, b"\x00\x01\x02\x00"), (0, 1.75, b"\xff\xfe")]
        first, second = detail.streams
        assert (first.chunk_count, first.byte_count, first.duration_s) == (2, 6, 1.5)
        assert (second.chunk_count, second.byte_count, second.first_arrival_s) == (0, 0, None)
        assert store.run(2).summary.state is RunState.INTERRUPTED
        assert store.begin_run("camber", ["LF"]) == 3
    with Store(old_store) as store:
        assert store.backup is None


def test_brought_up_store_has_the_shape_of_a_new_one(old_store: Path, tmp_path: Path):
    Store(old_store).close()
    Store(tmp_path / "new.sqlite3").close()
    assert shape(old_store) == shape(tmp_path / "new.sqlite3")


def test_store_of_version_2_is_brought_up_with_everything_in_it(second_store: Path, tmp_path: Path):
    with Store(second_store, utc_now=lambda: NOON) as store:
        assert store.backup == second_store.with_name("second.sqlite3.v2-20260301T120000Z.backup")
        detail = store.run(1)
        assert detail.facts == {"seed": 3, "driver": "out", "complete": True}
        assert detail.results[0].outcome.results[Quantity.CAMBER].value == -1.25
        assert [note.text for note in detail.notes] == ["on slip plates"]
        assert list(store.chunks(1)) == [(0, 0.5, b"\x00\x02\x00"), (0, 1.5, b"\x01\xff")]
        assert store.calibrations()[0].identity == "00aa11bb22cc33dd"
        assert store.jobs.cars() == [] and store.jobs.jobs() == []
        car = store.jobs.keep_car("an invented car", {})
        assert store.jobs.add(store.jobs.begin(car, {}), "preparation", "note", {}) == 0
    Store(tmp_path / "new.sqlite3").close()
    assert shape(second_store) == shape(tmp_path / "new.sqlite3")


def test_backup_is_the_store_as_it_was(old_store: Path):
    before = shape(old_store)
    with sqlite3.connect(old_store) as connection:
        rows = list(connection.iterdump())
    with Store(old_store) as store:
        backup = store.backup
    assert backup is not None
    assert version(backup) == 1
    assert shape(backup) == before
    with sqlite3.connect(backup) as connection:
        assert list(connection.iterdump()) == rows
    assert not list(old_store.parent.glob("*.part"))


def test_reading_an_old_store_brings_it_up_too(old_store: Path):
    with Store(old_store, read_only=True) as store:
        assert [summary.run_id for summary in store.runs()] == [2, 1]
    assert version(old_store) == SCHEMA_VERSION
    assert len(list(old_store.parent.glob("*.backup"))) == 1


def test_failed_step_leaves_the_store_as_it_was(old_store: Path, monkeypatch: pytest.MonkeyPatch):
    before = shape(old_store)
    steps = {
        **migrations.STEPS,
        1: (*migrations.STEPS[1], "CREATE TABLE run (again INTEGER)"),
    }
    monkeypatch.setattr(migrations, "STEPS", steps)
    with pytest.raises(StoreError, match="could not be brought") as caught:
        Store(old_store)
    assert "backup" in caught.value.next_step
    assert version(old_store) == 1
    assert shape(old_store) == before


def test_failed_backup_leaves_the_store_as_it_was(old_store: Path, monkeypatch: pytest.MonkeyPatch):
    before = shape(old_store)

    def full(connection: sqlite3.Connection, path: Path, label: str) -> Path:
        raise StoreError("The disk is full.")

    monkeypatch.setattr(migrations, "back_up", full)
    with pytest.raises(StoreError, match="disk is full"):
        Store(old_store)
    assert version(old_store) == 1
    assert shape(old_store) == before


def test_backup_that_cannot_be_made_leaves_the_store_as_it_was(old_store: Path):
    before = shape(old_store)
    (old_store.parent / "runs.sqlite3.v1-20260301T120000Z.backup.part").mkdir()
    with pytest.raises(StoreError, match="backup") as caught:
        Store(old_store, utc_now=lambda: NOON)
    assert caught.value.cause and caught.value.next_step
    assert version(old_store) == 1
    assert shape(old_store) == before


def test_newer_store_is_refused_and_left_alone(old_store: Path):
    with sqlite3.connect(old_store) as connection:
        connection.execute(f"PRAGMA user_version = {SCHEMA_VERSION + 1}")
    before = old_store.read_bytes()
    for read_only in (False, True):
        with pytest.raises(StoreError, match=f"version {SCHEMA_VERSION + 1}") as caught:
            Store(old_store, read_only=read_only)
        assert caught.value.cause and "Update" in caught.value.next_step
    assert old_store.read_bytes() == before


def test_another_programs_database_is_refused_and_left_alone(tmp_path: Path):
    path = tmp_path / "other.db"
    with sqlite3.connect(path) as connection:
        connection.execute("CREATE TABLE recipe (id INTEGER)")
    before = path.read_bytes()
    for read_only in (False, True):
        with pytest.raises(StoreError, match="some other program"):
            Store(path, read_only=read_only)
    assert path.read_bytes() == before
