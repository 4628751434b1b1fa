"""Figures of a car side by side: two rounds, two jobs, left and right."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from knuckle.alignment.compare import MATTERS_DEG, Difference, verdict_of
from knuckle.alignment.shared import Part, combined
from knuckle.job.book import JobView
from knuckle.job.conditions import conditions_at, differences
from knuckle.job.figures import Figure, Row, change_between
from knuckle.model.result import SWEPT, Quantity, Result
from knuckle.store.rows import JobEntryRow

OF_SIDES: Final = (*SWEPT, Quantity.INCLUDED, Quantity.TOE)
"""Figures that left and right may share."""
SIDES: Final = (("LF", "RF"), ("LR", "RR"))


@dataclass(frozen=True, slots=True)
class Beside:
    """Two figures and their difference.

    Attributes
    ----------
    quantity : Quantity
    place : str
        "LF", "front"; "LF - RF" of two sides.
    first, second : Figure
    difference : Result
        Second less first; of two sides left less right. What both share has cancelled.
    verdict : Difference
    """

    quantity: Quantity
    place: str
    first: Figure
    second: Figure
    difference: Result
    verdict: Difference


@dataclass(frozen=True, slots=True)
class Comparison:
    """A comparison of many figures.

    Attributes
    ----------
    rows : tuple of Beside
    unlike : tuple of str
        Conditions that differ, in words.
    only_once : tuple of str
        Figures that only one of the two has, in words.
    """

    rows: tuple[Beside, ...]
    unlike: tuple[str, ...]
    only_once: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Times:
    """A job, and which of its rounds is meant.

    Attributes
    ----------
    view : JobView
    entries : sequence of JobEntryRow
        All of the job.
    which : str
        "before", "after" or "now": the newest of either.
    """

    view: JobView
    entries: Sequence[JobEntryRow]
    which: str = "now"

    def figure(self, row: Row) -> Figure | None:
        """Return the figure meant, or None."""
        if self.which == "now":
            return row.now
        return row.before if self.which == "before" else row.after


def compare_times(first: Times, second: Times) -> Comparison:
    """Return what two times have in common, second less first, and in what they are unlike."""
    ours = {(row.place, row.quantity): row for row in first.view.figures}
    theirs = {(row.place, row.quantity): row for row in second.view.figures}
    rows: list[Beside] = []
    alone: list[str] = []
    for key in dict.fromkeys((*ours, *theirs)):
        pair = [
            None if key not in side else times.figure(side[key])
            for times, side in ((first, ours), (second, theirs))
        ]
        one, other = pair
        if one is None or other is None:
            if one is not other:
                alone.append(f"{key[0]} {key[1].value.replace('_', ' ')}")
            continue
        difference = change_between(one, other)
        verdict = verdict_of(difference, MATTERS_DEG.get(key[1]))
        rows.append(Beside(key[1], key[0], one, other, difference, verdict))
    return Comparison(tuple(rows), tuple(_unlike(first, second, rows)), tuple(alone))


def _unlike(first: Times, second: Times, rows: Sequence[Beside]) -> Iterator[str]:
    found: dict[str, None] = {}
    for row in rows:
        ends = [
            conditions_at(
                times.entries,
                times.view.car,
                _taken_at(figure, times),
            )
            for times, figure in ((first, row.first), (second, row.second))
        ]
        found.update(dict.fromkeys(differences(*ends)))
    yield from found
    for name, one, other in (
        ("wheelbase", first.view.car.wheelbase_mm, second.view.car.wheelbase_mm),
        ("rim measuring length", first.view.car.rim_mm, second.view.car.rim_mm),
    ):
        if one != other:
            yield f"{name} {one:g} against {other:g} mm in the car file"


def _taken_at(figure: Figure, times: Times) -> int:
    """Return the last entry that a figure comes from; one by tape names no reading."""
    newest = max(entry.sequence for entry in times.entries)
    return max((reading.sequence for reading in figure.readings), default=newest)


def compare_sides(times: Times) -> Comparison:
    """Return left less right of every figure that both sides have."""
    rows_of = {(row.place, row.quantity): row for row in times.view.figures}
    rows: list[Beside] = []
    alone: list[str] = []
    for left, right in SIDES:
        for quantity in OF_SIDES:
            pair = [
                None if row is None else times.figure(row)
                for row in (rows_of.get((left, quantity)), rows_of.get((right, quantity)))
            ]
            one, other = pair
            if one is None or other is None:
                if one is not other:
                    side = left if other is None else right
                    alone.append(f"{side} {quantity.value.replace('_', ' ')}")
                continue
            parts = [
                *one.parts,
                *(Part(part.result, -part.weight, part.origin) for part in other.parts),
            ]
            difference = combined(quantity, parts, "difference")
            verdict = verdict_of(difference, MATTERS_DEG.get(quantity))
            place = f"{left} - {right}"
            rows.append(Beside(quantity, place, one, other, difference, verdict))
    return Comparison(tuple(rows), (), tuple(alone))
