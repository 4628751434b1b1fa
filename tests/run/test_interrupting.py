"""Ctrl-C in the middle of a run."""

from __future__ import annotations

import asyncio
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from knuckle.links.file import FileLink
from knuckle.model.wheel import Wheel
from knuckle.run.events import RunEvent, Samples
from knuckle.run.loop import RunLoop
from knuckle.store.capture import read_capture

PROGRAM = Path(__file__).with_name("interrupted_run.py")


@pytest.mark.skipif(sys.platform == "win32", reason="no SIGINT for another process there")
def test_what_was_captured_before_an_interrupt_is_kept(tmp_path: Path) -> None:
    path = tmp_path / "run.kncap"
    run = subprocess.Popen(
        [sys.executable, str(PROGRAM), str(path), "sim:?seed=2&speed=5"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert run.stdout is not None
    seen = 0
    for line in run.stdout:
        seen += line.strip() == "Samples"
        if seen == 20:
            break
    run.send_signal(signal.SIGINT)
    out, err = run.communicate(timeout=60)
    assert run.returncode == 130, err
    assert "Traceback" not in err
    kept = int(out.strip().splitlines()[-1].removeprefix("kept "))
    reader = read_capture(path)
    assert len(list(reader)) > 20
    assert not reader.notices

    async def replay() -> list[RunEvent]:
        async with RunLoop({Wheel.LF: FileLink(path)}) as loop:
            return [event async for event in loop.events()]

    events = asyncio.run(replay())
    assert sum(len(e.block) for e in events if isinstance(e, Samples)) == kept >= 100
