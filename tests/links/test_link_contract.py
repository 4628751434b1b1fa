"""What every link must do, run over every kind of link."""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import os
import random
import signal
import sys
from collections.abc import AsyncGenerator, Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import pytest

from bench.conftest import built
from bench.programs import build_sender
from ble.radio import ADDRESS, needs_bus, radio
from knuckle.bench.board import Board
from knuckle.errors import LinkLost, LinkNotFound
from knuckle.links.avr import AvrLink
from knuckle.links.ble import BleLink
from knuckle.links.contract import LONGEST_SILENCE_S, Chunk, Link
from knuckle.links.file import FileLink
from knuckle.links.schemes import open_link
from knuckle.links.serial import SerialLink
from knuckle.links.sim import SimLink
from knuckle.store.capture import CapturedStream, CaptureWriter
from links.devices import ScriptedBytes, at_pty

EVERY_BYTE = bytes(range(256))
PIECES = [
    EVERY_BYTE,
    b"\x00\x11\x13\x03\r\n\x1a" * 40,
    b"",
    random.Random(5).randbytes(3000),
    EVERY_BYTE[::-1] * 20,
]
WHOLE = b"".join(PIECES)

needs_pty = pytest.mark.skipif(not hasattr(os, "openpty"), reason="no pseudo-terminals here")


class Device(Protocol):
    """What is at a link's other end."""

    @property
    def received(self) -> bytes | bytearray: ...


@dataclass
class Rig:
    """A link under test and what is at its other end."""

    link: Link
    device: Device | None
    unplug: Callable[[], None] | None = None


Maker = Callable[[Path], AbstractContextManager[Rig]]


@contextmanager
def serial_rig(folder: Path) -> Iterator[Rig]:
    device = ScriptedBytes(PIECES)
    with at_pty(device) as pty:
        link = SerialLink(pty.name, list_ports=list)
        pty.start()
        yield Rig(link, device, pty.unplug)


def ble_rig(service: str, mtu: int) -> Maker:
    @contextmanager
    def make(folder: Path) -> Iterator[Rig]:
        with radio(folder) as room:
            device = ScriptedBytes(PIECES)
            room.pod(device, service=service, mtu=mtu, starts_when_heard=True)

            def unplug() -> None:
                room.do("device", address=ADDRESS, in_reach=False)
                room.do("drop", address=ADDRESS)

            yield Rig(BleLink("knuckle-1"), device, unplug)

    return make


def sim_rig(transport: str) -> Maker:
    @contextmanager
    def make(folder: Path) -> Iterator[Rig]:
        device = ScriptedBytes(PIECES)
        link = SimLink(device, scenario="scripted", seed=3, transport=transport)

        def unplug() -> None:
            device._cut_at_s = 0.0
            device.cut_for_s = 3.0

        yield Rig(link, device, unplug)

    return make


class InTheChip:
    """What the program on the emulated board has received, as its memory holds it."""

    def __init__(self, board: Board) -> None:
        self._board = board

    @property
    def received(self) -> bytes:
        bench = self._board.bench
        count = int.from_bytes(bench.peek(bench.symbol("received_count"), 2), "little")
        return bench.peek(bench.symbol("received"), count)


def avr_rig(transport: str) -> Maker:
    @contextmanager
    def make(folder: Path) -> Iterator[Rig]:
        bench = built("bench") / "bench"
        board = Board(bench=str(bench), elf=str(build_sender(PIECES, folder)))
        link = AvrLink(
            board, scenario="sender", seed=1, transport=transport, address="avr:?elf=sender"
        )
        try:
            yield Rig(
                link, InTheChip(board), lambda: os.kill(board.bench.process_id, signal.SIGKILL)
            )
        finally:
            board.close()

    return make


@contextmanager
def capture_rig(folder: Path) -> Iterator[Rig]:
    path = folder / "some.kncap"
    with CaptureWriter(path, [CapturedStream("LF", "serial:x"), CapturedStream("RF")]) as writer:
        for number, piece in enumerate(PIECES):
            writer.write(0, 100.0 + 0.35 * number, piece)
            writer.write(1, 100.1 + 0.35 * number, b"other stream")
    yield Rig(FileLink(path, stream=0), None)


LOG = b"# id=abc\nt_s,ax_g,ay_g,az_g\n" + b"".join(
    b"%.3f,0.01,0.02,1.00\n" % (0.01 * i + (3.0 if i > 60 else 0.0)) for i in range(120)
)


@contextmanager
def csv_rig(folder: Path) -> Iterator[Rig]:
    path = folder / "some.csv"
    path.write_bytes(LOG)
    yield Rig(FileLink(path), None)


MAKERS = [
    pytest.param(serial_rig, id="serial", marks=needs_pty),
    pytest.param(ble_rig("module", 23), id="ble-module", marks=needs_bus),
    pytest.param(ble_rig("uart", 247), id="ble-uart", marks=needs_bus),
    pytest.param(sim_rig("pty"), id="sim-pty", marks=needs_pty),
    pytest.param(sim_rig("memory"), id="sim-memory"),
    pytest.param(avr_rig("pty"), id="avr-pty", marks=needs_pty),
    pytest.param(avr_rig("memory"), id="avr-memory"),
    pytest.param(capture_rig, id="file-capture"),
    pytest.param(csv_rig, id="file-csv"),
]
MISSING = [
    pytest.param(lambda folder: SerialLink(str(folder / "ttyNONE")), id="serial"),
    pytest.param(lambda folder: FileLink(folder / "none.kncap"), id="file"),
    pytest.param(lambda folder: open_link(f"avr:?bench={folder / 'none'}"), id="avr-without-bench"),
    pytest.param(
        lambda folder: open_link(f"avr:?bench={sys.executable}&elf={folder / 'none.elf'}"),
        id="avr-without-program",
    ),
]


def reading(link: Link) -> contextlib.aclosing[AsyncGenerator[Chunk, None]]:
    return contextlib.aclosing(link.chunks())


async def read_all(link: Link, enough: int | None = None) -> list[Chunk]:
    got: list[Chunk] = []
    size = 0
    async with reading(link) as chunks:
        async for chunk in chunks:
            got.append(chunk)
            size += len(chunk.data)
            if enough is not None and size >= enough:
                break
    return got


def expected(rig: Rig) -> bytes:
    return LOG if str(rig.link.address).endswith(".csv") else WHOLE


@pytest.fixture(params=MAKERS)
def rig(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Rig]:
    with request.param(tmp_path) as made:
        yield made


def test_bytes_arrive_whole_and_in_order_with_times_that_never_go_back(rig: Rig) -> None:
    async def run() -> None:
        async with asyncio.timeout(30), rig.link as link:
            chunks = await read_all(link, len(expected(rig)))
        assert b"".join(chunk.data for chunk in chunks) == expected(rig)
        times = [chunk.arrival_s for chunk in chunks]
        assert times == sorted(times)
        if rig.link.clock.waits_for_reader:  # real time is the system's, not ours to judge
            gaps = [b - a for a, b in itertools.pairwise(times)]
            assert max(gaps) <= LONGEST_SILENCE_S + 1e-6

    asyncio.run(run())


def test_silence_is_told(rig: Rig) -> None:
    async def run() -> None:
        async with (
            asyncio.timeout(30),
            rig.link as link,
            contextlib.aclosing(link.chunks()) as chunks,
        ):
            async for chunk in chunks:
                if not chunk.data:
                    return
        pytest.fail("the link never told that time went by")

    asyncio.run(run())


def test_the_clock_agrees_with_arrivals(rig: Rig) -> None:
    async def run() -> None:
        async with (
            asyncio.timeout(30),
            rig.link as link,
            contextlib.aclosing(link.chunks()) as chunks,
        ):
            chunk = await anext(chunks)
            assert chunk.arrival_s <= link.clock.now_s()
            later = link.clock.utc(chunk.arrival_s + 1.5) - link.clock.utc(chunk.arrival_s)
            assert later.total_seconds() == pytest.approx(1.5)
            assert link.clock.utc(0.0).tzinfo is not None

    asyncio.run(run())


def test_writing_arrives_and_empty_writing_is_harmless(rig: Rig) -> None:
    async def run() -> None:
        async with (
            asyncio.timeout(30),
            rig.link as link,
            contextlib.aclosing(link.chunks()) as chunks,
        ):
            await anext(chunks)
            await link.write(EVERY_BYTE)
            await link.write(b"")
            await link.write(b"\x00end\x00")
            wanted = EVERY_BYTE + b"\x00end\x00"
            async for _ in chunks:
                if rig.device is None or len(rig.device.received) >= len(wanted):
                    break
        if rig.device is not None:
            assert bytes(rig.device.received) == wanted

    asyncio.run(run())


def test_nothing_is_written_unasked(rig: Rig) -> None:
    if rig.device is None:
        pytest.skip("a recording has no far end")

    async def run() -> None:
        async with asyncio.timeout(30), rig.link as link:
            await read_all(link, len(WHOLE))

    asyncio.run(run())
    assert not rig.device.received


def test_leaving_early_and_twice_is_quiet(rig: Rig) -> None:
    async def run() -> None:
        async with asyncio.timeout(30):
            async with rig.link as link:
                chunks = link.chunks()
                await anext(chunks)
                await chunks.aclose()
            await rig.link.__aexit__(None, None, None)

    asyncio.run(run())


def test_leaving_without_entering_is_quiet(rig: Rig) -> None:
    asyncio.run(rig.link.__aexit__(None, None, None))


def test_entering_again_works(rig: Rig) -> None:
    async def run() -> None:
        async with asyncio.timeout(30):
            for _ in range(2):
                async with rig.link as link, contextlib.aclosing(link.chunks()) as chunks:
                    await anext(chunks)

    asyncio.run(run())


def test_cancelling_a_read_closes_the_link(rig: Rig) -> None:
    async def run() -> None:
        async def reader() -> None:
            async with rig.link as link:
                async for _ in link.chunks():
                    began.set()
                    await asyncio.sleep(0)

        began = asyncio.Event()
        task = asyncio.create_task(reader())
        async with asyncio.timeout(30):
            await began.wait()
            task.cancel()
            with pytest.raises(asyncio.CancelledError):
                await task
            async with rig.link:  # it can be opened again: nothing still holds it
                pass

    asyncio.run(run())


def test_a_lost_link_says_so_in_reading_and_in_writing(rig: Rig) -> None:
    if rig.unplug is None:
        pytest.skip("a recording is not lost")
    unplug = rig.unplug

    async def run() -> None:
        async with asyncio.timeout(30), rig.link as link:
            chunks = link.chunks()
            await anext(chunks)
            unplug()
            with pytest.raises(LinkLost) as caught:
                async for _ in chunks:
                    pass
            await chunks.aclose()
            assert caught.value.cause and caught.value.next_step
            with pytest.raises(LinkLost):
                await link.write(b"anybody there?")

    asyncio.run(run())


def test_writing_to_a_closed_link_is_lost(rig: Rig) -> None:
    if rig.device is None:
        pytest.skip("a recording takes anything")

    async def run() -> None:
        async with rig.link:
            pass
        with pytest.raises(LinkLost):
            await rig.link.write(b"x")

    asyncio.run(run())


def test_it_describes_itself_in_one_line(rig: Rig) -> None:
    assert rig.link.description()
    assert "\n" not in rig.link.description()
    assert rig.link.address.split(":")[0] in ("serial", "ble", "sim", "avr", "file")


@pytest.mark.parametrize("make", MISSING)
def test_what_is_not_there_is_not_found(make: Callable[[Path], Link], tmp_path: Path) -> None:
    async def run() -> None:
        with pytest.raises(LinkNotFound) as caught:
            async with make(tmp_path):
                pass
        assert caught.value.next_step

    asyncio.run(run())
