"""A Bluetooth link that is lost, at every stage: it comes back, or says why, and leaks nothing."""

from __future__ import annotations

import asyncio
import contextlib
import gc
import os
import random
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from ble.radio import ADDRESS, Radio, needs_bus, radio
from knuckle.errors import LinkError, LinkLost, LinkTimeout, LinkUnavailable
from knuckle.links.ble import BleLimits, BleLink
from knuckle.links.bounded import BrokenOffError, within
from knuckle.model.wheel import Wheel
from knuckle.run.deadlines import Deadlines
from knuckle.run.events import LinkDown, LinkUp, PodRestarted, RunEvent, Samples
from knuckle.run.loop import RunLoop
from knuckle.store.recording import decode
from links.scripted_pod import ScriptedPod

pytestmark = needs_bus

QUICK = BleLimits(
    scan_s=1.0,
    connect_s=1.0,
    subscribe_s=1.0,
    write_s=0.5,
    disconnect_s=0.5,
    first_tries=4,
    pause_s=0.1,
)
DEADLINES = Deadlines(silence_s=0.7, hello_s=3.0)


class Watched:
    """A run with one pod, until enough has been seen."""

    def __init__(self, room: Radio, limits: BleLimits = QUICK) -> None:
        self.room = room
        self.events: list[RunEvent] = []
        self.stored: list[bytes] = []
        self.link = BleLink("knuckle-1", limits=limits, rng=random.Random(4))

    def run(self, *acts: Callable[[], object], then: int = 3) -> None:
        """Do the acts one after the other, each in the middle of the stream; see it come back."""
        asyncio.run(self._run(list(acts), then))

    async def _run(self, acts: list[Callable[[], object]], then: int) -> None:
        waiting = list(acts)
        since = 0
        async with (
            asyncio.timeout(90),
            RunLoop(
                {Wheel.LF: self.link},
                raw_sink=lambda _stream, _at_s, data: self.stored.append(data),
                deadlines=DEADLINES,
                keep_samples=True,
            ) as loop,
        ):
            down = False
            async for event in loop.events():
                self.events.append(event)
                if isinstance(event, LinkDown):
                    down = True
                if isinstance(event, LinkUp):
                    down = False
                if not isinstance(event, Samples) or down:
                    since = 0
                    continue
                since += 1
                if since < 3 or down:
                    continue
                if waiting:
                    await asyncio.to_thread(waiting.pop(0))
                    down, since = True, 0
                elif since >= then:
                    break
            self.block = loop.block(Wheel.LF)

    def count(self, kind: type[RunEvent]) -> int:
        return sum(isinstance(event, kind) for event in self.events)


def test_a_loss_in_the_middle_is_told_marked_and_made_good(tmp_path: Path) -> None:
    with radio(tmp_path) as room:
        room.pod(ScriptedPod())
        seen = Watched(room)

        def out_of_reach() -> None:
            room.do("device", address=ADDRESS, in_reach=False)
            room.do("drop", address=ADDRESS)
            time.sleep(0.8)
            room.do("device", address=ADDRESS, in_reach=True)

        seen.run(out_of_reach)
    assert seen.count(LinkDown) == seen.count(LinkUp) == 1
    assert seen.count(PodRestarted) == 0, "it went on streaming: its ticks tell the gap"
    (up,) = [event for event in seen.events if isinstance(event, LinkUp)]
    assert up.gap_s > 0.7
    block = seen.block
    assert block is not None
    gaps = block.lost_before[block.lost_before > 0]
    assert len(gaps) == 1
    assert gaps[0] > 70, "samples at 100 Hz"
    assert block.stretch[-1] == 1, "nothing is computed across the gap"
    stored = decode(seen.stored)
    assert stored.block is not None
    assert stored.block.lost_before.tolist() == block.lost_before.tolist()
    assert stored.counts.bad_crc + stored.counts.bad_cobs <= 2, "the frame cut off is dropped"


def test_a_pod_that_restarted_meanwhile_is_started_again(tmp_path: Path) -> None:
    with radio(tmp_path) as room:
        pod = ScriptedPod()
        room.pod(pod)
        seen = Watched(room)

        def lose_power() -> None:
            room.do("drop", address=ADDRESS)
            pod.restart()

        seen.run(lose_power)
    assert seen.count(PodRestarted) == 1
    assert seen.count(LinkUp) == 1
    block = seen.block
    assert block is not None
    assert block.stretch[-1] == 1


@pytest.mark.parametrize(
    ("member", "act"),
    [
        ("StartDiscovery", "org.bluez.Error.InProgress Operation already in progress"),
        ("StartDiscovery", "hang"),
        ("Connect", "org.bluez.Error.Failed le-connection-abort-by-local-2"),
        ("Connect", "hang"),
        ("Connect", "drop"),
        ("StartNotify", "org.bluez.Error.Failed Operation failed with ATT error: 0x0e"),
        ("StartNotify", "hang"),
        ("StartNotify", "drop"),
        ("WriteValue", "org.bluez.Error.Failed Not connected"),
        ("WriteValue", "hang"),
        ("WriteValue", "drop"),
        ("Disconnect", "org.bluez.Error.Failed Not connected"),
        ("Disconnect", "hang"),
        ("StopDiscovery", "org.bluez.Error.InProgress Operation already in progress"),
    ],
)
def test_a_failure_at_each_stage_of_coming_back(member: str, act: str, tmp_path: Path) -> None:
    with radio(tmp_path) as room:
        room.pod(ScriptedPod())
        seen = Watched(room)

        def lose() -> None:
            room.do("fault", member=member, acts=[act])
            if member in ("StartDiscovery", "StopDiscovery"):
                room.do("remove", address=ADDRESS)  # the daemon forgets it: scan anew
            elif member == "Disconnect":
                room.do("device", address=ADDRESS, rssi=-61)
                seen.link._line.end("")
            else:
                room.do("drop", address=ADDRESS)

        seen.run(lose)
        calls = room.do("calls")
    assert member in calls
    assert seen.count(LinkUp) >= 1
    assert isinstance(seen.events[-1], Samples)


@pytest.mark.parametrize(
    ("member", "act"),
    [
        ("Connect", "org.bluez.Error.Failed le-connection-abort-by-local-2"),
        ("Connect", "drop"),
        ("StartNotify", "drop"),
        ("Connect", "hang"),
    ],
)
def test_a_first_try_that_fails_is_tried_again(member: str, act: str, tmp_path: Path) -> None:
    with radio(tmp_path) as room:
        room.pod(ScriptedPod())
        room.do("fault", member=member, acts=[act])
        seen = Watched(room)
        seen.run()
    assert seen.count(LinkDown) == 0
    assert isinstance(seen.events[-1], Samples)


def test_the_service_is_killed_and_started_again(tmp_path: Path) -> None:
    """Killed outright it tells nothing: the library goes on believing that it is connected."""
    with radio(tmp_path) as room:
        line = room.pod(ScriptedPod())
        seen = Watched(room)

        def kill() -> None:
            room.kill_daemon()
            time.sleep(1.0)
            room.start_daemon()
            room.do("device", address=ADDRESS, uart=line.path)

        seen.run(kill)
    assert seen.count(LinkUp) == 1


def test_a_service_that_has_died_is_named_when_the_link_is_entered_again(tmp_path: Path) -> None:
    async def run() -> None:
        link = BleLink("knuckle-1", limits=QUICK)
        async with link:
            await anext(link.chunks())
            room.kill_daemon()
        with pytest.raises(LinkUnavailable, match="service does not answer"):
            async with link:
                pass

    with radio(tmp_path) as room:
        room.pod(ScriptedPod())
        asyncio.run(run())


def test_the_adapter_is_switched_off_and_on(tmp_path: Path) -> None:
    with radio(tmp_path) as room:
        room.pod(ScriptedPod())
        seen = Watched(room)

        def off_and_on() -> None:
            room.do("adapter", powered=False)
            time.sleep(1.0)
            room.do("adapter", powered=True)

        seen.run(off_and_on)
    assert seen.count(LinkUp) == 1


def test_no_call_takes_longer_than_it_may_while_the_service_hangs(tmp_path: Path) -> None:
    async def run() -> list[float]:
        link = BleLink("knuckle-1", limits=QUICK)
        took_s = []
        async with asyncio.timeout(90):
            async with link:
                chunks = link.chunks()
                await anext(chunks)
                room.freeze_daemon()
                began_s = time.monotonic()
                with pytest.raises(LinkTimeout):
                    await link.write(b"\0anybody?\0")
                took_s.append(time.monotonic() - began_s)
                with pytest.raises(LinkLost):
                    await link.write(b"x")
                began_s = time.monotonic()
            took_s.append(time.monotonic() - began_s)
            began_s = time.monotonic()
            with pytest.raises(LinkError):
                await link.__aenter__()
            took_s.append(time.monotonic() - began_s)
        return took_s

    with radio(tmp_path) as room:
        room.pod(ScriptedPod())
        write_s, leave_s, enter_s = asyncio.run(run())
        room.thaw_daemon()
    # Twice each limit and the grace for clearing up: a busy machine is no fault.
    assert write_s < 2 * (QUICK.write_s + 2.0)
    assert leave_s < 2 * (QUICK.disconnect_s + 2.0)
    assert enter_s < 4 * (QUICK.connect_s + QUICK.disconnect_s + 4.0)


def test_silence_for_longer_than_any_pod_keeps_is_a_loss(tmp_path: Path) -> None:
    async def run() -> None:
        limits = BleLimits(silence_s=0.5)
        async with asyncio.timeout(60), BleLink("knuckle-1", limits=limits) as link:
            with pytest.raises(LinkLost, match="is gone"):
                async for chunk in link.chunks():
                    if chunk.data:
                        pod.mute = True

    with radio(tmp_path) as room:
        pod = ScriptedPod()
        room.pod(pod)
        asyncio.run(run())


def test_twenty_losses_leave_no_file_and_no_task_behind(tmp_path: Path) -> None:
    def open_files() -> int:
        gc.collect()
        return len(list(Path("/proc/self/fd").iterdir()))

    async def run() -> tuple[list[int], list[int]]:
        files, tasks = [], []
        link = BleLink("knuckle-1", limits=QUICK)
        async with asyncio.timeout(90):
            for cycle in range(20):
                async with link, contextlib.aclosing(link.chunks()) as chunks:
                    async for chunk in chunks:
                        if chunk.data:
                            break
                    if cycle % 2:
                        room.do("drop", address=ADDRESS)
                        with contextlib.suppress(LinkError):
                            async for _ in chunks:
                                pass
                await asyncio.sleep(0.02)
                files.append(open_files())
                tasks.append(len(asyncio.all_tasks()))
        return files, tasks

    before = open_files()
    with radio(tmp_path) as room:
        pod = ScriptedPod()
        pod.start()
        room.pod(pod)
        files, tasks = asyncio.run(run())
        assert files[-1] <= files[1]
        assert tasks[-1] <= tasks[1]
    assert open_files() <= before
    assert not list(Path("/tmp").glob(f"knuckle-ble-{os.getpid()}*"))


def test_the_notifying_value_is_never_read(tmp_path: Path) -> None:
    with radio(tmp_path) as room:
        room.pod(ScriptedPod())
        Watched(room).run(lambda: room.do("drop", address=ADDRESS))
        state = room.do("state")
        calls = room.do("calls")
    assert state[ADDRESS]["reads"] == 0
    assert "ReadValue" not in calls
    assert "AcquireNotify" not in calls


def test_pauses_grow_and_are_drawn(tmp_path: Path) -> None:
    class Clock:
        waits_for_reader = False

        def __init__(self) -> None:
            self.slept: list[float] = []

        def now_s(self) -> float:
            return sum(self.slept)

        async def sleep(self, seconds: float) -> None:
            self.slept.append(seconds)

    clock = Clock()
    limits = BleLimits(scan_s=0.5, connect_s=0.5, first_tries=4, pause_s=1.0)
    link = BleLink("knuckle-1", clock=clock, limits=limits, rng=random.Random(1))  # type: ignore[arg-type]

    async def run() -> None:
        async with asyncio.timeout(60):
            with pytest.raises(LinkError):
                await link.__aenter__()

    with radio(tmp_path) as room:
        room.pod(ScriptedPod())
        room.do("fault", member="Connect", acts=["org.bluez.Error.Failed refused"] * 9)
        asyncio.run(run())
    assert len(clock.slept) == 3
    for slept_s, most_s in zip(clock.slept, (1.0, 2.0, 4.0), strict=True):
        assert most_s / 2.0 <= slept_s <= most_s
    assert (
        len({slept_s / most_s for slept_s, most_s in zip(clock.slept, (1, 2, 4), strict=True)}) == 3
    )


def test_work_that_will_not_stop_is_left_to_itself() -> None:
    async def stubborn() -> None:
        while True:
            with contextlib.suppress(asyncio.CancelledError):
                await asyncio.sleep(3600)
                return
            if ended.is_set():
                return

    ended = asyncio.Event()

    async def run() -> None:
        began_s = time.monotonic()
        with pytest.raises(TimeoutError):
            await within(0.05, stubborn())
        assert time.monotonic() - began_s < 20.0
        gone = asyncio.Event()
        gone.set()
        with pytest.raises(BrokenOffError):
            await within(60.0, asyncio.sleep(60), gone)
        ended.set()

    asyncio.run(run())
