"""firmware/README.md keeps up with the build, the port and the program."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
import typer.main
from footprint.__main__ import FLASH, FLASH_LIMIT, MEMORY, MEMORY_LIMIT

from firmware.board_program import FIRMWARE, built_program, make, need
from knuckle.cli.app import build
from knuckle.run.podsettings import BAUDS
from knuckle.wire.settings import DEFAULT_BAUD

PAGE = FIRMWARE / "README.md"
WITHIN = 0.03


def text() -> str:
    return PAGE.read_text(encoding="utf-8")


def stated(row: str) -> tuple[int, int, int]:
    found = re.search(rf"^\| {row} \| (\d+) bytes \| (\d+) of (\d+) \|$", text(), re.MULTILINE)
    assert found is not None, row
    return int(found[1]), int(found[2]), int(found[3])


def test_limits_are_those_of_the_build() -> None:
    assert stated("flash")[1:] == (FLASH_LIMIT, FLASH)
    assert stated("memory with the deepest stack")[1:] == (MEMORY_LIMIT, MEMORY)


def test_sizes_are_those_of_the_build() -> None:
    need("make", "avr-gcc", "avr-objdump")
    built_program()
    report = make("board").stdout
    for row, line in (("flash", "flash"), ("memory with the deepest stack", "memory")):
        measured = re.search(rf"^{line} +(\d+) bytes of", report, re.MULTILINE)
        assert measured is not None, report
        expected = stated(row)[0]
        assert abs(int(measured[1]) - expected) <= WITHIN * expected, f"{row}: {measured[1]}"


@pytest.mark.parametrize(
    ("target", "words", "says"),
    [
        ("flash", ["PORT=/dev/ttyUSB0"], "-c arduino -P /dev/ttyUSB0 -b 115200 -D -U flash:w:"),
        ("flash", ["PORT=x", "FLASH_BAUD=57600"], "-b 57600"),
        ("flash-isp", ["PROGRAMMER=usbasp"], "-c usbasp -U flash:w:"),
        ("fuses", [], "hfuse:w:0xD7:m"),
    ],
)
def test_flashing_is_as_told(target: str, words: list[str], says: str) -> None:
    need("make")
    assert f"make -C firmware {target}" in text()
    told = make("-n", target, *words)
    assert says in " ".join(told.stdout.split())
    # EESAVE is bit 3 of the high fuse, programmed when 0; D7 is 1101 0111 (data sheet, from memory)
    assert 0xD7 & 1 << 3 == 0


def test_the_long_command_is_that_of_make() -> None:
    need("make")
    told = make("-n", "flash", "PORT=/dev/ttyUSB0").stdout
    line = next(line for line in told.splitlines() if line.startswith("avrdude"))
    assert line.replace("build/", "firmware/build/") in text()


def test_targets_named_exist() -> None:
    head = (FIRMWARE / "Makefile").read_text(encoding="utf-8").split("BUILD :=")[0]
    for target in ("library", "posix", "bench", "check", "flash-isp", "fuses"):
        assert re.search(rf"make {target}\b", head)
        assert target in text()


def test_rates_are_those_that_the_program_sets() -> None:
    section = " ".join(text().split("## Baud rate")[1].split("\n## ")[0].split())
    assert f"speaks {DEFAULT_BAUD} baud until" in section
    for baud in BAUDS:
        assert str(baud) in section


def test_the_port_makes_every_rate() -> None:
    """Double speed, 16 MHz: baud = F / 8 / (n + 1) within 2.5 % (data sheet, from memory)."""
    for baud in BAUDS:
        divider = round(16_000_000 / 8 / baud)
        assert abs(16_000_000 / 8 / divider / baud - 1.0) < 0.025
        assert 1 <= divider <= 4096


def test_commands_and_links_exist() -> None:
    commands = set(typer.main.get_command(build()).commands)  # type: ignore[attr-defined]  # a group
    assert set(re.findall(r"(?:^    |`)knuckle ([a-z]+)", text(), re.MULTILINE)) <= commands
    for target in re.findall(r"\]\(([^)#]+)\)", text()):
        assert (PAGE.parent / target).exists(), target
    for folder in re.findall(r"`([a-z0-9/]+)/`", text().split("## Where what is")[1]):
        assert (FIRMWARE / Path(folder)).is_dir(), folder


def test_the_watchdog_bites_as_told() -> None:
    code = (FIRMWARE / "ports" / "atmega328p" / "watchdog.c").read_text(encoding="utf-8")
    # WDP2 and WDP0 are 0.5 s (ATmega328P data sheet, watchdog timer prescale select; from memory)
    assert "WDTCSR = (1 << WDE) | (1 << WDP2) | (1 << WDP0)" in code
    assert "hangs for half a second" in text()
