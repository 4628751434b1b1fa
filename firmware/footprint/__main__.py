"""Print the program's needs; end with an error where they exceed the limits."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from footprint import pointers
from footprint.depth import Program
from footprint.errors import Unbounded
from footprint.frames import frame_name, read_frames
from footprint.listing import join_labels, read_listing
from footprint.sizes import read_sizes

FLASH_LIMIT = 20480
MEMORY_LIMIT = 1536
FLASH = 32768
MEMORY = 2048
FIRMWARE = Path(__file__).resolve().parent.parent

# Names of ATmega328P interrupts by vector number, from its data sheet.
VECTORS = {
    1: "INT0", 6: "WDT", 9: "TIMER2_OVF", 11: "TIMER1_COMPA", 12: "TIMER1_COMPB", 13: "TIMER1_OVF",
    18: "USART_RX", 19: "USART_UDRE", 20: "USART_TX", 21: "ADC", 22: "EE_READY", 24: "TWI",
}  # fmt: skip


def load(elf: str, frames_folder: str) -> Program:
    """Return the program, its pointers having been checked."""
    frames = read_frames(Path(frames_folder))
    functions = read_listing(elf)
    framed = {f.name for f in functions if frame_name(f.name, frames)}
    program = Program(join_labels(functions, framed), frames)
    members = pointers.port_members((FIRMWARE / "core/port.h").read_text(encoding="utf-8"))
    pointers.check_members(members)
    pointers.check_port(members, pointers.read_port(elf), program.labels())
    for function in program.reached(program.interrupts()):
        if any(i.name == "sei" for i in function.instructions):
            raise Unbounded(f"{function.name} lets interrupts nest")
    return program


def spelled(name: str) -> str:
    """Return a function's name, an interrupt's by what it is."""
    if name.startswith("__vector_"):
        return f"interrupt {VECTORS.get(int(name.rsplit('_', 1)[1]), name)}"
    return name


def main(arguments: list[str]) -> int:
    """Print the report; return 1 if a limit is exceeded or no bound can be given."""
    parser = argparse.ArgumentParser(prog="footprint")
    parser.add_argument("--elf", required=True)
    parser.add_argument("--frames", required=True, help="folder of the .su files")
    options = parser.parse_args(arguments)
    sizes = read_sizes(options.elf)
    try:
        program = load(options.elf, options.frames)
        task = program.deepest("main")
        handlers = sorted(
            (program.deepest(name) for name in program.interrupts()), key=lambda path: -path.size
        )
    except Unbounded as error:
        print(f"footprint: no bound for the stack: {error}", file=sys.stderr)
        return 1
    deepest = handlers[0]
    stack = task.size + deepest.size
    memory = sizes.static + stack
    print(f"flash          {sizes.flash:6} bytes of {FLASH}, limit {FLASH_LIMIT}")
    print(f"static memory  {sizes.static:6} bytes")
    print(f"worst stack    {stack:6} bytes: {task.size} main program, {deepest.size} interrupt")
    print(f"memory         {memory:6} bytes of {MEMORY}, limit {MEMORY_LIMIT}")
    for path in (task, deepest):
        print("  " + " > ".join(f"{spelled(n)} {program.frame_of(n)}" for n in path.names))
    print("  interrupts: " + ", ".join(f"{spelled(p.names[0])[10:]} {p.size}" for p in handlers))
    if sizes.flash > FLASH_LIMIT or memory > MEMORY_LIMIT:
        print("footprint: over the limit", file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
