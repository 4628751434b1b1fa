"""Stuffing and checksum against published vectors and independent packages."""

from __future__ import annotations

import pytest
from cobs import cobs as cobs_oracle
from crccheck.crc import Crc16Ibm3740
from hypothesis import given
from hypothesis import strategies as st

from knuckle.wire import cobs
from knuckle.wire.crc import crc16
from knuckle.wire.framing import FrameFault, decode_frame, encode_frame
from vectors.wire_vectors import VECTORS

# Few distinct bytes, and long runs: where stuffing has its corners.
corner_bytes = st.one_of(
    st.binary(max_size=600),
    st.lists(
        st.tuples(st.sampled_from([0, 0, 1, 255]), st.integers(0, 260)).map(
            lambda run: bytes([run[0]]) * run[1]
        ),
        max_size=6,
    ).map(b"".join),
)


@pytest.mark.parametrize("vector", VECTORS["crc"], ids=lambda v: v["crc"])
def test_crc_of_the_catalogue(vector):
    # Source: catalogue of parametrised CRC algorithms, CRC-16/IBM-3740 (check value 29B1).
    data = bytes.fromhex(vector["bytes"])
    assert crc16(data).to_bytes(2, "big").hex() == vector["crc"]
    assert crc16(data + bytes.fromhex(vector["crc"])) == 0


@given(st.binary(max_size=600))
def test_crc_agrees_with_crccheck(data):
    assert crc16(data) == Crc16Ibm3740.calc(data)


@pytest.mark.parametrize("vector", VECTORS["cobs"], ids=lambda v: v["raw"][:12] or "empty")
def test_stuffing_as_published(vector):
    # Source: Cheshire & Baker 1999 (figure 3), and examples in common use.
    raw, stuffed = bytes.fromhex(vector["raw"]), bytes.fromhex(vector["stuffed"])
    assert cobs.encode(raw) == stuffed
    assert cobs.decode(stuffed) == raw


@given(corner_bytes)
def test_stuffing_agrees_with_the_cobs_package(data):
    stuffed = cobs.encode(data)
    assert stuffed == cobs_oracle.encode(data)
    assert 0 not in stuffed
    assert cobs.decode(stuffed) == data


@given(corner_bytes)
def test_unstuffing_refuses_what_the_cobs_package_refuses(data):
    try:
        expected = cobs_oracle.decode(data) if data else None
    except cobs_oracle.DecodeError:
        expected = None
    assert cobs.decode(data) == expected


@given(st.integers(1, 127), st.binary(max_size=247))
def test_a_frame_is_what_independent_packages_make_of_it(frame_type, payload):
    body = bytes([frame_type]) + payload
    checked = body + Crc16Ibm3740.calc(body).to_bytes(2, "big")
    frame = encode_frame(frame_type, payload)
    assert frame == b"\0" + cobs_oracle.encode(checked) + b"\0"
    assert decode_frame(frame[1:-1]) == body


@given(st.binary(min_size=1, max_size=251).filter(lambda data: 0 not in data))
def test_frames_are_judged_as_by_independent_packages(stuffed):
    try:
        body = cobs_oracle.decode(stuffed)
    except cobs_oracle.DecodeError:
        assert decode_frame(stuffed) is FrameFault.BAD_COBS
        return
    if len(body) < 3:
        assert decode_frame(stuffed) is FrameFault.BAD_COBS
    elif Crc16Ibm3740.calc(body):
        assert decode_frame(stuffed) is FrameFault.BAD_CRC
    else:
        assert decode_frame(stuffed) == body[:-2]


def test_the_longest_payload_and_one_more():
    assert len(encode_frame(1, bytes(247))) == 253
    with pytest.raises(ValueError, match="248"):
        encode_frame(1, bytes(248))
