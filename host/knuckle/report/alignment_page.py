"""What the report of an alignment shows, as plain data: lines of figures, tables, plots, words.

Drawn by `report/alignment_html.py`. Nothing here knows where a figure came from.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum


class Verdict(StrEnum):
    """Of a reading against the target's band; its uncertainty has its say."""

    INSIDE = "inside"
    OUTSIDE = "outside"
    CANNOT_TELL = "cannot tell"
    NO_TARGET = "no target"


@dataclass(frozen=True, slots=True)
class Reading:
    """A figure at one time.

    Attributes
    ----------
    value, expanded_uncertainty : float
        In the line's unit.
    verdict : Verdict
    also : str
        The same in other units, in words.
    """

    value: float
    expanded_uncertainty: float
    verdict: Verdict
    also: str = ""


@dataclass(frozen=True, slots=True)
class BudgetLine:
    """One term of the last reading's budget; its share of the variance is 0 to 1."""

    term: str
    standard_uncertainty: float
    share: float
    freedom: str


@dataclass(frozen=True, slots=True)
class Line:
    """One figure of the car: one row of the report.

    Attributes
    ----------
    name : str
        "Camber", "Total toe".
    place : str
        "LF", or "" where the section says it.
    unit : str
    low, aim, high : float or None
        The target's band.
    before, after : Reading or None
    change : str
        What may be said of after against before, in words.
    condition : str
        Under which the last reading holds.
    budget : tuple of BudgetLine
        Of the last reading.
    """

    name: str
    place: str
    unit: str
    low: float | None = None
    aim: float | None = None
    high: float | None = None
    before: Reading | None = None
    after: Reading | None = None
    change: str = ""
    condition: str = ""
    budget: tuple[BudgetLine, ...] = ()

    @property
    def last(self) -> Reading | None:
        """The reading that counts now."""
        return self.after or self.before


@dataclass(frozen=True, slots=True)
class Section:
    """Lines that belong together: an axle, the car."""

    title: str
    lines: tuple[Line, ...]


@dataclass(frozen=True, slots=True)
class Table:
    """A table of words: pads, strings, adjustments, sensors."""

    title: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    note: str = ""


@dataclass(frozen=True, slots=True)
class Plot:
    """A picture: PNG bytes, what it shows in words, and a line under it."""

    png: bytes
    alternative: str
    caption: str


@dataclass(frozen=True, slots=True)
class Page:
    """The whole report.

    Attributes
    ----------
    car, job, dates : str
    summary : str
        One sentence: how many figures are inside, outside, cannot be told.
    sections, tables, plots : tuples
    notes, cautions : tuple of str
    version : str
        Of the program.
    """

    car: str
    job: str
    dates: str
    summary: str
    sections: tuple[Section, ...]
    tables: tuple[Table, ...] = ()
    plots: tuple[Plot, ...] = ()
    notes: tuple[str, ...] = ()
    cautions: tuple[str, ...] = field(default=())
    version: str = ""
