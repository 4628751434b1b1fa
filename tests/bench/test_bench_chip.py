"""What the bench does to the chip: stuck bus, inputs, memory, power, resets, hangs, the line."""

from __future__ import annotations

from pathlib import Path

import pytest

from bench.conftest import Starter
from bench.monitored import DDRC, MPU6050, PINC, PORTC, PORTD, STUCK, TWCR, Monitored

EXTERNAL, POWER, BROWN_OUT, WATCHDOG = 2, 1, 4, 8
"""Bits of MCUSR; data sheet."""
FROM_5V = 0x40
"""ADMUX: AVcc is the reference."""


def pulse_scl(monitored: Monitored) -> None:
    monitored.write(DDRC, 0x20)
    monitored.write(DDRC, 0x00)


def test_a_held_data_line_is_let_go_by_clock_pulses(monitored: Monitored) -> None:
    monitored.bench.command("bus", "sda", 9)
    statuses, _ = monitored.transfer(MPU6050, b"\x75")
    assert statuses[0] == STUCK
    monitored.write(TWCR, 0)
    for _ in range(8):
        pulse_scl(monitored)
        assert not monitored.read(PINC) & 0x10
    pulse_scl(monitored)
    assert monitored.read(PINC) & 0x10
    monitored.write(TWCR, 0x04)
    assert monitored.registers(MPU6050, 0x75, 1) == b"\x68"


def test_a_line_held_for_good_stays_low_until_it_is_freed(monitored: Monitored) -> None:
    monitored.bench.command("bus", "sda", "ever")
    monitored.write(TWCR, 0)
    for _ in range(20):
        pulse_scl(monitored)
    assert not monitored.read(PINC) & 0x10
    monitored.bench.command("bus", "free")
    monitored.bench.command("bus", "scl")
    assert monitored.read(PINC) & 0x30 == 0x10
    statuses, _ = monitored.transfer(MPU6050, b"\x75")
    assert statuses[0] == STUCK


def test_an_analog_source_is_pulled_by_the_pull_up_and_an_open_input_follows_it(
    monitored: Monitored,
) -> None:
    # 4.7 k against the pull-up of 35 k (data sheet 20 to 50 k).
    bench = monitored.bench
    bench.command("analog", 0, 1000, 4700)
    bench.run_s(0.01)
    assert monitored.convert(FROM_5V) == 204
    monitored.write(PORTC, 0x01)
    pulled = (1000 * 35000 + 5000 * 4700) / 39700
    assert monitored.convert(FROM_5V) == pytest.approx(pulled / 5000 * 1024, abs=1)
    bench.command("analog", 0, "open")
    assert monitored.convert(FROM_5V) > 1000
    monitored.write(PORTC, 0x00)
    assert monitored.convert(FROM_5V) > 1000  # keeps its charge
    monitored.write(DDRC, 0x01)
    assert monitored.convert(FROM_5V) == 0


def test_noise_of_an_analog_source_and_the_supply_by_the_band_gap(monitored: Monitored) -> None:
    bench = monitored.bench
    bench.command("analog", 0, 2500, 1000, 50)
    bench.run_s(0.01)
    codes = [monitored.convert(FROM_5V) for _ in range(100)]
    mean = sum(codes) / len(codes)
    spread = (sum((c - mean) ** 2 for c in codes) / len(codes)) ** 0.5
    assert mean == pytest.approx(511.5, abs=4 * 10.2 / 100**0.5)
    assert spread == pytest.approx(50 / 5000 * 1024, rel=0.3)
    bench.command("supply", 4400)
    assert monitored.convert(FROM_5V | 14) == 256  # 1.1 V of 4.4 V


@pytest.mark.parametrize(("way", "units"), [("mm", 12345), ("mm", -7), ("inch", 4000)])
def test_a_caliper_sends_24_bits_lowest_first(way: str, units: int, monitored: Monitored) -> None:
    bench = monitored.bench
    bench.command("caliper", way, units)
    bench.run_s(0.14)
    edges = bench.peek(bench.symbol("edges"), 1)[0]
    word = int.from_bytes(bench.peek(bench.symbol("word"), 4), "little")
    assert edges == 24
    sign, inch = (1 << 20) * (units < 0), (1 << 23) * (way == "inch")
    assert word == abs(units) | sign | inch


def test_a_chattering_caliper_and_a_wrong_packet(monitored: Monitored) -> None:
    bench = monitored.bench
    at = bench.symbol("edges")
    bench.command("caliper", "bits", 23)
    bench.command("caliper", "mm", 100)
    bench.run_s(0.14)
    assert bench.peek(at, 1)[0] == 23
    bench.poke(at, b"\x00")
    bench.command("caliper", "chatter", 2000)
    bench.run_s(0.1)
    assert bench.peek(at, 1)[0] == pytest.approx(100, abs=2)  # half of them rise


def test_a_pin_is_driven_and_lets_go_to_its_pull_up(monitored: Monitored) -> None:
    bench = monitored.bench
    monitored.write(PORTD, 0x10)
    assert monitored.read(0x29) & 0x10
    bench.command("pin", "D4", 0)
    assert not monitored.read(0x29) & 0x10
    bench.command("pin", "D4", "z")
    assert monitored.read(0x29) & 0x10


@pytest.mark.parametrize(
    ("how", "flag"),
    [("external", EXTERNAL), ("brownout", BROWN_OUT), ("watchdog", WATCHDOG), ("power", POWER)],
)
def test_a_reset_tells_its_cause(how: str, flag: int, monitored: Monitored) -> None:
    bench = monitored.bench
    bench.command("reset", how)
    bench.run_s(0.001)
    assert bench.peek(bench.symbol("start_flags"), 1)[0] == flag


def test_memory_is_random_after_power_and_kept_over_a_reset(monitored: Monitored) -> None:
    bench = monitored.bench
    at = bench.symbol("start_ram")
    contents = set()
    for _ in range(3):
        bench.command("power", "off")
        assert bench.run_s(0.01) == b""
        assert bench.stats()["state"] == "off"
        bench.command("power", "on")
        bench.run_s(0.001)
        contents.add(bench.peek(at, 4))
    assert len(contents) == 3
    bench.command("reset", "external")
    bench.run_s(0.001)
    assert bench.peek(at, 4) in contents


@pytest.mark.parametrize("how", ["main", "deaf"])
def test_the_watchdog_ends_a_hang(how: str, monitored: Monitored) -> None:
    bench = monitored.bench
    assert monitored.ask(b"d") == b"d"
    bench.run_s(0.2)
    assert bench.stats()["resets"] == "1"
    bench.select_events("x")
    hung_at = bench.cycle
    bench.command("hang", how)
    bench.run_s(0.001)
    assert bench.stats()["hangs"] == "1"
    bench.run_s(0.1)
    (reset,) = bench.events()
    assert reset.value == 3
    assert reset.cycle - hung_at == pytest.approx(0.016 * 16e6, rel=0.02)  # 2048 of 128 kHz
    assert bench.peek(bench.symbol("start_flags"), 1)[0] == WATCHDOG
    assert monitored.read(0x54) == 0


def test_a_byte_of_the_eeprom_is_whole_after_its_time_and_torn_before(
    start: Starter, monitored: Monitored, monitor_elf: Path
) -> None:
    bench = monitored.bench
    assert bench.eeprom() == b"\xff" * 1024
    monitored.ask(b"e\x07\x00\x2a", 0.004)
    bench.command("power", "off")
    assert bench.eeprom(7, 1) == b"\x2a"
    torn = set()
    for seed in range(8):
        other = Monitored(start(monitor_elf, seed=seed + 1))
        other.bench.set_eeprom(7, b"\x00")
        other.ask(b"e\x07\x00\x2a", 0.0008)
        assert other.bench.stats()["memory_busy"] == "1"
        other.bench.command("power", "off")
        torn.add(other.bench.eeprom(7, 1))
        assert other.bench.eeprom(0, 7) + other.bench.eeprom(8, 100) == b"\xff" * 107
        other.bench.close()
    assert len(torn) > 4


def test_bytes_arrive_a_byte_time_after_each_other(monitored: Monitored) -> None:
    bench = monitored.bench
    asked_at = bench.cycle
    bench.write(b"r\x29\x00")
    came_at = 0
    while not came_at:
        if bench.run_to(bench.cycle + 16):
            came_at = bench.cycle - asked_at
    # Three bytes to the pod and one back, at UBRR 16 with U2X; between them some instructions.
    assert 4 * 1360 < came_at < 4 * 1360 + 300
    assert bench.stats()["byte_cycles"] == "1360"


def test_another_baud_rate_is_garbage(monitored: Monitored) -> None:
    bench = monitored.bench
    bench.command("baud", 115200)
    assert monitored.ask(b"d") == b"d"
    bench.command("baud", 57600)
    assert monitored.ask(b"d") != b"d"
    assert int(bench.stats()["garbled"]) >= 1


def test_the_stack_is_seen_to_reach_down(monitored: Monitored) -> None:
    stats = monitored.bench.stats()
    end, reached, top = (int(stats[k]) for k in ("static_end", "stack_reached", "ram_end"))
    assert end <= reached <= top - 2
    assert top - reached < 64


def test_the_same_seed_gives_the_same_run_however_it_is_cut(
    start: Starter, monitored: Monitored, monitor_elf: Path
) -> None:
    def run(step: int) -> tuple[bytes, list[tuple[int, str]]]:
        m = Monitored(start(monitor_elf))
        m.bench.select_events("sba")
        m.bench.command("caliper", "mm", 77)
        m.bench.write(b"x\x68\x01\x02\x75")
        end = m.bench.cycle + 3_200_000
        sent = b""
        while m.bench.cycle < end:
            sent += m.bench.run_to(min(end, m.bench.cycle + step))
        return sent, [(e.cycle, e.kind) for e in m.bench.events()]

    assert run(3_200_000) == run(16_000) == run(997)
