"""The USB-serial ports of this computer."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class UsbPort:
    """A USB-serial port.

    Attributes
    ----------
    device : str
        What opens it, e.g. ``/dev/ttyUSB0`` or ``COM5``.
    vendor, product : int
        USB vendor and product id.
    serial_number : str
        Of the USB adapter; empty for the many that have none.
    name : str
        Product name as the adapter gives it.
    """

    device: str
    vendor: int
    product: int
    serial_number: str = ""
    name: str = ""

    def __str__(self) -> str:
        return f"{self.device} ({self.name})" if self.name else self.device


def usb_ports() -> list[UsbPort]:
    """List the USB-serial ports, by name.

    Built-in ports and Bluetooth pseudo-ports are left out: opening one of those can hang for
    many seconds or wake a device that is no pod. They have no USB vendor id.
    """
    from serial.tools import list_ports

    return sorted(
        (
            UsbPort(
                device=port.device,
                vendor=port.vid,
                product=port.pid or 0,
                serial_number=port.serial_number or "",
                name=port.product or port.description or "",
            )
            for port in list_ports.comports()
            if port.vid is not None and "bluetooth" not in f"{port.device}{port.hwid}".lower()
        ),
        key=lambda port: port.device,
    )


def likely_homes(before: UsbPort | None, device: str, now: list[UsbPort]) -> list[str]:
    """Return where a lost pod may have come back, most likely first.

    The adapter's own serial number tells most, then its kind, then the old name; the pod's
    hello has the last word.

    Parameters
    ----------
    before : UsbPort or None
        The port it was on, if that was a USB port.
    device : str
        The name of that port.
    now : list of UsbPort
        The ports there are.
    """
    if before is None:
        return [device]

    def rank(port: UsbPort) -> tuple[bool, bool, str]:
        same_adapter = bool(before.serial_number) and port.serial_number == before.serial_number
        return (not same_adapter, port.device != device, port.device)

    same_kind = [p for p in now if (p.vendor, p.product) == (before.vendor, before.product)]
    return [port.device for port in sorted(same_kind, key=rank)]
