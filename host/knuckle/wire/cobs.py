"""Consistent overhead byte stuffing: bytes without 0x00, so that 0x00 can delimit frames.

Source: S. Cheshire and M. Baker, Consistent Overhead Byte Stuffing, IEEE/ACM Transactions
on Networking 7(2), 1999.
"""

from __future__ import annotations

_LONGEST_RUN = 254


def encode(data: bytes) -> bytes:
    """Return `data` stuffed: no byte of it is zero; one byte longer per started 254."""
    out = bytearray()
    pieces = data.split(b"\0")
    for number, piece in enumerate(pieces, start=1):
        rest = piece
        while len(rest) > _LONGEST_RUN:
            out.append(0xFF)
            out += rest[:_LONGEST_RUN]
            rest = rest[_LONGEST_RUN:]
        if len(rest) == _LONGEST_RUN and number == len(pieces):
            out.append(0xFF)
            out += rest
        elif len(rest) == _LONGEST_RUN:
            out += b"\xff" + rest + b"\x01"
        else:
            out.append(len(rest) + 1)
            out += rest
    return bytes(out)


def decode(data: bytes) -> bytes | None:
    """Return what `data` was stuffed from, or None if nothing stuffs to it."""
    if not data or 0 in data:
        return None
    out = bytearray()
    at = 0
    end = len(data)
    while at < end:
        code = data[at]
        if at + code > end:
            return None
        out += data[at + 1 : at + code]
        at += code
        if code != 0xFF and at < end:
            out.append(0)
    return bytes(out)
