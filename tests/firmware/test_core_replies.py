"""What a pod answers and how often: the rate of replies, errors, what is thrown away."""

from __future__ import annotations

import itertools
import random

import pytest

from firmware.core_library import Board, of_type
from knuckle.wire import commands
from knuckle.wire.commands import encode_command
from knuckle.wire.framing import encode_frame
from knuckle.wire.messages import (
    Ack,
    AckCode,
    ClockReply,
    Command,
    Hello,
    Message,
    SampleBatch,
    SettingsData,
    Status,
)
from knuckle.wire.settings import SettingsRecord

CLOCK_BYTES = 11
"""Of a CLOCK_REPLY on the line: two delimiters, stuffing, type, five bytes, CRC."""
ALLOWANCE = 150


def rate_of_replies(baud: int) -> float:
    """Bytes a second: docs/protocol.md, "Rate of replies"."""
    return 60 + baud / 160


def kept_with_baud(baud: int) -> bytes:
    """Return a kept memory whose record sets this line."""
    with Board() as board:
        board.start()
        board.run(1.0)
        record = SettingsRecord(identity=bytes(range(1, 9)), name="n" * 24, baud=baud).to_bytes()
        for offset in (0, 128):
            piece = commands.settings_write(offset, record[offset : offset + 128])
            answer = board.ask(Command.SETTINGS_WRITE, piece, within=1.5)
            assert [ack.code for ack in of_type(answer, Ack)] == [AckCode.OK]
        return board.kept


@pytest.fixture(scope="module")
def slow() -> bytes:
    return kept_with_baud(9600)


def streaming(board: Board) -> None:
    board.start()
    board.run(1.2)
    assert any(hello.streaming for hello in of_type(board.ask(Command.START), Hello))
    board.run(2.0)


def assert_nothing_lost(messages: list[Message], period: int) -> None:
    batches = of_type(messages, SampleBatch)
    assert len(batches) > 20
    for before, after in itertools.pairwise(batches):
        assert (after.sequence - before.sequence) % 2**16 == 1
        expected = before.tick + before.samples * before.averaging * period
        assert (after.tick - expected) % 2**32 == 0
    assert all(status.dropped == 0 for status in of_type(messages, Status))


@pytest.mark.parametrize("baud", [9600, 115200])
def test_a_flood_of_commands_takes_nothing_from_the_samples(baud: int, slow: bytes) -> None:
    seconds = 30
    with Board(kept=slow if baud == 9600 else None) as board:
        streaming(board)
        bad_before = of_type(board.ask(Command.STATUS, within=1.0), Status)[0].bad_frames
        board.run(3.0)  # the allowance is whole again
        asked = 0
        messages: list[Message] = []
        for _ in range(seconds * 50):
            # More than the line carries: sim_send() takes what has room.
            data = b"".join(encode_command(Command.CLOCK, i) for i in range(8))
            asked += board.send(data) // (len(data) // 8)
            messages += board.run(0.02)
        answered = of_type(messages, ClockReply)
        limit = ALLOWANCE + rate_of_replies(baud) * seconds + CLOCK_BYTES
        assert len(answered) * CLOCK_BYTES <= limit
        assert len(answered) * CLOCK_BYTES >= 0.9 * rate_of_replies(baud) * seconds
        messages += board.run(5.0)
        assert_nothing_lost(messages, 1250)
        assert len(of_type(messages, Hello)) >= seconds // 5
        assert len(of_type(messages, Status)) >= seconds - 1
        last = of_type(board.ask(Command.STATUS, within=2.5), Status)[-1]
        assert last.bad_frames - bad_before >= 0.9 * (asked - len(answered)) * 0.5
        assert board.get("OVERFILLED") == 0


def test_every_frame_of_a_reply_is_taken_off(slow: bytes) -> None:
    """STATUS and its ACK are 39 bytes: so many fit into a minute of 120 bytes a second."""
    with Board(kept=slow) as board:
        streaming(board)
        board.run(3.0)
        acks: list[Ack] = []
        seconds = 60
        for _ in range(seconds * 20):
            board.send(encode_command(Command.STATUS, 9))
            acks += of_type(board.run(0.05), Ack)
        most = ALLOWANCE + rate_of_replies(9600) * seconds + 39
        assert 0.9 * most <= 39 * len(acks) <= most


def test_what_finds_no_place_is_counted() -> None:
    """One command waits, the others are thrown away: each is counted as unreadable."""
    with Board() as board:
        streaming(board)
        before = of_type(board.ask(Command.STATUS, within=1.0), Status)[0].bad_frames
        board.run(2.0)
        many = 120
        tokens = [i % 250 + 1 for i in range(many)]
        for token in tokens:
            board.send(encode_command(Command.CLOCK, token))
            board.run_ns(1_000_000)
        messages = board.messages() + board.run(3.0)
        answered = [reply.token for reply in of_type(messages, ClockReply)]
        assert answered == sorted(answered)
        assert ALLOWANCE // CLOCK_BYTES <= len(answered) < many
        after = of_type(board.ask(Command.STATUS, within=1.0), Status)[0].bad_frames
        assert after - before == many - len(answered)


def test_a_clock_reply_tells_when_its_command_came(slow: bytes) -> None:
    with Board(kept=slow) as board:
        streaming(board)
        board.run(3.0)
        # Uses the allowance up: a settings piece is 140 bytes.
        for _ in range(2):
            board.ask(Command.SETTINGS_READ, commands.settings_read(0, 128), within=0.3)
        sent = board.tick
        late = of_type(board.ask(Command.CLOCK, within=3.0), ClockReply)
        assert len(late) == 1
        line_ticks = 7 * 10 / 9600 * board.tick_hz  # delimiters, stuffing, type, token, CRC
        assert -2 <= late[0].tick - (sent + line_ticks) <= 0.006 * board.tick_hz


@pytest.mark.parametrize("baud", [9600, 115200])
def test_a_sane_host_never_notices(baud: int, slow: bytes) -> None:
    with Board(kept=slow if baud == 9600 else None) as board:
        streaming(board)
        for _ in range(60):
            answer = board.ask(Command.CUE, b"\x02", within=0.35)
            assert [(ack.token, ack.code) for ack in of_type(answer, Ack)] == [(board.token, 0)]


def test_a_pod_that_does_not_stream_answers_at_once() -> None:
    with Board() as board:
        board.start()
        board.run(1.2)
        replies = 0
        for i in range(400):
            board.send(encode_command(Command.CLOCK, i % 256))
            replies += len(of_type(board.run(0.004), ClockReply))
        replies += len(of_type(board.run(0.1), ClockReply))
        assert replies == 400


def test_stop_gets_through_a_flood() -> None:
    with Board() as board:
        streaming(board)
        rng = random.Random(1)
        acks: list[Ack] = []
        for _ in range(200):
            flood = [encode_command(Command.STATUS, 1)] * 3 + [encode_command(Command.STOP, 77)]
            rng.shuffle(flood)
            board.send(b"".join(flood))
            acks += of_type(board.run(0.02), Ack)
        assert Ack(77, Command.STOP, AckCode.OK) in acks
        board.run(1.0)
        assert of_type(board.run(1.0), SampleBatch) == []


@pytest.mark.parametrize(
    ("command", "payload", "code"),
    [
        (0x4B, b"", AckCode.UNKNOWN_COMMAND),
        (0x7F, b"123", AckCode.UNKNOWN_COMMAND),
        (Command.HELLO, b"x", AckCode.BAD_LENGTH),
        (Command.START, b"x", AckCode.BAD_LENGTH),
        (Command.SET_RATE, bytes(5), AckCode.BAD_LENGTH),
        (Command.SET_RATE, bytes(7), AckCode.BAD_LENGTH),
        (Command.SETTINGS_READ, bytes(2), AckCode.BAD_LENGTH),
        (Command.SETTINGS_WRITE, bytes(2), AckCode.BAD_LENGTH),
        (Command.CUE, b"", AckCode.BAD_LENGTH),
        (Command.CUE, bytes(2), AckCode.BAD_LENGTH),
        (Command.STATUS, b"x", AckCode.BAD_LENGTH),
        (Command.SETTINGS_READ, b"\0\0\0", AckCode.BAD_VALUE),
        (Command.SETTINGS_READ, b"\0\0\x81", AckCode.BAD_VALUE),
        (Command.SETTINGS_READ, b"\xff\0\x02", AckCode.BAD_VALUE),
        (Command.SETTINGS_READ, b"\xff\xff\x01", AckCode.BAD_VALUE),
        (Command.SETTINGS_WRITE, b"\0\x01x", AckCode.BAD_VALUE),
        (Command.SETTINGS_WRITE, b"\xff\0xy", AckCode.BAD_VALUE),
        (Command.SET_RATE, commands.set_rate(799, 1), AckCode.BAD_VALUE),
        (Command.SET_RATE, commands.set_rate(25_001, 1), AckCode.BAD_VALUE),
        (Command.SET_RATE, commands.set_rate(2**32 - 1, 1), AckCode.BAD_VALUE),
        (Command.SET_RATE, commands.set_rate(0, 4097), AckCode.BAD_VALUE),
    ],
)
def test_commands_that_cannot_be_carried_out(command: int, payload: bytes, code: AckCode) -> None:
    with Board() as board:
        board.start()
        board.run(1.2)
        board.send(encode_frame(command, bytes([33]) + payload))
        assert of_type(board.run(0.3), Ack) == [Ack(33, command, code)]


def test_frames_that_are_no_commands_are_counted_and_not_answered() -> None:
    with Board() as board:
        board.start()
        board.run(1.2)
        before = of_type(board.ask(Command.STATUS), Status)[0].bad_frames
        own = encode_frame(0x05, b"\x07\x42\x00")  # an ack, as an echo would bring it back
        no_token = encode_frame(Command.HELLO, b"")
        wrong = bytearray(encode_command(Command.HELLO, 1))
        wrong[3] ^= 2
        for data in (own, no_token, bytes(wrong), b"\0" + b"x" * 200 + b"\0"):
            board.send(data)
            assert of_type(board.run(0.2), Ack) == []
        after = of_type(board.ask(Command.STATUS), Status)[0].bad_frames
        assert after - before == 4


def test_a_command_during_a_long_one_is_not_mixed_up_with_it() -> None:
    """A frame that begins while a piece is written and ends behind it is thrown away whole."""
    with Board() as board:
        board.start()
        board.run(1.2)
        # 40 new bytes at 3.4 ms each: about 140 ms.
        board.send(encode_command(Command.SETTINGS_WRITE, 5, commands.settings_write(0, bytes(40))))
        messages = board.run(0.05)
        for _ in range(30):
            board.send(encode_command(Command.SETTINGS_READ, 6, commands.settings_read(0, 40)))
            messages += board.run(0.004)
        messages += board.run(1.0)
        assert [ack.token for ack in of_type(messages, Ack)] == [5]
        assert all(data.token == 6 for data in of_type(messages, SettingsData))
        answer = board.ask(Command.SETTINGS_READ, commands.settings_read(0, 40))
        assert len(of_type(answer, SettingsData)) == 1
