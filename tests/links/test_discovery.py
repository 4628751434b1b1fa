"""Finding pods by their own hello."""

from __future__ import annotations

import asyncio
import random
from typing import Any

from knuckle.cli.pods import described
from knuckle.errors import LinkBusy, LinkError, LinkPermission, LinkWrongDevice
from knuckle.links import discovery
from knuckle.links.contract import Link
from knuckle.links.discovery import FoundPort, find_pods
from knuckle.links.ports import UsbPort
from knuckle.links.sim import SimLink
from knuckle.run.podsettings import BAUDS
from knuckle.wire.messages import Fault, FaultCode, ResetCause
from links.devices import ScriptedBytes
from links.scripted_pod import IDENTITY, ScriptedPod


def look(devices: dict[str, Any]) -> dict[str, FoundPort]:
    ports = [UsbPort(name, 1, 2, "", f"adapter {name}") for name in devices]

    def open_port(port: UsbPort, baud: int) -> Link:
        device = devices[port.device]
        if isinstance(device, dict):
            device = device[baud]
        if isinstance(device, LinkError):
            raise device
        return SimLink(device, scenario=port.device, seed=1, transport="memory")

    found = asyncio.run(find_pods(list_ports=lambda: ports, open_port=open_port))
    return {one.port.device: one for one in found}


def test_a_pod_at_9600_baud_is_found_and_its_address_says_so() -> None:
    garbled = ScriptedBytes([random.Random(2).randbytes(40)] * 60)
    devices: dict[str, Any] = {"slow": {115200: garbled, 9600: ScriptedPod()}}
    found = look(devices)["slow"]
    assert found.is_pod
    assert found.address == "serial:slow?baud=9600"
    assert not garbled.received


def test_a_pod_at_any_rate_that_pods_offer_is_found() -> None:
    assert set(discovery.BAUDS) == set(BAUDS), "knuckle pod sets no rate that is not searched"
    for baud in BAUDS[:-1]:
        garbled = {b: ScriptedBytes([random.Random(b).randbytes(40)] * 250) for b in BAUDS}
        devices: dict[str, Any] = {"slow": {**garbled, baud: ScriptedPod()}}
        assert look(devices)["slow"].address == f"serial:slow?baud={baud}"


def test_each_port_is_told_for_what_it_is_and_nothing_is_written() -> None:
    streaming = ScriptedPod()
    streaming.advance(0.2)
    streaming.start()
    devices: dict[str, Any] = {
        "pod": ScriptedPod(),
        "streaming": streaming,
        "text": ScriptedBytes([b"t_s,ax_g,ay_g,az_g\n", b"0.0,0,0,1\n"]),
        "gps": ScriptedBytes([b"$GPGGA,123519*47\r\n"] * 60),
        "noise": ScriptedBytes([random.Random(1).randbytes(90)] * 60),
        "silent": ScriptedBytes([b""] * 60),
        "busy": LinkBusy("busy"),
        "forbidden": LinkPermission("forbidden"),
    }
    found = look(devices)
    assert list(found) == list(devices)
    assert found["pod"].hello is not None
    assert found["pod"].hello.identity == IDENTITY
    assert found["pod"].address == "serial:pod"
    assert found["streaming"].is_pod
    assert found["text"].text is not None
    for name in ("gps", "noise", "silent"):
        assert not found[name].is_pod
        assert isinstance(found[name].problem, LinkWrongDevice)
        assert found[name].problem.next_step
    assert isinstance(found["busy"].problem, LinkBusy)
    assert isinstance(found["forbidden"].problem, LinkPermission)
    for device in devices.values():
        assert not getattr(device, "received", b"")


def test_no_ports_no_pods() -> None:
    assert look({}) == {}


def test_the_faults_that_follow_a_hello_are_heard() -> None:
    pod = ScriptedPod()
    fault = Fault(0, FaultCode.SENSOR_MISSING, 1, True)
    pod.after_hello = (fault,)
    found = look({"sick": pod})["sick"]
    assert found.faults == (fault,)
    shown = described(found)
    assert "MPU-6050 (accelerometer, gyro) does not answer" in shown
    assert "next:" in shown


def test_a_pod_without_sensors_that_was_restarted_says_so() -> None:
    pod = ScriptedPod()
    pod.channels = ()
    pod.restart(ResetCause.BROWN_OUT)
    shown = described(look({"bare": pod})["bare"])
    assert "NO SENSOR" in shown
    assert "supply fell too low" in shown
