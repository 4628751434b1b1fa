"""The stack as it is used, painted in the emulator, against the bound from the listing."""

from __future__ import annotations

import random
from pathlib import Path

from footprint.__main__ import load

from bench.conftest import Wires
from bench.test_bench_faults import streaming
from bench.wired import Wired
from knuckle.wire.commands import settings_write
from knuckle.wire.messages import Command


def exercise(wired: Wired) -> None:
    """Let everything happen that a pod does, much of it at once."""
    wired.bench.command("caliper", "chatter", 20_000)
    rng = random.Random(3)
    for i in range(300):
        wired.send((Command.CLOCK, Command.HELLO, Command.STATUS, Command.CUE)[i % 4], b"")
        wired.bench.write(rng.randbytes(20))
        wired.run(0.01)
    wired.bench.command("caliper", "chatter", 0)
    wired.bench.command("bus", "sda", 5)
    wired.run(2.0)
    wired.bench.command("sensor", "mpu6050", "gone")
    wired.run(2.0)
    wired.bench.command("sensor", "mpu6050", "back")
    wired.run(3.0)
    wired.must(Command.STOP)
    wired.ask(Command.SELF_TEST, within_s=5.0)
    wired.ask(Command.SETTINGS_WRITE, settings_write(0, bytes(range(100))), within_s=2.0)
    wired.run(2.0)


def test_the_stack_stays_above_its_bound(board_elf: Path, wires: Wires) -> None:
    program = load(str(board_elf), str(board_elf.parent / "atmega328p" / "frames"))
    interrupts = [program.deepest(name).size for name in program.interrupts()]
    bound = program.deepest("main").size + max(interrupts)
    wired = streaming(wires)
    exercise(wired)
    stats = wired.bench.stats()
    used = int(stats["ram_end"]) + 1 - int(stats["stack_reached"])
    assert used <= bound
    assert used > bound / 3  # the paint has been reached: what is measured is the stack
