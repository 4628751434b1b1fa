"""Serial lines over Bluetooth LE: the two services in common use, and which device has one."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any, Final

BASE: Final = "-0000-1000-8000-00805f9b34fb"
"""Tail of a 16-bit UUID written in full (Bluetooth Core Specification, vol. 3, part B, 2.5.1)."""
NAME_PREFIX: Final = "knuckle"
"""Begins the name of a pod whose module does not advertise its service: cheap ones do not."""


@dataclass(frozen=True, slots=True)
class UartService:
    """A service that carries bytes both ways.

    Attributes
    ----------
    words : str
        What it is, for people.
    service, notify, write : str
        UUIDs, lower case: of the service, of what the pod sends, of what the host writes.
    """

    words: str
    service: str
    notify: str
    write: str


SERVICES: Final = (
    UartService("transparent UART module", f"0000ffe0{BASE}", f"0000ffe1{BASE}", f"0000ffe1{BASE}"),
    UartService(
        "UART service",
        "6e400001-b5a3-f393-e0a9-e50e24dcca9e",
        "6e400003-b5a3-f393-e0a9-e50e24dcca9e",
        "6e400002-b5a3-f393-e0a9-e50e24dcca9e",
    ),
)
SERVICE_UUIDS: Final = tuple(service.service for service in SERVICES)


@dataclass(frozen=True, slots=True)
class BleDevice:
    """A Bluetooth LE device as an advertisement tells of it.

    Attributes
    ----------
    address : str
        Hardware address; on macOS an identifier that holds for one computer only.
    name : str
        As advertised; may be empty.
    rssi_dbm : int or None
        Strength of the signal; None if not known.
    has_uart : bool
        Whether it advertises one of the services.
    handle : object
        The Bluetooth library's own device object, which connecting needs.
    name_is_shared : bool
        Whether another device in reach has the same name.
    """

    address: str
    name: str = ""
    rssi_dbm: int | None = None
    has_uart: bool = False
    handle: Any = None
    name_is_shared: bool = False

    def __str__(self) -> str:
        signal = "" if self.rssi_dbm is None else f", {self.rssi_dbm} dBm"
        return f"{self.name or '(no name)'} ({self.address}{signal})"

    @property
    def place(self) -> str:
        """What to write behind ``ble:``: the name, or the address where a name will not do."""
        plain = re.fullmatch(r"[^\s?&:][^?&:]*", self.name) is not None
        return self.name.strip() if plain and not self.name_is_shared else self.address

    def sharing_its_name(self) -> BleDevice:
        """Return the same device, to be known by its address."""
        return replace(self, name_is_shared=True)

    @property
    def may_be_pod(self) -> bool:
        """Whether service or name speak for a pod."""
        return self.has_uart or self.name.lower().startswith(NAME_PREFIX)

    def answers_to(self, target: str) -> bool:
        """Return whether this is the device a user means by a name or an address.

        Parameters
        ----------
        target : str
            Empty means any that may be a pod.
        """
        if not target:
            return self.may_be_pod
        wanted = target.casefold()
        return wanted in (self.name.strip().casefold(), self.address.casefold())


def usable_service(services: Iterable[Any]) -> tuple[UartService, Any, Any] | None:
    """Return the first known service of a connected device, with its two characteristics.

    Parameters
    ----------
    services : iterable
        The Bluetooth library's services of the device.

    Returns
    -------
    UartService, notify, write : or None
        The library's characteristics; None if the device has no such service.
    """
    offered = {str(service.uuid).lower(): service for service in services}
    for known in SERVICES:
        service = offered.get(known.service)
        if service is None:
            continue
        notify = service.get_characteristic(known.notify)
        write = service.get_characteristic(known.write)
        if notify is not None and write is not None:
            return known, notify, write
    return None
