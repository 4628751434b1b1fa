"""Reading a table of the plan: a CSV file with a fixed head."""

from __future__ import annotations

import csv
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from podplan.errors import PlanError


@dataclass(frozen=True)
class Row:
    """One line of a table.

    Attributes
    ----------
    path : Path
        The file it stands in.
    line : int
        Where, from 1.
    cells : dict of str to str
        By column, without blanks at the ends.
    """

    path: Path
    line: int
    cells: dict[str, str]

    def text(self, column: str) -> str:
        """Return a cell that must not be empty.

        Raises
        ------
        PlanError
            If it is.
        """
        if not self.cells[column]:
            raise self.wrong(f"{column} is empty")
        return self.cells[column]

    def one_of(self, column: str, allowed: Sequence[str]) -> str:
        """Return a cell that must be one of some words.

        Raises
        ------
        PlanError
            If it is none of them.
        """
        word = self.cells[column]
        if word not in allowed:
            raise self.wrong(f"{column} is {word!r}, not one of {', '.join(allowed)}")
        return word

    def words(self, column: str) -> tuple[str, ...]:
        """Return the words of a cell, each once.

        Raises
        ------
        PlanError
            If one comes twice.
        """
        words = tuple(self.cells[column].split())
        if len(set(words)) != len(words):
            raise self.wrong(f"{column} names something twice")
        return words

    def number(self, column: str) -> float | None:
        """Return a number of 0 or more; None where the cell is empty.

        Raises
        ------
        PlanError
            If it is something else.
        """
        if not self.cells[column]:
            return None
        try:
            value = float(self.cells[column])
        except ValueError:
            value = math.nan
        if not (math.isfinite(value) and value >= 0.0):
            raise self.wrong(f"{column} is {self.cells[column]!r}, not a number of 0 or more")
        return value

    def wrong(self, what: str) -> PlanError:
        """Return an error that names this line."""
        return PlanError(self.path, self.line, what)


def read_rows(path: Path, columns: Sequence[str]) -> list[Row]:
    """Return the lines of a table.

    Raises
    ------
    PlanError
        If the file cannot be read, its head is another one, or a line has more or fewer cells.
    """
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise PlanError(path, 0, f"it cannot be read: {error}") from error
    reader = csv.reader(text.splitlines(), strict=True)
    rows: list[Row] = []
    try:
        head = next(reader, [])
        if head != list(columns):
            raise PlanError(path, 1, f"the head must be {','.join(columns)}")
        for cells in reader:
            if len(cells) != len(columns):
                raise PlanError(
                    path, reader.line_num, f"{len(cells)} cells in place of {len(columns)}"
                )
            stripped = [cell.strip() for cell in cells]
            rows.append(Row(path, reader.line_num, dict(zip(columns, stripped, strict=True))))
    except csv.Error as error:
        raise PlanError(path, reader.line_num, str(error)) from error
    if not rows:
        raise PlanError(path, 0, "it holds no line")
    return rows
