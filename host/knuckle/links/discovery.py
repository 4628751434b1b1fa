"""Which pods are plugged in or within reach: told by their own hello."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from knuckle.errors import LinkError, LinkTimeout, LinkWrongDevice
from knuckle.links.ble import BleLimits, BleLink
from knuckle.links.ble_radio import scan
from knuckle.links.ble_uart import BleDevice
from knuckle.links.contract import Link
from knuckle.links.listening import LISTEN_S, Heard, listen
from knuckle.links.ports import UsbPort, usb_ports
from knuckle.links.serial import DEFAULT_BAUD, SerialLink
from knuckle.wire.messages import Fault, Hello, TextHeader

BAUDS: Final = (DEFAULT_BAUD, 9600, 57600, 38400, 19200)
"""All that pods offer, listened at in turn where bytes come that make no frame."""
LIST_S: Final = 10.0
"""Longest that listing the ports may take."""
SCAN_S: Final = 4.0
"""How long to listen for advertisements: a device shows itself at least once a second or two."""


@dataclass(frozen=True, slots=True)
class FoundPort:
    """A USB-serial port or a Bluetooth device, and what was heard there.

    Attributes
    ----------
    port : UsbPort or BleDevice
        Where.
    hello : Hello or None
        What the pod says of itself.
    text : TextHeader or None
        The header of a pod that speaks the text format.
    problem : LinkError or None
        Why neither was heard: busy, no permission, silent, no pod.
    baud : int
        At which a port was listened to last.
    faults : tuple of Fault
        What the pod said of its faults right after its hello.
    """

    port: UsbPort | BleDevice
    hello: Hello | None = None
    text: TextHeader | None = None
    problem: LinkError | None = None
    baud: int = DEFAULT_BAUD
    faults: tuple[Fault, ...] = ()

    @property
    def address(self) -> str:
        """What to give as the pod's address."""
        if isinstance(self.port, BleDevice):
            return f"ble:{self.port.place}"
        speed = "" if self.baud == DEFAULT_BAUD else f"?baud={self.baud}"
        return f"serial:{self.port.device}{speed}"

    @property
    def is_pod(self) -> bool:
        """Whether a pod was heard."""
        return self.hello is not None or self.text is not None

    @property
    def over_cable(self) -> bool:
        """Whether it is a port, not a Bluetooth device."""
        return isinstance(self.port, UsbPort)

    @property
    def pod_identity(self) -> object:
        """By which the same pod is known elsewhere; None if it has none."""
        if self.hello is not None and any(self.hello.identity):
            return self.hello.identity
        if self.text is not None:
            return dict(self.text.facts).get("id") or None
        return None


@dataclass(frozen=True, slots=True)
class Search:
    """What was found over all kinds of link.

    Attributes
    ----------
    found : tuple of FoundPort
        Ports first, then Bluetooth devices, the strongest signal first.
    no_bluetooth : LinkError or None
        Why nothing could be looked for over Bluetooth.
    """

    found: tuple[FoundPort, ...]
    no_bluetooth: LinkError | None = None


OpenPort = Callable[[UsbPort, int], Link]
"""From a port and a baud rate to a link that is not yet open."""


def _open_serial(port: UsbPort, baud: int) -> Link:
    return SerialLink(port.device, baud=baud)


async def search(*, scan_s: float = SCAN_S) -> Search:
    """Listen on every USB-serial port and to every Bluetooth device that may be a pod.

    Nothing is written to any.

    Raises
    ------
    LinkTimeout
        If the system does not list its ports in time.
    """
    ports, devices = await asyncio.gather(
        find_pods(), find_ble_pods(scan_s=scan_s), return_exceptions=True
    )
    if isinstance(ports, BaseException):
        raise ports
    if isinstance(devices, LinkError):
        return Search(tuple(ports), devices)
    if isinstance(devices, BaseException):
        raise devices
    return Search((*ports, *devices))


def by_pod(found: Sequence[FoundPort]) -> list[list[FoundPort]]:
    """Return what was found in groups, one for each pod: its cable and its Bluetooth by identity.

    Two cables are two pods, whatever identity they say: settings can be copied.
    """
    groups: list[list[FoundPort]] = []
    for one in found:
        known = one.pod_identity
        same = None
        if known is not None:
            same = next(
                (
                    ways
                    for ways in groups
                    if ways[0].pod_identity == known
                    and all(way.over_cable != one.over_cable for way in ways)
                ),
                None,
            )
        if same is None:
            groups.append([one])
        else:
            same.append(one)
    return groups


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


async def find_ble_pods(*, scan_s: float = SCAN_S, listen_s: float = LISTEN_S) -> list[FoundPort]:
    """Listen to every Bluetooth device in reach that may be a pod, one after the other.

    Nothing is written to any; one that another program on this computer uses is left alone.

    Parameters
    ----------
    scan_s : float
        How long to look for devices.
    listen_s : float
        How long to listen to each, once connected.

    Raises
    ------
    LinkError
        If Bluetooth cannot be used.

    Returns
    -------
    list of FoundPort
        The strongest signal first.
    """
    devices = await scan(scan_s)
    likely = sorted(
        (device for device in devices.values() if device.may_be_pod),
        key=lambda device: (-(device.rssi_dbm or -200), device.address),
    )
    names = [device.name for device in likely]
    found = []
    for device in likely:
        told = device.sharing_its_name() if names.count(device.name) > 1 else device
        link = BleLink(told.place, device=told, limits=BleLimits(first_tries=2))
        found.append(await _hear(told, link, listen_s))
    return found


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
    try:
        heard = await listen(open_port(port, baud), listen_s)
    except LinkError as problem:
        return FoundPort(port, problem=problem, baud=baud), False
    return _found(port, heard, listen_s, baud), heard.byte_count > 0 and not heard.streams


async def _hear(device: BleDevice, link: Link, listen_s: float) -> FoundPort:
    try:
        return _found(device, await listen(link, listen_s), listen_s)
    except LinkError as problem:
        return FoundPort(device, problem=problem)


def _found(
    where: UsbPort | BleDevice, heard: Heard, listen_s: float, baud: int = DEFAULT_BAUD
) -> FoundPort:
    if heard.hello is not None:
        return FoundPort(where, hello=heard.hello, baud=baud, faults=tuple(heard.faults))
    if heard.text is not None:
        return FoundPort(where, text=heard.text, baud=baud)
    return FoundPort(where, problem=_no_pod(heard, listen_s), baud=baud)


def _no_pod(heard: Heard, listen_s: float) -> LinkWrongDevice:
    if heard.text_trouble:
        return LinkWrongDevice(
            "Lines come, but their header cannot be used.",
            heard.text_trouble,
            "docs/own-pod.md has an example.",
        )
    if heard.streams:
        return LinkWrongDevice(
            "A pod streams here, but has not said which.",
            "Another program started it, and opening the port does not restart this board.",
            "Press its reset button, or simply use it: it is asked then.",
        )
    said = f"{heard.byte_count} bytes came, none of a pod" if heard.byte_count else "nothing came"
    return LinkWrongDevice(
        f"No hello within {listen_s:g} s.",
        f"Probably another device: {said}.",
        "If this is your pod, check its firmware; see docs/troubleshooting.md.",
    )
