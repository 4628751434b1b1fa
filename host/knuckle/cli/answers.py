"""Questions and the lines typed in answer, from a keyboard or from a pipe."""

from __future__ import annotations

import io
import re
import sys
import textwrap
from contextlib import suppress
from typing import Final

import typer

from knuckle.errors import KnuckleError

WIDTH: Final = 80
_ENDLESS: Final = re.compile(r"\S{75,}")
"""A slip of the keyboard; no word is that long."""


class InputEnded(Exception):  # it is no error
    """No more lines will come: the pipe is over, or the keyboard's end of input was typed."""


def say(text: str = "", indent: str = "", hanging: str | None = None) -> None:
    """Print a paragraph, no wider than 80 columns."""
    if not text:
        typer.echo()
        return
    typer.echo(
        textwrap.fill(
            text,
            WIDTH - 1,
            initial_indent=indent,
            subsequent_indent=indent if hanging is None else hanging,
            break_on_hyphens=False,
            break_long_words=False,
        )
    )


def ask(question: str) -> str:
    """Show a question and return the line that is typed, without blanks around it.

    Raises
    ------
    InputEnded
        If there is none.
    """
    *above, last = textwrap.wrap(
        question + ":", WIDTH - 14, subsequent_indent="  ", break_on_hyphens=False
    )
    for line in above:
        typer.echo(line)
    typer.echo(last + " ", nl=False)
    sys.stdout.flush()
    if isinstance(sys.stdin, io.TextIOWrapper):
        # Bytes that are no text are no answer, and no fault; to be said before the first read.
        with suppress(io.UnsupportedOperation):
            sys.stdin.reconfigure(errors="backslashreplace")
    line = sys.stdin.readline()
    if not line:
        typer.echo()
        raise InputEnded
    if not sys.stdin.isatty():
        typer.echo(line.rstrip("\r\n"))  # so that what was read stands beside its question
    return line.strip()


def told(error: KnuckleError) -> None:
    """Print what went wrong, where it is asked for again or gone on."""
    text = " ".join(part for part in (error.what, error.cause, error.next_step) if part)
    say(_ENDLESS.sub(lambda word: word[0][:40] + "...", text), "  ! ", "    ")
