from __future__ import annotations

import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest

from knuckle.store.database import Store
from knuckle.store.liveness import is_live, lock_path
from knuckle.store.rows import RunState
from store.killed_capture import STEP_S, chunk_bytes

CHILD = Path(__file__).with_name("killed_capture.py")


def start(path: Path) -> tuple[subprocess.Popen[str], int]:
    child = subprocess.Popen(
        [sys.executable, str(CHILD), str(path)], stdout=subprocess.PIPE, text=True
    )
    assert child.stdout is not None
    return child, int(child.stdout.readline())


def kill_after(child: subprocess.Popen[str], number: int) -> int:
    """Kill the child once it has handed over that chunk; return the last one it handed over."""
    assert child.stdout is not None
    last = -1
    for line in child.stdout:
        last = int(line)
        if last >= number:
            break
    child.kill()  # SIGKILL: nothing in the child runs after it
    for line in child.stdout:
        if line.endswith("\n"):
            last = int(line)
    child.stdout.close()
    child.wait(timeout=30)
    assert child.returncode != 0
    return last


@pytest.mark.parametrize("number", [3, 19, 20, 100, 537, 1211])
def test_killed_process_loses_at_most_the_last_second(tmp_path: Path, number: int):
    path = tmp_path / "runs.sqlite3"
    child, run = start(path)
    last = kill_after(child, number)
    with Store(path, read_only=True) as store:
        kept = list(store.chunks(run))
        detail = store.run(run)
    lost_from_s = len(kept) * STEP_S
    assert last * STEP_S - lost_from_s < 1.0
    assert kept == [(0, n * STEP_S, chunk_bytes(n)) for n in range(len(kept))]
    assert detail.summary.state is RunState.INTERRUPTED
    assert detail.streams[0].chunk_count == len(kept)
    with sqlite3.connect(path) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone()[0] == "ok"


def test_run_of_a_living_process_is_open_and_of_a_killed_one_interrupted(tmp_path: Path):
    path = tmp_path / "runs.sqlite3"
    child, run = start(path)
    try:
        with Store(path, read_only=True) as reader:
            assert reader.run(run).summary.state is RunState.OPEN
        with Store(path) as writer:
            assert writer.run(run).summary.state is RunState.OPEN
            own = writer.begin_run("camber", ["RF"])
            states = {summary.run_id: summary.state for summary in writer.runs()}
            assert states == {run: RunState.OPEN, own: RunState.OPEN}
    finally:
        kill_after(child, 0)
    assert lock_path(path, run).exists() and not is_live(path, run)
    with Store(path, read_only=True) as reader:
        assert reader.run(run).summary.state is RunState.INTERRUPTED
    Store(path).close()
    assert not list(tmp_path.glob("*.lock"))
    with sqlite3.connect(path) as connection:
        state = connection.execute("SELECT state FROM run WHERE id = ?", (run,)).fetchone()
    assert state == ("interrupted",)


def test_a_killed_run_can_still_be_given_results_and_notes(tmp_path: Path):
    path = tmp_path / "runs.sqlite3"
    child, run = start(path)
    kill_after(child, 50)
    with Store(path) as store:
        store.add_note(run, "the battery fell out")
        assert store.run(run).notes[0].text == "the battery fell out"
        assert store.begin_run("camber", ["LF"]) == run + 1
