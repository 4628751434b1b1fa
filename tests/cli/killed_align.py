"""A real process of `knuckle align` that is fed line by line and killed, for tests."""

from __future__ import annotations

import os
import select
import subprocess
import sys
import time
from pathlib import Path

LONGEST_WAIT_S = 60.0


class Process:
    """`knuckle align CAR` on a pipe."""

    def __init__(self, folder: Path, *words: str) -> None:
        environment = {
            **os.environ,
            "KNUCKLE_STORE": str(folder / "runs.sqlite3"),
            "KNUCKLE_LOG": str(folder / "knuckle.log"),
            "XDG_CONFIG_HOME": str(folder),
            "PYTHONUNBUFFERED": "1",
            "OMP_NUM_THREADS": "1",
        }
        self._process = subprocess.Popen(
            [sys.executable, "-m", "knuckle", "--no-sound", *words],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            env=environment,
            cwd=folder,
        )
        self.shown = ""
        self._read_to = 0

    def wait_for(self, words: str) -> None:
        """Read until these words are shown, after those that were waited for last."""
        assert self._process.stdout is not None
        end = time.monotonic() + LONGEST_WAIT_S
        while (found := self.shown.find(words, self._read_to)) < 0:
            ready, _, _ = select.select([self._process.stdout], [], [], 1.0)
            piece = os.read(self._process.stdout.fileno(), 65536) if ready else b""
            if ready and not piece:
                raise AssertionError(f"it ended before {words!r}:\n{self.shown}")
            self.shown += piece.decode()
            assert time.monotonic() < end, f"{words!r} was never shown:\n{self.shown}"
        self._read_to = found + len(words)

    def type(self, *lines: str) -> None:
        """Type lines."""
        assert self._process.stdin is not None
        self._process.stdin.write("".join(f"{line}\n" for line in lines).encode())
        self._process.stdin.flush()

    def kill(self) -> None:
        """Kill -9: nothing of the program is run any more."""
        self._process.kill()
        self._process.wait(LONGEST_WAIT_S)
        for pipe in (self._process.stdin, self._process.stdout):
            if pipe is not None:
                pipe.close()
