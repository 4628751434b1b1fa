"""Flash and static memory from the program's sections."""

from __future__ import annotations

import re
import subprocess
from dataclasses import dataclass

_SECTION = re.compile(r"^(\.\w+)\s+(\d+)\s+\d+$", re.MULTILINE)


@dataclass(frozen=True)
class Sizes:
    """Bytes of flash (code, constants, initial values) and of static memory."""

    flash: int
    static: int


def parse_sizes(text: str) -> Sizes:
    """Read ``avr-size -A``."""
    sections = {name: int(size) for name, size in _SECTION.findall(text)}
    data = sections.get(".data", 0)
    return Sizes(
        flash=sections[".text"] + data,
        static=data + sections.get(".bss", 0) + sections.get(".noinit", 0),
    )


def read_sizes(elf: str) -> Sizes:
    """Return the sizes of a program."""
    command = ["avr-size", "-A", elf]
    return parse_sizes(subprocess.run(command, check=True, capture_output=True, text=True).stdout)
