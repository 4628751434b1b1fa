"""Parts of the core, called one by one: C against Python, the vectors and other libraries."""

from __future__ import annotations

import random
from typing import Any

import pytest
from cobs import cobs
from crccheck.crc import Crc16Ibm3740
from hypothesis import given, settings
from hypothesis import strategies as st

from firmware.core_library import HEADERS, core, declarations
from knuckle.wire.budget import least_averaging
from knuckle.wire.commands import CommandDecoder
from knuckle.wire.framing import decode_frame, encode_frame
from knuckle.wire.messages import Channel, ChannelKind, Sensor, sample_width
from vectors.wire_vectors import HOST_FRAMES, POD_FRAMES, name_of

LONGEST_BODY = 134


def written(frame_type: int, payload: bytes, room: int = 300) -> bytes:
    ffi, lib = core()
    into = ffi.new("uint8_t[]", max(room, 1))
    return bytes(
        ffi.buffer(into, lib.part_write_frame(frame_type, payload, len(payload), into, room))
    )


class Receiver:
    def __init__(self) -> None:
        self.ffi, self.lib = core()
        self._one = self.ffi.gc(self.lib.part_receiver_new(), self.lib.part_receiver_free)
        self._into = self.ffi.new("uint8_t[]", LONGEST_BODY)
        self.damaged = 0

    def take(self, data: bytes) -> list[bytes]:
        bodies = []
        for byte in data:
            length = self.lib.part_receiver_take(self._one, byte, self._into)
            if length > 0:
                bodies.append(bytes(self.ffi.buffer(self._into, length)))
            self.damaged += length < 0
        return bodies


def test_python_and_the_compiler_read_the_same_declarations() -> None:
    """The library is compiled with the headers that Python reads: so a change reaches both."""
    rules = (HEADERS[0].parents[2] / "library" / "rules.mk").read_text(encoding="utf-8")
    assert "-Iports/simulated" in rules and "-Ilibrary" in rules
    for header in HEADERS:
        source = "".join(path.read_text(encoding="utf-8") for path in header.parent.glob("*.[ch]"))
        assert f'#include "{header.name}"' in source
        text = declarations(header)
        assert "#" not in text
        functions = text.count(");")
        assert functions >= 6
        _, lib = core()
        names = [
            line.split("(")[0].split()[-1].lstrip("*")
            for line in text.splitlines()
            if "(" in line and line[:1].isalpha()
        ]
        assert len(names) == functions
        for name in names:
            assert getattr(lib, name) is not None


# Catalogue of parametrised CRCs: the check value; the others from crccheck and by hand.
@pytest.mark.parametrize(
    ("data", "crc"),
    [(b"123456789", 0x29B1), (b"", 0xFFFF), (b"\0", 0xE1F0), (b"\xff", 0xFF00), (b"A", 0xB915)],
)
def test_crc_of_the_catalogue(data: bytes, crc: int) -> None:
    _, lib = core()
    assert lib.part_crc(data, len(data)) == crc


@given(st.binary(max_size=300))
def test_crc_against_a_library(data: bytes) -> None:
    _, lib = core()
    assert lib.part_crc(data, len(data)) == Crc16Ibm3740.calc(data)


# Cheshire & Baker 1999, figure 3 and the cases of the paper's text; `cobs` is the reference.
@given(st.integers(1, 63), st.binary(max_size=247))
def test_frames_against_the_cobs_package(frame_type: int, payload: bytes) -> None:
    body = bytes([frame_type]) + payload
    body += Crc16Ibm3740.calc(body).to_bytes(2, "big")
    assert written(frame_type, payload) == b"\0" + cobs.encode(body) + b"\0"


@given(st.integers(1, 63), st.binary(max_size=247), st.integers(0, 12))
def test_frames_against_the_host(frame_type: int, payload: bytes, density: int) -> None:
    """Payloads with many zeros, too: both encode alike and the host decodes what C wrote."""
    payload = bytes(0 if byte % 12 < density else byte for byte in payload)
    frame = written(frame_type, payload)
    assert frame == encode_frame(frame_type, payload)
    assert decode_frame(frame[1:-1]) == bytes([frame_type]) + payload


def test_a_frame_that_does_not_fit_is_not_begun() -> None:
    payload = bytes(range(50))
    whole = len(payload) + 6
    for room in range(whole):
        assert written(2, payload, room) == b""
    assert len(written(2, payload, whole)) == whole
    assert written(2, bytes(248)) == b""


@pytest.mark.parametrize("vector", POD_FRAMES, ids=name_of)
def test_vectors_written_by_c(vector: dict[str, Any]) -> None:
    frame = bytes.fromhex(vector["frame"])
    body = cobs.decode(frame[1:-1])
    assert written(body[0], body[1:-2]) == frame


@pytest.mark.parametrize("vector", HOST_FRAMES, ids=name_of)
@pytest.mark.parametrize(
    "before", [b"", b"\0", b"\0\0\0", b"noise\0", b"\x05\x41\x01\0", b"x" * 999]
)
def test_vectors_read_by_c(vector: dict[str, Any], before: bytes) -> None:
    frame = bytes.fromhex(vector["frame"])
    receiver = Receiver()
    assert receiver.take(before + frame)[-1:] == [cobs.decode(frame[1:-1])[:-2]]


def noisy_stream(seed: int) -> bytes:
    """Good frames between damaged ones, cut ones, too long ones and rubbish."""
    rng = random.Random(seed)
    pieces = []
    for _ in range(40):
        payload = rng.randbytes(rng.choice([0, 1, 2, 5, 20, 131, 132, 200]))
        frame = bytearray(encode_frame(rng.randrange(0x41, 0x80), payload))
        fate = rng.randrange(6)
        if fate == 0:
            frame[rng.randrange(len(frame))] ^= 1 << rng.randrange(8)
        elif fate == 1:
            del frame[rng.randrange(len(frame))]
        elif fate == 2:
            frame = bytearray(rng.randbytes(rng.randrange(1, 300)))
        pieces.append(bytes(frame))
    return b"".join(pieces)


@pytest.mark.parametrize("seed", range(60))
def test_the_decoders_of_both_sides_agree(seed: int) -> None:
    """C takes exactly the commands that the host's own pod-side decoder takes.

    That one takes bodies of any length; the pod's are at most 134 bytes with the CRC.
    """
    stream = noisy_stream(seed) + b"\0"
    host = CommandDecoder()
    host.receive_data(stream)
    wanted = [
        bytes([event.command, event.token]) + event.payload for event in iter(host.next_event, None)
    ]
    wanted = [body for body in wanted if len(body) <= LONGEST_BODY - 2]
    receiver = Receiver()
    # A type alone, without a token, is the parser's to refuse, not the decoder's.
    found = [body for body in receiver.take(stream) if len(body) > 1]
    assert found == wanted
    assert len(found) > 5 and receiver.damaged > 3


@settings(max_examples=300)
@given(st.binary(max_size=600))
def test_any_bytes_and_then_a_good_frame(noise: bytes) -> None:
    receiver = Receiver()
    frame = encode_frame(0x42, b"\x07")
    for body in receiver.take(noise):
        assert len(body) <= LONGEST_BODY - 2
    assert receiver.take(frame)[-1] == b"\x42\x07"


def test_the_longest_command_passes_and_a_longer_one_does_not() -> None:
    assert Receiver().take(encode_frame(0x46, b"\x55" * 131)) == [b"\x46" + b"\x55" * 131]
    receiver = Receiver()
    assert receiver.take(encode_frame(0x46, b"\x55" * 132)) == []
    assert receiver.damaged == 1


@given(st.integers(1, 4096), st.integers(2, 32))
def test_width_of_a_number(averaging: int, bits: int) -> None:
    _, lib = core()
    try:
        wanted = sample_width(bits, averaging)
    except ValueError:
        wanted = 0
    assert lib.part_sample_width(bits, averaging) == wanted


def channel(axes: int, bits: int) -> Channel:
    return Channel(ChannelKind.LINEAR, Sensor.UNKNOWN, axes, bits, 1.0, 0.0, 1.0, 0.0)


TABLES = {
    "six axes and temperature": [(3, 16), (3, 16), (1, 16)],
    "with a linear channel": [(3, 16), (3, 16), (1, 16), (1, 15)],
    "with both": [(3, 20), (3, 16), (1, 13), (1, 15), (1, 23)],
    "20 bits alone": [(3, 20), (1, 13)],
}


@pytest.mark.parametrize("table", TABLES.values(), ids=TABLES)
@pytest.mark.parametrize("baud", [9600, 19200, 38400, 57600, 115200])
@pytest.mark.parametrize("raw_hz", [10, 100, 200, 250, 500])
def test_least_averaging_against_the_host(
    table: list[tuple[int, int]], baud: int, raw_hz: int
) -> None:
    _, lib = core()
    period = 250_000 // raw_hz
    channels = [channel(axes, bits) for axes, bits in table]
    try:
        wanted = least_averaging(baud, channels, period, 250_000)
    except ValueError:
        wanted = 0
    axes, bits = bytes(row[0] for row in table), bytes(row[1] for row in table)
    assert lib.part_least_averaging(len(table), axes, bits, baud, period, 250_000) == wanted


def test_the_worked_example_of_the_protocol() -> None:
    """docs/protocol.md: seven axes of 16 bits at 1000 a second: 3 at 115200, 32 at 9600."""
    _, lib = core()
    for baud, n in ((115200, 3), (9600, 32)):
        assert lib.part_least_averaging(3, b"\3\3\1", b"\x10\x10\x10", baud, 250, 250_000) == n
