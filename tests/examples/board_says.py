"""A board of one's own, as a session hears it: good lines, and mistakes."""

from __future__ import annotations

from collections.abc import Callable

from knuckle.links.contract import Chunk
from knuckle.model.wheel import Wheel
from knuckle.run.podsession import PodSession

HEADER = "t_ms,ax_g,ay_g,az_g,temp_c"
Line = Callable[[int], str]


def good(i: int) -> str:
    return f"{20 * i},0.01,-0.02,{1.0 + 1e-4 * (i % 7)},24.5"


def talk(header: str, line: Line, seconds: float) -> list[object]:
    """Let a session hear a board that says its header every 2 s and 50 lines a second."""
    session = PodSession(Wheel.LF)
    session.opened(0.0)
    events: list[object] = []
    for i in range(round(50 * seconds)):
        text = (header + "\r\n" if i % 100 == 0 and header else "") + line(i) + "\r\n"
        events += session.receive(Chunk(0.02 * i, text.encode()))
    return events
