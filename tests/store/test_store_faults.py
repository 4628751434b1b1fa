from __future__ import annotations

import os
import sqlite3
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from knuckle.errors import StoreError
from knuckle.store import opening
from knuckle.store.database import Store
from knuckle.store.location import STORE_FILE_NAME, default_store_path, resolve_store_path
from knuckle.store.rows import RunState
from store.stored_outcomes import sweep_outcome

NOBODY = 65534

needs_permissions = pytest.mark.skipif(
    sys.platform == "win32", reason="permissions of folders are POSIX ones here"
)


def told_in_full(error: StoreError) -> bool:
    return bool(error.what and error.cause and error.next_step)


@contextmanager
def as_ordinary_user() -> Iterator[None]:
    """Root may write anywhere, so step down while the permissions are tried."""
    if os.geteuid() != 0:
        yield
        return
    os.seteuid(NOBODY)
    try:
        yield
    finally:
        os.seteuid(0)


@pytest.fixture
def folder() -> Iterator[Path]:
    with tempfile.TemporaryDirectory() as name:
        path = Path(name)
        path.chmod(0o777)
        yield path
        path.chmod(0o777)


def fill_up(store: Store) -> None:
    """Let the file not grow any more, as on a full disk."""
    pages = store._db.execute("PRAGMA page_count").fetchone()[0]
    store._db.execute(f"PRAGMA max_page_count = {pages}")


def test_full_disk_is_told_and_nothing_captured_is_lost(tmp_path: Path):
    store = Store(tmp_path / "runs.sqlite3")
    run = store.begin_run("sweep", ["LF"])
    store.add_chunk(run, 0, 0.0, b"first")
    store.commit(run)
    fill_up(store)
    store.add_chunk(run, 0, 0.1, b"x" * 100_000)
    with pytest.raises(StoreError, match="disk is full") as caught:
        store.add_chunk(run, 0, 2.0, b"y")
    assert told_in_full(caught.value)
    assert [chunk.data[:1] for chunk in store.pending(run)] == [b"x", b"y"]
    with pytest.raises(StoreError, match="disk is full"):
        store.commit(run)
    with pytest.raises(StoreError, match="disk is full"):
        store.add_note(run, "z" * 100_000)
    assert [chunk.data for chunk in store.chunks(run)] == [b"first"]

    # Space was freed: what was pending goes in, in its order, once.
    store._db.execute("PRAGMA max_page_count = 1000000")
    store.add_chunk(run, 0, 2.1, b"z")
    assert [chunk.data[:1] for chunk in store.chunks(run)] == [b"f", b"x", b"y", b"z"]
    store.close()


def test_closing_on_a_full_disk_tells_and_still_closes(tmp_path: Path):
    path = tmp_path / "runs.sqlite3"
    store = Store(path)
    run = store.begin_run("sweep", ["LF"])
    store.add_chunk(run, 0, 0.0, b"kept")
    store.commit(run)
    fill_up(store)
    store.add_chunk(run, 0, 0.1, b"x" * 100_000)
    with pytest.raises(StoreError, match="disk is full"):
        store.close()
    with Store(path, read_only=True) as again:
        assert again.run(run).summary.state is RunState.INTERRUPTED
        assert [chunk.data for chunk in again.chunks(run)] == [b"kept"]


def test_full_disk_leaves_no_half_result(tmp_path: Path):
    store = Store(tmp_path / "runs.sqlite3")
    run = store.begin_run("sweep", ["LF"])
    fill_up(store)
    with pytest.raises(StoreError, match="disk is full"):
        for _ in range(200):
            store.add_result(run, sweep_outcome(), method="sweep-1")
    counts = {
        store._db.execute(f"SELECT count(DISTINCT {column}) FROM {table}").fetchone()[0]
        for table, column in (("result", "id"), ("figure", "result_id"), ("outcome", "result_id"))
    }
    assert len(counts) == 1
    store.close()


@needs_permissions
def test_read_only_folder_is_told(folder: Path):
    folder.chmod(0o555)
    with as_ordinary_user(), pytest.raises(StoreError, match="cannot be opened") as caught:
        Store(folder / "runs.sqlite3")
    assert told_in_full(caught.value)
    with as_ordinary_user(), pytest.raises(StoreError, match="cannot be opened") as caught:
        Store(folder / "deeper" / "runs.sqlite3")
    assert told_in_full(caught.value)


@needs_permissions
def test_store_in_a_read_only_folder_can_be_read_but_not_written(folder: Path):
    path = folder / "runs.sqlite3"
    with Store(path) as store:
        run = store.begin_run("sweep", ["LF"])
        store.add_chunk(run, 0, 0.0, b"abc")
        store.finish_run(run)
    path.chmod(0o444)
    folder.chmod(0o555)
    with as_ordinary_user():
        with Store(path, read_only=True) as store:
            assert store.run(run).summary.state is RunState.FINISHED
            assert [chunk.data for chunk in store.chunks(run)] == [b"abc"]
        with pytest.raises(StoreError, match=r"cannot be (written|opened)") as caught:
            Store(path)
    assert told_in_full(caught.value)


@needs_permissions
def test_read_only_folder_with_entries_in_the_log_is_told(folder: Path):
    path = folder / "runs.sqlite3"
    with Store(path) as store:
        store.begin_run("sweep", ["LF"])
        log = folder / "runs.sqlite3-wal"
        entries = log.read_bytes()
    log.write_bytes(entries)
    folder.chmod(0o555)
    with as_ordinary_user(), pytest.raises(StoreError, match="where it is") as caught:
        Store(path, read_only=True)
    assert told_in_full(caught.value)


@pytest.mark.parametrize("content", [b"not a database at all, but text " * 40, bytes(range(256))])
def test_a_file_that_is_no_database_is_told_and_left_alone(tmp_path: Path, content: bytes):
    path = tmp_path / "holiday.jpg"
    path.write_bytes(content)
    for read_only in (False, True):
        with pytest.raises(StoreError, match="not a store") as caught:
            Store(path, read_only=read_only)
        assert told_in_full(caught.value)
    assert path.read_bytes() == content


def test_no_store_yet_is_told_when_reading(tmp_path: Path):
    with pytest.raises(StoreError, match="no store at") as caught:
        Store(tmp_path / "runs.sqlite3", read_only=True)
    assert told_in_full(caught.value)
    (tmp_path / "empty.sqlite3").touch()
    with pytest.raises(StoreError, match="is empty"):
        Store(tmp_path / "empty.sqlite3", read_only=True)


def test_reading_writes_nothing(tmp_path: Path):
    path = tmp_path / "runs.sqlite3"
    with Store(path) as store:
        run = store.begin_run("sweep", ["LF"])
    with Store(path, read_only=True) as store, pytest.raises(StoreError, match="written"):
        store.add_note(run, "text")


def test_store_locked_by_another_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(opening, "BUSY_TIMEOUT_S", 0.01)
    path = tmp_path / "runs.sqlite3"
    with Store(path) as store:
        run = store.begin_run("sweep", ["LF"])
        other = sqlite3.connect(path, isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        store.add_chunk(run, 0, 0.0, b"abc")
        with pytest.raises(StoreError, match="locked") as caught:
            store.commit(run)
        assert told_in_full(caught.value)
        with pytest.raises(StoreError, match="locked"):
            Store(path)
        assert [summary.run_id for summary in store.runs()] == [run], "readers are not kept out"
        other.execute("ROLLBACK")
        other.close()
        store.commit(run)
        assert [chunk.data for chunk in store.chunks(run)] == [b"abc"]


def test_damaged_store_is_told(tmp_path: Path):
    path = tmp_path / "runs.sqlite3"
    with Store(path) as store:
        run = store.begin_run("sweep", ["LF"])
        for step in range(200):
            store.add_chunk(run, 0, 0.1 * step, bytes(1000))
        store.finish_run(run)
    content = bytearray(path.read_bytes())
    for page in range(1, len(content) // 4096):
        content[page * 4096 : page * 4096 + 64] = b"\xa5" * 64
    path.write_bytes(bytes(content))
    with pytest.raises(StoreError) as caught, Store(path) as store:
        list(store.chunks(run))
    assert told_in_full(caught.value)


def test_location(tmp_path: Path):
    assert resolve_store_path(None) == default_store_path()
    assert default_store_path().name == STORE_FILE_NAME
    assert resolve_store_path(tmp_path) == tmp_path / STORE_FILE_NAME
    assert resolve_store_path(str(tmp_path / "a.db")) == tmp_path / "a.db"
    with Store(tmp_path / "new" / "folders" / "a.db") as store:
        assert store.path.is_file()
