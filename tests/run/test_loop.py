"""The run loop over simulated, replayed and real (pty) links."""

from __future__ import annotations

import asyncio
import os
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from knuckle.errors import (
    KnuckleError,
    LinkError,
    LinkLost,
    LinkNotFound,
    LinkTimeout,
    LinkWrongDevice,
    PodError,
    StoreError,
)
from knuckle.links.file import FileLink
from knuckle.links.ports import UsbPort
from knuckle.links.schemes import open_link
from knuckle.links.serial import SerialLink
from knuckle.links.sim import SimLink
from knuckle.model.wheel import Wheel
from knuckle.run.deadlines import Deadlines
from knuckle.run.events import (
    CommandFailed,
    Ended,
    LinkDown,
    LinkUp,
    PodRestarted,
    PodSeen,
    RestEnded,
    RestReady,
    RestWithdrawn,
    RunEvent,
    Samples,
)
from knuckle.run.loop import RunLoop
from knuckle.store.capture import CapturedStream, CaptureWriter
from knuckle.wire.decoder import PodDecoder
from knuckle.wire.messages import AckCode, ClockReply, Command, Cue, Hello
from links.devices import ScriptedBytes, at_pty
from links.scripted_pod import IDENTITY, ScriptedPod, of_kind

needs_pty = pytest.mark.skipif(not hasattr(os, "openpty"), reason="no pseudo-terminals here")

LF, RF = Wheel.LF, Wheel.RF
LONGEST_S = 60.0


def sim(pod: ScriptedPod, **options: Any) -> SimLink:
    return SimLink(pod, scenario="scripted", seed=1, transport="memory", **options)


def moving_now_and_then(t_s: float) -> bool:
    return 5.0 < t_s % 8.0 < 7.0


def go(
    loop: RunLoop, react: Callable[[RunEvent], Awaitable[bool | None]] | None = None
) -> list[RunEvent]:
    """Run to the end, or until `react` returns True; return all events."""
    told: list[RunEvent] = []

    async def run() -> None:
        async with asyncio.timeout(LONGEST_S), loop:
            async for event in loop.events():
                told.append(event)
                if react is not None and await react(event):
                    return

    asyncio.run(run())
    return told


def test_a_run_from_hello_to_the_end_of_the_script() -> None:
    pod = ScriptedPod(lasts_s=20.0, moves=moving_now_and_then)
    loop = RunLoop({LF: sim(pod)}, keep_samples=True)
    events = go(loop)
    assert isinstance(events[0], PodSeen)
    assert isinstance(events[-1], Ended)
    assert events[-1].error is None
    assert len(of_kind(events, RestReady)) == len(of_kind(events, RestEnded)) == 3
    assert len(loop.rests(LF)) == 3
    assert loop.dropped(LF) == []
    block = loop.block(LF)
    assert block is not None
    assert len(block) == sum(len(event.block) for event in of_kind(events, Samples))
    assert pod.commands()[-1] == Command.STOP
    assert [event.at_s for event in events] == sorted(event.at_s for event in events)


def test_raw_bytes_are_handed_over_before_they_are_decoded_and_all_of_them() -> None:
    log: list[str] = []
    raw = bytearray()

    def sink(stream: int, arrival_s: float, data: bytes) -> None:
        assert stream == 0
        raw.extend(data)
        log.append("raw")

    async def react(event: RunEvent) -> None:
        log.append(type(event).__name__)

    events = go(RunLoop({LF: sim(ScriptedPod(lasts_s=5.0))}, raw_sink=sink), react)
    assert log[0] == "raw"
    assert log.index("raw") < log.index("PodSeen") < log.index("Samples")
    decoder = PodDecoder()
    decoder.receive_data(bytes(raw))
    messages = list(decoder.events())
    assert isinstance(messages[0], Hello)
    batches = sum(type(message).__name__ == "SampleBatch" for message in messages)
    assert batches * 5 == sum(len(event.block) for event in of_kind(events, Samples))


def test_a_failing_store_ends_the_run_and_the_pod_is_stopped() -> None:
    pod = ScriptedPod()

    def sink(stream: int, arrival_s: float, data: bytes) -> None:
        if arrival_s > 3.0:
            raise StoreError("The disk is full.")

    with pytest.raises(StoreError, match="full"):
        go(RunLoop({LF: sim(pod)}, raw_sink=sink))
    assert pod.commands()[-1] == Command.STOP


def test_a_cue_reaches_the_pod_at_the_moment_it_is_given() -> None:
    pod = ScriptedPod(lasts_s=10.0)
    loop = RunLoop({LF: sim(pod)})
    given_s: list[float] = []

    async def react(event: RunEvent) -> None:
        if isinstance(event, RestReady):
            assert await loop.cue(LF, Cue.TAKEN)
            given_s.append(event.at_s)
            assert pod.now_s == pytest.approx(event.at_s)
            assert pod.commands()[-1] == Command.CUE

    events = go(loop, react)
    assert len(given_s) == 1
    assert not of_kind(events, CommandFailed)


def test_a_command_is_answered_refused_or_given_up_in_the_links_time() -> None:
    pod = ScriptedPod()
    loop = RunLoop({LF: sim(pod)})
    replies: list[object] = []

    async def react(event: RunEvent) -> bool:
        if not isinstance(event, Samples):
            return False
        replies.append(await loop.command(LF, Command.CLOCK))
        pod.refuses[Command.SELF_TEST] = AckCode.BUSY
        for command in (Command.SELF_TEST, Command.STATUS):
            pod.deaf_to.add(Command.STATUS)
            try:
                await loop.command(LF, command, deadline_s=0.5)
            except KnuckleError as error:
                replies.append(error)
        return True

    go(loop, react)
    assert [type(reply) for reply in replies] == [ClockReply, PodError, LinkTimeout]
    assert pod.now_s < 4.0


def test_a_command_under_way_when_the_run_ends_fails() -> None:
    pod = ScriptedPod(lasts_s=3.0)
    pod.deaf_to.add(Command.CLOCK)
    loop = RunLoop({LF: sim(pod)})

    async def react(event: RunEvent) -> bool:
        if isinstance(event, Samples):
            with pytest.raises(LinkLost):
                await loop.command(LF, Command.CLOCK, deadline_s=100.0)
            return True
        return False

    go(loop, react)


def test_a_failing_store_reaches_a_consumer_that_waits_for_an_answer() -> None:
    pod = ScriptedPod()
    pod.deaf_to.add(Command.CLOCK)
    waiting: list[bool] = []

    def sink(stream: int, arrival_s: float, data: bytes) -> None:
        if waiting:
            raise StoreError("The disk is full.")

    loop = RunLoop({LF: sim(pod)}, raw_sink=sink)

    async def react(event: RunEvent) -> None:
        if isinstance(event, Samples):
            waiting.append(True)
            await loop.command(LF, Command.CLOCK, deadline_s=100.0)

    with pytest.raises(StoreError, match="full"):
        go(loop, react)


def test_two_pods_each_on_its_wheel_stay_in_step() -> None:
    left, right = ScriptedPod(lasts_s=8.0, seed=1), ScriptedPod(lasts_s=8.0, seed=2)
    streams: dict[int, int] = {}

    def sink(stream: int, arrival_s: float, data: bytes) -> None:
        streams[stream] = streams.get(stream, 0) + len(data)
        assert abs(left.now_s - right.now_s) <= 0.15

    loop = RunLoop({RF: sim(right), LF: sim(left)}, raw_sink=sink)
    events = go(loop)
    assert (loop.stream(RF), loop.stream(LF)) == (0, 1)
    assert streams[0] == pytest.approx(streams[1], rel=0.05)
    for wheel in (LF, RF):
        mine = [event for event in events if event.wheel is wheel]
        assert isinstance(mine[0], PodSeen)
        assert isinstance(mine[-1], Ended)


def test_a_link_of_coarse_steps_waits_for_one_of_fine_steps(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    lines = "".join(f"{500 + n / 10},0.0,0.0,1.0\n" for n in range(80))
    path.write_text("t_s,ax_g,ay_g,az_g\n" + lines)
    pod = ScriptedPod(lasts_s=8.0)
    leads: list[float] = []

    def sink(stream: int, arrival_s: float, data: bytes) -> None:
        if stream == 0:
            leads.append(arrival_s - 500.0 - pod.now_s)

    events = go(RunLoop({RF: FileLink(path), LF: sim(pod)}, raw_sink=sink))
    assert len(leads) > 60
    assert max(leads) < 0.25
    assert len(of_kind(events, Ended)) == 2


def test_one_pod_ending_leaves_the_other_running() -> None:
    loop = RunLoop({LF: sim(ScriptedPod(lasts_s=2.0)), RF: sim(ScriptedPod(lasts_s=6.0))})
    ended = of_kind(go(loop), Ended)
    assert [event.wheel for event in ended] == [LF, RF]
    assert ended[1].at_s > ended[0].at_s + 3.0


def test_a_cut_link_comes_back_and_the_run_goes_on() -> None:
    pod = ScriptedPod(lasts_s=14.0)
    loop = RunLoop({LF: sim(pod)}, keep_samples=True)

    async def react(event: RunEvent) -> None:
        if isinstance(event, Samples) and 4.0 < event.at_s < 4.1:
            pod.connected = False
        if isinstance(event, LinkDown):
            assert not await loop.cue(LF, Cue.TAKEN)
            asyncio.get_running_loop().call_soon(setattr, pod, "connected", True)

    events = go(loop, react)
    assert len(of_kind(events, LinkDown)) == len(of_kind(events, LinkUp)) == 1
    assert of_kind(events, PodSeen)[-1].again
    after = events[events.index(of_kind(events, LinkDown)[0]) + 1 :]
    assert after.index(of_kind(after, LinkUp)[0]) < after.index(of_kind(after, Samples)[0])
    assert of_kind(events, Ended)[0].error is None
    block = loop.block(LF)
    assert block is not None
    assert (np.diff(block.t_s) > 0).all()


def test_a_link_that_stays_away_is_given_up_and_what_was_captured_is_kept() -> None:
    pod = ScriptedPod()
    loop = RunLoop({LF: sim(pod)}, deadlines=Deadlines(give_up_s=10.0), keep_samples=True)

    async def react(event: RunEvent) -> None:
        if isinstance(event, Samples) and event.at_s > 4.0:
            pod.connected = False

    events = go(loop, react)
    last = events[-1]
    assert isinstance(last, Ended)
    assert isinstance(last.error, KnuckleError)
    assert 10.0 < last.at_s - of_kind(events, LinkDown)[0].at_s < 14.0
    block = loop.block(LF)
    assert block is not None
    assert len(block) > 300
    assert len(loop.rests(LF)) == 1


def test_a_pod_that_falls_silent_is_looked_for_by_opening_the_link_anew() -> None:
    pod = ScriptedPod(lasts_s=12.0)
    opened = 0

    class Counted(SimLink):
        async def __aenter__(self) -> Counted:
            nonlocal opened
            opened += 1
            pod.mute = False
            await super().__aenter__()
            return self

    link = Counted(pod, scenario="scripted", seed=1, transport="memory")

    async def react(event: RunEvent) -> None:
        if isinstance(event, Samples) and 4.0 < event.at_s < 4.2:
            pod.mute = True

    events = go(RunLoop({LF: link}), react)
    assert opened == 2
    assert of_kind(events, LinkUp)[0].gap_s > 2.0


def test_a_restart_is_told_and_samples_go_on() -> None:
    pod = ScriptedPod(lasts_s=10.0)
    done: list[bool] = []

    async def react(event: RunEvent) -> None:
        if isinstance(event, Samples) and event.at_s > 4.0 and not done:
            done.append(True)
            pod.restart()

    events = go(RunLoop({LF: sim(pod)}), react)
    assert len(of_kind(events, PodRestarted)) == 1
    assert of_kind(events, Samples)[-1].at_s > 9.0


def test_what_is_missing_at_the_start_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(LinkNotFound):
        go(RunLoop({LF: FileLink(tmp_path / "none.csv")}))
    pod = ScriptedPod()
    pod.mute = True
    with pytest.raises(LinkTimeout):
        go(RunLoop({LF: sim(pod)}))


def test_one_pod_that_cannot_be_reached_stops_the_other_in_order(tmp_path: Path) -> None:
    pod, silent = ScriptedPod(), ScriptedPod()
    silent.mute = True
    with pytest.raises(LinkTimeout):
        go(RunLoop({LF: sim(pod), RF: sim(silent)}))
    assert pod.commands()[-1] == Command.STOP


def test_breaking_off_stops_the_pod_closes_the_link_and_keeps_what_was_captured() -> None:
    pod = ScriptedPod()
    link = sim(pod)
    loop = RunLoop({LF: link}, keep_samples=True)

    async def run() -> None:
        async def consume() -> None:
            async with loop:
                async for event in loop.events():
                    if event.at_s > 4.0:
                        enough.set()
                        await asyncio.sleep(3600)  # the user presses Ctrl-C here

        enough = asyncio.Event()
        task = asyncio.create_task(consume())
        async with asyncio.timeout(LONGEST_S):
            await enough.wait()
            task.cancel()
            with pytest.raises(asyncio.CancelledError):
                await task

    asyncio.run(run())
    assert pod.commands()[-1] == Command.STOP
    with pytest.raises(LinkError):  # it is closed
        asyncio.run(link.write(b""))
    block = loop.block(LF)
    assert block is not None
    assert len(block) > 300
    assert len(loop.rests(LF)) == 1


def test_stopping_in_order_tells_the_end() -> None:
    pod = ScriptedPod()
    loop = RunLoop({LF: sim(pod)})

    async def react(event: RunEvent) -> None:
        if event.at_s > 3.0:
            loop.stop()

    events = go(loop, react)
    assert isinstance(events[-1], Ended)
    assert len(of_kind(events, RestEnded)) == 1
    assert pod.commands()[-1] == Command.STOP


def test_a_bug_in_the_calibration_is_not_swallowed() -> None:
    def calibration_of(seen: PodSeen) -> Any:
        def broken(block: Any) -> Any:
            raise ZeroDivisionError

        return broken

    with pytest.raises(ZeroDivisionError):
        go(RunLoop({LF: sim(ScriptedPod())}, calibration_of=calibration_of))


def test_a_captured_run_replayed_gives_the_same_samples_and_rests(tmp_path: Path) -> None:
    path = tmp_path / "run.kncap"
    pod = ScriptedPod(lasts_s=20.0, moves=moving_now_and_then)
    with CaptureWriter(path, [CapturedStream("LF")]) as writer:
        live = RunLoop({LF: sim(pod)}, raw_sink=writer.write, keep_samples=True)
        live_events = go(live)
    replayed = RunLoop({LF: FileLink(path)}, keep_samples=True)
    events = go(replayed)
    for kind in (PodSeen, Samples, RestReady, RestEnded):
        with np.printoptions(threshold=10**9, floatmode="unique"):
            assert repr(of_kind(events, kind)) == repr(of_kind(live_events, kind))
    assert repr(replayed.rests(LF)) == repr(live.rests(LF))


def test_a_recording_without_a_handshake_is_read_as_it_is(tmp_path: Path) -> None:
    path = tmp_path / "run.kncap"
    pod = ScriptedPod()
    with CaptureWriter(path, [CapturedStream("LF")]) as writer:
        for step in range(1, 100):
            if step == 10:
                pod.start()
            writer.write(0, 5000.0 + step * 0.02, pod.advance(step * 0.02))
    loop = RunLoop({LF: FileLink(path)}, keep_samples=True)
    events = go(loop)
    assert "no settings" in of_kind(events, PodSeen)[0].settings_problem
    block = loop.block(LF)
    assert block is not None
    assert len(block) > 150


def test_a_recording_that_begins_in_the_middle_waits_for_the_hello(tmp_path: Path) -> None:
    path = tmp_path / "run.kncap"
    pod = ScriptedPod()
    pod.advance(1.0)
    pod.start()
    pod._hello_at_s = 3.0
    with CaptureWriter(path, [CapturedStream("LF")]) as writer:
        for step in range(51, 500):
            writer.write(0, 5000.0 + step * 0.02, pod.advance(step * 0.02))
    loop = RunLoop({LF: FileLink(path)}, keep_samples=True)
    go(loop)
    block = loop.block(LF)
    assert block is not None
    assert len(block) > 650


def test_a_csv_log_runs_through_the_same_loop(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    lines = "".join(f"{n / 100:.2f},0.001,0.002,1.0,0.0,0.1,0.0\n" for n in range(800))
    path.write_text("t_s,ax_g,ay_g,az_g,gx_dps,gy_dps,gz_dps\n" + lines)
    loop = RunLoop({LF: FileLink(path)}, keep_samples=True)
    events = go(loop)
    assert events[0] == of_kind(events, PodSeen)[0]
    block = loop.block(LF)
    assert block is not None
    assert len(block) == 800


def test_the_simulated_car_is_driven_by_its_cues() -> None:
    link = open_link("sim:?seed=3&transport=memory", wheel=LF, purpose="sweep")
    loop = RunLoop({LF: link})

    async def react(event: RunEvent) -> None:
        if isinstance(event, RestReady):
            await loop.cue(LF, Cue.TAKEN)
            await loop.cue(LF, Cue.MOVE_ON)

    events = go(loop, react)
    assert len(of_kind(events, RestReady)) == 5
    assert of_kind(events, Ended)[0].error is None


def test_a_rest_that_turns_out_to_have_drifted_is_withdrawn_late() -> None:
    link = open_link("sim:drifting?seed=5&transport=memory", wheel=LF, purpose="sweep")
    loop = RunLoop({LF: link})

    async def react(event: RunEvent) -> None:
        if isinstance(event, RestReady):
            assert loop.reading(LF) is not None
            await loop.cue(LF, Cue.MOVE_ON)

    events = go(loop, react)
    withdrawn = of_kind(events, RestWithdrawn)
    dropped = loop.dropped(LF)
    assert [(w.start_s, w.end_s, w.why) for w in withdrawn] == [
        (d.start_s, d.end_s, d.reason) for d in dropped
    ]
    assert len(dropped) == 1
    assert all(rest.start_s != dropped[0].start_s for rest in loop.rests(LF))


def test_dates_come_from_the_links_own_clock(tmp_path: Path) -> None:
    path = tmp_path / "run.kncap"
    started = "2024-05-06T07:08:09.000+02:00"
    with CaptureWriter(path, [CapturedStream("LF")], started_utc=started) as writer:
        go(RunLoop({LF: sim(ScriptedPod(lasts_s=6.0))}, raw_sink=writer.write))
    link = FileLink(path)
    events = go(RunLoop({LF: link}))
    seen = link.clock.utc(events[0].at_s)
    assert seen.isoformat().startswith("2024-05-06T07:08:09")


@needs_pty
def test_a_pod_on_a_real_port_is_measured_and_found_again_under_another_name() -> None:
    async def run() -> list[RunEvent]:
        told: list[RunEvent] = []
        listed: list[UsbPort] = []
        one, two = ScriptedPod(), ScriptedPod()
        with at_pty(one) as first, at_pty(two) as second:
            listed[:] = [UsbPort(first.name, 1, 2, "SN1")]
            link = SerialLink(first.name, list_ports=lambda: listed)
            first.start()
            async with asyncio.timeout(LONGEST_S), RunLoop({LF: link}) as loop:
                async for event in loop.events():
                    told.append(event)
                    if isinstance(event, Samples) and not of_kind(told, LinkDown):
                        first.unplug()
                    if isinstance(event, LinkDown):
                        listed[:] = [UsbPort(second.name, 1, 2, "SN1")]
                        second.start()
                    if isinstance(event, LinkUp):
                        break
            # The last word, a STOP, is on its way when the port closes; the pod reads it.
            for _ in range(200):
                if Command.STOP in two.commands():
                    break
                await asyncio.sleep(0.01)
        assert Command.STOP in two.commands()
        return told

    told = asyncio.run(run())
    assert [event.identity for event in of_kind(told, PodSeen)] == [IDENTITY, IDENTITY]
    assert isinstance(of_kind(told, LinkDown)[0].reason, LinkLost)


@needs_pty
def test_another_pod_on_the_first_port_is_passed_over() -> None:
    async def run() -> list[RunEvent]:
        told: list[RunEvent] = []
        listed: list[UsbPort] = []
        pods = [ScriptedPod(), ScriptedPod(identity=b"stranger"), ScriptedPod()]
        with (
            at_pty(pods[0]) as first,
            at_pty(pods[1]) as stranger,
            at_pty(pods[2]) as second,
        ):
            listed[:] = [UsbPort(first.name, 1, 2)]
            link = SerialLink(first.name, list_ports=lambda: listed)
            first.start()
            async with asyncio.timeout(LONGEST_S), RunLoop({LF: link}) as loop:
                async for event in loop.events():
                    told.append(event)
                    if isinstance(event, Samples) and not of_kind(told, LinkDown):
                        first.unplug()
                    if isinstance(event, LinkDown):
                        listed[:] = sorted(
                            (UsbPort(pty.name, 1, 2) for pty in (stranger, second)),
                            key=lambda port: port.device,
                        )
                        stranger.start()
                        second.start()
                    if isinstance(event, LinkUp):
                        break
        assert not pods[1].received
        return told

    told = asyncio.run(run())
    assert of_kind(told, PodSeen)[-1].identity == IDENTITY


@needs_pty
def test_a_device_that_is_no_pod_is_told_so_and_nothing_is_written_to_it() -> None:
    device = ScriptedBytes([b"$GPGGA,123519,4807.038,N*47\r\n"] * 20)

    async def run() -> None:
        with at_pty(device) as pty:
            link = SerialLink(pty.name, list_ports=list)
            pty.start()
            loop = RunLoop({LF: link}, deadlines=Deadlines(hello_s=0.6))
            with pytest.raises(LinkWrongDevice):
                async with asyncio.timeout(LONGEST_S), loop:
                    async for _ in loop.events():
                        pass

    asyncio.run(run())
    assert not device.received
