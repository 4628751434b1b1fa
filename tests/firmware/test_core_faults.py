"""Faults: when they come and go, on which channel, how often they are told."""

from __future__ import annotations

import itertools
from collections.abc import Callable

import pytest

from firmware.core_library import Board, of_type
from firmware.test_library_pod import record_named, write_settings
from knuckle.wire.messages import (
    Command,
    Fault,
    FaultCode,
    Hello,
    Message,
    SampleBatch,
    SelfTestReply,
    Status,
)

POD = 255
WHO_AM_I = 0x75


def settled(**how: bool) -> Board:
    """Return a board with a good record, so that no fault stands."""
    with Board() as first:
        first.start()
        first.run(1.0)
        write_settings(first, record_named("a"))
        kept = first.kept
    board = Board(kept=kept, **how)
    board.start()
    board.run(1.5)
    return board


def streaming(board: Board) -> list[Message]:
    begun = board.ask(Command.START, within=1.0)
    assert of_type(begun, Hello)[-1].streaming
    return begun


def told(messages: list[Message], code: FaultCode) -> list[tuple[int, bool]]:
    return [(f.channel, f.present) for f in of_type(messages, Fault) if f.code == code]


def standing(board: Board) -> set[FaultCode]:
    bits = of_type(board.ask(Command.STATUS), Status)[-1].faults
    return {code for code in FaultCode if bits >> code & 1}


def test_a_sound_pod_has_no_fault() -> None:
    with settled(adxl355=True) as board:
        messages = streaming(board) + board.run(20.0)
        assert of_type(messages, Fault) == []
        assert standing(board) == set()


def stuck(board: Board, on: bool) -> None:
    board.freeze("MPU6050", on)


def out_of_range(board: Board, on: bool) -> None:
    board.motion(g=(0.0, 0.0, -2.5) if on else (0.0, 0.0, 1.0))


def turning(board: Board, on: bool) -> None:
    board.motion(dps=(0.0, 260.0, 0.0) if on else (0.0, 0.0, 0.0))


def low_supply(board: Board, on: bool) -> None:
    board.set("SUPPLY_MV", 4400 if on else 5000)


def gone(board: Board, on: bool) -> None:
    board.connect("MPU6050", not on)


@pytest.mark.parametrize(
    ("code", "cause", "channels", "comes_s", "goes_s"),
    [
        (FaultCode.SENSOR_STUCK, stuck, [0], (1.0, 1.1), (0.0, 0.1)),
        (FaultCode.SENSOR_RANGE, out_of_range, [0], (1.0, 1.1), (1.0, 1.2)),
        (FaultCode.SENSOR_RANGE, turning, [1], (1.0, 1.1), (1.0, 1.2)),
        # Looked at once a second, judged at the next look.
        (FaultCode.SUPPLY_LOW, low_supply, [POD], (0.0, 2.1), (0.0, 2.1)),
        # Tried again once a second; setting up takes a quarter of one.
        (FaultCode.SENSOR_MISSING, gone, [0, 1, 2], (0.0, 0.1), (0.0, 1.5)),
    ],
)
def test_comes_and_goes(
    code: FaultCode,
    cause: Callable[[Board, bool], None],
    channels: list[int],
    comes_s: tuple[float, float],
    goes_s: tuple[float, float],
) -> None:
    """The times of docs/protocol.md, "When faults come and go"."""
    with settled() as board:
        streaming(board)
        for present, (earliest_s, latest_s) in ((True, comes_s), (False, goes_s)):
            cause(board, present)
            assert told(board.run(earliest_s), code) == []
            early = told(board.run(latest_s - earliest_s), code)
            assert early == [(channel, present) for channel in channels]
            assert (code in standing(board)) is present
            assert told(board.run(3.0), code) == []
        assert standing(board) <= {FaultCode.BUS}


@pytest.mark.parametrize("cause", [out_of_range, turning])
def test_a_knock_or_a_turn_in_the_hand_is_no_fault(cause: Callable[[Board, bool], None]) -> None:
    """A carried pod turns beyond 250 deg/s for parts of a second, again and again."""
    with settled() as board:
        streaming(board)
        for _ in range(10):
            cause(board, True)
            assert told(board.run(0.7), FaultCode.SENSOR_RANGE) == []
            cause(board, False)
            assert told(board.run(0.8), FaultCode.SENSOR_RANGE) == []


def test_a_range_whose_end_is_reached_most_of_the_time_is_a_fault() -> None:
    with settled() as board:
        streaming(board)
        heard: list[tuple[int, bool]] = []
        for _ in range(10):
            turning(board, True)
            heard += told(board.run(0.3), FaultCode.SENSOR_RANGE)
            turning(board, False)
            heard += told(board.run(0.1), FaultCode.SENSOR_RANGE)
        assert heard == [(1, True)]


def test_faults_that_stand_are_told_after_the_hello_of_a_start() -> None:
    with Board() as board:  # its settings are blank
        board.start()
        assert told(board.run(3.0), FaultCode.SETTINGS) == [(POD, True)]
        begun = streaming(board)
        order = [type(m) for m in begun if isinstance(m, Hello | Fault | SampleBatch)]
        assert order[:2] == [Hello, Fault]
        assert told(begun, FaultCode.SETTINGS) == [(POD, True)]


def test_settings_go_when_a_record_is_written() -> None:
    with Board() as board:
        board.start()
        board.run(1.5)
        assert standing(board) == {FaultCode.SETTINGS}
        write_settings(board, record_named("a"))
        assert standing(board) == set()


def test_a_flapping_sensor_is_told_at_most_once_a_second_each_way() -> None:
    """Three readings fail, the set-up that follows at once does not: lost and back, on and on."""
    with settled() as board:
        streaming(board)
        faults: list[tuple[int, bool]] = []
        seconds = 20
        lost = 0
        for _ in range(seconds * 2):
            for _ in range(3):
                board.nack("MPU6050", 0, 0)
                faults += told(board.run(0.005), FaultCode.SENSOR_MISSING)
            lost += 1
            faults += told(board.run(0.485), FaultCode.SENSOR_MISSING)
        assert lost == 2 * seconds
        for row in range(3):
            for present in (True, False):
                assert 2 <= faults.count((row, present)) <= seconds + 1
        faults = told(board.run(3.0), FaultCode.SENSOR_MISSING)
        assert faults in ([], [(row, False) for row in range(3)])
        assert FaultCode.SENSOR_MISSING not in standing(board)


def test_a_transfer_that_fails_once_costs_one_reading_and_is_told() -> None:
    with settled() as board:
        streaming(board)
        before = of_type(board.ask(Command.STATUS), Status)[-1].bus_errors
        board.nack("MPU6050", 3, 2)
        messages = board.run(1.0)
        assert told(messages, FaultCode.BUS) == [(POD, True)]
        assert told(messages, FaultCode.SENSOR_MISSING) == []
        ticks = [
            b.tick + i * 1250 for b in of_type(messages, SampleBatch) for i in range(b.samples)
        ]
        gaps = [b - a for a, b in itertools.pairwise(ticks)]
        assert sorted(gaps)[-2:] == [1250, 2500]
        assert told(board.run(1.0), FaultCode.BUS) == [(POD, False)]
        after = of_type(board.ask(Command.STATUS), Status)[-1].bus_errors
        assert after == before + 1


def test_readings_left_out_are_counted_and_told() -> None:
    with settled() as board:
        streaming(board)
        before = of_type(board.ask(Command.STATUS), Status)[-1].overruns
        board.skip(0.1)  # twenty readings
        messages = board.run(1.0)
        assert told(messages, FaultCode.OVERRUN) == [(POD, True)]
        after = of_type(board.ask(Command.STATUS), Status)[-1].overruns
        assert 19 <= after - before <= 21
        assert told(board.run(3.5), FaultCode.OVERRUN) == []
        assert told(board.run(1.5), FaultCode.OVERRUN) == [(POD, False)]


def test_no_sensor_at_all() -> None:
    with settled(mpu6050=False) as board:
        assert FaultCode.SENSOR_MISSING in standing(board)
        answer = board.ask(Command.START)
        assert [ack.code for ack in answer if hasattr(ack, "code") and hasattr(ack, "token")] == [4]
        board.connect("MPU6050")
        back = board.run(2.0)
        assert told(back, FaultCode.SENSOR_MISSING) == [(POD, False)]
        assert len(of_type(back, Hello)[-1].channels) == 3


def test_another_part_is_named_on_the_rows_of_the_one_that_went() -> None:
    with settled() as board:
        streaming(board)
        board.set_register("MPU6050", WHO_AM_I, 0x70)
        gone(board, True)
        board.run(0.5)
        board.connect("MPU6050")
        board.set_register("MPU6050", WHO_AM_I, 0x70)
        found = told(board.run(3.0), FaultCode.SENSOR_IDENTITY)
        assert found == [(0, True), (1, True), (2, True)]
        board.set_register("MPU6050", WHO_AM_I, 0x68)
        back = board.run(3.0)
        assert told(back, FaultCode.SENSOR_IDENTITY) == [(row, False) for row in range(3)]
        assert standing(board) == set()


def test_a_failed_self_test_stands_until_one_is_passed() -> None:
    with settled() as board:
        board.self_test_answer("MPU6050", 1, 0.3)
        failed = board.ask(Command.SELF_TEST, within=3.0)
        assert of_type(failed, SelfTestReply)[0].verdicts == (FaultCode.SELF_TEST, 0, 0)
        assert told(failed, FaultCode.SELF_TEST) == [(0, True)], "the row whose axis failed"
        assert FaultCode.SELF_TEST in standing(board)
        board.self_test_answer("MPU6050", 1, 1.0)
        passed = board.ask(Command.SELF_TEST, within=3.0)
        assert of_type(passed, SelfTestReply)[0].verdicts == (0,) * 3
        assert told(passed, FaultCode.SELF_TEST) == [(0, False)]
