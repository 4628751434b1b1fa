"""Waiting for foreign asynchronous work, for so long and no longer."""

from __future__ import annotations

import asyncio
from collections.abc import Coroutine
from typing import Any, Final, TypeVar

T = TypeVar("T")

GRACE_S: Final = 1.0
"""How long work that was called off may take to clear up behind itself."""

_left_behind: set[asyncio.Task[Any]] = set()


class BrokenOffError(Exception):
    """What the work was for is gone; it was called off."""


async def within(
    deadline_s: float, work: Coroutine[Any, Any, T], gone: asyncio.Event | None = None
) -> T:
    """Return what the work returns; call it off at its deadline.

    Work that does not even stop when called off is left to itself: `asyncio.wait_for` would wait
    for it without end, as when a service that it clears up with hangs.

    Parameters
    ----------
    gone : asyncio.Event, optional
        Set when waiting has become pointless.

    Raises
    ------
    TimeoutError
        If it is not done in time.
    BrokenOffError
        If `gone` was set first.
    Exception
        What the work raises.
    """
    task = asyncio.create_task(work)
    gone_task = asyncio.create_task(gone.wait()) if gone is not None else None
    try:
        await asyncio.wait(
            {task} if gone_task is None else {task, gone_task},
            timeout=deadline_s,
            return_when=asyncio.FIRST_COMPLETED,
        )
        if task.done():
            return task.result()
    finally:
        if gone_task is not None:
            gone_task.cancel()
        if not task.done():
            await _call_off(task)
    if gone is not None and gone.is_set():
        raise BrokenOffError
    raise TimeoutError


async def _call_off(task: asyncio.Task[Any]) -> None:
    task.cancel()
    _left_behind.add(task)
    task.add_done_callback(_forget)
    await asyncio.wait({task}, timeout=GRACE_S)
    if not task.done():
        task.cancel()


def _forget(task: asyncio.Task[Any]) -> None:
    _left_behind.discard(task)
    if not task.cancelled():
        task.exception()  # nobody else asks for it, and asyncio would complain
