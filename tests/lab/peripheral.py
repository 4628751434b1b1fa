"""A Bluetooth module on a pod's serial line, as a process: pty on one side, HCI on the other.

::

    python -m lab.peripheral --hci SOCKET --line PTY --service module|uart [--mtu 23|247]

Orders on standard input, a line each: ``drop`` (the module ends the connection), ``lose`` (out of
reach for a moment), ``away``, ``back``, ``counts``; each is answered by a line of JSON. Ends with
standard input.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import logging
import os
import sys
import tty
from typing import Any, Final

from bumble import hci
from bumble.core import UUID, AdvertisingData
from bumble.device import Connection, Device, DeviceConfiguration
from bumble.gatt import Characteristic, CharacteristicValue, Service
from bumble.host import Host
from bumble.transport import open_transport

from lab.radio import Adapter, Air

ADDRESS: Final = "C2:00:5E:00:53:02"
"""A random static address: its two highest bits are set."""
MACHINE: Final = "00:00:5E:00:53:01"
"""Public; from the block for documentation, RFC 7042 section 2.1.2."""
EVENT_S: Final = 0.015
"""Connection interval."""
PER_EVENT: Final = 6
"""Notifications a connection event carries."""
SUPERVISION_S: Final = 0.42
"""After so long without a sign of the other side an adapter gives up; Linux's default."""
BUFFER: Final = 2048
"""Bytes the module keeps for the air; what comes on top is lost."""
UART: Final = "6E400001-B5A3-F393-E0A9-E50E24DCCA9E"
UART_WRITE: Final = "6E400002-B5A3-F393-E0A9-E50E24DCCA9E"
UART_NOTIFY: Final = "6E400003-B5A3-F393-E0A9-E50E24DCCA9E"
_WRITES = Characteristic.Properties.WRITE | Characteristic.Properties.WRITE_WITHOUT_RESPONSE
_NOTIFIES = Characteristic.Properties.NOTIFY


class Module:
    """The module: what it serves, and how it carries bytes."""

    def __init__(self, air: Air, service: str, mtu: int, name: str) -> None:
        self._air = air
        self._line = -1
        self._pending = bytearray()
        self._connection: Connection | None = None
        self._subscribed = False
        self._advertise = True
        self._lose_next = False
        self._losing: asyncio.Task[None] | None = None
        self.counts = {"connections": 0, "to_air": 0, "to_pod": 0, "lost": 0, "unheard": 0}
        self.adapter = Adapter("pod", link=air, public_address="00:00:5E:00:53:02")
        host = Host()
        host.controller = self.adapter
        # 0.1 s is written in ms here: bumble takes it for both.
        configuration = DeviceConfiguration(
            name=name,
            address=hci.Address(ADDRESS),
            advertising_interval_min=100,
            advertising_interval_max=100,
            le_privacy_enabled=False,
        )
        self.device = Device(config=configuration, host=host)
        self.device.gatt_server.max_mtu = mtu
        take = CharacteristicValue(write=self._from_air)
        unread = Characteristic.Permissions.WRITEABLE
        if service == "module":
            self._notify = Characteristic("FFE1", _WRITES | _NOTIFIES, unread, take)
            served = Service("FFE0", [self._notify])
        else:
            write = Characteristic(UART_WRITE, _WRITES, unread, take)
            self._notify = Characteristic(UART_NOTIFY, _NOTIFIES, unread, b"")
            served = Service(UART, [self._notify, write])
        self.device.add_service(served)
        kinds = AdvertisingData.Type
        parts = [(kinds.FLAGS, bytes([0x06]))]
        if service == "uart":  # cheap modules do not tell their service
            listed = kinds.INCOMPLETE_LIST_OF_128_BIT_SERVICE_CLASS_UUIDS
            parts.append((listed, bytes(UUID(UART))))
        parts.append((kinds.COMPLETE_LOCAL_NAME, name.encode()))
        self.device.advertising_data = bytes(AdvertisingData(parts))
        assert len(self.device.advertising_data) <= 31
        self.device.on("connection", self._connected)
        self._answer = self.device.gatt_server.on_gatt_pdu
        self.device.gatt_server.on_gatt_pdu = self._asked
        self.device.gatt_server.on("characteristic_subscription", self._subscription)

    async def start(self) -> None:
        """Switch on and be found."""
        await self.device.power_on()
        await self.advertise()

    async def advertise(self) -> None:
        """Be found, unless away or connected."""
        if self._advertise and self._connection is None and not self.device.is_advertising:
            await self.device.start_advertising(auto_restart=False)

    async def obey(self, order: str) -> dict[str, Any]:
        """Do one order; return what there is to tell."""
        if order == "drop" and self._connection is not None:
            with contextlib.suppress(Exception):
                await self._connection.disconnect()
        elif order in ("lose", "away"):
            self._advertise = order == "lose"
            self._air.in_reach = False
            if self.device.is_advertising:
                await self.device.stop_advertising()
            for adapter in self._air.controllers:
                assert isinstance(adapter, Adapter)
                adapter.lose()
            await asyncio.sleep(0.2)
            if order == "lose":
                await self.obey("back")
        elif order == "lose_when_connected":
            self._lose_next = True
        elif order.startswith("line "):
            self.open_line(order.partition(" ")[2])
        elif order == "back":
            self._air.in_reach = self._advertise = True
            await self.advertise()
        return {**self.counts, "connected": self._connection is not None}

    async def carry(self) -> None:
        """Carry the pod's bytes, some packets each connection event, for ever."""
        while True:
            await asyncio.sleep(EVENT_S)
            for _ in range(PER_EVENT):
                connection = self._connection
                if connection is None or not self._pending:
                    break
                piece = bytes(self._pending[: connection.att_mtu - 3])
                del self._pending[: len(piece)]
                with contextlib.suppress(Exception):
                    await self.device.notify_subscriber(connection, self._notify, piece)
                self.counts["to_air"] += len(piece)

    def open_line(self, name: str) -> None:
        """Put the module on another serial line."""
        loop = asyncio.get_running_loop()
        if self._line >= 0:
            loop.remove_reader(self._line)
            os.close(self._line)
        self._line = os.open(name, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        tty.setraw(self._line)
        loop.add_reader(self._line, self._from_line)

    def _asked(self, bearer: Any, request: Any) -> None:
        if not self._lose_next:
            self._answer(bearer, request)
        elif not self._losing:  # the first question of all, so discovery has begun
            self._losing = asyncio.get_running_loop().create_task(self._lose_in_discovery())

    async def _lose_in_discovery(self) -> None:
        await asyncio.sleep(SUPERVISION_S)
        self._lose_next, self._losing = False, None
        await self.obey("lose")

    def _from_line(self) -> None:
        try:
            data = os.read(self._line, 4096)
        except OSError:  # the pod has lost its power: nothing comes any more
            asyncio.get_running_loop().remove_reader(self._line)
            return
        if self._connection is None or not self._subscribed:
            self.counts["unheard"] += len(data)
            return
        self._pending += data
        if len(self._pending) > BUFFER:
            self.counts["lost"] += len(self._pending) - BUFFER
            del self._pending[BUFFER:]

    def _from_air(self, _connection: Any, value: bytes) -> None:
        self.counts["to_pod"] += len(value)
        with contextlib.suppress(OSError):  # the pod has no power
            os.write(self._line, value)

    def _connected(self, connection: Connection) -> None:
        self._connection = connection
        self._pending.clear()
        self._subscribed = False
        self.counts["connections"] += 1
        connection.on("disconnection", self._disconnected)

    def _subscription(
        self, _connection: Any, characteristic: Any, notify: bool, _indicate: bool
    ) -> None:
        if characteristic is self._notify:
            self._subscribed = notify

    def _disconnected(self, _reason: int) -> None:
        self._connection = None
        self._subscribed = False
        self._pending.clear()
        asyncio.get_running_loop().create_task(self.advertise())


async def main() -> None:
    """Serve until standard input ends."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--hci", required=True)
    parser.add_argument("--line", required=True)
    parser.add_argument("--service", choices=("module", "uart"), default="module")
    parser.add_argument("--mtu", type=int, default=23)
    parser.add_argument("--name", default="pod")
    given = parser.parse_args()
    # An adapter that is unplugged echoes for a moment: no packets, and no news.
    logging.getLogger("bumble.transport.common").setLevel(logging.ERROR)
    air = Air()
    async with await open_transport(f"unix:{given.hci}") as (source, sink):
        Adapter("machine", source, sink, air, MACHINE)
        module = Module(air, given.service, given.mtu, given.name)
        await module.start()
        loop = asyncio.get_running_loop()
        module.open_line(given.line)
        carrying = loop.create_task(module.carry())
        orders = asyncio.StreamReader()
        await loop.connect_read_pipe(lambda: asyncio.StreamReaderProtocol(orders), sys.stdin)
        print(json.dumps({"ready": True}), flush=True)
        while order := await orders.readline():
            print(json.dumps(await module.obey(order.decode().strip())), flush=True)
        carrying.cancel()


if __name__ == "__main__":
    asyncio.run(main())
