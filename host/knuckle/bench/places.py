"""Where the bench and the board's program are, and what to do where they are not."""

from __future__ import annotations

import os
from pathlib import Path

from knuckle.errors import LinkNotFound

PROGRAM = "knuckle-atmega328p.elf"
BUILD_BENCH = (
    "In a source checkout install gcc-avr, avr-libc and libsimavr-dev (Debian's names) and run "
    "'make -C firmware bench board'; or name them in the address: bench=FILE, elf=FILE."
)


def build_folder() -> Path:
    """Return where a source checkout builds its firmware."""
    return Path(__file__).resolve().parents[3] / "firmware" / "build"


def find_bench(given: str | None = None) -> Path:
    """Return the bench's program.

    Raises
    ------
    LinkNotFound
        If it is not there or cannot be run.
    """
    path = Path(given) if given else build_folder() / "bench"
    if not path.is_file():
        raise LinkNotFound(
            f"The bench is not built: there is no {path}.",
            "The emulated board is built from source, not installed with the program.",
            BUILD_BENCH,
        )
    if not os.access(path, os.X_OK):
        raise LinkNotFound(f"{path} cannot be run.", "It is no program.", BUILD_BENCH)
    return path


def find_elf(given: str | None = None) -> Path:
    """Return the board's program, an ELF file for the ATmega328P.

    Raises
    ------
    LinkNotFound
        If it is not there.
    """
    path = Path(given) if given else build_folder() / PROGRAM
    if not path.is_file():
        raise LinkNotFound(
            f"The board's program is not built: there is no {path}.",
            "The emulated board runs the firmware of a source checkout.",
            BUILD_BENCH,
        )
    return path
