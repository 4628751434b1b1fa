"""The board's program as it is built: no warning, within its limits, nothing forbidden in it."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest
from footprint import pointers
from footprint.__main__ import FLASH_LIMIT, MEMORY_LIMIT, VECTORS, load
from footprint.depth import Program
from footprint.sizes import read_sizes

from firmware.board_program import FIRMWARE, built_program, make, need

FRAMES = FIRMWARE / "build" / "atmega328p"


@pytest.fixture(scope="module")
def elf() -> str:
    need("make", "avr-gcc", "avr-objdump")
    return str(built_program())


@pytest.fixture(scope="module")
def program(elf: str) -> Program:
    return load(elf, str(FRAMES))


def test_builds_from_nothing_without_a_word(tmp_path: Path) -> None:
    need("make", "avr-gcc", "avr-objdump")
    done = make("board", f"BUILD={tmp_path}", "-j2", "V=1")
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    compiled = [line for line in done.stdout.splitlines() if line.startswith("avr-gcc -mmcu")]
    of_c = [
        line for line in compiled if line.rstrip(" -o").split(" -c ")[-1].split()[0][-2:] == ".c"
    ]
    sources = {*FIRMWARE.glob("core/*.c"), *FIRMWARE.glob("ports/atmega328p/*.c")}
    assert len(of_c) == len(sources)
    for line in of_c:
        for flag in ("-std=c11", "-Wall", "-Wextra", "-Wpedantic", "-Wconversion", "-Werror"):
            assert f" {flag} " in line
    assert re.search(r"^worst stack +\d+ bytes", done.stdout, re.MULTILINE)


def test_flash_and_memory_keep_their_limits(elf: str, program: Program) -> None:
    # ATmega328P data sheet: 32 KB of flash, 2 KB of memory; the limits leave room to grow.
    assert (FLASH_LIMIT, MEMORY_LIMIT) == (20 * 1024, 1536)
    sizes = read_sizes(elf)
    assert sizes.flash <= FLASH_LIMIT
    stack = program.deepest("main").size + max(
        program.deepest(name).size for name in program.interrupts()
    )
    assert sizes.static + stack <= MEMORY_LIMIT


def test_the_readme_states_what_the_program_needs(elf: str, program: Program) -> None:
    text = (FIRMWARE / "README.md").read_text(encoding="utf-8")
    flash = re.search(r"^\| flash \| (\d+) bytes \| (\d+) of", text, re.MULTILINE)
    memory = re.search(r"^\| memory with the deepest stack \| (\d+) bytes \| (\d+) of", text, re.M)
    assert flash is not None
    assert memory is not None
    sizes = read_sizes(elf)
    stack = program.deepest("main").size + max(
        program.deepest(name).size for name in program.interrupts()
    )
    assert int(flash[1]) == pytest.approx(sizes.flash, rel=0.03)
    assert int(memory[1]) == pytest.approx(sizes.static + stack, rel=0.03)
    assert (int(flash[2]), int(memory[2])) == (FLASH_LIMIT, MEMORY_LIMIT)


def test_a_program_over_the_limit_is_refused(
    elf: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from footprint import __main__ as report

    arguments = ["--elf", elf, "--frames", str(FRAMES)]
    assert report.main(arguments) == 0
    monkeypatch.setattr(report, "FLASH_LIMIT", 1000)
    assert report.main(arguments) == 1
    assert "over the limit" in capsys.readouterr().err


def test_every_function_pointer_is_known(elf: str, program: Program) -> None:
    header = (FIRMWARE / "core/port.h").read_text(encoding="utf-8")
    members = pointers.port_members(header)
    pointers.check_members(members)
    pointers.check_port(members, pointers.read_port(elf), program.labels())
    indirect = [
        (function.name, instruction)
        for function in program.functions
        for instruction in function.instructions
        if instruction.name in ("icall", "ijmp")
        and function.name in {f.name for f in program.reached(["main", *program.interrupts()])}
    ]
    assert len(indirect) > 10


def test_a_member_that_the_list_lacks_is_noticed() -> None:
    header = (FIRMWARE / "core/port.h").read_text(encoding="utf-8")
    grown = header.replace("} kn_port;", "    void (*another)(void *self);\n} kn_port;")
    with pytest.raises(pointers.Unbounded, match="another"):
        pointers.check_members(pointers.port_members(grown))


def test_the_ports_struct_is_held_against_the_list(elf: str, program: Program) -> None:
    members = pointers.port_members((FIRMWARE / "core/port.h").read_text(encoding="utf-8"))
    content = bytearray(pointers.read_port(elf))
    assert len(content) == members[-1][1] + 2
    offset = {name: at for name, at, _ in members}["tone"]
    content[offset] ^= 1
    with pytest.raises(pointers.Unbounded, match=r"port\.tone"):
        pointers.check_port(members, bytes(content), program.labels())


def test_no_function_pointer_but_those_of_the_port() -> None:
    sources = {
        str(path): path.read_text(encoding="utf-8")
        for folder in ("core", "ports/atmega328p")
        for path in FIRMWARE.glob(f"{folder}/*.[ch]")
    }
    assert len(sources) > 20
    assert pointers.stray_pointers(sources) == []
    assert pointers.stray_pointers({"x.c": "static void (*later)(int);"}) == ["x.c: later"]


def test_nothing_that_the_core_may_not_use(program: Program) -> None:
    names = {f.name for f in program.reached(["main", *program.interrupts()])}
    # libgcc's floating point (names from its manual, "Soft float library routines"), the C
    # library's heap and formatted output.
    floats = re.compile(
        r"^__(add|sub|mul|div|neg|fix|fixuns|float|floatun|cmp|eq|lt|gt|le|ge)\w*sf"
    )
    assert [name for name in names if floats.match(name)] == []
    assert names.isdisjoint(
        {"malloc", "calloc", "realloc", "free", "printf", "sprintf", "vfprintf"}
    )


def test_every_interrupt_that_is_handled_has_a_name(program: Program) -> None:
    assert {int(name.rsplit("_", 1)[1]) for name in program.interrupts()} <= set(VECTORS)


def test_the_hex_file_is_the_program(elf: str, tmp_path: Path) -> None:
    from_elf, from_hex = tmp_path / "elf.bin", tmp_path / "hex.bin"
    image = elf.replace(".elf", ".hex")
    subprocess.run(["avr-objcopy", "-O", "binary", "-R", ".eeprom", elf, str(from_elf)], check=True)
    subprocess.run(["avr-objcopy", "-I", "ihex", "-O", "binary", image, str(from_hex)], check=True)
    assert from_hex.read_bytes() == from_elf.read_bytes()
    assert len(from_hex.read_bytes()) == read_sizes(elf).flash


def test_flash_says_what_it_needs() -> None:
    need("make")
    done = make("flash", "-o", "build/knuckle-atmega328p.hex")
    assert done.returncode != 0
    assert "PORT=/dev/ttyUSB0" in done.stdout
    shown = make("-n", "flash", "PORT=/dev/ttyACM3", "FLASH_BAUD=57600").stdout
    assert (
        "avrdude -p atmega328p -c arduino -P /dev/ttyACM3 -b 57600 -D "
        "-U flash:w:build/knuckle-atmega328p.hex:i" in shown
    )


def test_fuses_are_those_that_the_text_explains() -> None:
    # Bits from the ATmega328P data sheet, Memory Programming, from memory.
    need("make")
    shown = make("-n", "fuses", "PROGRAMMER=usbtiny").stdout
    found = {name: int(value, 16) for name, value in re.findall(r"(\wfuse):w:0x(\w\w):m", shown)}
    low, high, extended = found["lfuse"], found["hfuse"], found["efuse"]
    assert low & 0x0F in (0x0E, 0x0F), "low power crystal, 8 to 16 MHz"
    assert low & 0xB0 == 0xB0, "slowest start, clock not divided (bit 7), SUT = 11"
    assert high & 0xC0 == 0xC0, "reset pin stays one, debugWIRE off"
    assert high & 0x20 == 0, "serial programming stays on"
    assert high & 0x10, "watchdog not forced on"
    assert high & 0x08 == 0, "EEPROM outlives a chip erase"
    assert high & 0x01, "start in the program"
    assert extended & 0x07 == 0x05, "brown-out at 2.7 V"


def test_avrdude_takes_the_command_line() -> None:
    """Of the flash command all but the port is right if avrdude only misses the port."""
    if shutil.which("avrdude") is None:
        pytest.skip("avrdude missing: it flashes, and is not needed to test")
    shown = make("-n", "flash", "PORT=/no/such/port").stdout
    command = next(line for line in shown.splitlines() if line.startswith("avrdude"))
    done = subprocess.run(
        command.split(), cwd=FIRMWARE, capture_output=True, text=True, timeout=60, check=False
    )
    assert done.returncode != 0
    assert "/no/such/port" in done.stderr
    assert not re.search(r"usage|invalid|unknown|not found in|syntax", done.stderr, re.IGNORECASE)
