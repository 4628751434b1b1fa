"""The whole pod on simulated boards, read by the host's own decoder, in simulated time."""

from __future__ import annotations

import dataclasses
import itertools

import numpy as np
import pytest

from firmware.core_library import MS, Board, core, of_type
from knuckle.wire import commands
from knuckle.wire.crc import crc16
from knuckle.wire.messages import (
    Ack,
    AckCode,
    Command,
    Fault,
    FaultCode,
    Hello,
    SampleBatch,
    SelfTestReply,
    Sensor,
    SettingsData,
    Status,
)
from knuckle.wire.samples import values
from knuckle.wire.settings import SettingsRecord

UP = (0.25, -0.5, 0.8)
TURN = (10.0, -20.0, 30.0)


def streaming(board: Board) -> tuple[Hello, list[SampleBatch]]:
    """Start the board and its stream; return the table in force and a second of samples."""
    board.start()
    board.run(1.5)
    begun = board.ask(Command.START, within=1.2)
    hello = of_type(begun, Hello)[-1]
    assert hello.streaming
    return hello, of_type(begun, SampleBatch)


def ack_of(board: Board, messages: list[object]) -> AckCode:
    """Return the code of the answer to the last command."""
    acks = [ack for ack in of_type(list(messages), Ack) if ack.token == board.token]
    assert len(acks) == 1
    return AckCode(acks[0].code)


def write_settings(board: Board, record: bytes, piece: int = 64) -> AckCode:
    """Write a whole record as a host does; return the code of the last piece's answer."""
    code = AckCode.OK
    for offset in range(0, 256, piece):
        payload = commands.settings_write(offset, record[offset : offset + piece])
        code = ack_of(board, board.ask(Command.SETTINGS_WRITE, payload, within=1.5))
        if offset + piece < 256:
            assert code == AckCode.OK
    return code


def read_settings(board: Board) -> bytes:
    data = b""
    for offset in (0, 128):
        payload = commands.settings_read(offset, 128)
        reply = of_type(board.ask(Command.SETTINGS_READ, payload), SettingsData)
        assert [message.offset for message in reply] == [offset]
        data += reply[0].data
    return data


def record_named(name: str, baud: int = 115200) -> bytes:
    base = SettingsRecord(identity=bytes(range(1, 9)), name=name)
    return dataclasses.replace(base, baud=baud).to_bytes()


def filled(record: bytes, byte: int) -> bytes:
    """Return a record whose calibration, which is nothing to the pod, is all that byte."""
    body = record[:44] + bytes([byte]) * 180 + record[224:254]
    return body + crc16(body).to_bytes(2, "big")


@pytest.mark.parametrize(
    ("mpu6050", "adxl355", "tolerance_g"),
    [(True, False, 1e-3), (False, True, 1e-4), (True, True, 1e-4)],
)
def test_what_the_sensors_measure_is_what_the_host_reads(
    mpu6050: bool, adxl355: bool, tolerance_g: float
) -> None:
    """Through registers, sums and frames. The best accelerometer there is gives the row."""
    with Board(mpu6050=mpu6050, adxl355=adxl355) as board:
        board.motion(UP, TURN, 31.5)
        board.set("ANALOG_CONNECTED", 1)
        board.set("ANALOG_COUNTS", 400.0)
        board.set("CALIPER_COUNTS", -12345)
        board.set("CALIPER_HZ", 8)
        hello, batches = streaming(board)
        read = values(hello, batches[1:])
        assert read.accel_g.mean(axis=0) == pytest.approx(UP, abs=tolerance_g)
        assert np.mean(read.temp_c) == pytest.approx(31.5, abs=0.06)
        rows = [row.sensor for row in hello.channels]
        best = Sensor.ADXL355 if adxl355 else Sensor.MPU6050
        gyro = [Sensor.MPU6050] if mpu6050 else []
        assert rows == [best, *gyro, best, Sensor.POTENTIOMETER, Sensor.CALIPER]
        if mpu6050:
            # The gyro's row states 250/32768 deg/s a count, the data sheet 1/131: 0.05 % apart.
            assert read.gyro_dps.mean(axis=0) == pytest.approx(TURN, rel=1e-3, abs=0.02)
        assert read.linear_mm is not None
        assert read.linear_mm[:, 0] == pytest.approx(400.0 / 1023.0 * 100.0, abs=0.01)
        assert read.linear_mm[:, 1] == pytest.approx(-123.45, abs=1e-4)


def test_ticks_count_readings_without_a_gap() -> None:
    with Board() as board:
        _, first = streaming(board)
        batches = first + of_type(board.run(20.0), SampleBatch)
        assert [batch.sequence for batch in batches] == list(range(len(batches)))
        for one, other in itertools.pairwise(batches):
            assert other.tick == one.tick + one.samples * one.averaging * 1250
        status = of_type(board.run(1.1), Status)[-1]
        assert (status.dropped, status.overruns, status.bus_errors) == (0, 0, 0)


def test_a_sample_is_the_sum_of_its_readings() -> None:
    """Averaging 5 of noise-free readings: five times the raw counts, in the width for it."""
    with Board() as board:
        board.noise(0.0, 0.0)
        board.motion((0.25, 0.0, 1.0), (10.0, 0.0, 0.0), 35.0)
        board.start()
        board.run(1.5)
        assert ack_of(board, board.ask(Command.SET_RATE, commands.set_rate(0, 5), within=0.6)) == 0
        begun = board.ask(Command.START, within=1.0)
        batch = of_type(begun, SampleBatch)[1]
        assert batch.averaging == 5
        width = 3
        numbers = [
            int.from_bytes(batch.payload[i : i + width], "little", signed=True)
            for i in range(0, 7 * width, width)
        ]
        assert numbers == [5 * n for n in (4096, 0, 16384, 1310, 0, 0, -521)]


def test_ticks_wrap_in_the_stream() -> None:
    start = 2**32 - 3 * 250_000
    with Board(first_tick=start) as board:
        hello, batches = streaming(board)
        batches += of_type(board.run(3.0), SampleBatch)
        assert hello.tick_hz == 250_000
        ticks = [batch.tick for batch in batches]
        assert max(ticks) > 2**32 - 250_000 and min(ticks) < 250_000
        for one, other in itertools.pairwise(batches):
            assert other.tick == (one.tick + one.samples * 1250) % 2**32


def test_boards_do_not_touch_each_other() -> None:
    """Two at once, run in turns, give byte for byte what each gives alone."""

    def alone(g: float) -> bytes:
        with Board() as board:
            board.motion((g, 0.0, 1.0))
            board.start()
            board.run_ns(1500 * MS)
            board.send(commands.encode_command(Command.START, 1))
            board.run_ns(1000 * MS)
            return board.fetch()

    with Board() as one, Board() as other:
        for board, g in ((one, 0.1), (other, 0.2)):
            board.motion((g, 0.0, 1.0))
            board.start()
        for board in (one, other) * 150:
            board.run_ns(10 * MS)
        for board in (one, other):
            board.send(commands.encode_command(Command.START, 1))
        for board in (one, other) * 100:
            board.run_ns(10 * MS)
        together = one.fetch(), other.fetch()
    assert together == (alone(0.1), alone(0.2))
    assert together[0] != together[1]


@pytest.mark.parametrize("preempt_ns", [100, 999, 7_000, 40_000])
def test_interrupts_between_any_two_port_functions(preempt_ns: int) -> None:
    """Time passes inside the main loop: readings still come whole, in order, on their ticks."""
    with Board(adxl355=True) as board:
        board.set("PREEMPT_NS", preempt_ns)
        board.set("ANALOG_CONNECTED", 1)
        board.set("ANALOG_COUNTS", 511.5)
        board.set("CALIPER_HZ", 10)
        board.set("CALIPER_COUNTS", 777)
        board.motion(UP, TURN)
        hello, batches = streaming(board)
        batches += of_type(board.run(5.0), SampleBatch)
        assert len(batches) > 30
        for one, other in itertools.pairwise(batches):
            apart = other.tick - one.tick
            assert apart % 1250 == 0 and apart >= one.samples * 1250
        for batch in batches[1:]:
            value = values(hello, [batch])
            assert value.accel_g == pytest.approx(np.tile(UP, (batch.samples, 1)), abs=5e-3)
            assert value.linear_mm[:, 1] == pytest.approx(7.77, abs=1e-4)
        assert board.get("OVERFILLED") == 0
        assert board.get("LOCKED") == 0


def test_the_line_carries_what_the_pod_sends_at_9600() -> None:
    with Board() as board:
        board.start()
        board.run(1.5)
        assert write_settings(board, record_named("slow", 9600)) == AckCode.OK
        board.stop()
        board.start()
        board.messages()
        begun = board.run(3.0)
        assert board.get("BAUD") == 9600
        hello = of_type(begun, Hello)[-1]
        assert hello.least_averaging > 1 and hello.averaging == hello.least_averaging
        board.ask(Command.START, within=0.5)
        board.bytes = 0
        later = board.run(60.0)
        status = of_type(later, Status)[-1]
        assert status.dropped == 0
        batches = of_type(later, SampleBatch)
        assert [b.sequence - batches[0].sequence for b in batches] == list(range(len(batches)))
        assert 0.5 * 960 * 60 < board.bytes < 960 * 60


def test_settings_come_back_after_power_was_off() -> None:
    record = record_named("left front")
    with Board() as board:
        board.start()
        board.run(1.5)
        assert write_settings(board, record, piece=128) == AckCode.OK
        assert of_type(board.ask(Command.HELLO), Hello)[-1].name == "left front"
        kept = board.kept
    with Board(kept=kept) as board:
        board.start()
        hello = of_type(board.run(1.5), Hello)[-1]
        assert (hello.name, hello.identity) == ("left front", bytes(range(1, 9)))
        assert read_settings(board) == record


def test_power_lost_at_every_byte_of_a_settings_write() -> None:
    """The old record or the new one, whole; whatever the torn byte became.

    The two differ in nearly every byte, since a pod need not write what is there already.
    """
    old, new = filled(record_named("old"), 0x15), filled(record_named("new"), 0x6A)
    with Board() as board:
        board.start()
        board.run(1.5)
        assert write_settings(board, old, piece=128) == AckCode.OK
        assert write_settings(board, old, piece=128) == AckCode.OK
        kept = board.kept
        before = board.get("KEEP_WRITES")
        assert write_settings(board, new, piece=128) == AckCode.OK
        writes = int(board.get("KEEP_WRITES") - before)
    assert writes >= 128
    names = []
    for cut in range(writes + 1):
        with Board(kept=kept, mpu6050=False) as board:
            board.start()
            board.run_ns(10 * MS)
            for offset in (0, 128):
                payload = commands.settings_write(offset, new[offset : offset + 128])
                board.send(commands.encode_command(Command.SETTINGS_WRITE, 1, payload))
                for _ in range(4000):
                    if board.get("KEEP_WRITES") >= cut or of_type(board.messages(), Ack):
                        break
                    board.run_ns(MS // 2)
            board.run_ns(MS)  # the next byte is under way
            board.stop(torn=(0x00, 0xFF, 0x5A)[cut % 3])
            board.start()
            board.messages()
            found = board.run(1.0)
            faults = [fault.code for fault in of_type(found, Fault)]
            assert FaultCode.SETTINGS not in faults, f"after {cut} bytes"
            names.append(of_type(found, Hello)[-1].name)
    assert set(names) == {"old", "new"}
    assert names == sorted(names, key="old new".index), "once the new record is there it stays"


@pytest.mark.parametrize("part", ["MPU6050", "ADXL355"])
def test_self_test(part: str) -> None:
    """Verdicts are told; then readings are as they were before."""
    with Board(mpu6050=part == "MPU6050", adxl355=part == "ADXL355") as board:
        board.motion((0.0, 0.0, 1.0))
        board.start()
        board.run(1.5)
        reply = of_type(board.ask(Command.SELF_TEST, within=3.0), SelfTestReply)[-1]
        assert set(reply.verdicts) == {0}
        board.self_test_answer(part, 1, 0.1)
        reply = of_type(board.ask(Command.SELF_TEST, within=3.0), SelfTestReply)[-1]
        assert FaultCode.SELF_TEST in reply.verdicts
        hello = of_type(board.ask(Command.START, within=1.0), Hello)[-1]
        read = values(hello, of_type(board.run(1.0), SampleBatch)[-3:])
        assert read.accel_g.mean(axis=0) == pytest.approx((0.0, 0.0, 1.0), abs=3e-3)


@pytest.mark.parametrize(("axis", "verdicts"), [(1, (10, 0, 0)), (5, (0, 10, 0))])
def test_a_self_test_blames_the_channel_whose_axis_failed(
    axis: int, verdicts: tuple[int, ...]
) -> None:
    with Board() as board:
        board.start()
        board.run(1.5)
        board.self_test_answer("MPU6050", axis, 0.1)
        told = board.ask(Command.SELF_TEST, within=3.0)
        assert of_type(told, SelfTestReply)[-1].verdicts == verdicts
        stated = [(f.channel, f.present) for f in of_type(told, Fault) if f.code == 10]
        assert stated == [(verdicts.index(10), True)]
        board.self_test_answer("MPU6050", axis, 1.0)
        told = board.ask(Command.SELF_TEST, within=3.0)
        assert of_type(told, SelfTestReply)[-1].verdicts == (0, 0, 0)
        assert [f.present for f in of_type(told, Fault) if f.code == 10] == [False]


def test_a_sensor_vanishes_in_the_stream_and_returns() -> None:
    """Linear readings go on meanwhile, marked by the mask; nothing is invented."""
    with Board() as board:
        board.set("ANALOG_CONNECTED", 1)
        board.set("ANALOG_COUNTS", 300.0)
        streaming(board)
        board.connect("MPU6050", False)
        gone = board.run(3.0)
        assert Fault in map(type, gone)
        codes = {(fault.code, fault.present) for fault in of_type(gone, Fault)}
        assert (FaultCode.SENSOR_MISSING, True) in codes
        masks = [batch.mask for batch in of_type(gone, SampleBatch)]
        assert masks[-1] == 0b1000
        board.connect("MPU6050")
        back = board.run(4.0)
        codes = {(fault.code, fault.present) for fault in of_type(back, Fault)}
        assert (FaultCode.SENSOR_MISSING, False) in codes
        assert of_type(back, SampleBatch)[-1].mask is None
        assert board.decoder.counts.malformed == 0


def test_another_part_on_the_bus_is_named_and_left_alone() -> None:
    with Board() as board:
        board.set_register("MPU6050", 0x75, 0x71)
        board.start()
        found = board.run(3.0)
        codes = {fault.code for fault in of_type(found, Fault) if fault.present}
        assert FaultCode.SENSOR_IDENTITY in codes
        assert board.register("MPU6050", 0x6B) == 0x40, "nothing was written into it"
        assert ack_of(board, board.ask(Command.START)) == AckCode.BUSY


@pytest.mark.parametrize(("pulses", "freed"), [(1, True), (9, True), (255, False)])
def test_a_held_bus(pulses: int, freed: bool) -> None:
    with Board() as board:
        board.set("ANALOG_CONNECTED", 1)
        streaming(board)
        board.set("SDA_STUCK", pulses)
        later = board.run(4.0)
        last = of_type(later, SampleBatch)[-1]
        assert last.mask == (None if freed else 0b1000)
        assert FaultCode.BUS in {fault.code for fault in of_type(later, Fault)}
        assert (board.get("SDA_STUCK") == 0) == freed
        board.set("SDA_STUCK", 0)
        assert of_type(board.run(3.0), SampleBatch)[-1].mask is None


def test_a_computer_that_slept() -> None:
    """The clock leaps by two minutes: what was missed is counted, and the stream goes on."""
    with Board() as board:
        _, batches = streaming(board)
        board.skip(120.0)
        later = board.run(3.0)
        after = of_type(later, SampleBatch)
        assert len(after) > 25
        assert after[-1].tick - batches[-1].tick > 120 * 250_000
        assert of_type(later, Status)[-1].overruns > 0


def test_a_tick_rate_that_is_none_makes_no_board() -> None:
    ffi, lib = core()
    for rate in (0, 1234, 3_000_000, 999):
        assert lib.sim_new(rate, 0) == ffi.NULL
