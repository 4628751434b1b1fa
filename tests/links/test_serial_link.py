"""What is special about serial ports: each system's errors, lost ports, renamed ports."""

from __future__ import annotations

import asyncio
import errno
import os
import threading
from pathlib import Path
from typing import Any

import pytest
import serial
from serial.tools import list_ports

from knuckle.errors import (
    LinkBusy,
    LinkError,
    LinkLost,
    LinkNotFound,
    LinkPermission,
    LinkTimeout,
    LinkWrongDevice,
)
from knuckle.links.ports import UsbPort, likely_homes, usb_ports
from knuckle.links.serial import SerialLink
from knuckle.links.serial_errors import opening_failed
from links.devices import ScriptedBytes, at_pty

needs_pty = pytest.mark.skipif(not hasattr(os, "openpty"), reason="no pseudo-terminals here")

PORTS = [UsbPort("/dev/ttyUSB3", 0x1A86, 0x7523, "", "USB serial adapter")]


def in_words(number: int, text: str) -> serial.SerialException:
    """Return an error as pyserial raises it on POSIX."""
    error = OSError(number, text)
    return serial.SerialException(number, f"could not open port /dev/x: {error}")


@pytest.mark.parametrize(
    ("error", "platform", "kind"),
    [
        (in_words(errno.ENOENT, "No such file or directory"), "linux", LinkNotFound),
        (in_words(errno.ENODEV, "No such device"), "linux", LinkNotFound),
        (in_words(errno.ENXIO, "Device not configured"), "darwin", LinkNotFound),
        (in_words(errno.EACCES, "Permission denied"), "linux", LinkPermission),
        (in_words(errno.EBUSY, "Device or resource busy"), "linux", LinkBusy),
        (in_words(errno.EBUSY, "Resource busy"), "darwin", LinkBusy),
        (
            serial.SerialException(errno.EAGAIN, "Could not exclusively lock port /dev/x: ..."),
            "linux",
            LinkBusy,
        ),
        (
            serial.SerialException(
                "could not open port 'COM5': FileNotFoundError(2, 'The system cannot find the "
                "file specified.', None, 2)"
            ),
            "win32",
            LinkNotFound,
        ),
        (
            serial.SerialException(
                "could not open port 'COM5': PermissionError(13, 'Access is denied.', None, 5)"
            ),
            "win32",
            LinkBusy,
        ),
        (
            serial.SerialException("Could not configure port: (5, 'Input/output error')"),
            "linux",
            LinkWrongDevice,
        ),
        (
            serial.SerialException(
                "Could not configure port: (25, 'Inappropriate ioctl for device')"
            ),
            "linux",
            LinkWrongDevice,
        ),
        (serial.SerialException("something new"), "linux", LinkLost),
    ],
)
def test_each_systems_error_has_its_own_meaning(
    error: Exception, platform: str, kind: type[LinkError]
) -> None:
    mapped = opening_failed("/dev/x", error, PORTS, platform)
    assert type(mapped) is kind
    assert mapped.what
    assert mapped.cause
    assert mapped.next_step


def test_a_missing_port_is_answered_with_those_there_are() -> None:
    mapped = opening_failed("/dev/x", in_words(errno.ENOENT, "-"), PORTS, "linux")
    assert "/dev/ttyUSB3 (USB serial adapter)" in mapped.next_step


def test_a_missing_permission_names_group_and_rule() -> None:
    mapped = opening_failed("/dev/x", in_words(errno.EACCES, "-"), PORTS, "linux")
    assert "dialout" in mapped.cause
    assert "udev" in mapped.next_step


@needs_pty
def test_a_port_that_is_open_elsewhere_is_busy() -> None:
    async def run() -> None:
        with at_pty(ScriptedBytes([])) as pty:
            async with SerialLink(pty.name, list_ports=list):
                with pytest.raises(LinkBusy) as caught:
                    async with SerialLink(pty.name, list_ports=list):
                        pass
        assert "ModemManager" in str(caught.value)

    asyncio.run(run())


def test_a_plain_file_is_no_port(tmp_path: Path) -> None:
    (tmp_path / "x").write_bytes(b"hello")

    async def run() -> None:
        with pytest.raises(LinkWrongDevice):
            async with SerialLink(str(tmp_path / "x"), list_ports=list):
                pass

    asyncio.run(run())


def test_without_a_name_the_only_port_is_taken_and_none_or_several_are_an_error() -> None:
    several = [*PORTS, UsbPort("/dev/ttyUSB4", 1, 2)]

    async def enter(ports: list[UsbPort]) -> None:
        async with SerialLink("", list_ports=lambda: ports):
            pass

    with pytest.raises(LinkNotFound, match="No pod's port"):
        asyncio.run(enter([]))
    with pytest.raises(LinkNotFound, match="Several") as caught:
        asyncio.run(enter(several))
    assert "/dev/ttyUSB4" in caught.value.next_step


@needs_pty
def test_a_pod_that_comes_back_under_another_name_is_found() -> None:
    async def run() -> None:
        listed: list[UsbPort] = []
        with at_pty(ScriptedBytes([b"first"])) as one, at_pty(ScriptedBytes([b"second"])) as two:
            listed[:] = [UsbPort(one.name, 1, 2, "SN7"), UsbPort("/dev/none", 9, 9)]
            link = SerialLink(one.name, list_ports=lambda: listed)
            async with link:
                one.start()
                one.unplug()
                with pytest.raises(LinkLost):
                    async for _ in link.chunks():
                        pass
            listed[:] = [UsbPort("/dev/none", 9, 9), UsbPort(two.name, 1, 2, "SN7")]
            async with link:
                assert link.device == two.name

    asyncio.run(run())


@needs_pty
def test_a_port_passed_over_is_not_tried_again_before_the_others() -> None:
    async def run() -> None:
        with at_pty(ScriptedBytes([])) as one, at_pty(ScriptedBytes([])) as two:
            listed = [UsbPort(one.name, 1, 2), UsbPort(two.name, 1, 2)]
            link = SerialLink(one.name, list_ports=lambda: listed)
            async with link:
                pass
            link.pass_over()
            async with link:
                assert link.device == two.name
            link.pass_over()
            with pytest.raises(LinkNotFound):
                async with link:
                    pass
            async with link:  # all were passed over once: from the start again
                assert link.device in (one.name, two.name)

    asyncio.run(run())


def test_the_adapters_serial_number_tells_more_than_the_ports_name() -> None:
    before = UsbPort("/dev/ttyUSB0", 1, 2, "SN7")
    now = [
        UsbPort("/dev/ttyUSB0", 1, 2, "SN8"),
        UsbPort("/dev/ttyUSB1", 1, 2, "SN7"),
        UsbPort("/dev/ttyUSB2", 3, 4, "SN7"),
    ]
    assert likely_homes(before, "/dev/ttyUSB0", now) == ["/dev/ttyUSB1", "/dev/ttyUSB0"]
    assert likely_homes(None, "/dev/ttyS0", now) == ["/dev/ttyS0"]


def test_only_usb_ports_are_listed(monkeypatch: pytest.MonkeyPatch) -> None:
    class Listed:
        def __init__(self, device: str, vid: int | None, hwid: str = "") -> None:
            self.device, self.vid, self.pid, self.hwid = device, vid, 2, hwid
            self.serial_number, self.product, self.description = None, "thing", "n/a"

    monkeypatch.setattr(
        list_ports,
        "comports",
        lambda: [
            Listed("/dev/cu.Bluetooth-Incoming-Port", None),
            Listed("/dev/cu.Bluetooth-Odd", 5),
            Listed("COM9", 7, r"BTHENUM\{0000-Bluetooth}"),
            Listed("/dev/ttyS0", None),
            Listed("/dev/ttyUSB1", 6790),
            Listed("/dev/ttyACM0", 9025),
        ],
    )
    assert [port.device for port in usb_ports()] == ["/dev/ttyACM0", "/dev/ttyUSB1"]


class DeafPort:
    """A port that opens and then takes nothing, or breaks as each system does."""

    in_waiting = 0

    def __init__(self, write: Exception | None = None, read: Exception | None = None) -> None:
        self._write, self._read = write, read
        self._gone = threading.Event()

    def read(self, size: int) -> bytes:
        if self._read is not None:
            raise self._read
        self._gone.wait(0.05)
        return b""

    def write(self, data: bytes) -> int:
        if self._write is not None:
            raise self._write
        return len(data)

    def cancel_read(self) -> None:
        self._gone.set()

    def close(self) -> None:
        self._gone.set()


@pytest.mark.parametrize(
    ("failure", "kind"),
    [
        (serial.SerialTimeoutException("Write timeout"), LinkTimeout),
        (serial.SerialException("write failed: [Errno 5] Input/output error"), LinkLost),
        (OSError(22, "Invalid handle"), LinkLost),
        (TypeError("file descriptor gone"), LinkLost),
    ],
)
def test_a_failing_write_is_told_as_what_it_is(
    monkeypatch: pytest.MonkeyPatch, failure: Exception, kind: type[LinkError]
) -> None:
    monkeypatch.setattr(serial, "Serial", lambda *_, **__: DeafPort(write=failure))

    async def run() -> None:
        async with SerialLink("/dev/x", list_ports=list) as link:
            with pytest.raises(kind):
                await link.write(b"x")

    asyncio.run(run())


@pytest.mark.parametrize(
    "failure",
    [
        serial.SerialException("device reports readiness to read but returned no data"),
        serial.SerialException("ClearCommError failed (PermissionError(13, ...))"),
        OSError(6, "Device not configured"),
        TypeError("'NoneType' object cannot be interpreted as an integer"),
    ],
    ids=["linux", "windows", "macos", "closed"],
)
def test_unplugging_is_one_error_on_every_system(
    monkeypatch: pytest.MonkeyPatch, failure: Exception
) -> None:
    monkeypatch.setattr(serial, "Serial", lambda *_, **__: DeafPort(read=failure))

    async def run() -> None:
        async with SerialLink("/dev/x", list_ports=list) as link:
            with pytest.raises(LinkLost) as caught:
                async for _ in link.chunks():
                    pass
            assert caught.value.__cause__ is failure

    asyncio.run(run())


def test_both_deadlines_are_always_set_and_the_port_is_ours_alone(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    asked: dict[str, Any] = {}

    def opened(port: str, baud: int, **options: Any) -> DeafPort:
        asked.update(options, port=port, baud=baud)
        return DeafPort()

    monkeypatch.setattr(serial, "Serial", opened)

    async def run() -> None:
        async with SerialLink("/dev/x", baud=9600, list_ports=list):
            pass

    asyncio.run(run())
    assert asked["timeout"] and asked["write_timeout"]
    assert asked["exclusive"] is True
    assert asked["baud"] == 9600


def test_an_opening_that_hangs_is_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    released = threading.Event()

    def hanging(*_: Any, **__: Any) -> DeafPort:
        released.wait(20)
        return DeafPort()

    monkeypatch.setattr(serial, "Serial", hanging)
    monkeypatch.setattr("knuckle.links.serial.OPEN_TIMEOUT_S", 0.2)

    async def run() -> None:
        with pytest.raises(LinkTimeout):
            async with SerialLink("/dev/x", list_ports=list):
                pass

    asyncio.run(run())
    released.set()
