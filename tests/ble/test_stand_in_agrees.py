"""The stand-in for bluetoothd against the real one's traffic, stage by stage of a connection.

tests/lab/trace was recorded from BlueZ 5.66 on Linux 6.1 by ``tests/lab/bluetooth.py --record``.
"""

from __future__ import annotations

import asyncio
from typing import Any

import pytest

from ble.radio import ADDRESS, Radio, needs_bus, radio
from lab.monitor import Monitor
from lab.stages import all_stages, read_traces

pytestmark = needs_bus

NAME = "knuckle-1"
QUIET_S = 0.05
IN_VAIN_S = 0.5


class Typed:
    """A device that sends what it is given."""

    def __init__(self) -> None:
        self.waiting = b""

    def advance(self, to_s: float) -> bytes:
        sent, self.waiting = self.waiting, b""
        return sent

    def receive(self, data: bytes) -> None:
        pass


class StandInWorld:
    """What `lab.stages.World` asks for, done to the stand-in."""

    def __init__(self, room: Radio) -> None:
        self._room = room
        self._device = Typed()
        self._line = room.pod(self._device, name=NAME)

    async def _do(self, what: str, **said: Any) -> None:
        await asyncio.to_thread(self._room.do, what, **said)

    async def send(self, data: bytes) -> None:
        self._device.waiting += data

    async def lose(self) -> None:
        await self._do("drop", address=ADDRESS)

    async def away(self, away: bool) -> None:
        await self._do("device", address=ADDRESS, in_reach=not away)

    async def forget(self, path: str) -> None:
        await self._do("remove", address=ADDRESS)

    async def lose_when_connected(self) -> None:
        await self._do("fault", member="Connect", acts=["drop"])

    async def power(self, on: bool) -> None:
        await self._do("adapter", powered=on)

    async def plug(self, there: bool) -> None:
        await self._do("adapter", present=there)

    async def kill_daemon(self) -> None:
        await asyncio.to_thread(self._room.kill_daemon)

    async def start_daemon(self) -> None:
        await asyncio.to_thread(self._room.start_daemon)
        await self._do("device", address=ADDRESS, name=NAME, known=True, uart=self._line.path)


@pytest.fixture(scope="module")
def passed(tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[str]]:
    async def go(room: Radio) -> dict[str, list[str]]:
        async with Monitor(room.bus_address) as monitor:
            return await all_stages(
                monitor,
                StandInWorld(room),
                NAME,
                quiet_s=QUIET_S,
                in_vain_s=IN_VAIN_S,
                awaited={stage: len(lines) for stage, lines in read_traces().items()},
            )

    with radio(tmp_path_factory.mktemp("room")) as room:
        return asyncio.run(go(room))


def parted(lines: list[str]) -> tuple[list[str], list[str]]:
    """Return lines apart from what the adapter says of scanning: it may overtake a reply."""
    scanning = [line for line in lines if line.startswith("* adapter") and "Powered" not in line]
    return [line for line in lines if line not in scanning], scanning


@pytest.mark.parametrize("stage", sorted(read_traces()))
def test_signals_and_errors_are_those_of_the_real_daemon(
    passed: dict[str, list[str]], stage: str
) -> None:
    assert parted(passed[stage]) == parted(read_traces()[stage])
