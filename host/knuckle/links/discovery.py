"""Which pods are plugged in: told by their own hello."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

from knuckle.errors import LinkError, LinkTimeout, LinkWrongDevice
from knuckle.links.contract import Link
from knuckle.links.ports import UsbPort, usb_ports
from knuckle.links.serial import DEFAULT_BAUD, SerialLink
from knuckle.wire.decoder import PodDecoder
from knuckle.wire.messages import Fault, Hello, TextHeader

LISTEN_S: Final = 4.0
"""A board that restarts on opening has said hello by then."""
LISTEN_TO_STREAM_S: Final = 6.0
"""A pod that streams already says hello every five seconds."""


BAUDS: Final = (DEFAULT_BAUD, 9600, 57600, 38400, 19200)
"""All that pods offer, listened at in turn where bytes come that make no frame."""
FAULTS_S: Final = 0.3
"""A pod tells its faults right after its hello."""
LIST_S: Final = 10.0
"""Longest that listing the ports may take."""


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
    baud : int
        At which the port was listened to last.
    faults : tuple of Fault
        What the pod said of its faults right after its hello.
    """

    port: UsbPort
    hello: Hello | None = None
    text: TextHeader | None = None
    problem: LinkError | None = None
    baud: int = DEFAULT_BAUD
    faults: tuple[Fault, ...] = ()

    @property
    def address(self) -> str:
        """What to give as the pod's address."""
        speed = "" if self.baud == DEFAULT_BAUD else f"?baud={self.baud}"
        return f"serial:{self.port.device}{speed}"

    @property
    def is_pod(self) -> bool:
        """Whether a pod was heard."""
        return self.hello is not None or self.text is not None


OpenPort = Callable[[UsbPort, int], Link]
"""From a port and a baud rate to a link that is not yet open."""


def _open_serial(port: UsbPort, baud: int) -> Link:
    return SerialLink(port.device, baud=baud)


async def find_pods(
    *,
    listen_s: float = LISTEN_S,
    list_ports: Callable[[], list[UsbPort]] = usb_ports,
    open_port: OpenPort = _open_serial,
) -> list[FoundPort]:
    """Listen on every USB-serial port at once; nothing is written to any.

    Parameters
    ----------
    listen_s : float
        How long, in the links' own time.
    list_ports : callable, optional
        Gives the ports.
    open_port : callable, optional
        Gives the link for a port and a baud rate.

    Raises
    ------
    LinkTimeout
        If the system does not list its ports in time.

    Returns
    -------
    list of FoundPort
        One for each port, pods and others, by name.
    """
    try:
        ports = await asyncio.wait_for(asyncio.to_thread(list_ports), LIST_S)
    except TimeoutError as error:
        raise LinkTimeout(
            f"The system did not list its ports within {LIST_S:g} s.",
            "A driver hangs, often after a device was pulled out.",
            "Unplug the USB devices, plug the pod in again, and try once more.",
        ) from error
    return list(await asyncio.gather(*(_listen(port, open_port, listen_s) for port in ports)))


async def _listen(port: UsbPort, open_port: OpenPort, listen_s: float) -> FoundPort:
    """Listen at one baud rate after the other, while what comes cannot be read."""
    first: FoundPort | None = None
    for baud in BAUDS:
        found, unreadable = await _listen_at(port, baud, open_port, listen_s)
        first = first or found
        if found.is_pod or not unreadable:
            return found if found.is_pod else first
    assert first is not None
    return first


async def _listen_at(
    port: UsbPort, baud: int, open_port: OpenPort, listen_s: float
) -> tuple[FoundPort, bool]:
    """Return what was heard, and whether bytes came of which none made sense."""
    decoder = PodDecoder()
    heard = 0
    try:
        async with open_port(port, baud) as link, contextlib.aclosing(link.chunks()) as chunks:
            since_s = link.clock.now_s()
            met: FoundPort | None = None
            async for chunk in chunks:
                heard += len(chunk.data)
                decoder.receive_data(chunk.data)
                for message in decoder.events():
                    if isinstance(message, Hello) and met is None:
                        met = FoundPort(port, hello=message, baud=baud)
                        since_s = chunk.arrival_s
                    elif isinstance(message, Fault) and met is not None:
                        met = replace(met, faults=(*met.faults, message))
                    if isinstance(message, TextHeader):
                        return FoundPort(port, text=message, baud=baud), False
                if met is not None:
                    if chunk.arrival_s - since_s >= FAULTS_S:
                        return met, False
                    continue
                streams = decoder.counts.frames > 0
                wait_s = max(listen_s, LISTEN_TO_STREAM_S) if streams else listen_s
                if chunk.arrival_s - since_s >= wait_s:
                    break
            if met is not None:
                return met, False
    except LinkError as problem:
        return FoundPort(port, problem=problem, baud=baud), False
    understood = decoder.counts.frames or decoder.counts.headerless_lines
    silence = _no_pod(heard, decoder, listen_s)
    return FoundPort(port, problem=silence, baud=baud), heard > 0 and not understood


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
        "If this is your pod, check its firmware; see docs/troubleshooting.md.",
    )
