"""What every live measurement does, however it ends: measure what is there and lose nothing."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Awaitable, Callable
from typing import TypeVar

from knuckle.errors import StoreError
from knuckle.store.rows import RunState

T = TypeVar("T")


async def to_the_end(
    follow: Callable[[], Awaitable[None]],
    link_was_lost: Callable[[], bool],
    conclude: Callable[[RunState], T],
    break_off: Callable[[], None],
) -> T:
    """Guide, capture, measure; return what came of it.

    Parameters
    ----------
    follow : callable
        Guides and captures.
    link_was_lost : callable
        Whether a link ended before its time.
    conclude : callable
        Measures from the stored bytes and closes the run; called when cancelled as well.
    break_off : callable
        Closes the run without measuring.

    Raises
    ------
    KnuckleError
        If a pod cannot be reached or started, or the store fails.
    """
    try:
        await follow()
    except asyncio.CancelledError:
        conclude(RunState.INTERRUPTED)
        raise
    except BaseException:
        with contextlib.suppress(StoreError):  # what went wrong first is what is told
            break_off()
        raise
    return conclude(RunState.INTERRUPTED if link_was_lost() else RunState.FINISHED)
