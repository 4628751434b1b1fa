"""Listening to who is at a link's other end; nothing is written."""

from __future__ import annotations

import contextlib
from dataclasses import dataclass, field
from typing import Final

from knuckle.links.contract import Link
from knuckle.wire.decoder import DecodeCounts, PodDecoder
from knuckle.wire.messages import Fault, Hello, TextHeader

LISTEN_S: Final = 4.0
"""A board that restarts on opening has said hello by then."""
LISTEN_TO_STREAM_S: Final = 6.0
"""A pod that streams already says hello every five seconds, a text pod its header."""
FAULTS_S: Final = 0.3
"""A pod tells its faults right after its hello."""


@dataclass(slots=True)
class Heard:
    """What was heard.

    Attributes
    ----------
    hello : Hello or None
        What the pod says of itself.
    text : TextHeader or None
        The header of a pod that speaks the text format.
    faults : list of Fault
        What the pod said of its faults right after its hello.
    byte_count : int
        Bytes that came.
    counts : DecodeCounts
        What became of them.
    text_trouble : str
        What is wrong with a header that cannot be used, for people.
    """

    hello: Hello | None = None
    text: TextHeader | None = None
    faults: list[Fault] = field(default_factory=list)
    byte_count: int = 0
    counts: DecodeCounts = field(default_factory=DecodeCounts)
    text_trouble: str = ""

    @property
    def streams(self) -> bool:
        """Whether what came is a pod's, though it has not said whose."""
        return self.counts.frames > 0 or self.counts.headerless_lines > 0


async def listen(link: Link, listen_s: float = LISTEN_S) -> Heard:
    """Open a link and listen until a pod has said who it is, or for a time.

    Parameters
    ----------
    link : Link
        Not yet open; closed at the end.
    listen_s : float
        How long, in the link's own time; longer where a pod streams already.

    Raises
    ------
    LinkError
        If it cannot be opened, or is lost.
    """
    decoder = PodDecoder()
    heard = Heard(counts=decoder.counts)
    async with link, contextlib.aclosing(link.chunks()) as chunks:
        since_s = link.clock.now_s()
        async for chunk in chunks:
            heard.byte_count += len(chunk.data)
            decoder.receive_data(chunk.data)
            for message in decoder.events():
                if isinstance(message, Hello) and heard.hello is None:
                    heard.hello = message
                    since_s = chunk.arrival_s
                elif isinstance(message, Fault) and heard.hello is not None:
                    heard.faults.append(message)
                elif isinstance(message, TextHeader):
                    heard.text = message
            heard.counts, heard.text_trouble = decoder.counts, decoder.text_trouble
            if heard.text is not None:
                break
            passed_s = chunk.arrival_s - since_s
            if heard.hello is not None:
                if passed_s >= FAULTS_S:
                    break
                continue
            if passed_s >= (max(listen_s, LISTEN_TO_STREAM_S) if heard.streams else listen_s):
                break
    return heard
