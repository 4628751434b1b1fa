"""The program's disassembly as functions with the calls they make."""

from __future__ import annotations

import itertools
import re
import subprocess
from dataclasses import dataclass, field

_LABEL = re.compile(r"^([0-9a-f]+) <(.+)>:$")
_INSTRUCTION = re.compile(r"^\s+([0-9a-f]+):\t(\S+)(?:\t([^;]*))?(?:; (.*))?$")
_SOURCE = re.compile(r"^(/?\S.*\.[chS]):(\d+)(?: \(discriminator \d+\))?$")
_ADDRESS = re.compile(r"0x([0-9a-f]+)")
_ALWAYS_LEAVES = {"ret", "reti", "jmp", "rjmp", "ijmp", "eijmp"}


@dataclass
class Instruction:
    """One instruction; `target` is where a jump or call goes, `source` the line it came from."""

    address: int
    name: str
    target: int | None
    source: tuple[str, int] | None


@dataclass
class Function:
    """A labelled run of instructions, from `start` to before `end`."""

    name: str
    start: int
    end: int = 0
    instructions: list[Instruction] = field(default_factory=list)

    def falls_through(self) -> bool:
        """Whether it runs on into what stands behind it."""
        return bool(self.instructions) and self.instructions[-1].name not in _ALWAYS_LEAVES

    def calls(self) -> list[int]:
        """Return the addresses called, and those jumped to outside of the function itself.

        ``rcall .+0`` is no call: the compiler takes two bytes of stack by it.
        """
        found = []
        for instruction in self.instructions:
            target = instruction.target
            if target is None or target == instruction.address + 2:
                continue
            if instruction.name in ("call", "rcall") or not self.start <= target < self.end:
                found.append(target)
        return found

    def pushes(self) -> int:
        """Return how many bytes its pushes put on the stack, if each is passed once."""
        return sum(
            1 if i.name == "push" else 2
            for i in self.instructions
            if i.name == "push" or (i.name == "rcall" and i.target == i.address + 2)
        )


def _jump_target(name: str, operands: str, remark: str) -> int | None:
    if name in ("call", "jmp"):
        found = _ADDRESS.search(operands)
    elif name in ("rcall", "rjmp") or name.startswith("br"):
        found = _ADDRESS.search(remark)
    else:
        return None
    return int(found.group(1), 16) if found else None


def parse_listing(text: str) -> list[Function]:
    """Return the functions of ``avr-objdump -d -l --no-show-raw-insn``, in order."""
    functions: list[Function] = []
    source: tuple[str, int] | None = None
    for line in text.splitlines():
        if label := _LABEL.match(line):
            functions.append(Function(label.group(2), int(label.group(1), 16)))
            source = None
        elif place := _SOURCE.match(line):
            source = (place.group(1), int(place.group(2)))
        elif functions and (found := _INSTRUCTION.match(line)):
            address, name = int(found.group(1), 16), found.group(2)
            target = _jump_target(name, found.group(3) or "", found.group(4) or "")
            functions[-1].instructions.append(Instruction(address, name, target, source))
    for function, following in itertools.pairwise(functions):
        function.end = following.start
    if functions and functions[-1].instructions:
        functions[-1].end = functions[-1].instructions[-1].address + 2
    return functions


def join_labels(functions: list[Function], framed: set[str]) -> list[Function]:
    """Return the functions with the inner labels of assembly routines joined to their routine.

    The compiler's library labels the loops of a routine by its name and an ending
    (``__udivmodsi4_loop``); only functions of C are in `framed`. A label that is called is a
    routine of its own.
    """
    called = {
        instruction.target
        for function in functions
        for instruction in function.instructions
        if instruction.name in ("call", "rcall") and instruction.target != instruction.address + 2
    }
    joined: list[Function] = []
    for function in functions:
        before = joined[-1] if joined else None
        if (
            before is not None
            and function.name not in framed
            and function.start not in called
            and before.name not in framed
            and function.name.startswith(before.name + "_")
        ):
            before.end = function.end
            before.instructions += function.instructions
        else:
            joined.append(function)
    return joined


def read_listing(elf: str) -> list[Function]:
    """Disassemble the program."""
    command = ["avr-objdump", "-d", "-l", "--no-show-raw-insn", elf]
    return parse_listing(subprocess.run(command, check=True, capture_output=True, text=True).stdout)
