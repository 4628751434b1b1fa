"""Why a pod cannot be had over Bluetooth: each reason has its own words."""

from __future__ import annotations

import asyncio
import os
import subprocess
import sys
from pathlib import Path

import pytest

from ble.radio import ADDRESS, needs_bus, radio
from knuckle.errors import (
    LinkBusy,
    LinkError,
    LinkNotFound,
    LinkPermission,
    LinkTimeout,
    LinkUnavailable,
    LinkWrongDevice,
    UsageError,
)
from knuckle.links.ble import BleLimits, BleLink
from knuckle.links.ble_errors import check_system, mapped
from knuckle.links.ble_uart import BleDevice
from knuckle.links.schemes import open_link
from links.scripted_pod import ScriptedPod

QUICK = BleLimits(scan_s=0.4, settle_s=0.4, connect_s=0.6, disconnect_s=1.0, first_tries=1)


def entering(link: BleLink) -> LinkError:
    async def run() -> LinkError:
        async with asyncio.timeout(60):
            try:
                async with link:
                    pytest.fail("it opened")
            except LinkError as error:
                return error

    error = asyncio.run(run())
    assert error.what and error.cause and error.next_step
    return error


def test_without_a_bus(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", f"unix:path={tmp_path}/none")
    if sys.platform == "linux":
        error = entering(BleLink("knuckle-1", limits=QUICK))
        assert isinstance(error, LinkUnavailable)
        assert "service does not answer" in error.what


@needs_bus
def test_without_bluetoothd(tmp_path: Path) -> None:
    with radio(tmp_path, daemon=False):
        error = entering(BleLink("knuckle-1", limits=QUICK))
    assert isinstance(error, LinkUnavailable)
    assert "service does not answer" in error.what


@needs_bus
def test_without_an_adapter_and_with_one_that_is_off(tmp_path: Path) -> None:
    with radio(tmp_path) as room:
        room.do("adapter", present=False)
        none = entering(BleLink("knuckle-1", limits=QUICK))
        room.do("adapter", present=True, powered=False)
        off = entering(BleLink("knuckle-1", limits=QUICK))
    assert isinstance(none, LinkUnavailable)
    assert "no Bluetooth LE adapter" in none.what
    assert isinstance(off, LinkUnavailable)
    assert "switched off" in off.what


@needs_bus
def test_without_permission(tmp_path: Path) -> None:
    with radio(tmp_path, deny=True):
        error = entering(BleLink("knuckle-1", limits=QUICK))
    assert isinstance(error, LinkPermission)


@needs_bus
def test_out_of_reach_tells_what_is_in_reach(tmp_path: Path) -> None:
    with radio(tmp_path) as room:
        room.pod(ScriptedPod(), name="knuckle-2")
        error = entering(BleLink("knuckle-1", limits=QUICK))
    assert isinstance(error, LinkNotFound)
    assert "another computer or phone" in error.cause
    assert "knuckle-2" in error.cause
    assert "-60 dBm" in error.cause


@needs_bus
@pytest.mark.parametrize(
    "act", ["hang", "org.bluez.Error.Failed le-connection-abort-by-local-2", "drop"]
)
def test_seen_but_held_by_another_computer(act: str, tmp_path: Path) -> None:
    with radio(tmp_path) as room:
        room.pod(ScriptedPod())
        room.do("fault", member="Connect", acts=[act] * 9)
        error = entering(BleLink("knuckle-1", limits=QUICK))
    if act == "drop":  # it did connect, and was gone before its services were known
        assert "is gone" in error.what
    else:
        assert isinstance(error, LinkBusy)
        assert "Another computer or phone holds it" in error.cause


@needs_bus
def test_held_by_another_run_on_this_computer(tmp_path: Path) -> None:
    async def run() -> LinkError:
        async with asyncio.timeout(60), BleLink("knuckle-1") as first:
            with pytest.raises(LinkBusy) as caught:
                async with BleLink(ADDRESS, limits=QUICK):
                    pass
            # The first has not been disturbed.
            async for chunk in first.chunks():
                if chunk.data:
                    break
            return caught.value

    with radio(tmp_path) as room:
        room.pod(ScriptedPod())
        error = asyncio.run(run())
    assert "on this computer" in error.what


@needs_bus
def test_another_kind_of_device(tmp_path: Path) -> None:
    with radio(tmp_path) as room:
        room.do("device", address=ADDRESS, name="heart rate", service="other")
        error = entering(BleLink("heart rate", limits=QUICK))
    assert isinstance(error, LinkWrongDevice)
    assert "no serial line" in error.what


@needs_bus
def test_several_without_a_name(tmp_path: Path) -> None:
    with radio(tmp_path) as room:
        room.pod(ScriptedPod())
        room.pod(ScriptedPod(), address="5C:F3:70:8A:00:02", name="other", rssi=-80)
        error = entering(BleLink("", limits=QUICK))
    assert isinstance(error, LinkNotFound)
    assert "Several" in error.what
    assert "knuckle-1" in error.next_step and "other" in error.next_step


@needs_bus
def test_several_of_one_name(tmp_path: Path) -> None:
    with radio(tmp_path) as room:
        room.pod(ScriptedPod())
        room.pod(ScriptedPod(), address="5C:F3:70:8A:00:02", rssi=-80)
        error = entering(BleLink("knuckle-1", limits=QUICK))
    assert isinstance(error, LinkNotFound)
    assert "named 'knuckle-1'" in error.what
    assert ADDRESS in error.next_step and "5C:F3:70:8A:00:02" in error.next_step


@needs_bus
def test_a_system_that_is_too_old(tmp_path: Path) -> None:
    """What `bluetoothctl --version` prints is all the library goes by; it asks once a process."""
    tools = tmp_path / "tools"
    tools.mkdir()
    (tools / "bluetoothctl").write_text("#!/bin/sh\necho 'bluetoothctl: 5.50'\n")
    (tools / "bluetoothctl").chmod(0o755)
    with radio(tmp_path) as room:
        room.pod(ScriptedPod())
        done = subprocess.run(
            [sys.executable, "-m", "knuckle", "watch", "--pod", "ble:knuckle-1"],
            capture_output=True,
            text=True,
            timeout=120,
            check=False,
            env={**os.environ, "PATH": f"{tools}:{os.environ['PATH']}"},
        )
    assert done.returncode == 1
    assert "version is not supported" in done.stderr
    assert "BlueZ 5.55" in done.stderr
    assert "Traceback" not in done.stderr


def test_windows_before_11_is_refused_and_11_is_not() -> None:
    with pytest.raises(LinkUnavailable, match="19045"):
        check_system("win32", 19045)
    check_system("win32", 22000)
    check_system("linux")
    check_system("darwin")


def test_what_other_systems_say_is_mapped_too() -> None:
    """The texts of bleak 3.1.0's Windows and macOS backends."""
    from bleak import exc

    device = BleDevice("X", "pod", -50)
    reason = exc.BleakBluetoothNotAvailableReason

    def of(error: Exception, *, fresh: bool = True) -> LinkError:
        return mapped(error, device, freshly_seen=fresh)

    assert isinstance(
        of(exc.BleakBluetoothNotAvailableError("", reason.DENIED_BY_USER)), LinkPermission
    )
    assert isinstance(
        of(exc.BleakBluetoothNotAvailableError("", reason.NO_BLE_CENTRAL_ROLE)), LinkUnavailable
    )
    assert isinstance(
        of(exc.BleakError("Could not get GATT services: Access Denied")), LinkPermission
    )
    assert isinstance(of(exc.BleakError("Could not get GATT services: Unreachable")), LinkBusy)
    assert isinstance(of(ImportError("No module named 'winrt'")), LinkUnavailable)
    assert isinstance(of(exc.BleakError("Unsupported platform: plan9")), LinkUnavailable)
    late = exc.BleakDBusError("org.bluez.Error.Failed", ["Software caused connection abort"])
    assert isinstance(of(late, fresh=False), LinkTimeout)


def test_an_option_that_is_none() -> None:
    with pytest.raises(UsageError, match="no option 'baud'"):
        open_link("ble:knuckle-1?baud=9600")
    with pytest.raises(UsageError, match="adapter"):
        open_link("ble:knuckle-1?adapter=../hci0")
