"""The board's program for tests: built once, or the test is skipped with the reason."""

from __future__ import annotations

import contextlib
import functools
import os
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

FIRMWARE = Path(__file__).resolve().parents[2] / "firmware"
IN_CI = os.environ.get("CI", "").lower() in ("1", "true", "yes")


def need(*tools: str) -> None:
    """Skip the test where a tool is missing; in CI fail."""
    missing = [tool for tool in tools if shutil.which(tool) is None]
    if missing:
        reason = f"{', '.join(missing)} missing (tests/apt.txt)"
        if IN_CI:
            pytest.fail(reason)
        pytest.skip(reason)


@contextlib.contextmanager
def _alone() -> Iterator[None]:
    """Let no other test process build meanwhile."""
    try:
        import fcntl
    except ImportError:  # Windows, which runs none of this
        yield
        return
    folder = FIRMWARE / "build"
    folder.mkdir(exist_ok=True)
    with (folder / ".lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield


def make(*words: str) -> subprocess.CompletedProcess[str]:
    """Run make in the firmware's folder."""
    kept = {key: value for key, value in os.environ.items() if not key.startswith("MAKE")}
    with _alone():
        return _make(words, kept)


def _make(words: tuple[str, ...], kept: dict[str, str]) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        ["make", "-C", str(FIRMWARE), *words],
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
        env=kept,
    )


@functools.cache
def built_program() -> Path:
    """Return the board's program; what is up to date is not built again."""
    done = make("board")
    assert done.returncode == 0, done.stdout + done.stderr
    return FIRMWARE / "build" / "knuckle-atmega328p.elf"
