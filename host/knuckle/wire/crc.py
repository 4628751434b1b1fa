"""CRC-16/IBM-3740, the check at the end of every frame and of the settings record."""

from __future__ import annotations

import binascii

INITIAL = 0xFFFF


def crc16(data: bytes | bytearray | memoryview) -> int:
    """Return the CRC-16/IBM-3740 of `data`, 0 to 0xFFFF.

    Polynomial 0x1021, initial value 0xFFFF, not reflected, no final XOR (catalogue of
    parametrised CRC algorithms). Of a message followed by its own CRC, high byte first,
    the CRC is 0.
    """
    return binascii.crc_hqx(data, INITIAL)
