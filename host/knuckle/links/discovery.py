"""Which pods are plugged in: told by their own hello."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from knuckle.errors import LinkError, LinkWrongDevice
from knuckle.links.contract import Link
from knuckle.links.ports import UsbPort, usb_ports
from knuckle.links.serial import SerialLink
from knuckle.wire.decoder import PodDecoder
from knuckle.wire.messages import Hello, TextHeader

LISTEN_S: Final = 4.0
"""A board that restarts on opening has said hello by then."""
LISTEN_TO_STREAM_S: Final = 6.0
"""A pod that streams already says hello every five seconds."""


@dataclass(frozen=True, slots=True)
class FoundPort:
    """A USB-serial port and what was heard on it.

    Attributes
    ----------
    port : UsbPort
        Where.
    hello : Hello or None
        What the pod says of itself.
    text : TextHeader or None
        The header of a pod that speaks the text format.
    problem : LinkError or None
        Why neither was heard: busy, no permission, silent, no pod.
    """

    port: UsbPort
    hello: Hello | None = None
    text: TextHeader | None = None
    problem: LinkError | None = None

    @property
    def address(self) -> str:
        """What to give as the pod's address."""
        return f"serial:{self.port.device}"

    @property
    def is_pod(self) -> bool:
        """Whether a pod was heard."""
        return self.hello is not None or self.text is not None


def _open_serial(port: UsbPort) -> Link:
    return SerialLink(port.device)


async def find_pods(
    *,
    listen_s: float = LISTEN_S,
    list_ports: Callable[[], list[UsbPort]] = usb_ports,
    open_port: Callable[[UsbPort], Link] = _open_serial,
) -> list[FoundPort]:
    """Listen on every USB-serial port at once; nothing is written to any.

    Parameters
    ----------
    listen_s : float
        How long, in the links' own time.
    list_ports : callable, optional
        Gives the ports.
    open_port : callable, optional
        Gives the link for a port.

    Returns
    -------
    list of FoundPort
        One for each port, pods and others, by name.
    """
    ports = await asyncio.to_thread(list_ports)
    return list(await asyncio.gather(*(_listen(port, open_port, listen_s) for port in ports)))


async def _listen(
    port: UsbPort, open_port: Callable[[UsbPort], Link], listen_s: float
) -> FoundPort:
    decoder = PodDecoder()
    heard = 0
    try:
        async with open_port(port) as link, contextlib.aclosing(link.chunks()) as chunks:
            since_s = link.clock.now_s()
            async for chunk in chunks:
                heard += len(chunk.data)
                decoder.receive_data(chunk.data)
                for message in decoder.events():
                    if isinstance(message, Hello):
                        return FoundPort(port, hello=message)
                    if isinstance(message, TextHeader):
                        return FoundPort(port, text=message)
                streams = decoder.counts.frames > 0
                wait_s = max(listen_s, LISTEN_TO_STREAM_S) if streams else listen_s
                if chunk.arrival_s - since_s >= wait_s:
                    break
    except LinkError as problem:
        return FoundPort(port, problem=problem)
    return FoundPort(port, problem=_no_pod(heard, decoder, listen_s))


def _no_pod(heard: int, decoder: PodDecoder, listen_s: float) -> LinkWrongDevice:
    if decoder.counts.frames or decoder.counts.headerless_lines:
        return LinkWrongDevice(
            "A pod streams here, but has not said which.",
            "Another program started it, and opening the port does not restart this board.",
            "Press its reset button, or simply use it: it is asked then.",
        )
    said = f"{heard} bytes came, none of a pod" if heard else "nothing came"
    return LinkWrongDevice(
        f"No hello within {listen_s:g} s.",
        f"Probably another device: {said}.",
        "If this is your pod, check its firmware and its baud rate.",
    )
