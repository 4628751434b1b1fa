"""Where calls through pointers lead: each goes to a function of the port.

The core knows the board by one struct of functions, `kn_port`. TARGETS says which function
stands behind each of its members on this board. It is held against core/port.h and against the
struct in the program itself, so a new member cannot be forgotten; and each indirect call of the
program must stem from a source line that calls a member.
"""

from __future__ import annotations

import re
import struct
import subprocess
from pathlib import Path

from footprint.errors import Unbounded
from footprint.listing import Function, Instruction

TARGETS = {
    "lock": "kn_board_lock",
    "unlock": "kn_board_unlock",
    "now": "kn_clock_now",
    "due_at": "kn_clock_due_at",
    "due_off": "kn_clock_due_off",
    "due_wait": "kn_clock_due_wait",
    "bus_start": "kn_bus_start",
    "bus_recover": "kn_bus_recover",
    "analog_start": "kn_analog_start",
    "analog_connected": "kn_analog_connected",
    "supply_start": "kn_analog_supply_start",
    "caliper_listen": "kn_edges_listen",
    "transmit_room": "kn_serial_room",
    "transmit": "kn_serial_transmit",
    "receive": "kn_serial_receive",
    "set_baud": "kn_serial_set_baud",
    "keep_read": "kn_keep_read",
    "keep_write": "kn_keep_write",
    "keep_busy": "kn_keep_busy",
    "light": "kn_panel_light",
    "tone": "kn_panel_tone",
    "button": "kn_panel_button",
    "alive": "kn_watchdog_alive",
}

_SIZES = {"uint8_t": 1, "int8_t": 1, "uint16_t": 2, "uint32_t": 4, "size_t": 2}
_COMMENT = re.compile(r"/\*.*?\*/", re.DOTALL)
_POINTER = re.compile(r"\(\s*\*\s*(\w+)\s*\)\s*\(")
_MEMBER_CALL = re.compile(r"(?:->|\.)\s*(\w+)\s*\(")
CALL_LINES = 4
PORT_STRUCT = "kn_board_port"


def port_members(header: str) -> list[tuple[str, int, bool]]:
    """Return name, offset on the AVR (no padding) and whether it is a function, of kn_port."""
    body = re.search(r"typedef struct kn_port \{(.*?)\} kn_port;", _COMMENT.sub("", header), re.S)
    if body is None:
        raise Unbounded("core/port.h has no struct kn_port")
    members, offset = [], 0
    for declaration in filter(None, (part.strip() for part in body.group(1).split(";"))):
        function = _POINTER.search(declaration)
        if function:
            name, size = function.group(1), 2
        else:
            name = declaration.split()[-1].lstrip("*")
            size = 2 if "*" in declaration else _SIZES[declaration.split()[-2]]
        members.append((name, offset, function is not None))
        offset += size
    return members


def check_members(members: list[tuple[str, int, bool]]) -> None:
    """Raise Unbounded unless TARGETS has exactly the struct's functions."""
    known = {name for name, _, is_function in members if is_function}
    if known != set(TARGETS):
        raise Unbounded(
            f"core/port.h and TARGETS of footprint/pointers.py differ in: "
            f"{', '.join(sorted(known ^ set(TARGETS)))}"
        )


def stray_pointers(sources: dict[str, str]) -> list[str]:
    """Return the places outside kn_port where a function pointer is declared or called."""
    found = []
    for place, text in sources.items():
        plain = _COMMENT.sub("", text)
        if place.endswith("core/port.h"):
            plain = re.sub(r"typedef struct kn_port \{.*?\} kn_port;", "", plain, flags=re.S)
        found += [f"{place}: {name}" for name in _POINTER.findall(plain)]
    return found


def check_port(
    members: list[tuple[str, int, bool]], content: bytes, labels: dict[str, int]
) -> None:
    """Raise Unbounded unless the program's port struct points to TARGETS.

    Pointers to functions count words of two bytes, labels bytes.
    """
    for name, offset, is_function in members:
        if is_function:
            (word,) = struct.unpack_from("<H", content, offset)
            if labels.get(TARGETS[name]) != word * 2:
                raise Unbounded(f"port.{name} does not point to {TARGETS[name]}, as TARGETS says")


def read_port(elf: str) -> bytes:
    """Return the bytes of the port struct as the program sets them up."""
    symbols = subprocess.run(["avr-nm", "-S", elf], check=True, capture_output=True, text=True)
    for line in symbols.stdout.splitlines():
        words = line.split()
        if len(words) == 4 and words[3] == PORT_STRUCT:
            start, size = int(words[0], 16), int(words[1], 16)
            break
    else:
        raise Unbounded(f"the program has no {PORT_STRUCT}")
    command = ["avr-objdump", "-s", "-j", ".data", f"--start-address={start}", elf]
    dump = subprocess.run(command, check=True, capture_output=True, text=True).stdout
    groups = re.findall(r"^ [0-9a-f]+ ((?:[0-9a-f]{2,8} ){1,4})", dump, re.MULTILINE)
    return bytes.fromhex("".join(groups).replace(" ", ""))[:size]


def members_called(instruction: Instruction, function: Function) -> list[str]:
    """Return the members that the source line of an indirect call names."""
    if instruction.source is None:
        raise Unbounded(f"an indirect call in {function.name} has no source line")
    path, number = instruction.source
    lines = Path(path).read_text(encoding="utf-8").splitlines()[number - 1 :][:CALL_LINES]
    statement = ""
    for line in lines:
        statement += line + "\n"
        if ";" in line or "{" in line:
            break
    members = [name for name in _MEMBER_CALL.findall(statement) if name in TARGETS]
    if not members:
        raise Unbounded(f"the indirect call at {path}:{number} names no member of kn_port")
    return members
