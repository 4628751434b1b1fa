"""The simulated pod speaks the wire: what the shipping decoder makes of it is checked."""

from __future__ import annotations

import numpy as np
import pytest

from knuckle.model.block import Block
from knuckle.sim.pod import SimulatedPod
from knuckle.sim.range_weight import RangeWeight
from knuckle.sim.recording import simulate_block
from knuckle.sim.scenario import Scenario, load
from knuckle.timebase.assembler import BlockAssembler
from knuckle.wire.codec import (
    cue,
    encode_command,
    set_rate,
    settings_read,
    settings_write,
)
from knuckle.wire.decoder import PodDecoder
from knuckle.wire.messages import (
    Ack,
    AckCode,
    ClockReply,
    Command,
    Cue,
    Fault,
    FaultCode,
    Hello,
    Message,
    ResetCause,
    SampleBatch,
    SelfTestReply,
    SettingsData,
    Status,
)
from knuckle.wire.settings import RECORD_LENGTH, SettingsRecord


class Host:
    """Drives a pod in small steps, answers an idle hello with START as a host does."""

    def __init__(self, scenario: Scenario, seed: int | None = None, restarts: bool = True) -> None:
        self.pod = SimulatedPod(scenario, seed)
        self.decoder = PodDecoder()
        self.data = bytearray()
        self.messages: list[Message] = []
        self._restarts = restarts
        self._token = 0

    def until(self, to_s: float, step_s: float = 0.05) -> list[Message]:
        """Let time pass; return the new messages."""
        new: list[Message] = []
        while self.pod.now_s < to_s and not self.pod.finished:
            data = self.pod.advance(min(to_s, self.pod.now_s + step_s))
            self.data += data
            self.decoder.receive_data(data)
            for message in self.decoder.events():
                new.append(message)
                if self._restarts and isinstance(message, Hello) and not message.streaming:
                    self.send(Command.START)
        self.messages += new
        return new

    def send(self, command: Command, payload: bytes = b"") -> None:
        self._token = (self._token + 1) % 256
        self.pod.receive(encode_command(command, self._token, payload))

    def ask(self, command: Command, payload: bytes = b"") -> list[Message]:
        """Send and return all that comes within a moment, samples left out."""
        self.send(command, payload)
        new = self.until(self.pod.now_s + 0.001)
        return [m for m in new if not isinstance(m, SampleBatch)]

    def block(self) -> Block:
        block = BlockAssembler().push_many(self.messages)
        assert block is not None
        return block


def _hellos(messages: list[Message]) -> list[Hello]:
    return [m for m in messages if isinstance(m, Hello)]


def test_hello_at_boot_and_every_second_while_idle() -> None:
    host = Host(load("garage"), restarts=False)
    messages = host.until(3.5)
    assert len(messages) == len(_hellos(messages)) == 4
    hello = _hellos(messages)[0]
    assert hello.reset_cause is ResetCause.POWER_ON
    assert not hello.streaming
    assert [channel.axes for channel in hello.channels] == [3, 3, 1]
    assert hello.identity != bytes(8)
    assert host.pod.script_s < 0


@pytest.mark.parametrize("name", ["garage", "averaging", "no_gyro", "gaps", "slow_serial"])
def test_the_wire_carries_the_same_counts_as_a_block(name: str) -> None:
    scenario = load(name)
    host = Host(scenario, 3)
    host.until(100.0)
    assert host.pod.finished
    assert host.decoder.counts.bad_crc == 0
    wire, whole = host.block(), simulate_block(scenario, 3, calibrated=False).block
    n = len(whole)
    assert len(wire) >= n
    assert wire.accel_g[:n] == pytest.approx(whole.accel_g, abs=1e-9)
    assert wire.t_s[:n] == pytest.approx(whole.t_s, abs=2e-5)
    assert np.array_equal(wire.lost_before[:n], whole.lost_before)
    assert wire.rate_hz == pytest.approx(whole.rate_hz)
    if whole.gyro_dps is not None:
        assert wire.gyro_dps is not None
        # One count: the walk of the gyro's zero is summed in pieces.
        assert wire.gyro_dps[:n] == pytest.approx(whole.gyro_dps, abs=0.008)


@pytest.mark.parametrize("name", ["everything", "restart", "power_cut", "knocks"])
def test_bytes_do_not_depend_on_how_time_is_cut(name: str) -> None:
    streams = []
    for step_s in (0.02, 0.5):
        pod = SimulatedPod(load(name, **{"pod.starts_streaming": True}), 4)
        data = bytearray()
        for i in range(1, int(20.0 / step_s) + 1):
            data += pod.advance(i * step_s)
        streams.append(bytes(data))
    assert len(streams[0]) > 15000
    assert streams[0] == streams[1]


def test_statuses_and_hellos_while_streaming() -> None:
    host = Host(load("garage"))
    messages = host.until(11.5)
    statuses = [m for m in messages if isinstance(m, Status)]
    assert len(statuses) == 11
    # One right after START's ACK, then one every 5 s.
    assert sum(hello.streaming for hello in _hellos(messages)) == 3
    assert statuses[-1].overruns == statuses[-1].faults == 0


def test_every_command_gets_its_reply() -> None:
    host = Host(load("garage"), restarts=False)
    host.until(0.2)
    hello, ack = host.ask(Command.HELLO)
    assert isinstance(hello, Hello)
    assert ack == Ack(1, Command.HELLO, AckCode.OK)
    assert host.ask(Command.SELF_TEST) == [SelfTestReply(2, (0, 0, 0))]
    started, told = host.ask(Command.START)
    assert started == Ack(3, Command.START, AckCode.OK)
    assert isinstance(told, Hello)
    assert told.streaming
    assert host.ask(Command.START)[0] == Ack(4, Command.START, AckCode.OK)
    assert host.ask(Command.SELF_TEST) == [Ack(5, Command.SELF_TEST, AckCode.BUSY)]
    host.until(1.0)
    status, ack = host.ask(Command.STATUS)
    assert isinstance(status, Status)
    (first,) = host.ask(Command.CLOCK)
    host.until(3.0)
    (second,) = host.ask(Command.CLOCK)
    assert isinstance(first, ClockReply)
    assert isinstance(second, ClockReply)
    assert (second.tick - first.tick) / 250000 == pytest.approx(2.0, abs=0.01)
    assert host.ask(Command.CUE, cue(Cue.TAKEN)) == [Ack(9, Command.CUE, AckCode.OK)]
    assert [c for _, c in host.pod.cues] == [Cue.TAKEN]
    assert host.ask(Command.CUE, b"\x63")[-1] == Ack(10, Command.CUE, AckCode.BAD_VALUE)
    assert host.ask(Command.CUE, b"")[-1] == Ack(11, Command.CUE, AckCode.BAD_LENGTH)
    assert host.ask(Command.STOP)[-1] == Ack(12, Command.STOP, AckCode.OK)
    assert not [m for m in host.until(4.5) if isinstance(m, SampleBatch)]


def test_unknown_commands_and_junk_are_answered_or_passed_over() -> None:
    from knuckle.wire.framing import encode_frame

    host = Host(load("garage"), restarts=False)
    host.until(0.2)
    host.pod.receive(b"\x00\x01\x02junk\x00" * 50)
    host.pod.receive(encode_frame(0x7E, b"\x09"))
    assert host.until(0.3) == [Ack(9, 0x7E, AckCode.UNKNOWN_COMMAND)]
    status, _ = host.ask(Command.STATUS)
    assert isinstance(status, Status)
    assert status.bad_frames == 50


def test_settings_carry_a_calibration_and_can_be_written() -> None:
    host = Host(load("garage"), restarts=False)
    host.until(0.2)

    def read() -> bytes:
        record = b""
        for offset in range(0, RECORD_LENGTH, 128):
            (piece,) = host.ask(Command.SETTINGS_READ, settings_read(offset, 128))
            assert isinstance(piece, SettingsData)
            assert piece.offset == offset
            record += piece.data
        return record

    record = SettingsRecord.from_bytes(read())
    assert record.calibration is not None
    assert record.calibration.turn_u_deg == pytest.approx(0.05)
    assert record.identity == _hellos(host.messages)[0].identity
    new = SettingsRecord(b"12345678", "shed", 115200, record.calibration).to_bytes()
    for offset in range(0, RECORD_LENGTH, 128):
        piece = settings_write(offset, new[offset : offset + 128])
        assert isinstance(host.ask(Command.SETTINGS_WRITE, piece)[-1], Ack)
    assert read() == new
    hello = host.ask(Command.HELLO)[0]
    assert isinstance(hello, Hello)
    assert (hello.name, hello.identity) == ("shed", b"12345678")
    broken = host.ask(Command.SETTINGS_WRITE, settings_write(RECORD_LENGTH - 1, b"\x55"))[-1]
    assert isinstance(broken, Ack)
    assert broken.code == AckCode.SETTINGS_FAULT
    past = host.ask(Command.SETTINGS_WRITE, settings_write(RECORD_LENGTH - 1, b"\x55\x55"))[-1]
    assert isinstance(past, Ack)
    assert past.code == AckCode.BAD_VALUE


def test_an_uncalibrated_pod_says_so() -> None:
    host = Host(load("uncalibrated"), restarts=False)
    host.until(0.2)
    record = b""
    for offset in (0, 128):
        (piece,) = host.ask(Command.SETTINGS_READ, settings_read(offset, 128))
        assert isinstance(piece, SettingsData)
        record += piece.data
    assert SettingsRecord.from_bytes(record).calibration is None


def test_set_rate_raises_the_averaging_to_what_the_line_carries() -> None:
    host = Host(load("garage"))
    host.until(2.0)
    hello, ack = host.ask(Command.SET_RATE, set_rate(250, 1))
    assert isinstance(hello, Hello)
    assert (hello.raw_period_ticks, hello.averaging, hello.least_averaging) == (250, 3, 3)
    assert isinstance(ack, Ack)
    host.until(6.0)
    batches = [m for m in host.messages if isinstance(m, SampleBatch)]
    assert batches[-1].averaging == 3
    late = [m for m in batches if m.averaging == 3]
    steps = np.diff([m.tick for m in late])
    assert set(steps) == {late[0].samples * 3 * 250}
    (fast,) = host.ask(Command.SET_RATE, set_rate(10, 1))
    assert isinstance(fast, Ack)
    assert fast.code == AckCode.BAD_VALUE


def test_averaged_sums_keep_their_sign_in_three_bytes() -> None:
    # A right wheel's pod upside down: sums of ten need three bytes and are negative.
    scenario = load("averaging", **{"mount.pitch_deg": 180.0})
    host = Host(scenario, 2)
    host.until(3.0)
    accel = host.block().accel_g[:100].mean(axis=0)
    assert accel[2] == pytest.approx(-1.0, abs=0.3)


def test_restart_starts_from_zero_with_its_cause() -> None:
    host = Host(load("restart"))
    host.until(100.0)
    causes = [hello.reset_cause for hello in _hellos(host.messages)]
    assert causes[0] is ResetCause.POWER_ON
    assert causes[-1] is ResetCause.WATCHDOG
    batches = [m for m in host.messages if isinstance(m, SampleBatch)]
    again = next(i for i in range(1, len(batches)) if batches[i].tick < batches[i - 1].tick)
    assert batches[again].tick < 250000
    assert batches[again].sequence == 0
    assert host.block().stretch.max() == 1


def test_ticks_wrap_without_a_seam() -> None:
    host = Host(load("tick_wrap"), 3)
    host.until(100.0)
    ticks = [m.tick for m in host.messages if isinstance(m, SampleBatch)]
    assert max(ticks) > 2**32 - 250000
    assert min(ticks) < 250000
    block = host.block()
    assert np.diff(block.t_s) == pytest.approx(0.01)
    assert block.stretch.max() == 0


def test_disconnect_loses_what_was_sent_and_power_cut_restarts() -> None:
    host = Host(load("disconnect"))
    host.until(100.0)
    assert host.block().lost_before.sum() == pytest.approx(300, abs=20)
    cut = Host(load("power_cut"))
    cut.until(10.5)
    assert not cut.pod.connected
    cut.send(Command.STOP)  # goes nowhere
    cut.until(100.0)
    assert cut.pod.connected
    assert [h.reset_cause for h in _hellos(cut.messages)].count(ResetCause.WATCHDOG) == 0
    assert cut.block().stretch.max() == 1


def test_a_bad_line_is_noticed_and_survived() -> None:
    host = Host(load("noisy_link", **{"faults.line.flipped_per_byte": 0.001}))
    host.until(100.0)
    assert host.decoder.counts.bad_crc + host.decoder.counts.bad_cobs > 5
    assert host.decoder.counts.frames > 100
    block = host.block()
    assert np.all(np.diff(block.t_s) > 0)


def test_faults_of_the_sensor_are_told() -> None:
    host = Host(load("clipped"))
    host.until(5.0)
    faults = [m for m in host.messages if isinstance(m, Fault)]
    assert [(f.code, f.channel, f.present) for f in faults] == [(FaultCode.SENSOR_RANGE, 0, True)]
    gap = Host(load("gaps"))
    gap.until(15.0)
    faults = [m for m in gap.messages if isinstance(m, Fault)]
    assert [(f.code, f.present) for f in faults] == [
        (FaultCode.OVERRUN, True),
        (FaultCode.OVERRUN, False),
    ]
    assert [m for m in gap.messages if isinstance(m, Status)][-1].overruns == 12


def test_a_pod_that_is_carried_has_no_fault() -> None:
    """It turns faster than its gyro reads, but for a moment only."""
    cut_off = 0
    for seed in range(6):
        host = Host(load("garage", purpose="camber_all", **{"sensor.gyro_range_dps": 125.0}), seed)
        host.until(30.0)
        gyro_dps = host.block().gyro_dps
        assert gyro_dps is not None
        cut_off += int(np.count_nonzero(np.abs(gyro_dps) > 124.9))
        assert [m for m in host.messages if isinstance(m, Fault)] == []
    assert cut_off > 20


def test_a_range_that_is_reached_for_a_second_is_a_fault_for_a_second_more() -> None:
    """The rule of docs/protocol.md, however the readings are cut."""
    at_end = np.repeat([False, True, False, True, False], [50, 90, 60, 120, 130])
    # Up 90, down 60, up to 100 after 70 more; gone with the first reading at 0, 100 later.
    expected = np.zeros(len(at_end), bool)
    expected[50 + 90 + 60 + 70 : 50 + 90 + 60 + 120 + 100] = True
    for size in (1, 7, 450):
        weight = RangeWeight()
        pieces = [at_end[i : i + size] for i in range(0, len(at_end), size)]
        stands = [weight.take(piece, 0.01) for piece in pieces]
        ends = [min(i + size, len(at_end)) - 1 for i in range(0, len(at_end), size)]
        assert stands == [bool(expected[end]) for end in ends]


@pytest.mark.parametrize("purpose", ["sweep", "camber_all"])
def test_the_person_moves_on_when_cued(purpose: str) -> None:
    host = Host(load("garage", purpose=purpose), 3)
    host.until(0.5)
    seen = 0
    while not host.pod.finished and host.pod.now_s < 90.0:
        host.until(host.pod.now_s + 0.05)
        rests = host.pod.truth().rests
        at_s = host.pod.script_s
        if len(rests) > seen and at_s > rests[seen].start_s + 1.5:
            host.send(Command.CUE, cue(Cue.TAKEN))
            seen += 1
    rests = host.pod.truth().rests
    assert seen == len(rests)
    for rest in rests:
        assert 1.5 + 0.45 <= rest.duration_s < 1.5 + 0.9 + 0.2


def test_the_person_waits_for_a_cue_once_one_was_heard_but_not_for_ever() -> None:
    host = Host(load("garage"), 3)
    host.until(2.0)
    host.send(Command.CUE, cue(Cue.TAKEN))
    host.until(30.0)
    second = host.pod.truth().rests[1]
    assert 11.0 < second.duration_s < 13.0  # patience_s = 12
    host.send(Command.CUE, cue(Cue.FINISHED))
    host.until(60.0)
    assert host.pod.finished
    assert host.pod.now_s < 33.0


def test_hold_still_keeps_the_person_and_deaf_people_do_not_care() -> None:
    host = Host(load("garage"), 3)
    host.until(2.0)
    host.send(Command.CUE, cue(Cue.HOLD_STILL))
    host.until(9.0)
    assert host.pod.truth().rests[0].end_s > 9.0
    deaf = Host(load("garage", **{"script.heeds_cues": False}), 3)
    deaf.until(2.0)
    deaf.send(Command.CUE, cue(Cue.TAKEN))
    deaf.until(100.0)
    plain = Host(load("garage"), 3)
    plain.until(100.0)
    assert deaf.pod.truth() == plain.pod.truth()


def test_a_drifting_hold_cut_short_by_a_cue_stays_smooth() -> None:
    host = Host(load("drifting"), 3)
    host.until(9.0)
    assert host.pod.truth().rests[-1].drift_dps != 0.0
    host.send(Command.CUE, cue(Cue.TAKEN))
    host.until(60.0)
    block = host.block()
    assert block.gyro_dps is not None
    assert np.abs(np.diff(block.gyro_dps, axis=0)).max() < 3.0


def test_watching_goes_on_for_ever() -> None:
    host = Host(load("garage", purpose="watch"), 3)
    host.until(120.0, step_s=0.5)
    assert not host.pod.finished
    assert len(host.pod.truth().rests) > 15


def test_the_person_with_the_pod_heeds_hold_still_and_finished() -> None:
    host = Host(load("garage", purpose="camber_all", faults="knocks"), 3)
    host.until(6.0)
    host.send(Command.CUE, cue(Cue.HOLD_STILL))
    host.until(14.0)
    assert len(host.pod.truth().rests) == 1
    assert host.pod.truth().rests[0].end_s > 14.0
    host.send(Command.CUE, cue(Cue.FINISHED))
    host.until(30.0)
    assert host.pod.finished
    assert host.pod.now_s < 17.0


def test_settings_that_do_not_fit_are_refused() -> None:
    host = Host(load("garage"), restarts=False)
    host.until(0.2)
    codes = []
    for command, payload in (
        (Command.SETTINGS_READ, b"\x00"),
        (Command.SETTINGS_READ, settings_read(RECORD_LENGTH - 1, 2)),
        (Command.SETTINGS_WRITE, b"\x00"),
        (Command.SET_RATE, b"\x00"),
    ):
        reply = host.ask(command, payload)[-1]
        assert isinstance(reply, Ack)
        codes.append(reply.code)
    assert codes == [AckCode.BAD_LENGTH, AckCode.BAD_VALUE, AckCode.BAD_LENGTH, AckCode.BAD_LENGTH]
