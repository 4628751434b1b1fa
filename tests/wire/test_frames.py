"""Every message both ways, fed whole, byte by byte, in random pieces and with bytes after it."""

from __future__ import annotations

import random
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from knuckle.wire.codec import encode_command, encode_message
from knuckle.wire.commands import CommandDecoder
from knuckle.wire.decoder import DecodeCounts, PodDecoder
from knuckle.wire.framing import encode_frame
from knuckle.wire.messages import (
    Ack,
    Button,
    Channel,
    ChannelKind,
    ClockReply,
    Fault,
    FrameType,
    Hello,
    ResetCause,
    SampleBatch,
    SelfTestReply,
    Sensor,
    SettingsData,
    Status,
    TextSample,
    Unknown,
)
from vectors.wire_vectors import HOST_FRAMES, POD_FRAMES, VECTORS, message_of, name_of


def cut(data: bytes, rng: random.Random) -> list[bytes]:
    pieces = []
    while data:
        size = rng.choice((1, 2, 3, 7, 20, 64, 251, 300))
        pieces.append(data[:size])
        data = data[size:]
    return pieces


def decoded(pieces: list[bytes]) -> tuple[list, DecodeCounts]:
    decoder = PodDecoder()
    found = []
    for piece in pieces:
        decoder.receive_data(piece)
        while (message := decoder.next_event()) is not None:
            found.append(message)
    return found, decoder.counts


def every_way(data: bytes) -> list[tuple[list, DecodeCounts]]:
    rng = random.Random(len(data))
    ways = [[data], [data[i : i + 1] for i in range(len(data))]]
    ways += [cut(data, rng) for _ in range(5)]
    return [decoded(pieces) for pieces in ways]


@pytest.mark.parametrize("vector", POD_FRAMES, ids=name_of)
def test_pod_vectors_decode_however_they_are_cut(vector):
    frame = bytes.fromhex(vector["frame"])
    for found, counts in every_way(frame):
        assert found == [message_of(vector)]
        assert counts == DecodeCounts(frames=1, unknown=vector["message"] == "Unknown")
    for found, _ in every_way(frame + frame[1:] + b"\0\0\x07partial"):
        assert found == [message_of(vector)] * 2


NEWER = "hello of a newer protocol"


@pytest.mark.parametrize(
    "vector", [vector for vector in POD_FRAMES if vector["name"] != NEWER], ids=name_of
)
def test_pod_vectors_encode(vector):
    assert encode_message(message_of(vector)) == bytes.fromhex(vector["frame"])


@pytest.mark.parametrize("vector", HOST_FRAMES, ids=name_of)
def test_host_vectors_both_ways(vector):
    frame, command = bytes.fromhex(vector["frame"]), message_of(vector)
    assert encode_command(command.command, command.token, command.payload) == frame
    for pieces in ([frame], [frame[i : i + 1] for i in range(len(frame))]):
        decoder = CommandDecoder()
        for piece in pieces:
            decoder.receive_data(piece)
        assert decoder.next_event() == command
        assert decoder.next_event() is None


@pytest.mark.parametrize("vector", VECTORS["frames"], ids=name_of)
def test_vector_bytes_follow_from_type_and_payload(vector):
    made = encode_frame(vector["type"], bytes.fromhex(vector["payload"]))
    assert made == bytes.fromhex(vector["frame"])


@pytest.mark.parametrize("vector", VECTORS["not_frames"], ids=name_of)
def test_what_is_no_frame_is_counted(vector):
    data = bytes.fromhex(vector["bytes"])
    for found, counts in every_way(b"\0" + data):
        assert found == []
        wanted = DecodeCounts(**vector["counts"], discarded_bytes=counts.discarded_bytes)
        assert counts == wanted


u8, u16, u32 = st.integers(0, 255), st.integers(0, 2**16 - 1), st.integers(0, 2**32 - 1)
some = st.integers(1, 2**16 - 1)
f32 = st.floats(width=32, allow_nan=False, allow_infinity=False)
names = st.text(max_size=8).filter(lambda name: len(name.encode("utf-8", "replace")) <= 24)
names = names.filter(lambda name: name.encode("utf-8", "ignore").decode() == name)
channels = st.builds(
    Channel,
    kind=st.sampled_from(ChannelKind),
    sensor=st.sampled_from(Sensor),
    axes=st.integers(1, 3),
    bits=st.integers(2, 20),
    scale=f32,
    offset=f32,
    full_scale=f32,
    noise_density=f32,
)
hellos = st.builds(
    Hello,
    protocol=st.just(1),
    hardware=names,
    firmware=st.tuples(u8, u8, u8),
    identity=st.binary(min_size=8, max_size=8),
    name=names,
    reset_cause=st.sampled_from(ResetCause),
    streaming=st.booleans(),
    tick_hz=st.integers(1, 2**32 - 1),
    raw_period_ticks=st.integers(1, 2**32 - 1),
    averaging=st.integers(1, 4096),
    least_averaging=some,
    channels=st.lists(channels, max_size=8).map(tuple),
)


@st.composite
def batches(draw):
    samples = draw(st.integers(1, 17))
    size = draw(st.integers(1, 237 // samples))
    payload = draw(st.binary(min_size=samples * size, max_size=samples * size))
    mask = draw(st.none() | st.integers(1, 255))
    return SampleBatch(draw(u16), draw(u32), draw(some), samples, payload, mask)


pod_messages = st.one_of(
    hellos,
    batches(),
    st.builds(Status, u32, u32, u32, u32, u32, u32),
    st.builds(Fault, u32, u8, u8, st.booleans()),
    st.builds(Ack, u8, u8, u8),
    st.builds(SettingsData, u8, u16, st.binary(max_size=244)),
    st.builds(ClockReply, u8, u32),
    st.builds(SelfTestReply, u8, st.lists(u8, max_size=8).map(tuple)),
    st.builds(Button, u32, st.booleans()),
    st.builds(Unknown, st.integers(0x0B, 0x3F), st.binary(max_size=247)),
)


@given(st.lists(pod_messages, max_size=8), st.randoms(use_true_random=False))
def test_any_messages_survive_the_wire_in_any_pieces(messages, rng):
    data = b"".join(map(encode_message, messages))
    found, counts = decoded(cut(data, rng))
    assert found == messages
    assert counts.frames == len(messages)
    assert counts.discarded_bytes == 0


@given(st.sampled_from([f for f in FrameType if f not in (2, 6, 10)]), st.binary(max_size=60))
def test_bytes_that_a_later_version_appends_are_passed_over(frame_type, more):
    vector = next(v for v in POD_FRAMES if v["type"] == frame_type and v["name"] != NEWER)
    payload = bytes.fromhex(vector["payload"]) + more
    found, _ = decoded([encode_frame(frame_type, payload)])
    assert found == [message_of(vector)]


def test_a_longer_channel_row_of_a_later_version_is_passed_over():
    vector = POD_FRAMES[1]
    payload = bytes.fromhex(vector["payload"])
    # One channel: its row ends the payload; the row's length stands just before it.
    longer = payload[:-21] + bytes([24]) + payload[-20:] + b"\1\2\3\4"
    found, _ = decoded([encode_frame(FrameType.HELLO, longer)])
    assert found == [message_of(vector)]


def test_longer_rows_of_several_channels():
    vector = POD_FRAMES[0]
    payload = bytes.fromhex(vector["payload"])
    head, rows = payload[:-61], [payload[i - 20 : i or None] for i in (-40, -20, 0)]
    longer = head + bytes([23]) + b"".join(row + b"\xff\xff\xff" for row in rows)
    found, _ = decoded([encode_frame(FrameType.HELLO, longer)])
    assert found == [message_of(vector)]


def test_nine_whole_channels_are_too_many():
    payload = bytes.fromhex(POD_FRAMES[1]["payload"])
    head, row = payload[:-22], payload[-20:]
    for count, malformed in ((8, 0), (9, 1)):
        frame = encode_frame(FrameType.HELLO, head + bytes([count, 20]) + row * count)
        assert decoded([frame])[1].malformed == malformed


@pytest.mark.parametrize("vector", [v for v in POD_FRAMES if v["type"] < 0x0B], ids=name_of)
def test_a_payload_cut_short_is_malformed_or_shorter_never_an_error(vector):
    payload = bytes.fromhex(vector["payload"])
    for length in range(len(payload)):
        found, counts = decoded([encode_frame(vector["type"], payload[:length])])
        assert counts.frames == 1
        assert counts.malformed == (not found)
        # Only variable tails and the newer protocol's fixed part may still be read.
        if found:
            tail = (FrameType.SAMPLES, FrameType.SAMPLES_PARTIAL, FrameType.SETTINGS_DATA)
            assert vector["type"] in tail or (vector["name"] == NEWER and length >= 14)


@pytest.mark.parametrize(
    ("offset", "patch"),
    [
        (14, b"\0\0\0\0"),  # no tick rate
        (18, b"\0\0\0\0"),  # no period
        (22, b"\0\0"),  # no averaging
        (24, b"\0\0"),  # no least averaging
        (29, b"\x09"),  # nine channels
        (29, b"\x01\x13"),  # row of 19 bytes
        (31 + 2, b"\0"),  # no axes
        (31 + 2, b"\x04"),  # four axes
        (31 + 3, b"\x01"),  # one bit
        (31 + 3, b"\x21"),  # 33 bits
        (31 + 4, struct.pack("<f", float("nan"))),  # scale
        (31 + 8, struct.pack("<f", float("inf"))),  # offset
    ],
)
def test_a_hello_that_contradicts_itself_is_malformed(offset, patch):
    payload = bytearray.fromhex(POD_FRAMES[1]["payload"])
    at = offset - (1 if offset >= 29 else 0)  # both texts are empty in this hello
    payload[at : at + len(patch)] = patch
    found, counts = decoded([encode_frame(FrameType.HELLO, bytes(payload))])
    assert found == []
    assert counts.malformed == 1


def test_a_hello_whose_sums_need_more_than_32_bits_is_malformed():
    hello = message_of(POD_FRAMES[0])
    wide = hello.channels[0].__class__(
        ChannelKind.LINEAR, Sensor.UNKNOWN, 1, 32, 1.0, 0.0, 1.0, 0.0
    )
    frame = encode_message(hello._replace(averaging=2, channels=(wide,)))
    assert decoded([frame])[1].malformed == 1
    assert decoded([encode_message(hello._replace(averaging=1, channels=(wide,)))])[0]


@pytest.mark.parametrize(
    "message",
    [
        Ack(256, 0, 0),
        SampleBatch(0, 2**32, 1, 1, b"ab"),
        SampleBatch(0, 0, 1, 1, bytes(239)),
        SettingsData(0, 0, bytes(245)),
        SelfTestReply(0, (256,)),
        message_of(POD_FRAMES[0])._replace(name="n" * 25),
        message_of(POD_FRAMES[0])._replace(identity=b"short"),
        message_of(POD_FRAMES[0])._replace(channels=message_of(POD_FRAMES[0]).channels * 3),
    ],
)
def test_what_does_not_fit_is_refused_by_the_encoder(message):
    with pytest.raises(ValueError):
        encode_message(message)


def test_text_lines_are_no_frames():
    with pytest.raises(TypeError):
        encode_message(TextSample((0.0,)))
