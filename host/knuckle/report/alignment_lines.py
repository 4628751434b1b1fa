"""From a job as it stands to the page of its report."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Sequence
from typing import Final

import knuckle
from knuckle.alignment.compare import Standing
from knuckle.job.book import JobView
from knuckle.job.figures import Figure, Row
from knuckle.model.result import Result
from knuckle.report.alignment_page import (
    BudgetLine,
    Line,
    Page,
    Plot,
    Reading,
    Section,
    Verdict,
)
from knuckle.report.alignment_tables import tables
from knuckle.report.alignment_words import change_words, name_of, toe_words

SECTIONS: Final = (
    ("Front axle", ("LF", "RF", "front")),
    ("Rear axle", ("LR", "RR", "rear")),
    ("The car", ("", "car")),
)
_VERDICTS: Final = {
    None: Verdict.NO_TARGET,
    Standing.INSIDE: Verdict.INSIDE,
    Standing.OUTSIDE: Verdict.OUTSIDE,
    Standing.CANNOT_TELL: Verdict.CANNOT_TELL,
}
SMALL_SHARE: Final = 0.01
"""Of the variance: terms below it stand in one line. The JSON has each."""
STALE: Final = "turned since: read again"
CAUTIONS: Final = (
    "A report is of the car as it stood when it was read: settle it, and read it again after any "
    "further work.",
    "Lock nuts, bolts and wheel nuts at the car maker's torques; enough thread stays engaged.",
    "The first drive is slow, where nobody is: brakes first; stop if anything pulls or knocks.",
    "Local rules come first. If you are not sure of brakes, steering or suspension, have a "
    "qualified person look at them before the car is used on a road or track.",
)


def page_of(view: JobView, plots: Sequence[Plot] = ()) -> Page:
    """Return the page of a job's report.

    Parameters
    ----------
    view : JobView
    plots : sequence of Plot
        Of its sweeps and curves.
    """
    sections = []
    for title, places in SECTIONS:
        rows = [row for row in view.figures if row.place in places]
        if rows:
            sections.append(Section(title, tuple(_line(row, view) for row in rows)))
    state = "closed" if view.state.closed else "open"
    return Page(
        car=view.car.name,
        job=f"job {view.row.job_id}, {state}",
        dates=_dates(view),
        summary=_summary(view.figures),
        sections=tuple(sections),
        tables=tables(view),
        plots=tuple(plots),
        notes=tuple(_notes(view)),
        cautions=CAUTIONS,
        version=knuckle.__version__,
    )


def _dates(view: JobView) -> str:
    stamps = [view.row.begun_utc, *(run.started_utc for run in view.runs.values())]
    first, last = (stamp[:16].replace("T", " ") for stamp in (min(stamps), max(stamps)))
    return f"{first} UTC" if first == last else f"{first} to {last} UTC"


def _summary(rows: Sequence[Row]) -> str:
    if not rows:
        return "Nothing has been read yet."
    judged = [row for row in rows if row.now.standing is not None]
    if not judged:
        return f"{_count(len(rows), 'figure')} read; the car file names no targets for them."
    found = Counter(row.now.standing for row in judged)
    words = [
        f"{found[standing]} {text}"
        for standing, text in (
            (Standing.INSIDE, "inside"),
            (Standing.OUTSIDE, "outside"),
            (Standing.CANNOT_TELL, "that the uncertainty cannot tell"),
        )
        if found[standing]
    ]
    text = f"Of {_count(len(judged), 'figure')} with a target: {', '.join(words)}."
    if any(row.stale for row in rows):
        text += " Something was turned since some of them were read: read them again."
    return text


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}{'' if number == 1 else 's'}"


def _line(row: Row, view: JobView) -> Line:
    target = row.target
    last = row.now.result
    return Line(
        name=name_of(row.quantity),
        place=row.place if row.place not in ("front", "rear", "car") else "",
        unit=last.unit,
        low=None if target is None else target.low,
        aim=None if target is None else target.value,
        high=None if target is None else target.high,
        before=None if row.before is None else _reading(row.before, view),
        after=None if row.after is None else _reading(row.after, view),
        change=_change(row),
        condition=last.condition,
        budget=tuple(_budget(last)),
    )


def _change(row: Row) -> str:
    words = change_words(row.change, row.changed)
    return "; ".join(part for part in (words, STALE if row.stale else "") if part)


def _reading(figure: Figure, view: JobView) -> Reading:
    result = figure.result
    return Reading(
        result.value,
        result.expanded_uncertainty,
        _VERDICTS[figure.standing],
        toe_words(result, view.car),
    )


def _budget(result: Result) -> Iterator[BudgetLine]:
    whole = sum(term.standard_uncertainty**2 for term in result.budget)
    small = []
    for term in result.budget:
        share = term.standard_uncertainty**2 / whole if whole > 0.0 else 0.0
        if share < SMALL_SHARE:
            small.append(term.standard_uncertainty)
            continue
        freedom = term.degrees_of_freedom
        words = f"{freedom:.0f}" if math.isfinite(freedom) else "infinite"
        yield BudgetLine(term.term, term.standard_uncertainty, share, words)
    if small:
        u = math.hypot(*small)
        words = f"{_count(len(small), 'further term')}, together"
        yield BudgetLine(words, u, u**2 / whole if whole > 0.0 else 0.0, "")


def _notes(view: JobView) -> Iterator[str]:
    for entered in view.state.notes:
        text = str(entered.record.get("text", ""))
        if text:
            yield f"{entered.entry.written_utc[:16].replace('T', ' ')} UTC: {text}"
    if not view.state.pads:
        yield "No pads were entered: camber, caster and inclination are relative to gravity."
    toe = [row for row in view.figures if row.quantity.value == "toe"]
    if toe and not view.state.strings:
        yield "No offsets of strings were entered: toe is against the strings as they hung."
    seen = dict.fromkeys(
        f"{warning.code}: {warning.text}" for row in view.figures for warning in row.now.warnings
    )
    yield from seen
