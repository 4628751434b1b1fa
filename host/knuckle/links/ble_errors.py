"""What a failing Bluetooth link means: each system's errors mapped to one family."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import Final

from knuckle.errors import (
    LinkBusy,
    LinkError,
    LinkLost,
    LinkNotFound,
    LinkPermission,
    LinkTimeout,
    LinkUnavailable,
    LinkWrongDevice,
)
from knuckle.links.ble_uart import BleDevice

FIRST_WINDOWS_BUILD: Final = 22000
"""Windows 11; the Bluetooth library supports nothing older."""

_NO_SERVICE = (
    "org.freedesktop.DBus.Error.ServiceUnknown",
    "org.freedesktop.DBus.Error.NameHasNoOwner",
    "org.freedesktop.DBus.Error.NoReply",
    "org.freedesktop.DBus.Error.Disconnected",
)
_DENIED = (
    "org.freedesktop.DBus.Error.AccessDenied",
    "org.bluez.Error.NotAuthorized",
)
_OTHERS_HOLD_IT = ("org.bluez.Error.InProgress", "org.bluez.Error.AlreadyConnected")
_GONE = (
    "org.freedesktop.DBus.Error.UnknownObject",
    "org.freedesktop.DBus.Error.UnknownMethod",
    "org.bluez.Error.DoesNotExist",
    "org.bluez.Error.NotConnected",
)


def no_adapter(said: str = "") -> LinkUnavailable:
    """Return the error for a computer without Bluetooth LE."""
    return LinkUnavailable(
        "This computer has no Bluetooth LE adapter that works.",
        _said("It has none, or its driver is missing", said),
        "Plug a Bluetooth LE adapter in, or use the pod's cable.",
    )


def adapter_off(said: str = "") -> LinkUnavailable:
    """Return the error for an adapter without power."""
    return LinkUnavailable(
        "Bluetooth is switched off.",
        _said("It is off in the system's settings, by a key, or by 'rfkill'", said),
        "Switch Bluetooth on; on Linux 'rfkill unblock bluetooth' and 'bluetoothctl power on'.",
    )


def no_service(said: str = "") -> LinkUnavailable:
    """Return the error for a system whose Bluetooth service does not answer."""
    return LinkUnavailable(
        "The system's Bluetooth service does not answer.",
        _said("It is not installed, not running, or has just been restarted", said),
        "On Linux 'systemctl status bluetooth' and 'sudo systemctl restart bluetooth'.",
    )


def unsupported_system(said: str) -> LinkUnavailable:
    """Return the error for a system that the Bluetooth library does not support."""
    return LinkUnavailable(
        "This system's version is not supported for Bluetooth.",
        _said("Needed are Windows 11, macOS 10.15, or Linux with BlueZ 5.55, or newer", said),
        "Update the system, or use the pod's cable.",
    )


def denied(said: str = "") -> LinkPermission:
    """Return the error for a system that does not let the program use Bluetooth."""
    return LinkPermission(
        "The system does not let this program use Bluetooth.",
        _said("Permission for the terminal or the program is missing", said),
        "On macOS allow Bluetooth for the terminal in System Settings, Privacy; on Linux your user "
        "must be at the computer, or in the group 'bluetooth'.",
    )


def not_seen(target: str, others: Sequence[BleDevice], scanned_s: float) -> LinkNotFound:
    """Return the error for a pod that no advertisement came from.

    Parameters
    ----------
    others : sequence of BleDevice
        Which were seen and may be pods.
    """
    seen = ", ".join(str(device) for device in others)
    return LinkNotFound(
        f"No pod '{target}' was seen over Bluetooth within {scanned_s:g} s."
        if target
        else f"No pod was seen over Bluetooth within {scanned_s:g} s.",
        "It is out of reach, without power, or in use by another computer or phone: then it does "
        "not show itself." + (f" Seen: {seen}." if seen else ""),
        "Bring it nearer, check its battery, close what else may hold it; see `knuckle pods`.",
    )


def several_seen(target: str, devices: Sequence[BleDevice]) -> LinkNotFound:
    """Return the error for no name, or one name, where several could be meant."""
    seen = ", ".join(str(device) for device in devices)
    if target:
        return LinkNotFound(
            f"Several Bluetooth devices are named '{target}'.",
            "Modules often have one name from the factory.",
            f"Use 'ble:' with an address: {seen}; give each pod a name of its own (build page 10).",
        )
    return LinkNotFound(
        "Several Bluetooth devices could be the pod.",
        "'ble:' without a name means the only one there is.",
        f"Name one of them: {seen}.",
    )


def no_connection(device: BleDevice, *, freshly_seen: bool, said: str = "") -> LinkError:
    """Return the error for a device that takes no connection."""
    if freshly_seen:
        return LinkBusy(
            f"{device} is seen, but takes no connection.",
            _said("Another computer or phone holds it, or it is at the edge of reach", said),
            "Close what else may hold it, bring it nearer, switch it off and on.",
        )
    return LinkTimeout(
        f"{device} takes no connection.",
        _said("It is out of reach or without power, or another computer holds it", said),
        "Bring it nearer and check its battery; the program goes on by itself when it is back.",
    )


def held_here(device: BleDevice) -> LinkBusy:
    """Return the error for a pod that another run on this computer holds."""
    return LinkBusy(
        f"{device} is in use by another program on this computer.",
        "Another knuckle measures with it.",
        "Let that one end, or end it.",
    )


def no_uart(device: BleDevice) -> LinkWrongDevice:
    """Return the error for a device without a serial line."""
    return LinkWrongDevice(
        f"{device} offers no serial line.",
        "It is another kind of device, or a module set to another mode.",
        "Choose another device (see `knuckle pods`); docs/links.md names the services known.",
    )


def connection_lost(device: BleDevice | None, said: str = "") -> LinkLost:
    """Return the error for a connection that was there and is gone."""
    name = str(device) if device is not None else "the pod"
    return LinkLost(
        f"The Bluetooth connection to {name} is gone.",
        _said("The pod is out of reach, or lost its power", said),
        "Bring it nearer, check its battery; the program goes on by itself when it is back.",
    )


def too_slow(device: BleDevice | None, what: str, limit_s: float) -> LinkTimeout:
    """Return the error for a step that did not end in time."""
    name = str(device) if device is not None else "the Bluetooth service"
    return LinkTimeout(
        f"{what[:1].upper()}{what[1:]} took longer than {limit_s:g} s ({name}).",
        "The signal is weak, or the system's Bluetooth service hangs.",
        "Bring the pod nearer; if this repeats, switch Bluetooth off and on.",
    )


def mapped(error: BaseException, device: BleDevice | None, *, freshly_seen: bool) -> LinkError:
    """Return the error to raise for one of the Bluetooth library or of the system.

    Parameters
    ----------
    device : BleDevice or None
        Which was to be connected; None while scanning.
    freshly_seen : bool
        Whether an advertisement of it came a moment ago.
    """
    if isinstance(error, LinkError):
        return error
    said = str(error) or type(error).__name__
    if isinstance(error, ImportError):
        return unsupported_system(said)
    from bleak import exc

    if isinstance(error, exc.BleakBluetoothNotAvailableError):
        reason = exc.BleakBluetoothNotAvailableReason
        if error.reason is reason.POWERED_OFF:
            return adapter_off()
        if error.reason in (
            reason.DENIED_BY_USER,
            reason.DENIED_BY_SYSTEM,
            reason.DENIED_BY_UNKNOWN,
        ):
            return denied(str(error.args[0]))
        return no_adapter(str(error.args[0]))
    if isinstance(error, exc.BleakDeviceNotFoundError):
        return connection_lost(device, "the system no longer knows it")
    if isinstance(error, exc.BleakDBusError):
        return _from_bus(error.dbus_error, said, device, freshly_seen=freshly_seen)
    if "BlueZ >=" in said or "Unsupported platform" in said:
        return unsupported_system(said)
    if "access denied" in said.lower():
        return denied(said)
    if isinstance(error, PermissionError):
        return denied(said)
    if isinstance(error, FileNotFoundError | ConnectionError | EOFError | OSError):
        return no_service(said)
    if device is None:
        return no_service(said)
    if freshly_seen and "discover services" not in said:
        return no_connection(device, freshly_seen=True, said=said)
    return connection_lost(device, said)


def _from_bus(name: str, said: str, device: BleDevice | None, *, freshly_seen: bool) -> LinkError:
    if name in _NO_SERVICE:
        return no_service(said)
    if name in _DENIED:
        return denied(said)
    if name == "org.bluez.Error.NotReady":
        return adapter_off(said)
    if device is None:
        return no_service(said)
    if name == "org.bluez.Error.NotPermitted":
        return held_here(device)
    if name in _GONE:
        return connection_lost(device, said)
    if name in _OTHERS_HOLD_IT or freshly_seen:
        return no_connection(device, freshly_seen=True, said=said)
    return no_connection(device, freshly_seen=False, said=said)


def check_system(platform: str = sys.platform, windows_build: int | None = None) -> None:
    """Refuse a system of which it is known that it cannot do it.

    Raises
    ------
    LinkUnavailable
        On Windows older than 11.
    """
    if platform == "win32":
        build = windows_build
        if build is None:
            build = sys.getwindowsversion().build  # type: ignore[attr-defined, unused-ignore]
        if build < FIRST_WINDOWS_BUILD:
            raise unsupported_system(f"this is Windows build {build}")


def _said(cause: str, said: str) -> str:
    said = said.partition("; type=")[0].rstrip(".")
    return f"{cause} ({said})." if said else f"{cause}."
