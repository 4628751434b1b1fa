"""The stream at its limits: rates, schedules, full lines, wrapping counters."""

from __future__ import annotations

import itertools

import pytest

from firmware.core_library import Board, of_type
from firmware.test_core_replies import kept_with_baud
from firmware.test_library_pod import record_named, write_settings
from knuckle.wire import commands
from knuckle.wire.budget import least_averaging, samples_per_frame
from knuckle.wire.commands import encode_command
from knuckle.wire.messages import (
    Ack,
    AckCode,
    Command,
    Hello,
    Message,
    SampleBatch,
    SelfTestReply,
    Status,
)


def assert_whole(messages: list[Message], hello: Hello) -> list[SampleBatch]:
    """Check that no sample is missing; return the batches."""
    batches = of_type(messages, SampleBatch)
    for before, after in itertools.pairwise(batches):
        assert (after.sequence - before.sequence) % 2**16 == 1
        step = before.averaging * hello.raw_period_ticks
        assert (after.tick - before.tick - before.samples * step) % 2**32 == 0
    return batches


@pytest.mark.parametrize("baud", [9600, 19200, 57600, 115200])
@pytest.mark.parametrize(("period", "averaging"), [(800, 1), (1250, 1), (1250, 7), (25_000, 1)])
def test_every_line_carries_every_rate_with_everything_connected(
    baud: int, period: int, averaging: int
) -> None:
    with Board(kept=kept_with_baud(baud), adxl355=True) as board:
        board.set("ANALOG_CONNECTED", 1)
        board.set("CALIPER_HZ", 10)
        board.start()
        board.run(2.5)
        answer = board.ask(Command.SET_RATE, commands.set_rate(period, averaging), within=2.0)
        assert [ack.code for ack in of_type(answer, Ack)] == [AckCode.OK]
        hello = of_type(board.ask(Command.START, within=3.0), Hello)[-1]
        assert hello.streaming
        assert len(hello.channels) == 5
        least = least_averaging(baud, hello.channels, period, hello.tick_hz)
        assert hello.least_averaging == least
        assert hello.averaging == max(averaging, least)
        messages = board.run(60.0)
        batches = assert_whole(messages, hello)
        expected = 60.0 * hello.tick_hz / period / hello.averaging
        assert sum(b.samples for b in batches) == pytest.approx(expected, abs=300)
        assert 11 <= len(of_type(messages, Hello)) <= 13
        statuses = of_type(messages, Status)
        assert 55 <= len(statuses) <= 61
        assert statuses[-1].dropped == 0
        assert board.get("OVERFILLED") == 0
        count = samples_per_frame(hello.channels, hello.averaging, period, hello.tick_hz)
        assert max(b.samples for b in batches) == count
        full = sum(b.samples == count for b in batches)
        assert full >= 0.6 * len(batches)


def test_the_first_hello_comes_once_the_sensors_have_been_looked_for() -> None:
    with Board(adxl355=True) as board:
        board.start()
        assert board.run(0.39) == []
        first = of_type(board.run(1.2), Hello)
        assert len(first[0].channels) == 3
        assert not first[0].streaming


@pytest.mark.parametrize("first_tick", [0, 2**32 - 1_000_000])
def test_schedules(first_tick: int) -> None:
    """A hello a second, five while streaming, a status a second; also while ticks wrap."""
    with Board(first_tick=first_tick) as board:
        board.start()
        board.run(1.0)
        idle = board.run(10.0)
        assert len(of_type(idle, Hello)) == 10
        assert of_type(idle, Status) == []
        board.ask(Command.START, within=0.1)
        messages = board.run(20.0)
        assert len(of_type(messages, Hello)) == 4
        assert len(of_type(messages, Status)) == 20
        board.ask(Command.STOP, within=0.1)
        assert len(of_type(board.run(10.0), Hello)) == 10


def test_the_table_follows_what_is_plugged_in() -> None:
    with Board() as board:
        board.start()
        board.run(1.5)
        board.set("ANALOG_CONNECTED", 1)
        assert len(of_type(board.run(2.0), Hello)[-1].channels) == 4
        board.connect("ADXL355")
        board.set("CALIPER_HZ", 10)
        assert len(of_type(board.run(3.0), Hello)[-1].channels) == 5
        board.connect("MPU6050", False)
        board.set("ANALOG_CONNECTED", 0)
        board.set("CALIPER_HZ", 0)
        assert len(of_type(board.run(4.0), Hello)[-1].channels) == 2
        # Nothing that is plugged in while it streams enters the table.
        board.ask(Command.START, within=0.5)
        board.connect("MPU6050")
        board.set("ANALOG_CONNECTED", 1)
        streamed = board.run(11.0)
        assert {len(hello.channels) for hello in of_type(streamed, Hello)} == {2}
        assert all(b.mask is None for b in of_type(streamed, SampleBatch))
        board.ask(Command.STOP)
        assert len(of_type(board.run(3.0), Hello)[-1].channels) == 4


def test_a_change_of_averaging_in_the_stream_loses_nothing_but_the_sample_under_way() -> None:
    with Board() as board:
        board.start()
        board.run(1.2)
        board.ask(Command.START)
        board.run(1.0)
        messages: list[Message] = []
        for averaging in (3, 1, 10, 2):
            answer = board.ask(Command.SET_RATE, commands.set_rate(0, averaging), within=1.0)
            assert of_type(answer, Hello)[0].averaging == averaging
            messages += answer
        batches = of_type(messages, SampleBatch)
        assert [n for n, _ in itertools.groupby(b.averaging for b in batches)][-3:] == [1, 10, 2]
        for before, after in itertools.pairwise(batches):
            assert after.sequence == before.sequence + 1
            end = before.tick + before.samples * before.averaging * 1250
            assert 0 <= after.tick - end <= (before.averaging + 1) * 1250


@pytest.mark.parametrize("period", [800, 2500, 25_000])
def test_a_change_of_rate_in_the_stream(period: int) -> None:
    with Board() as board:
        board.start()
        board.run(1.2)
        board.ask(Command.START)
        board.ask(Command.SET_RATE, commands.set_rate(period, 0), within=1.5)
        messages = board.run(5.0)
        batches = of_type(messages, SampleBatch)
        assert sum(b.samples for b in batches) == pytest.approx(5 * 250_000 / period, rel=0.1)
        for before, after in itertools.pairwise(batches):
            assert after.tick - before.tick == before.samples * period
        assert all(status.overruns == 0 for status in of_type(messages, Status))
        assert all(status.faults & ~(1 << 7) == 0 for status in of_type(messages, Status))


def test_start_and_stop_do_not_reset_the_sequence_and_a_second_start_changes_nothing() -> None:
    with Board() as board:
        board.start()
        board.run(1.2)
        board.ask(Command.START)
        first = of_type(board.run(1.0), SampleBatch)
        again = board.ask(Command.START, within=1.0)
        assert len(of_type(again, Hello)) == 1
        assert of_type(again, Hello)[0].streaming
        stopped = board.ask(Command.STOP, within=1.0)
        last = of_type(stopped, SampleBatch)
        assert isinstance(stopped[[type(m) for m in stopped].index(Ack)], Ack)
        behind = stopped[[type(m) for m in stopped].index(Ack) + 1 :]
        assert of_type(behind, SampleBatch) == []
        restarted = of_type(board.ask(Command.START, within=1.0), SampleBatch)
        numbers = [b.sequence for b in (*first, *of_type(again, SampleBatch), *last, *restarted)]
        assert numbers == list(range(numbers[0], numbers[0] + len(numbers)))


def test_sequence_and_ticks_wrap_in_one_stream() -> None:
    """Some hours at 312 readings a second: 2^16 frames and 2^32 microseconds are passed."""
    with Board(tick_hz=1_000_000, first_tick=2**32 - 2_000_000_000) as board:
        board.start()
        board.run(1.2)
        board.ask(Command.SET_RATE, commands.set_rate(3200, 1), within=1.0)
        hello = of_type(board.ask(Command.START, within=1.0), Hello)[-1]
        wraps = frames = 0
        last: SampleBatch | None = None
        while frames < 2**16 + 100:
            messages = board.run(30.0)
            batches = assert_whole(([last] if last else []) + messages, hello)  # type: ignore[operator]
            wraps += sum(b.tick < a.tick for a, b in itertools.pairwise(batches))
            frames += len(batches)
            last = batches[-1]
            assert all(s.dropped == s.overruns == 0 for s in of_type(messages, Status))
        assert wraps == 1


def test_a_name_is_told_at_once() -> None:
    with Board() as board:
        board.start()
        board.run(1.2)
        write_settings(board, record_named("left front"))
        hello = of_type(board.run(1.1), Hello)[-1]
        assert hello.name == "left front"
        assert hello.identity == bytes(range(1, 9))


def test_a_hello_that_is_asked_for_finds_its_way_past_full_frames() -> None:
    with Board(kept=kept_with_baud(115200), adxl355=True) as board:
        board.set("ANALOG_CONNECTED", 1)
        board.set("CALIPER_HZ", 10)
        board.start()
        board.run(2.5)
        board.ask(Command.SET_RATE, commands.set_rate(800, 1), within=2.0)
        hello = of_type(board.ask(Command.START, within=3.0), Hello)[-1]
        messages: list[Message] = []
        for _ in range(40):
            answer = board.ask(Command.HELLO, within=0.5)
            assert [ack.code for ack in of_type(answer, Ack)] == [AckCode.OK]
            messages += answer
        assert_whole(messages, hello)
        assert all(status.dropped == 0 for status in of_type(messages, Status))


def test_a_self_test_waits_for_a_change_of_rate() -> None:
    with Board() as board:
        board.start()
        board.run(1.2)
        board.send(encode_command(Command.SET_RATE, 1, commands.set_rate(2500, 0)))
        board.send(encode_command(Command.SELF_TEST, 2))
        replies = of_type(board.run(4.0), SelfTestReply)
        assert [reply.verdicts for reply in replies] == [(0, 0, 0)]


def test_no_sample_spans_a_gap() -> None:
    """Readings are missing in the middle of a sample: it is given up, not filled from behind."""
    averaging = 10
    with Board() as board:
        board.start()
        board.run(1.2)
        board.ask(Command.SET_RATE, commands.set_rate(0, averaging))
        board.ask(Command.START, within=1.0)
        for _ in range(10):
            messages = board.run(0.413)
            gone = board.tick
            board.skip(0.021)
            back = board.tick
            messages += board.run(0.6)
            batches = of_type(messages, SampleBatch)
            step = averaging * 1250
            starts = [b.tick + i * step for b in batches for i in range(b.samples)]
            assert starts[0] < gone < back < starts[-1]
            for start in starts:
                last_reading = start + (averaging - 1) * 1250
                assert last_reading <= gone + 1250 or start >= back - 1250


@pytest.mark.parametrize("preempt_us", [20, 60, 75])
def test_a_main_loop_that_takes_longer_than_a_reading(preempt_us: int) -> None:
    """Each call of the port takes that long: with a frame to send a turn takes two to three ms, and
    readings are 3.2 ms apart."""
    with Board(adxl355=True) as board:
        board.start()
        board.run(1.2)
        board.ask(Command.SET_RATE, commands.set_rate(800, 1), within=2.0)
        hello = of_type(board.ask(Command.START, within=2.0), Hello)[-1]
        board.set("PREEMPT_NS", preempt_us * 1000)
        messages = board.run(10.0)
        assert len(assert_whole(messages, hello)) > 200
        assert all(status.overruns == 0 for status in of_type(messages, Status))
