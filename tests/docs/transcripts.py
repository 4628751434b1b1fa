"""Dialogues that documents show: typed again and laid beside what is printed.

In a fenced block of the kind `console` a line that begins with `$ ` is a command (or sets a
variable); what follows is its output, with what was typed behind each question. A line `...` leaves
something out; so does the end of a block.
"""

from __future__ import annotations

import io
import re
import shlex
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

ELIDED = "..."
_BLOCK = re.compile(r"^```console\n(.*?)^```$", re.MULTILINE | re.DOTALL)
_DATE = re.compile(r"\d{4}-\d\d-\d\d \d\d:\d\d")
_NUMBER = re.compile(r"[+-]?\d+(?:\.\d+)?")
_MINUS_ZERO = re.compile(r"-(0\.0+)\b")


@dataclass
class Command:
    """A command and what the document shows of it."""

    line: str
    shown: list[str] = field(default_factory=list)

    @property
    def words(self) -> list[str]:
        """The command's words, without the program."""
        return shlex.split(self.line)[1:]

    @property
    def variable(self) -> tuple[str, str] | None:
        """Name and value, of a line that only sets a variable."""
        program, *rest = shlex.split(self.line)
        return tuple(rest[0].split("=", 1)) if program == "export" else None


def commands(document: str) -> list[Command]:
    """Return the commands of a document in order."""
    found: list[Command] = []
    for block in _BLOCK.findall(document):
        for line in block.splitlines():
            if line.startswith("$ "):
                found.append(Command(line[2:]))
            else:
                found[-1].shown.append(line.rstrip())
        found[-1].shown.append(ELIDED)
    return found


class Typist(io.StringIO):
    """Types what the document shows behind each question."""

    def __init__(self, shown: list[str], printed: Callable[[], str]) -> None:
        super().__init__()
        self._shown = shown
        self._printed = printed
        self._at = 0
        self.output = ""
        self.not_shown: list[str] = []

    def readline(self, size: int | None = -1) -> str:
        """Return the answer to the question that was printed last; nothing if it is not shown."""
        self.take_output()
        question = self.output.rpartition("\n")[2].rstrip()
        for at, line in enumerate(self._shown[self._at :], start=self._at):
            if alike(line[: len(question)], question):
                self._at = at + 1
                return line[len(question) :].strip() + "\n"
        self.not_shown.append(question)
        return ""

    def take_output(self) -> None:
        """Add what has been printed since."""
        self.output += self._printed()


def differences(shown: list[str], output: str) -> Iterator[str]:
    """Yield what a document shows otherwise than it was printed."""
    printed = [line.rstrip() for line in output.splitlines()]
    at, free = 0, False
    for line in shown:
        if line == ELIDED:
            free = True
            continue
        rest = range(at, len(printed)) if free else range(at, min(at + 1, len(printed)))
        found = next((i for i in rest if alike(line, printed[i])), None)
        if found is None:
            near = printed[at] if at < len(printed) else "(the end)"
            yield f"shown: {line!r}; printed from line {at + 1} on: {near!r}"
            free = True
        else:
            at, free = found + 1, False


def alike(shown: str, printed: str) -> bool:
    """Return whether two lines say the same: numbers to one unit of their last place."""
    one, other = (_DATE.sub("DATE", _MINUS_ZERO.sub(r"\1", line)) for line in (shown, printed))
    if _NUMBER.sub("#", one).split() != _NUMBER.sub("#", other).split():
        return False
    pairs = zip(_NUMBER.findall(one), _NUMBER.findall(other), strict=True)
    return all(_close(a, b) for a, b in pairs)


def _close(one: str, other: str) -> bool:
    places = [len(text.partition(".")[2]) for text in (one, other)]
    if places[0] != places[1]:
        return False
    unit = 10.0 ** -places[0]
    return abs(float(one) - float(other)) <= (1.01 * unit if places[0] else 0.0)
