"""What is wrong with a car file: gathered, so that all of it is told at once."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from difflib import get_close_matches

from knuckle.errors import UsageError


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong.

    Attributes
    ----------
    table : str
        "front.targets", say; empty at the top of the file.
    key : str
        In that table; empty where the table itself is meant.
    what, next_step : str
    """

    table: str
    key: str
    what: str
    next_step: str = ""

    @property
    def place(self) -> str:
        """Where it stands, in words."""
        if not self.table:
            return self.key
        return f"[{self.table}] {self.key}".rstrip()


class Problems:
    """Collects what is wrong while a file is read."""

    def __init__(self) -> None:
        self.found: list[Problem] = []

    def add(self, table: str, key: str, what: str, next_step: str = "") -> None:
        """Take one more."""
        self.found.append(Problem(table, key, what, next_step))

    def unknown(self, table: str, key: str, known: Sequence[str]) -> None:
        """Take a key that there is none of, with the nearest that there is."""
        near = get_close_matches(key, known, n=1, cutoff=0.6)
        self.add(
            table,
            key,
            "There is no such key.",
            f"Did you mean {near[0]}?" if near else f"Known here: {', '.join(known)}.",
        )


def line_of(text: str, problem: Problem) -> int | None:
    """Return the number of the line that a problem is about; None if it cannot be told."""
    table = ""
    parents = problem.table.split(".") if problem.table else []
    wanted = [(problem.table, problem.key)]
    # A table may stand inside its parent's line: `toe_link = { ... }`.
    wanted += [(".".join(parents[:i]), parents[i]) for i in range(len(parents) - 1, -1, -1)]
    lines: dict[tuple[str, str], int] = {}
    for number, line in enumerate(text.splitlines(), start=1):
        heading = re.match(r"\s*\[\s*([\w.\-\s]+?)\s*\]", line)
        if heading:
            table = heading[1]
            parent, _, own = table.rpartition(".")
            lines.setdefault((table, ""), number)
            lines.setdefault((parent, own), number)
        elif key := re.match(r"\s*[\"']?([\w\-]+)[\"']?\s*=", line):
            lines.setdefault((table, key[1]), number)
    return next((lines[place] for place in wanted if place in lines), None)


def error_of(name: str, text: str, problems: Iterable[Problem]) -> UsageError:
    """Return the error that tells the first problem, and how many more there are."""
    every = list(problems)
    first = every[0]
    line = line_of(text, first)
    at = name if line is None else f"{name}, line {line}"
    more = len(every) - 1
    cause = f"{more} more in this file: `knuckle car check {name}` lists them." if more else ""
    return UsageError(f"{at}: {first.place}: {first.what}", cause, first.next_step)
