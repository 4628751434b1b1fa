"""Payloads of commands, built by the host and taken apart by the pod."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from knuckle.wire import codec, commands
from knuckle.wire.messages import Command, Cue

u16, u32 = st.integers(0, 2**16 - 1), st.integers(0, 2**32 - 1)


@given(u32, u16)
def test_set_rate(period, averaging):
    assert commands.parse_set_rate(codec.set_rate(period, averaging)) == (period, averaging)


@given(u16, st.integers(1, 128))
def test_settings_read(offset, length):
    assert commands.parse_settings_read(codec.settings_read(offset, length)) == (offset, length)


@given(u16, st.binary(min_size=1, max_size=128))
def test_settings_write(offset, data):
    assert commands.parse_settings_write(codec.settings_write(offset, data)) == (offset, data)


@pytest.mark.parametrize("pattern", list(Cue))
def test_cue(pattern):
    assert commands.parse_cue(codec.cue(pattern)) is pattern


def test_pieces_of_settings_are_limited():
    for length in (0, 129):
        with pytest.raises(ValueError):
            codec.settings_read(0, length)
        with pytest.raises(ValueError):
            codec.settings_write(0, bytes(length))


@given(st.binary(max_size=140))
def test_any_payload_is_taken_apart_or_refused(payload):
    rate = commands.parse_set_rate(payload)
    assert (rate is None) == (len(payload) != 6)
    read = commands.parse_settings_read(payload)
    assert (read is None) == (len(payload) != 3)
    write = commands.parse_settings_write(payload)
    assert (write is None) == (not 3 <= len(payload) <= 130)
    cue = commands.parse_cue(payload)
    assert (cue is None) == (len(payload) != 1 or payload[0] > 8)


def test_counts_of_the_pods_side():
    decoder = commands.CommandDecoder()
    good = codec.encode_command(Command.START, 7)
    decoder.receive_data(good + good[:3] + b"\0" + b"\x91" * 600 + b"\0" + good)
    decoder.receive_data(commands.encode_frame(Command.START, b""))
    found = [decoder.next_event(), decoder.next_event(), decoder.next_event()]
    assert found == [(0x42, 7, b""), (0x42, 7, b""), None]
    counts = decoder.counts
    assert (counts.frames, counts.bad_frames, counts.malformed) == (2, 2, 1)
