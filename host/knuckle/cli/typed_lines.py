"""Lines that are typed while a measurement goes on."""

from __future__ import annotations

import asyncio
import sys
import threading
from collections.abc import Awaitable, Callable
from typing import TYPE_CHECKING, Any

from knuckle.errors import KnuckleError
from knuckle.terminal.screen import LiveScreen

if TYPE_CHECKING:
    from knuckle.terminal.screen import Screen


class TypedLines:
    """Reads lines without holding up the program.

    The thread that waits for a line is a daemon, so that Ctrl-C ends the program at once.

    Parameters
    ----------
    screen : Screen
        Its live view stands still while a line is awaited.
    """

    def __init__(self, screen: Screen) -> None:
        self._screen = screen

    async def ask(self, question: str) -> str:
        """Show a question and return the line that is typed.

        Raises
        ------
        KnuckleError
            If the input has ended.
        """
        if isinstance(self._screen, LiveScreen):
            with self._screen.paused():
                return await self._line(question)
        return await self._line(question)

    async def _line(self, question: str) -> str:
        loop = asyncio.get_running_loop()
        answer: asyncio.Future[str] = loop.create_future()

        def deliver(line: str) -> None:
            if not answer.done():
                answer.set_result(line)

        def read() -> None:
            line = sys.stdin.readline()
            if not loop.is_closed():
                loop.call_soon_threadsafe(deliver, line)

        print(f"{question} ", end="", file=sys.stderr, flush=True)
        threading.Thread(target=read, name="knuckle typed line", daemon=True).start()
        line = await answer
        if not line:
            raise KnuckleError(
                "Nothing more can be typed: the input has ended.",
                "It was closed, or came from a file that is over.",
                "`knuckle validate --resume last` goes on from there.",
            )
        return line.strip()


class SimulatedLines:
    """What the person of a simulated run types.

    Parameters
    ----------
    typed : callable
        Returns the tries, the right one last.
    say : callable
        Shows question and answer.
    """

    def __init__(self, typed: Callable[[], tuple[str, ...]], say: Callable[[str], None]) -> None:
        self._typed = typed
        self._say = say
        self._waiting: list[str] = []

    async def ask(self, question: str) -> str:
        """Return what the simulated person types next.

        Raises
        ------
        KnuckleError
            If it is no validation that is simulated.
        """
        if not self._waiting:
            self._waiting = list(self._typed())
        if not self._waiting:
            raise KnuckleError("The simulated person has nothing to type.")
        text = self._waiting.pop(0)
        self._say(f"{question} {text}")
        return text


def asker_for(link: Any, screen: Screen, simulated: bool) -> Callable[[str], Awaitable[str]]:
    """Return who answers: the person at the keyboard, or the simulated one."""
    if simulated:
        return SimulatedLines(link.typed, screen.say).ask
    return TypedLines(screen).ask
