"""A board that does to its registers what a test says."""

from __future__ import annotations

import math
import struct

from knuckle.bench.client import Bench

PINC, DDRC, PORTC = 0x26, 0x27, 0x28
PIND, DDRD, PORTD = 0x29, 0x2A, 0x2B
ADCL, ADCH, ADCSRA, ADMUX = 0x78, 0x79, 0x7A, 0x7C
TWCR = 0xBC
MPU6050, ADXL355 = 0x68, 0x1D
GONE = 0x20
"""Status of an address that nobody acknowledges."""
STUCK = 0xFF
"""No status came: the hardware waits for a free bus."""


class Monitored:
    """The bench with the monitor program."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        bench.run_s(0.001)

    def ask(self, request: bytes, within_s: float = 0.05) -> bytes:
        self.bench.write(request)
        return self.bench.run_s(within_s)

    def read(self, address: int) -> int:
        (value,) = self.ask(b"r" + struct.pack("<H", address), 0.002)
        return value

    def write(self, address: int, value: int) -> None:
        assert self.ask(b"w" + struct.pack("<HB", address, value), 0.002) == b"w"

    def transfer(self, device: int, out: bytes, length: int = 0) -> tuple[list[int], bytes]:
        """Return the statuses and what was read."""
        answer = self.ask(bytes((ord("x"), device, len(out), length)) + out, 0.02)
        count = 2 + len(out) + (2 if length else 0)
        assert len(answer) == count + length
        return list(answer[:count]), answer[count:]

    def registers(self, device: int, first: int, length: int) -> bytes:
        statuses, values = self.transfer(device, bytes((first,)), length)
        assert statuses == [0x08, 0x18, 0x28, 0x10, 0x40]
        return values

    def set_register(self, device: int, register: int, value: int) -> None:
        statuses, _ = self.transfer(device, bytes((register, value)))
        assert statuses == [0x08, 0x18, 0x28, 0x28]

    def convert(self, admux: int) -> int:
        self.write(ADMUX, admux)
        self.write(ADCSRA, 0xC7)
        low = self.read(ADCL)
        return low | self.read(ADCH) << 8

    def wake_mpu6050(self) -> None:
        self.set_register(MPU6050, 0x6B, 0x01)
        self.bench.run_s(0.05)

    def mpu6050(self) -> tuple[int, ...]:
        return struct.unpack(">7h", self.registers(MPU6050, 0x3B, 14))


def rms(values: list[float]) -> float:
    mean = sum(values) / len(values)
    return math.sqrt(sum((v - mean) ** 2 for v in values) / len(values))
