"""Each function of the board's port by itself, in the emulator, with a probe for the core."""

from __future__ import annotations

import struct
import subprocess
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import pytest

from firmware.board_program import FIRMWARE, make, need
from knuckle.bench.client import CLOCK_HZ, Bench

OK, BUSY, VALUE, NO_ANSWER, TIMEOUT, BUS = 0, -7, -6, -1, -4, -3
PENDING = 1
PROBE = Path(__file__).with_name("port_probe.c")


@pytest.fixture(scope="module")
def probe_elf(tmp_path_factory: pytest.TempPathFactory) -> Path:
    need("make", "avr-gcc", "gcc")
    done = make("bench")
    assert done.returncode == 0, done.stderr
    elf = tmp_path_factory.mktemp("probe") / "probe.elf"
    port = sorted((FIRMWARE / "ports/atmega328p").glob("*.[cS]"))
    subprocess.run(
        [
            *("avr-gcc", "-mmcu=atmega328p", "-DF_CPU=16000000UL", "-std=c11", "-Os"),
            *(f"-I{FIRMWARE / 'core'}", f"-I{FIRMWARE / 'ports/atmega328p'}"),
            *(*map(str, port), str(PROBE), "-o", str(elf)),
        ],
        check=True,
    )
    return elf


class Probe:
    """The board with the probe on it."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench

    def send(self, letter: str, value: int = 0) -> None:
        self.bench.write(letter.encode() + struct.pack("<I", value))

    def ask(self, letter: str, value: int = 0, wait_s: float = 0.02) -> int:
        """Call a function of the port and return what it returns."""
        self.send(letter, value)
        sent = self.bench.run_s(wait_s)
        assert len(sent) == 5, sent
        assert sent[0:1] == letter.encode()
        (answer,) = struct.unpack("<i", sent[1:])
        return int(answer)


@pytest.fixture
def probe(probe_elf: Path) -> Iterator[Probe]:
    with Bench(FIRMWARE / "build/bench", probe_elf) as bench:
        bench.run_s(0.01)
        yield Probe(bench)


def test_the_clock_counts_250_000_a_second_through_its_overflows(probe: Probe) -> None:
    before, cycle = probe.ask("N"), probe.bench.cycle
    probe.bench.run_s(3.0)
    after = probe.ask("N")
    assert after - before == pytest.approx((probe.bench.cycle - cycle) / 64, abs=30)
    assert after > 10 * 65536


def test_the_clock_never_goes_back(probe: Probe) -> None:
    """Around an overflow the halves must be taken together: some readings fall right there."""
    readings = []
    for _ in range(200):
        readings.append(probe.ask("N", wait_s=0.0041))
    steps = [later - earlier for earlier, later in pairwise(readings)]
    assert min(steps) > 0
    assert max(steps) < 2 * min(steps)
    assert readings[-1] - readings[0] > 2 * 65536


@pytest.mark.parametrize("ahead", [0, 1, 2, 3, 10, 1250, 32767, 32768, 49989])
def test_the_alarm_comes_at_its_tick(probe: Probe, ahead: int) -> None:
    probe.ask("D", ahead, wait_s=0.002)
    if ahead > 1000:
        assert probe.ask("d", wait_s=0.002) == -1
    probe.bench.run_s(ahead / 250_000)
    late_ticks = probe.ask("d")
    # What is due at once comes when that has been computed, two ticks later.
    assert 0 <= late_ticks <= (10 if ahead < 10 else 1 if ahead == 10 else 0)
    if ahead > 1000:
        # the core is called early, to prepare what it starts: port.h, due_wait()
        assert 5 <= probe.ask("a") <= 12


def test_an_alarm_in_the_past_comes_at_once_and_only_once(probe: Probe) -> None:
    probe.ask("D", (1 << 32) - 1000)
    late_ticks = probe.ask("d")
    assert 1000 <= late_ticks <= 1010
    probe.bench.run_s(0.6)
    assert probe.ask("d") == late_ticks


def test_an_alarm_can_be_taken_back(probe: Probe) -> None:
    probe.ask("D", 10_000, wait_s=0.005)
    probe.ask("O", wait_s=0.005)
    probe.bench.run_s(0.6)
    assert probe.ask("d") == -1


# Line clock F_CPU / 8 / (UBRR + 1) with U2X0 set; a byte is 10 bits. Divisors: ATmega328P data
# sheet, Examples of UBRRn Setting, 16 MHz, from memory.
@pytest.mark.parametrize(
    ("baud", "divisor"),
    [(9600, 207), (19200, 103), (38400, 51), (57600, 34), (115200, 16)],
)
def test_the_lines_rate(probe: Probe, baud: int, divisor: int) -> None:
    probe.send("B", baud)
    assert probe.bench.run_s(0.02) == b""
    probe.bench.command("baud", baud)
    assert probe.ask("x", wait_s=0.05) == OK
    assert int(probe.bench.stats()["byte_cycles"]) == 10 * 8 * (divisor + 1)
    assert abs(2_000_000 / (divisor + 1) / baud - 1) <= 0.025


@pytest.mark.parametrize("baud", [0, 96, 9599, 115201, 250000, 9600 + 65536])
def test_a_rate_that_the_board_cannot_make(probe: Probe, baud: int) -> None:
    probe.send("B", baud)
    probe.bench.run_s(0.02)
    assert probe.ask("x") == VALUE


def test_more_than_the_queue_holds_is_sent_in_order(probe: Probe) -> None:
    for count in range(12):
        probe.send("R", 0xF0 + count)
        probe.send("M")
    sent = probe.bench.run_s(0.1)
    assert sent[0::5] == b"RM" * 12
    rooms = [struct.unpack("<i", sent[i + 1 : i + 5])[0] for i in range(5, 120, 10)]
    assert max(rooms) <= 320
    assert min(rooms) > 250


@pytest.mark.parametrize(
    ("asked", "prescaler", "count"),
    # hz = F_CPU / (2 N (OCR0A + 1)): ATmega328P data sheet, 8-bit timer, CTC mode
    [(31, 1024, 251), (440, 1024, 16), (1000, 64, 124), (2000, 64, 61), (4000, 64, 30)],
)
def test_the_buzzers_tone(probe: Probe, asked: int, prescaler: int, count: int) -> None:
    probe.ask("T", asked)
    tone_hz = int(probe.bench.stats()["tone_hz"])
    assert tone_hz == int(CLOCK_HZ / (2 * prescaler * (count + 1)))
    assert abs(tone_hz / asked - 1) < 0.06
    probe.ask("T", 0)
    assert probe.bench.stats()["tone_hz"] == "0"


def test_the_light_and_the_button(probe: Probe) -> None:
    probe.ask("L", 1)
    assert probe.bench.stats()["light"] == "1"
    probe.ask("L", 0)
    assert probe.bench.stats()["light"] == "0"
    assert probe.ask("P") == 0
    probe.bench.command("pin", "D4", 0)
    assert probe.ask("P") == 1
    probe.bench.command("pin", "D4", "z")
    assert probe.ask("P") == 0


@pytest.mark.parametrize("millivolts", [0, 1234, 2500, 4999])
def test_a_reading_is_the_sum_of_its_conversions(probe: Probe, millivolts: int) -> None:
    probe.bench.command("analog", 0, millivolts, 1000)
    probe.bench.run_s(0.01)
    assert probe.ask("S", 16) == OK
    expected = int(millivolts / 5000 * 1024)
    assert probe.ask("s") == 16 * expected
    assert probe.ask("S", 1) == OK
    assert probe.ask("s") == expected


@pytest.mark.parametrize(("conversions", "channel"), [(0, 0), (17, 0), (16, 1)])
def test_a_reading_that_does_not_exist(probe: Probe, conversions: int, channel: int) -> None:
    assert probe.ask("S", channel << 8 | conversions) == VALUE


@pytest.mark.parametrize("millivolts", [4200, 4500, 5000, 5250])
def test_the_supply(probe: Probe, millivolts: int) -> None:
    probe.bench.command("supply", millivolts)
    assert probe.ask("V") == OK
    # one step of the converter at 1.1 V is 0.5 % of the supply
    assert probe.ask("v") == pytest.approx(millivolts, rel=0.005)


def test_a_reading_goes_before_the_supply(probe: Probe) -> None:
    probe.bench.command("analog", 0, 2500, 1000)
    probe.bench.run_s(0.01)
    probe.send("V")
    probe.send("S", 16)
    probe.bench.run_s(0.02)
    assert probe.ask("s") == 16 * 512
    assert probe.ask("v") == pytest.approx(5000, rel=0.005)


# A potentiometer of R ohm at a fraction x of its travel is a source of x R (1 - x) ohm, behind
# 1 to 2.2 kOhm of the filter (hardware/wiring.csv).
@pytest.mark.parametrize("fraction", [0.0, 0.01, 0.5, 0.85, 0.88, 0.95, 0.999, 1.0])
@pytest.mark.parametrize(("pot_ohm", "filter_ohm"), [(10_000, 1000), (20_000, 2200), (1000, 470)])
def test_a_potentiometer_is_noticed_wherever_it_stands(
    probe: Probe, fraction: float, pot_ohm: int, filter_ohm: int
) -> None:
    source_ohm = filter_ohm + pot_ohm * fraction * (1 - fraction)
    probe.bench.command("analog", 0, 5000 * fraction, source_ohm)
    probe.bench.run_s(0.05)
    for _ in range(3):
        assert probe.ask("A") == 1


def test_an_open_input_is_noticed(probe: Probe) -> None:
    for _ in range(5):
        assert probe.ask("A") == 0
        probe.bench.run_s(1.0)


@pytest.mark.parametrize("millivolts", [0, 2500, 4600, 5000])
def test_a_potentiometer_that_is_unplugged_and_back(probe: Probe, millivolts: int) -> None:
    """Its last voltage stays on the filter's capacitor."""
    probe.bench.command("analog", 0, millivolts, 2000)
    probe.bench.run_s(0.05)
    assert probe.ask("A") == 1
    probe.bench.command("analog", 0, "open")
    assert probe.ask("A") == 0
    assert probe.ask("A") == 0
    probe.bench.command("analog", 0, millivolts, 2000)
    probe.bench.run_s(0.05)
    assert probe.ask("A") == 1


def test_the_kept_memory(probe: Probe) -> None:
    assert probe.ask("R", 1023) == 0xFF
    assert probe.ask("W", 1023 << 8 | 0x5A, wait_s=0.002) == OK
    assert probe.ask("w", wait_s=0.001) == 1
    assert probe.ask("W", 0 << 8 | 1, wait_s=0.001) == BUSY, "a byte takes 3.4 ms"
    probe.bench.run_s(0.01)
    assert probe.ask("w") == 0
    assert probe.bench.eeprom(1023, 1) == b"\x5a"
    assert probe.ask("R", 1023) == 0x5A
    assert probe.bench.eeprom(0, 1) == b"\xff"
    assert probe.ask("W", 1024 << 8) == VALUE


def test_a_byte_that_is_there_is_not_written_again(probe: Probe) -> None:
    before = int(probe.bench.stats()["memory_writes"])
    for _ in range(3):
        assert probe.ask("W", 7 << 8 | 0x33) == OK
    assert int(probe.bench.stats()["memory_writes"]) == before + 1


def test_a_transfer_reads_a_register(probe: Probe) -> None:
    # MPU-6050 WHO_AM_I: register 0x75 holds 0x68 (its register map)
    assert probe.ask("X", 0x75 << 24 | 1 << 16 | 1 << 8 | 0x68) == OK
    assert probe.ask("x") == OK
    assert probe.ask("n") == 1
    assert probe.ask("I") == 0x68


def test_a_transfer_of_several_bytes(probe: Probe) -> None:
    # PWR_MGMT_1, register 0x6B, is 0x40 after power on (asleep); 0x6C is 0
    assert probe.ask("X", 0x6B << 24 | 2 << 16 | 1 << 8 | 0x68) == OK
    assert probe.ask("x") == OK
    assert (probe.ask("I", 0), probe.ask("I", 1)) == (0x40, 0)


def test_a_transfer_at_400_khz(probe: Probe) -> None:
    """A byte and its answer are nine clocks of 2.5 us.

    The I2C bus specification (UM10204) allows fast mode up to 400 kHz.
    """
    probe.bench.select_events("ba")
    probe.ask("X", 0x75 << 24 | 1 << 16 | 1 << 8 | 0x68)
    starts = [event.cycle for event in probe.bench.events() if event.kind == "b"]
    assert len(starts) == 2
    bytes_between = 2
    least = bytes_between * 9 * CLOCK_HZ // 400_000
    assert least <= starts[1] - starts[0] < least + 600


def test_nobody_answers(probe: Probe) -> None:
    assert probe.ask("X", 0x75 << 24 | 1 << 16 | 1 << 8 | 0x50) == OK
    assert probe.ask("x") == NO_ANSWER
    assert probe.ask("X", 0x75 << 24 | 1 << 16 | 1 << 8 | 0x68) == OK
    assert probe.ask("x") == OK


@pytest.mark.parametrize("pulses", [1, 5, 9])
def test_a_held_data_line_is_freed(probe: Probe, pulses: int) -> None:
    probe.bench.command("bus", "sda", pulses)
    probe.ask("X", 0x75 << 24 | 1 << 16 | 1 << 8 | 0x68)
    assert probe.ask("x") == PENDING
    assert probe.ask("X", 0x75 << 24 | 1 << 16 | 1 << 8 | 0x68) == BUSY
    came = probe.ask("n")
    assert probe.ask("G") == OK
    assert probe.ask("x") == TIMEOUT
    assert probe.ask("n") == came, "no call for a transfer that was given up"
    assert probe.ask("X", 0x75 << 24 | 1 << 16 | 1 << 8 | 0x68) == OK
    assert probe.ask("x") == OK
    assert probe.ask("I") == 0x68


@pytest.mark.parametrize("line", [("sda", "ever"), ("scl",)])
def test_a_line_that_stays_low_is_told(probe: Probe, line: tuple[str, ...]) -> None:
    probe.bench.command("bus", *line)
    assert probe.ask("G") == BUS
    probe.bench.command("bus", "free")
    assert probe.ask("G") == OK


@pytest.mark.parametrize("line", [("sda", "ever"), ("scl",), ("free",)])
def test_freeing_the_bus_takes_half_a_millisecond_at_most(
    probe: Probe, line: tuple[str, ...]
) -> None:
    probe.bench.command("bus", *line)
    before = probe.ask("N")
    probe.send("G")
    probe.send("N")
    sent = probe.bench.run_s(0.02)
    (after,) = struct.unpack("<i", sent[6:])
    elapsed_s = (after - before) / 250_000 - 0.02
    # five more bytes on the line and up to 1.1 ms until the main loop looks
    assert elapsed_s < 0.0005 + 10 * 10 / 117_647 + 0.0011


def test_edges_of_the_caliper_until_the_core_has_enough(probe: Probe) -> None:
    assert probe.ask("e") == 0
    probe.bench.command("pin", "D2", 0)
    probe.bench.run_s(0.001)
    probe.ask("E")
    for bit in (1, 0, 1, 1):  # as the caliper means it: both lines come upside down
        probe.bench.command("pin", "D3", 1 - bit)
        probe.bench.command("pin", "D2", 1)
        probe.bench.run_s(0.0002)
        probe.bench.command("pin", "D2", 0)
        probe.bench.run_s(0.0002)
    assert probe.ask("e") == 4 | 0b1011 << 8
    for _ in range(20):
        probe.bench.command("pin", "D2", 1)
        probe.bench.run_s(0.0001)
        probe.bench.command("pin", "D2", 0)
        probe.bench.run_s(0.0001)
    assert probe.ask("e") & 0xFF == 8, "told at the eighth to stop listening"


# Numbers from docs/protocol.md, causes of the last start.
@pytest.mark.parametrize(("why", "number"), [("power", 1), ("external", 2), ("brownout", 3)])
def test_the_cause_of_the_last_start(probe: Probe, why: str, number: int) -> None:
    probe.bench.command("reset", why)
    probe.bench.run_s(0.01)
    assert probe.ask("C") == number


@pytest.mark.parametrize("how", ["main", "deaf"])
def test_a_hang_ends_in_a_reset_by_the_watchdog(probe: Probe, how: str) -> None:
    probe.bench.command("hang", how)
    probe.bench.run_s(0.7)
    assert probe.ask("C") == 4


def test_a_hang_is_told_though_a_bootloader_has_cleared_the_flags(probe: Probe) -> None:
    """What the program finds when MCUSR is 0: the marks in memory decide."""
    silence, mark = probe.bench.symbol("kn_watchdog_silence"), probe.bench.symbol("mark")
    flags = probe.bench.symbol("kn_watchdog_flags")
    assert probe.bench.peek(mark, 4) == bytes.fromhex("44574e4b")
    assert probe.bench.peek(flags, 1) == b"\x01"
    assert struct.unpack("<H", probe.bench.peek(silence, 2))[0] < 5
    probe.bench.command("hang", "main")
    probe.bench.run_s(0.45)
    assert struct.unpack("<H", probe.bench.peek(silence, 2))[0] > 300
