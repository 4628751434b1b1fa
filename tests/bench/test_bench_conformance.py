"""The emulated chip against the ATmega328P's data sheet, and the emulator without remedies.

Values: ATmega48A/PA/88A/PA/168A/PA/328/P data sheet (Microchip DS40002061), status codes of the
two-wire interface in master mode, SCL = clock / (16 + 2 TWBR 4^TWPS), nine SCL periods a byte,
baud = clock / (8 (UBRR + 1)) with U2X, a receive buffer of two beside the shift register, 3.4 ms
for an EEPROM write, 13 ADC clocks a conversion, 1024 steps; all from memory.
"""

from __future__ import annotations

import pytest

from bench.conftest import Starter
from knuckle.bench.client import Bench

LOOP_CYCLES = 30
"""What the conformance program's own reading of its clock and waiting loop may add."""

EXACT = {
    "start": 0x08,
    "start_again": 0x10,
    "address_write": 0x18,
    "nobody_write": 0x20,
    "data_write": 0x28,
    "data_refused": 0x30,
    "address_read": 0x40,
    "nobody_read": 0x48,
    "data_read": 0x50,
    "data_read_last": 0x58,
    "identity": 0x68,
    "under_way": 1,
    "memory_value": 0xA5,
    "analog_value": 512,
    "band_gap_value": 225,
    "receiver_holds": 3,
    "flags_kept": 1,
    "flag_cleared": 1,
}
AT_LEAST = {
    "bus_400k_cycles": 9 * (16 + 2 * 12),
    "bus_100k_cycles": 9 * (16 + 2 * 72),
    "memory_cycles": round(3.4e-3 * 16e6),
    "analog_cycles": 13 * 128,
}
AROUND = {"byte_cycles": 10 * 8 * 17, "byte_cycles_u2x_last": 10 * 8 * 17}

WITHOUT = {
    "twi-write-status": {"address_write": 0x28, "nobody_write": 0x30},
    "twi-twint": {"under_way": 0},
    "twi-time": {"bus_400k_cycles": 9 * 16, "bus_100k_cycles": 9 * 16},
    "uart-bits": {"byte_cycles": 11 * 8 * 17},
    "uart-baud": {"byte_cycles_u2x_last": 10 * 16 * 17},
    "uart-depth": {"receiver_holds": 6},
    "eeprom-time": {"memory_cycles": 0},
    "timer-flags": {"flags_kept": 0},
    "adc-scale": {"analog_value": 511},
}
"""What simavr 1.6 answers where a remedy is left out."""


def answers(bench: Bench) -> dict[str, int]:
    bench.command("analog", 0, 2500)
    bench.run_s(0.001)
    sent = b"".join(ask(bench, letter) for letter in "stueaf")
    bench.command("sensor", "mpu6050", "nack", 1)
    sent += ask(bench, "n")
    bench.write(b"d")
    bench.run_s(0.002)
    bench.write(b"ABCDEF")
    sent += bench.run_s(0.3)
    lines = (line.split() for line in sent.decode("ascii").splitlines())
    return {words[0].lstrip("#"): int(words[1]) for words in lines if len(words) == 2}


def ask(bench: Bench, letter: str) -> bytes:
    bench.write(letter.encode())
    sent = bench.run_s(0.05)
    assert sent.rstrip().endswith(b"."), f"no answer to {letter!r}: {sent!r}"
    return sent


def is_right(name: str, value: int) -> bool:
    if name in EXACT:
        return value == EXACT[name]
    if name in AT_LEAST:
        return AT_LEAST[name] - 5 <= value <= AT_LEAST[name] + LOOP_CYCLES
    return abs(value - AROUND[name]) <= 5


def test_the_emulated_chip_does_as_the_data_sheet_says(start: Starter) -> None:
    got = answers(start())
    assert got.keys() == EXACT.keys() | AT_LEAST.keys() | AROUND.keys()
    wrong = {name: value for name, value in got.items() if not is_right(name, value)}
    assert not wrong


def test_every_remedy_of_the_bench_is_tried_here(start: Starter) -> None:
    assert set(start().command("remedies")) == set(WITHOUT)


@pytest.mark.parametrize("remedy", WITHOUT)
def test_the_emulator_needs_the_remedy(remedy: str, start: Starter) -> None:
    got = answers(start(without=[remedy]))
    wrong = {name: value for name, value in got.items() if not is_right(name, value)}
    if not wrong:
        pytest.skip(f"this emulator no longer needs the remedy '{remedy}': it can be taken out")
    for name, value in WITHOUT[remedy].items():
        assert value - 5 <= got[name] <= value + LOOP_CYCLES, name
