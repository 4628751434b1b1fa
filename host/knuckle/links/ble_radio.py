"""Which Bluetooth LE devices can be heard. Nothing is connected, nothing is written."""

from __future__ import annotations

import asyncio
import contextlib
import platform
import sys
from collections.abc import Callable
from typing import Any, Final

from knuckle.errors import LinkError
from knuckle.links.ble_errors import check_system, mapped, too_slow
from knuckle.links.ble_uart import SERVICE_UUIDS, BleDevice
from knuckle.links.bounded import within

START_S: Final = 5.0
"""How long the system may take to start or to end a scan."""
_GENERIC_ATTRIBUTES: Final = "1801"

_scanning: asyncio.Lock | None = None
_scanning_in: asyncio.AbstractEventLoop | None = None


def one_scan_at_a_time() -> asyncio.Lock:
    """Return the lock under which scans run: two at once disturb each other on some systems."""
    global _scanning, _scanning_in  # one radio, whoever asks
    loop = asyncio.get_running_loop()
    if _scanning is None or _scanning_in is not loop:
        _scanning, _scanning_in = asyncio.Lock(), loop
    return _scanning


async def scan(
    longest_s: float,
    *,
    enough: Callable[[dict[str, BleDevice]], bool] = lambda _devices: False,
    adapter: str = "",
    connected: bool = True,
    after_s: float = 0.0,
) -> dict[str, BleDevice]:
    """Listen for advertisements.

    Parameters
    ----------
    longest_s : float
        Wall time to listen for.
    enough : callable, optional
        Told of all devices whenever one is seen or seen anew; True ends the scan.
    adapter : str
        On Linux which adapter, such as ``hci1``; the first if empty.
    connected : bool
        Whether to list devices that this computer is connected to already, as after a program
        was killed: they do not advertise. After a loss that is not to be relied on: a service
        that was killed told nothing of it.
    after_s : float
        How long to listen on once it is enough: there may be another of the same name.

    Returns
    -------
    dict of str to BleDevice
        By address.

    Raises
    ------
    LinkUnavailable
        If there is no adapter, it is off, or the system or its service cannot do it.
    LinkPermission
        If the system does not permit it.
    LinkTimeout
        If the system's service hangs.
    """
    try:
        async with one_scan_at_a_time():
            return await _scan(longest_s, enough, adapter, connected=connected, after_s=after_s)
    except TimeoutError as error:
        raise too_slow(None, "scanning", START_S) from error
    except LinkError:
        raise
    except Exception as error:
        raise mapped(error, None, freshly_seen=False) from error


async def _scan(
    longest_s: float,
    enough: Callable[[dict[str, BleDevice]], bool],
    adapter: str,
    *,
    connected: bool,
    after_s: float,
) -> dict[str, BleDevice]:
    check_system()
    from bleak import BleakScanner

    devices = await within(START_S, _connected(adapter)) if connected else {}
    if enough(devices):
        return devices
    ended = asyncio.Event()

    def on_advertisement(device: Any, told: Any) -> None:
        before = devices.get(device.address)
        name = told.local_name or device.name or (before.name if before is not None else "")
        offered = {uuid.lower() for uuid in told.service_uuids}
        has_uart = bool(offered & set(SERVICE_UUIDS)) or (before is not None and before.has_uart)
        rssi_dbm = told.rssi if told.rssi is not None and told.rssi > -127 else None
        devices[device.address] = BleDevice(device.address, name, rssi_dbm, has_uart, device)
        if enough(devices):
            ended.set()

    scanner = BleakScanner(on_advertisement, **_scanner_options(adapter))
    await within(START_S, scanner.start())
    try:
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(longest_s):
                await ended.wait()
                await asyncio.sleep(after_s)
    finally:
        # Adapter switched off, service gone: then the scan is over as well.
        with contextlib.suppress(Exception):
            await within(START_S, scanner.stop())
    return devices


async def _connected(adapter: str) -> dict[str, BleDevice]:
    """Return devices with one of the services that this computer is connected to already."""
    from bleak import BleakAdapter

    try:
        bluez: Any = {"adapter": adapter} if adapter else {}
        asked = await BleakAdapter.get(bluez=bluez)
        devices = await asked.get_connected_devices([*SERVICE_UUIDS, _GENERIC_ATTRIBUTES])
    except NotImplementedError:
        return {}
    found: dict[str, BleDevice] = {}
    for device in devices:
        details = device.details if isinstance(device.details, dict) else {}
        offered = {str(uuid).lower() for uuid in details.get("props", {}).get("UUIDs", ())}
        found[device.address] = BleDevice(
            device.address, device.name or "", None, bool(offered & set(SERVICE_UUIDS)), device
        )
    return found


def _scanner_options(adapter: str) -> dict[str, Any]:
    if sys.platform == "darwin" and platform.mac_ver()[0].startswith("12."):
        # macOS 12.0 to 12.2 tell of nothing unless services are named.
        return {"service_uuids": list(SERVICE_UUIDS)}
    return {"bluez": {"adapter": adapter}} if adapter else {}


def prepare_system() -> None:
    """Put right what spoils Bluetooth in this process: a single-threaded apartment on Windows."""
    if sys.platform == "win32":
        with contextlib.suppress(ImportError, AttributeError):
            from bleak.backends.winrt.util import uninitialize_sta

            uninitialize_sta()
