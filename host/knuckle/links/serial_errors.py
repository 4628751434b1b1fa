"""What a failing serial port means: each system's errors mapped to one family."""

from __future__ import annotations

import errno
import re
import sys
from pathlib import Path

from knuckle.errors import (
    LinkBusy,
    LinkError,
    LinkLost,
    LinkNotFound,
    LinkPermission,
    LinkWrongDevice,
)
from knuckle.links.ports import UsbPort

_NUMBER_IN_TEXT = re.compile(r"(?:\w*Error|Could not configure port: )\((\d+),")


def error_number(error: BaseException) -> int | None:
    """Return the errno of an error; pyserial hides it in the text on some paths."""
    number = getattr(error, "errno", None)
    if isinstance(number, int):
        return number
    found = _NUMBER_IN_TEXT.search(str(error))
    return int(found.group(1)) if found else None


def opening_failed(
    device: str, error: BaseException, ports: list[UsbPort], platform: str = sys.platform
) -> LinkError:
    """Return the error to raise when a port could not be opened.

    Parameters
    ----------
    ports : list of UsbPort
        The USB-serial ports there are: named in the message.
    platform : str
        As `sys.platform`; Windows says "access denied" for a port that another program holds.
    """
    number = error_number(error)
    if platform == "win32" and number == errno.EACCES:
        number = errno.EBUSY
    if number in (errno.ENOENT, errno.ENXIO, errno.ENODEV):
        return port_not_found(device, ports)
    if number in (errno.EACCES, errno.EPERM):
        return LinkPermission(
            f"The system does not let you open {device}.",
            f"Your user is not in the group that owns it ({_owning_group(device)}).",
            f"Run 'sudo usermod -aG {_owning_group(device)} $USER' and log in again, or install "
            "the udev rule of docs/links.md.",
        )
    if number in (errno.EBUSY, errno.EAGAIN, errno.EWOULDBLOCK):
        return LinkBusy(
            f"{device} is in use by another program.",
            "A serial monitor, another knuckle, or (on Linux) ModemManager holds it.",
            "Close that program; for ModemManager install the udev rule of docs/links.md.",
        )
    if number in (errno.ENOTTY, errno.EINVAL, errno.EIO, errno.EISDIR):
        return LinkWrongDevice(
            f"{device} is no working serial port.",
            f"The system says: {error}.",
            f"USB-serial ports found: {listed(ports)}.",
        )
    return LinkLost(
        f"{device} could not be opened.",
        f"The system says: {error}.",
        "Unplug the pod, plug it in again and try once more.",
    )


def port_not_found(device: str, ports: list[UsbPort]) -> LinkNotFound:
    """Return the error for a port that does not exist, with those that do."""
    return LinkNotFound(
        f"There is no port {device}." if device else "No pod's port was found.",
        "The pod is not plugged in, its cable carries power only, or the port has another name.",
        f"USB-serial ports found: {listed(ports)}.",
    )


def connection_lost(device: str, error: BaseException | None = None) -> LinkLost:
    """Return the error for a port that was open and is gone, whatever the system called it."""
    return LinkLost(
        f"The connection to {device} is gone.",
        "The pod was unplugged or lost its power" + (f" ({error})." if error else "."),
        "Check cable and battery; the program goes on by itself when the pod is back.",
    )


def listed(ports: list[UsbPort]) -> str:
    """Return ports as text for people."""
    return ", ".join(str(port) for port in ports) or "none"


def _owning_group(device: str) -> str:
    try:
        return Path(device).group()
    except (OSError, KeyError, NotImplementedError, ImportError):
        return "dialout"
