"""The `ble:` link connected and lost, over and over, in one process: does anything leak?"""

from __future__ import annotations

import asyncio
import contextlib
import gc
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from pathlib import Path
from typing import Any, Final

from knuckle.errors import LinkError, LinkLost
from knuckle.links.contract import Chunk
from knuckle.links.schemes import open_link
from lab.rig import NAME, Rig
from lab.verdicts import Verdicts

DATA_WITHIN_S: Final = 10.0
LOST_WITHIN_S: Final = 20.0
BACK_WITHIN_S: Final = 60.0
PAUSE_S: Final = 1.0
REPEATS: Final = 5
"""Of what is done to daemon and adapter."""


def open_files() -> int:
    """Return how many files this process holds open."""
    return len(list(Path("/proc/self/fd").iterdir())) - 1  # the listing itself is one


async def all_cycles(rig: Rig, cycles: int, verdicts: Verdicts) -> None:
    """Go through everything that may end a connection."""
    link = open_link(f"ble:{NAME}")
    await _one_cycle(rig, link, lost=False)  # what the client library sets up for good
    await _one_cycle(rig, link, lost=True)
    held = Held()
    begun_s = time.monotonic()
    failures: list[str] = []
    for number in range(cycles):
        try:
            await _one_cycle(rig, link, lost=bool(number % 2))
        except LinkError as error:
            failures.append(f"{number}: {error.what}")
    took_s = time.monotonic() - begun_s
    verdicts.judge(
        not failures,
        f"{cycles} connections, every other one lost and the rest ended: "
        f"{len(failures)} failed, {took_s / max(cycles, 1):.1f} s each {failures[:3]}",
    )
    held.judge(verdicts, "after them")
    for words, break_, mend in (
        ("bluetoothd killed", rig.kill_daemon, rig.start_daemon),
        ("adapter powered off", lambda: rig.power(False), lambda: rig.power(True)),
        ("adapter unplugged", lambda: rig.plug(False), lambda: rig.plug(True)),
    ):
        await _broken(link, words, break_, mend, verdicts)
        held.judge(verdicts, f"after {words} {REPEATS} times")


class Held:
    """What the process holds, to be compared with later."""

    def __init__(self) -> None:
        gc.collect()
        self._files = open_files()
        self._tasks = len(asyncio.all_tasks())

    def judge(self, verdicts: Verdicts, when: str) -> None:
        """Say what is held more than before."""
        gc.collect()
        files, tasks = open_files(), len(asyncio.all_tasks())
        verdicts.judge(
            files <= self._files and tasks <= self._tasks,
            f"{when}: files open {self._files} -> {files}, tasks {self._tasks} -> {tasks}",
        )


async def _one_cycle(rig: Rig, link: Any, *, lost: bool) -> None:
    async with link, contextlib.aclosing(link.chunks()) as chunks:
        await _data(chunks)
        if lost:
            await rig.lose()
            await _until_lost(chunks)


async def _broken(
    link: Any,
    words: str,
    break_: Callable[[], Awaitable[None]],
    mend: Callable[[], Awaitable[None]],
    verdicts: Verdicts,
) -> None:
    """Break something under a live link, try in vain, mend it, and come back."""
    lost_s: list[float] = []
    back_s: list[float] = []
    said: set[str] = set()
    refused: list[str] = []
    for _ in range(REPEATS):
        async with link, contextlib.aclosing(link.chunks()) as chunks:
            await _data(chunks)
            begun_s = time.monotonic()
            await break_()
            said.add(str(await _until_lost(chunks)))
            lost_s.append(time.monotonic() - begun_s)
        refused += [await _refusal(link) for _ in range(2)]
        await mend()
        begun_s = time.monotonic()
        await _back(link)
        back_s.append(time.monotonic() - begun_s)
    verdicts.judge(
        "" not in refused and any(words.startswith("LinkUnavailable") for words in refused),
        f"{words} {REPEATS} times: told after at most {max(lost_s):.1f} s, back after at most "
        f"{max(back_s):.1f} s",
    )
    for line in sorted(said):
        verdicts.tell(f"said: {line}")
    for line in sorted(set(refused)):
        verdicts.tell(f"{refused.count(line)} times when tried meanwhile: {line}")


async def _refusal(link: Any) -> str:
    """Return what entering fails with; empty if it does not fail."""
    try:
        async with link:
            return ""
    except LinkError as error:
        return f"{type(error).__name__}: {error}"


async def _back(link: Any) -> None:
    end_s = time.monotonic() + BACK_WITHIN_S
    while True:
        try:
            async with link, contextlib.aclosing(link.chunks()) as chunks:
                await _data(chunks)
            return
        except LinkError:
            if time.monotonic() > end_s:
                raise
        await asyncio.sleep(PAUSE_S)


async def _data(chunks: AsyncIterator[Chunk]) -> None:
    """Wait for bytes."""
    async with asyncio.timeout(DATA_WITHIN_S):
        while not (await anext(chunks)).data:
            pass


async def _until_lost(chunks: AsyncIterator[Chunk]) -> LinkLost:
    """Read until the link says that it is lost."""
    try:
        async with asyncio.timeout(LOST_WITHIN_S):
            while True:
                await anext(chunks)
    except LinkLost as error:
        return error
