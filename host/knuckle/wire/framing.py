"""One frame: 0x00, the stuffed body, 0x00. The body is type, payload and CRC."""

from __future__ import annotations

import binascii
from enum import Enum
from typing import Final

from knuckle.wire import cobs
from knuckle.wire.crc import crc16

DELIMITER: Final = b"\0"
BROKEN_OFF: Final = DELIMITER * 2
"""Put between the bytes before a link was lost and those after it was opened anew.

It ends a frame that was cut off; after it, text is read from the next line's beginning on.
"""
LONGEST_BODY: Final = 250
"""Type, payload and CRC together, in bytes: short enough for one run of stuffing."""
LONGEST_STUFFED: Final = LONGEST_BODY + 1
LONGEST_PAYLOAD: Final = LONGEST_BODY - 3
FRAME_OVERHEAD: Final = 6
"""Two delimiters, one byte of stuffing, type, CRC."""

_SHORTEST_STUFFED = 4
_SEED = 0x1E0C
"""The CRC's register from which one zero byte leads to its initial value 0xFFFF: so the
leading byte of stuffing, zeroed in place, need not be cut off before the check."""


class FrameFault(Enum):
    """Why a stretch between two delimiters is no frame."""

    TOO_LONG = "too_long"
    BAD_COBS = "bad_cobs"
    BAD_CRC = "bad_crc"


def encode_frame(frame_type: int, payload: bytes) -> bytes:
    """Return a whole frame with a delimiter at both ends.

    Raises
    ------
    ValueError
        If the payload is longer than `LONGEST_PAYLOAD`.
    """
    if len(payload) > LONGEST_PAYLOAD:
        raise ValueError(f"payload of {len(payload)} bytes; a frame holds {LONGEST_PAYLOAD}")
    body = bytes((frame_type,)) + payload
    return DELIMITER + cobs.encode(body + crc16(body).to_bytes(2, "big")) + DELIMITER


def decode_frame(stuffed: bytes) -> bytes | FrameFault:
    """Return type and payload of what stood between two delimiters.

    Parameters
    ----------
    stuffed : bytes
        Not empty, without a zero byte.
    """
    end = len(stuffed)
    if end > LONGEST_STUFFED:
        return FrameFault.TOO_LONG
    body = bytearray(stuffed)
    at = 0
    # So short a frame has no run of 254, so unstuffing is to zero each code byte in place.
    while at < end:
        code = body[at]
        body[at] = 0
        at += code
    if at != end or end < _SHORTEST_STUFFED:
        return FrameFault.BAD_COBS
    if binascii.crc_hqx(body, _SEED):
        return FrameFault.BAD_CRC
    return bytes(body[1:-2])
