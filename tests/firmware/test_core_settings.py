"""The record that outlives the power: repeated pieces, wrong ones, many writes."""

from __future__ import annotations

import itertools
import random

import pytest

from firmware.core_library import Board, of_type
from firmware.test_library_pod import ack_of, filled, read_settings, record_named, write_settings
from knuckle.wire import commands
from knuckle.wire.crc import crc16
from knuckle.wire.messages import AckCode, Command, Hello, Message, SampleBatch, Status

SLOT = 260
MARK = 259


def settled(kept: bytes | None = None) -> Board:
    board = Board(kept=kept)
    board.start()
    board.run(1.2)
    return board


def write(board: Board, offset: int, piece: bytes) -> AckCode:
    payload = commands.settings_write(offset, piece)
    return ack_of(board, board.ask(Command.SETTINGS_WRITE, payload, within=1.5))


def resealed(record: bytes) -> bytes:
    return record[:254] + crc16(record[:254]).to_bytes(2, "big")


def test_every_piece_may_come_twice() -> None:
    record = filled(record_named("twice"), 0x5A)
    with settled() as board:
        write_settings(board, record_named("before"))
        for offset in range(0, 256, 64):
            piece = record[offset : offset + 64]
            assert write(board, offset, piece) == AckCode.OK
            assert write(board, offset, piece) == AckCode.OK
        assert read_settings(board) == record


@pytest.mark.parametrize("piece", [1, 7, 64, 100, 128])
def test_pieces_of_any_size(piece: int) -> None:
    record = filled(record_named("any"), 0xC3)
    with settled() as board:
        assert write_settings(board, record, piece) == AckCode.OK
        assert read_settings(board) == record


def test_the_end_of_a_record_without_its_beginning_changes_nothing() -> None:
    with settled() as board:
        good = record_named("good")
        write_settings(board, good)
        other = filled(record_named("other"), 0x11)
        assert write(board, 128, other[128:]) == AckCode.SETTINGS_FAULT
        assert read_settings(board) == good


def test_a_record_in_writing_is_not_read_back_before_it_is_whole() -> None:
    with settled() as board:
        good = record_named("good")
        write_settings(board, good)
        assert write(board, 0, filled(record_named("other"), 0x11)[:128]) == AckCode.OK
        assert read_settings(board) == good


def spoilt(record: bytes, at: int) -> bytes:
    return record[:at] + bytes([record[at] ^ 0x04]) + record[at + 1 :]


@pytest.mark.parametrize(
    "bad",
    [
        spoilt(record_named("x"), 255),
        spoilt(record_named("x"), 100),
        resealed(spoilt(record_named("x"), 0)),
        resealed(spoilt(record_named("x"), 2)),
        resealed(spoilt(record_named("x"), 4)),
        record_named("x", baud=300),
        record_named("x", baud=230400),
    ],
    ids=["crc", "body", "magic", "version", "length", "slow", "fast"],
)
def test_a_record_that_does_not_check_is_refused(bad: bytes) -> None:
    with settled() as board:
        good = record_named("good")
        write_settings(board, good)
        assert write_settings(board, bad) == AckCode.SETTINGS_FAULT
        assert read_settings(board) == good
        board.stop()
        board.start()
        assert of_type(board.run(1.2), Hello)[0].name == "good"


def test_generations_wrap() -> None:
    """Two slots by turns, more often than the generation counts: the newest is found each time."""
    with settled() as board:
        for i in range(300):
            assert write_settings(board, record_named(f"n{i}"), 128) == AckCode.OK
            if i % 23 == 0 or i > 250:
                board.stop()
                board.start()
                assert of_type(board.run(1.2), Hello)[0].name == f"n{i}"


def test_a_record_as_it_stands_costs_few_writes() -> None:
    """What wears the memory out: 256 bytes that differ are written, equal ones are not."""
    with settled() as board:
        record = filled(record_named("wear"), 0x77)
        for _ in range(2):
            write_settings(board, record)
        before = board.get("KEEP_WRITES")
        write_settings(board, record)
        # The mark away and back, a new generation with its check.
        assert board.get("KEEP_WRITES") - before <= 5


@pytest.mark.parametrize("slot", [0, 1])
def test_a_damaged_slot_gives_way_to_the_other(slot: int) -> None:
    with settled() as board:
        write_settings(board, record_named("one"))
        write_settings(board, record_named("two"))
        kept = board.kept
    rng = random.Random(slot)
    for _ in range(40):
        at = slot * SLOT + rng.randrange(SLOT)
        damaged = bytearray(kept)
        damaged[at] ^= 1 << rng.randrange(8)
        with Board(kept=bytes(damaged)) as board:
            board.start()
            hello = of_type(board.run(1.2), Hello)[0]
            assert hello.name == ("two" if slot == 0 else "one")


def test_both_slots_damaged_is_blank_and_can_be_written_again() -> None:
    with settled() as board:
        write_settings(board, record_named("one"))
        write_settings(board, record_named("two"))
        kept = bytearray(board.kept)
    kept[MARK] ^= 1
    kept[SLOT + 20] ^= 1
    with settled(bytes(kept)) as board:
        hello = of_type(board.ask(Command.HELLO), Hello)[0]
        assert (hello.name, hello.identity) == ("", bytes(8))
        assert write_settings(board, record_named("three")) == AckCode.OK
        assert of_type(board.ask(Command.HELLO), Hello)[0].name == "three"


def test_sampling_goes_on_while_a_record_is_written() -> None:
    with settled() as board:
        board.ask(Command.START, within=1.0)
        messages: list[Message] = []
        record = filled(record_named("live"), 0x3C)
        for offset in (0, 128):
            payload = commands.settings_write(offset, record[offset : offset + 128])
            messages += board.ask(Command.SETTINGS_WRITE, payload, within=1.2)
        batches = of_type(messages, SampleBatch)
        for before, after in itertools.pairwise(batches):
            assert after.tick - before.tick == before.samples * 1250
        assert all(s.overruns == 0 for s in of_type(messages, Status))
