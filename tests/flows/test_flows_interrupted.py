"""Ctrl-C and kill in the middle of a real process: what was captured is kept and measured."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from knuckle.report.summary import detail_lines
from knuckle.store.database import Store
from knuckle.store.rows import RunState

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="no POSIX signals there")

LONGEST_WAIT_S = 60.0


def started(folder: Path, *words: str) -> subprocess.Popen[str]:
    environment = {
        **os.environ,
        "KNUCKLE_STORE": str(folder / "runs.sqlite3"),
        "KNUCKLE_LOG": str(folder / "knuckle.log"),
        "XDG_CONFIG_HOME": str(folder),
        "PYTHONUNBUFFERED": "1",
    }
    return subprocess.Popen(
        [sys.executable, "-m", "knuckle", "--no-sound", *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=environment,
    )


def read_until(process: subprocess.Popen[str], words: str) -> None:
    assert process.stdout is not None
    for line in process.stdout:
        if words in line:
            return
    pytest.fail(f"{words!r} was never shown: {process.stderr and process.stderr.read()}")


def test_an_interrupted_sweep_keeps_and_measures_what_it_captured(tmp_path: Path) -> None:
    process = started(tmp_path, "sweep", "--pod", "sim:garage?seed=4&speed=8", "--wheel", "LF")
    read_until(process, "right 1")
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=LONGEST_WAIT_S)
    assert process.returncode == 130, err
    assert "Traceback" not in err
    assert "Interrupted" in err
    assert "Caster" in out, "both locks and straight ahead had been taken"
    assert "measured from the part captured" in out
    assert "a slip of the mount may go unseen" in out
    assert "Run 1 (interrupted) is kept" in out
    with Store(tmp_path / "runs.sqlite3", read_only=True) as store:
        detail = store.run(1)
        assert detail.summary.state is RunState.INTERRUPTED
        assert detail.facts["complete"] is False
        assert detail.results[0].outcome.refused is None
        assert detail.streams[0].byte_count > 10_000


def test_interrupted_too_early_for_a_result(tmp_path: Path) -> None:
    process = started(tmp_path, "sweep", "--pod", "sim:garage?seed=4&speed=8", "--wheel", "LF")
    read_until(process, "straight 1")
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=LONGEST_WAIT_S)
    assert process.returncode == 130, err
    assert "No result: " in out
    with Store(tmp_path / "runs.sqlite3", read_only=True) as store:
        assert store.run(1).summary.state is RunState.INTERRUPTED


def test_a_killed_sweep_loses_at_most_the_last_second(tmp_path: Path) -> None:
    process = started(tmp_path, "sweep", "--pod", "sim:garage?seed=4&speed=4", "--wheel", "LF")
    read_until(process, "left 1")
    process.kill()
    process.wait(timeout=LONGEST_WAIT_S)
    with Store(tmp_path / "runs.sqlite3") as store:
        detail = store.run(1)
        assert detail.summary.state is RunState.INTERRUPTED
        # The lock is taken after more than 4 s of the simulated world.
        assert detail.streams[0].duration_s > 3.0
        shown = " ".join("\n".join(detail_lines(detail)).split())
    assert "`knuckle export 1 --as capture`" in shown
    assert process.stdout is not None
    process.stdout.close()
    assert process.stderr is not None
    process.stderr.close()


def test_camber_interrupted_after_the_second_wheel(tmp_path: Path) -> None:
    process = started(tmp_path, "camber", "--pod", "sim:demo?seed=2&speed=8", "--all")
    read_until(process, "now to the left rear")
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=LONGEST_WAIT_S)
    assert process.returncode == 130, err
    assert "LF  camber" in out
    assert "RF  camber" in out
    assert "LR  camber" not in out
    with Store(tmp_path / "runs.sqlite3", read_only=True) as store:
        assert [row.outcome.wheel for row in store.run(1).results] == ["LF", "RF"]


def test_a_closed_pipe_is_no_fault(tmp_path: Path) -> None:
    process = started(tmp_path, "demo")
    assert process.stdout is not None
    process.stdout.readline()
    process.stdout.close()
    deadline = time.monotonic() + LONGEST_WAIT_S
    while process.poll() is None and time.monotonic() < deadline:
        time.sleep(0.05)
    assert process.stderr is not None
    told = process.stderr.read()
    process.stderr.close()
    assert process.returncode is not None
    assert "fault of its own" not in told
