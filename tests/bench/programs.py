"""Small programs for the emulated board, built for one test."""

from __future__ import annotations

import itertools
import subprocess
from collections.abc import Sequence
from pathlib import Path

HERE = Path(__file__).resolve().parent


def build_sender(pieces: Sequence[bytes], folder: Path) -> Path:
    """Build the program that sends these pieces."""
    data = b"".join(pieces)
    ends = list(itertools.accumulate(len(piece) for piece in pieces))
    (folder / "pieces.h").write_text(
        f"#define PIECES {len(pieces)}\n"
        f"static const uint8_t piece[] PROGMEM = {{{', '.join(map(str, data))}}};\n"
        f"static const uint16_t piece_end[] PROGMEM = {{{', '.join(map(str, ends))}}};\n"
    )
    program = folder / "sender.elf"
    words = ["avr-gcc", "-std=c11", "-Os", "-mmcu=atmega328p", f"-I{folder}"]
    subprocess.run([*words, "-o", str(program), str(HERE / "sender.c")], check=True)
    return program


def build_monitor(folder: Path) -> Path:
    """Build the program that reads and writes registers on request."""
    program = folder / "monitor.elf"
    words = ["avr-gcc", "-std=c11", "-Os", "-mmcu=atmega328p", "-DF_CPU=16000000UL"]
    words.append(f"-I{HERE.parents[1] / 'firmware' / 'ports' / 'atmega328p'}")
    subprocess.run([*words, "-o", str(program), str(HERE / "monitor.c")], check=True)
    return program
