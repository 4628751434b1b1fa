"""Cues through the system's own player in a child process; the terminal's bell as fallback.

Nothing here waits and nothing here fails: a cue that cannot be heard must not stop a
measurement.
"""

from __future__ import annotations

import logging
import os
import queue
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Final, Self

from knuckle.terminal.tones import BELLS, TUNES, write_wav
from knuckle.wire.messages import Cue

_LOG: Final = logging.getLogger("knuckle.sounds")
FILE: Final = "{file}"
_FILE_VARIABLE: Final = "CUE_FILE"
_LONGEST_S: Final = 10.0
_BETWEEN_BELLS_S: Final = 0.2
_MOST_WAITING: Final = 2
"""So many cues may wait their turn; older ones give way, since a late cue misleads."""


def player_command(
    platform: str = sys.platform, which: Callable[[str], str | None] = shutil.which
) -> list[str] | None:
    """Return the system's own player, `FILE` standing for the file; None if there is none.

    Parameters
    ----------
    platform : str
        As `sys.platform`.
    which : callable
        Finds a program, as `shutil.which`.
    """
    if platform == "darwin":
        known = [["afplay", FILE]]
    elif platform == "win32":
        # The path goes by the environment: spaces in it would break the command's words.
        script = f"(New-Object System.Media.SoundPlayer $env:{_FILE_VARIABLE}).PlaySync()"
        known = [["powershell", "-NoProfile", "-NonInteractive", "-Command", script]]
    else:
        known = [["pw-play", FILE], ["paplay", FILE], ["aplay", "-q", FILE]]
    for command in known:
        path = which(command[0])
        if path:
            return [path, *command[1:]]
    return None


def _ring() -> None:
    # On standard error, and to a terminal only: files and pipes get no control codes.
    if sys.__stderr__ is not None and sys.__stderr__.isatty():
        sys.__stderr__.write("\a")
        sys.__stderr__.flush()


class Sounds:
    """Plays cues one after the other, beside the program.

    Parameters
    ----------
    enabled : bool
        Without it every call does nothing.
    player : list of str or None, optional
        The player's command with `FILE` in it; found by itself if not given. None: the bell.
    ring : callable, optional
        Rings the bell once.
    """

    def __init__(
        self,
        enabled: bool = True,
        *,
        player: list[str] | str | None = "find",
        ring: Callable[[], None] = _ring,
    ) -> None:
        self._enabled = enabled
        self._player = player_command() if isinstance(player, str) else player
        self._ring = ring
        self._waiting: queue.Queue[Cue | None] = queue.Queue()
        self._thread: threading.Thread | None = None
        self._folder: tempfile.TemporaryDirectory[str] | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def play(self, cue: Cue) -> None:
        """Have a cue played soon; returns at once."""
        if not self._enabled or cue not in TUNES:
            return
        if self._thread is None:
            self._thread = threading.Thread(target=self._work, name="sounds", daemon=True)
            self._thread.start()
        while self._waiting.qsize() >= _MOST_WAITING:
            try:
                self._waiting.get_nowait()
            except queue.Empty:
                break
        self._waiting.put(cue)

    def close(self, wait_s: float = 1.5) -> None:
        """Let what waits be heard for a moment, then end."""
        if self._thread is not None:
            self._waiting.put(None)
            self._thread.join(wait_s)
            self._thread = None
        if self._folder is not None:
            try:
                self._folder.cleanup()
            except OSError:
                _LOG.info("the folder of the cues could not be removed")
            self._folder = None

    def _work(self) -> None:
        while (cue := self._waiting.get()) is not None:
            if not self._played(cue):
                for stroke in range(BELLS[cue]):
                    if stroke:
                        time.sleep(_BETWEEN_BELLS_S)
                    self._ring()

    def _played(self, cue: Cue) -> bool:
        if self._player is None:
            return False
        try:
            path = str(self._file(cue))
            done = subprocess.run(
                [path if word == FILE else word for word in self._player],
                env={**os.environ, _FILE_VARIABLE: path},
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                timeout=_LONGEST_S,
                check=False,
            )
        except (OSError, subprocess.TimeoutExpired) as error:
            _LOG.info("the player does not work, the bell takes its place: %s", error)
            self._player = None
            return False
        if done.returncode != 0:
            _LOG.info("the player ended with %d, the bell takes its place", done.returncode)
            self._player = None
            return False
        return True

    def _file(self, cue: Cue) -> Path:
        if self._folder is None:
            self._folder = tempfile.TemporaryDirectory(prefix="knuckle-cues-")
        path = Path(self._folder.name) / f"{cue.name.lower()}.wav"
        if not path.exists():
            write_wav(cue, path)
        return path
