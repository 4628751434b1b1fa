"""A short call on a pod that need not stream: questions and answers, then the link is closed."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Generator
from typing import TypeVar, cast

from knuckle.errors import PodError
from knuckle.links.contract import Link
from knuckle.run.attendance import Attendance
from knuckle.run.deadlines import Deadlines, gone_silent, link_ended
from knuckle.run.exchange import Exchange, Reply, Request
from knuckle.wire.decoder import PodDecoder
from knuckle.wire.messages import Command, Hello, SampleBatch, TextHeader

T = TypeVar("T")
Questions = Generator[Request, Reply, T]


async def visit(
    link: Link, ask: Callable[[Hello], Questions[T]], deadlines: Deadlines | None = None
) -> T:
    """Open a link, wait for the pod's hello, and put questions to it one after the other.

    Nothing is written before a hello; a pod that streams is asked for it. Nothing is started or
    stopped.

    Parameters
    ----------
    link : Link
        Not yet open; closed at the end.
    ask : callable
        From the hello to a generator of requests; each gets its reply, or the error in its
        place, sent back.

    Returns
    -------
    object
        What the generator returns.

    Raises
    ------
    LinkError
        If no pod answers, or it is gone before the end.
    PodError
        If the pod speaks the text format, and what the generator raises.
    """
    limits = deadlines if deadlines is not None else Deadlines()
    decoder, exchange, attendance = PodDecoder(), Exchange(), Attendance(limits)
    replies: list[Reply] = []
    questions: Questions[T] | None = None
    asked_who = False
    async with link, contextlib.aclosing(link.chunks()) as chunks:
        attendance.opened(link.clock.now_s())
        last_s = link.clock.now_s()
        async for chunk in chunks:
            if chunk.data:
                attendance.bytes_came(chunk.arrival_s)
                last_s = chunk.arrival_s
                decoder.receive_data(chunk.data)
                for message in decoder.events():
                    exchange.take(message)
                    if isinstance(message, TextHeader):
                        raise _only_prints()
                    if isinstance(message, SampleBatch) and questions is None and not asked_who:
                        asked_who = True
                        exchange.send(Request(Command.HELLO), chunk.arrival_s, lambda reply: None)
                    if isinstance(message, Hello) and questions is None:
                        questions = ask(message)
                        try:
                            exchange.send(next(questions), chunk.arrival_s, replies.append)
                        except StopIteration as end:
                            return cast(T, end.value)
            exchange.pass_time(chunk.arrival_s)
            if questions is None:
                overdue = attendance.hello_overdue(chunk.arrival_s, decoder)
                if overdue is not None:
                    raise overdue
            elif chunk.arrival_s - last_s > limits.hello_s:
                raise gone_silent(chunk.arrival_s - last_s)
            while questions is not None and replies:
                try:
                    request = questions.send(replies.pop(0))
                except StopIteration as end:
                    return cast(T, end.value)
                exchange.send(request, chunk.arrival_s, replies.append)
            data = exchange.take_outgoing()
            if data:
                await link.write(data)
    raise link_ended()


def _only_prints() -> PodError:
    return PodError(
        "This pod keeps no settings.",
        "It speaks the plain text format, which only sends.",
        "Set such a board in its own program.",
    )
