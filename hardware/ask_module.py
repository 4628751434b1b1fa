#!/usr/bin/env python3
"""Say a set-up command to a Bluetooth module: ``python hardware/ask_module.py PORT AT``.

Modules differ in their baud rate and in whether a command ends in a line end, so all are tried,
until one answers; nothing else is changed. Needs pyserial, which knuckle brings.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Iterator, Sequence
from typing import Final

import serial

BAUDS: Final = (9600, 115200, 57600, 38400, 19200)
ENDS: Final = (b"\r\n", b"")
"""In this order: a command that still waits for its line end would stand before the next."""
ANSWER_S: Final = 0.6
QUIET_S: Final = 0.15
MOST_BYTES: Final = 512


def answer(port: serial.Serial, command: bytes, within_s: float) -> bytes:
    """Return what comes back until the line is quiet again."""
    port.reset_input_buffer()
    port.write(command)
    until = time.monotonic() + within_s
    heard = b""
    while time.monotonic() < until and len(heard) < MOST_BYTES:
        piece = port.read(64)
        if piece:
            heard += piece
            until = time.monotonic() + QUIET_S
    return heard


def tries(name: str, command: str, within_s: float) -> Iterator[tuple[int, bytes, bytes]]:
    """Yield rate, line end and answer for each way to say the command."""
    for baud in BAUDS:
        with serial.Serial(name, baud, timeout=0.05, write_timeout=2.0) as port:
            for end in ENDS:
                yield baud, end, answer(port, command.encode("ascii") + end, within_s)


def is_answer(heard: bytes) -> bool:
    """Return whether that can be a module's word: at a wrong rate bytes are garbage."""
    text = heard.strip()
    return bool(text) and all(0x20 <= byte < 0x7F or byte in b"\r\n\t" for byte in text)


def is_refusal(heard: bytes) -> bool:
    """Return whether it answers that it has not understood: perhaps only the line end."""
    return b"ERR" in heard.upper()


def main(arguments: Sequence[str], within_s: float = ANSWER_S) -> int:
    """Ask, and print the answer and how it was got; 1 if there is none."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("port", help="the USB-serial adapter: /dev/ttyUSB0, COM5")
    parser.add_argument("command", help="as the module's data sheet has it: AT, AT+NAME?")
    given = parser.parse_args(arguments)
    if not given.command.isascii():
        parser.error("a command is in ASCII")
    refused = ""
    try:
        for baud, end, heard in tries(given.port, given.command, within_s):
            if not is_answer(heard):
                continue
            ending = "CR LF after it" if end else "no line end"
            said = ", ".join(heard.decode("ascii").split("\n")).replace("\r", "").strip(" ,")
            line = f"{baud} baud, {ending}: {said}"
            if not is_refusal(heard):
                print(line)
                return 0
            refused = refused or line
    except (serial.SerialException, OSError) as error:
        print(f"{given.port} cannot be used: {error}.", file=sys.stderr)
        print("Is it plugged in, and does no other program hold it?", file=sys.stderr)
        return 1
    if refused:
        print(refused)
        print("It does not know that command: its data sheet has its own.", file=sys.stderr)
        return 1
    print(
        "No answer at any rate. A module answers only while no computer is connected to it; some "
        "want EN or KEY high\nas they get power. Otherwise look at power and ground, and whether "
        "TX and RX are crossed.",
        file=sys.stderr,
    )
    return 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
