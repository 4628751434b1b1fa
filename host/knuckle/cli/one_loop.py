"""The one event loop of a call of the program.

Bluetooth's libraries belong to the loop that they were first used in: what looks for a pod and
what then measures with it must run in the same one.
"""

from __future__ import annotations

import asyncio
from collections.abc import Coroutine, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from typing import Any, TypeVar

T = TypeVar("T")

_runner: ContextVar[asyncio.Runner | None] = ContextVar("runner", default=None)


@contextmanager
def one_loop() -> Iterator[None]:
    """Let all that `carry_out` runs meanwhile share one loop; what is left in it ends with it."""
    runner = asyncio.Runner()  # makes its loop when it is first needed
    token = _runner.set(runner)
    try:
        yield
    finally:
        _runner.reset(token)
        runner.close()


def carry_out(work: Coroutine[Any, Any, T]) -> T:
    """Run work to its end and return what it returns.

    Raises
    ------
    KeyboardInterrupt
        If it was interrupted; the work was cancelled and has ended.
    """
    runner = _runner.get()
    if runner is not None:
        return runner.run(work)
    with asyncio.Runner() as own:
        return own.run(work)
