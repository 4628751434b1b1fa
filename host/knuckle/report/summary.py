"""Runs and results in words: the lines that `knuckle runs` and `knuckle show` print.

Plain text of at most 80 columns where a width is given; nothing here knows the terminal.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime, tzinfo
from typing import TYPE_CHECKING, Final

from knuckle.model.result import SWEPT, Outcome, Quantity
from knuckle.report.assumed import fact_lines
from knuckle.report.budget_text import budget_tables
from knuckle.report.figures import SHORT_NAMES, decimals_for, number, with_uncertainty
from knuckle.report.noise_text import noise_lines
from knuckle.report.outcome_text import decimals_of, outcome_lines
from knuckle.report.validation_text import validation_lines
from knuckle.store.rows import Figure, RunDetail, RunState, RunSummary, StreamRow
from knuckle.store.wheel_facts import of_wheel, own_facts, wheels_in

if TYPE_CHECKING:  # it needs numpy, which a list of runs does without
    from knuckle.store.arrivals import SampleClock

LIST_DECIMALS: Final = 2
SHOW_WIDTH: Final = 80
_LIST_ROW: Final = "{:>4}  {:<16}  {:<6} {:<2} {:<11} {:>10} {:>11} {:>11}"


def local_time(stamp: str | None, zone: tzinfo | None = None, *, seconds: bool = False) -> str:
    """Return a stored time stamp as local time; a stamp that cannot be read as it is.

    Parameters
    ----------
    zone : tzinfo, optional
        This machine's if absent.
    """
    if stamp is None:
        return "unknown"
    try:
        moment = datetime.fromisoformat(stamp).astimezone(zone)
    except ValueError:
        return stamp
    return moment.strftime("%Y-%m-%d %H:%M:%S %z" if seconds else "%Y-%m-%d %H:%M")


def list_lines(
    summaries: Sequence[RunSummary],
    *,
    plus_minus: str = "±",
    width: int | None = None,
    zone: tzinfo | None = None,
) -> Iterator[str]:
    """Yield a list of runs, a line for each wheel of each run, notes below.

    Parameters
    ----------
    plus_minus : str
        As the output can show it.
    width : int, optional
        Lines are cut to it (notes only: the rest fits 80); whole if absent.
    zone : tzinfo, optional
        For the times; this machine's if absent.
    """
    heads = [f"{SHORT_NAMES[quantity]}/deg" for quantity in SWEPT]
    yield _LIST_ROW.format("run", "when", "kind", "wh", "state", *heads).rstrip()
    for summary in summaries:
        first = (
            str(summary.run_id),
            local_time(summary.started_utc, zone),
            summary.kind,
            summary.state.value,
        )
        for number_of_row, wheel in enumerate(_wheels(summary)):
            run, when, kind, state = first if number_of_row == 0 else ("", "", "", "")
            cells = [_cell(summary.figures, wheel, q, plus_minus) for q in SWEPT]
            yield _LIST_ROW.format(run, when, kind, wheel, state, *cells).rstrip()
        for figure in summary.figures:
            # Camber, caster and SAI have columns of their own.
            if figure.quantity not in {quantity.value for quantity in SWEPT}:
                yield f"      {_in_words(figure, plus_minus)}"
        if summary.refused_codes:
            yield _cut(f"      refused: {', '.join(summary.refused_codes)}", width)
        if summary.note:
            more = f" (+{summary.note_count - 1})" if summary.note_count > 1 else ""
            yield _cut(f"      note{more}: {' '.join(summary.note.split())}", width)


def _wheels(summary: RunSummary) -> list[str]:
    # What is of a pair, under "front", has no column here.
    shown = (f.wheel for f in summary.figures if len(f.wheel) <= 2)
    wheels = dict.fromkeys((*summary.wheels, *shown))
    return list(wheels) or [""]


def _cell(figures: Sequence[Figure], wheel: str, quantity: Quantity, plus_minus: str) -> str:
    for figure in figures:
        if figure.wheel == wheel and figure.quantity == quantity.value:
            text = with_uncertainty(
                figure.value, figure.expanded_uncertainty, plus_minus, LIST_DECIMALS
            )
            return text.replace(" ", "")
    return ""


def _in_words(figure: Figure, plus_minus: str) -> str:
    places = decimals_of(figure.unit)
    text = with_uncertainty(figure.value, figure.expanded_uncertainty, plus_minus, places)
    return f"{figure.quantity} of {figure.wheel}: {text} {figure.unit}"


def _cut(line: str, width: int | None) -> str:
    return line if width is None or len(line) <= width else line[: max(width - 3, 0)] + "..."


def detail_lines(
    detail: RunDetail,
    *,
    plus_minus: str = "±",
    zone: tzinfo | None = None,
    clocks: Mapping[int, SampleClock] | None = None,
    budget: bool = False,
) -> Iterator[str]:
    """Yield all that is known of a run, in words.

    Parameters
    ----------
    plus_minus : str
        As the output can show it.
    zone : tzinfo, optional
        For the times; this machine's if absent.
    clocks : mapping, optional
        Of the streams by number: when their samples were taken.
    budget : bool
        Whether budgets have their types and degrees of freedom as well.
    """
    clocks = clocks or {}
    summary = detail.summary
    yield f"Run {summary.run_id}: {summary.kind}, {summary.state.value}"
    if summary.state is RunState.INTERRUPTED:
        yield "  It was stopped before its end; everything captured until then is kept."
    yield f"  started  {local_time(summary.started_utc, zone, seconds=True)}"
    yield f"  ended    {local_time(summary.ended_utc, zone, seconds=True)}"
    yield f"  program  knuckle {summary.program_version}"
    for wheel in ("", *wheels_in(detail.facts)):
        facts = own_facts(detail.facts, wheel) if wheel else of_wheel(detail.facts, None)
        for line in fact_lines(facts, lambda date: local_time(date, zone)):
            yield from _wrapped(f"  {wheel + ': ' if wheel else ''}{line}")
    for row in detail.streams:
        yield ""
        yield from _stream_lines(row)
        if row.stream in clocks:
            first = local_time(clocks[row.stream].first_sample_utc, zone, seconds=True)
            yield f"  first sample at {first}"
    latest = {row.result_id for row in detail.latest()}
    for result in detail.results:
        yield ""
        yield (
            f"Result {_of_wheel(result.outcome)}by {result.method}, knuckle "
            f"{result.program_version}, {local_time(result.measured_utc, zone)}"
        )
        if result.result_id in latest:
            yield from outcome_lines(result.outcome)
            clock = _clock_of(detail, result.outcome, clocks)
            if clock is not None and result.outcome.rests:
                yield from _wrapped(f"  Rests from {_starts(result.outcome, clock, zone)}")
            tables = budget_tables if budget else budget_lines
            yield from tables(result.outcome)
            if result.outcome.measure == "noise" and detail.facts.get("noise"):
                yield from noise_lines(detail.facts["noise"])
            if result.outcome.measure == "validate" and detail.facts.get("validate"):
                yield from validation_lines(detail.facts["validate"])
        else:
            yield f"  {_figures_in_one_line(result.outcome, plus_minus)}"
            yield "  (a later result of this wheel replaces it)"
    if summary.state is RunState.INTERRUPTED and detail.streams and not detail.results:
        yield ""
        yield from _wrapped(
            f"No result yet. `knuckle export {summary.run_id} --as capture` writes what was "
            "captured to a file; `knuckle analyze` measures it."
        )
    for note in detail.notes:
        yield ""
        yield from _wrapped(f"Note of {local_time(note.written_utc, zone)}: {note.text}")


def _of_wheel(outcome: Outcome) -> str:
    return f"for {outcome.wheel} " if outcome.wheel else ""


def _stream_lines(row: StreamRow) -> Iterator[str]:
    yield f"Stream {row.stream}: {row.wheel or 'on no wheel'}, {row.address or 'address unknown'}"
    if row.hello is not None:
        named = f"{row.hello['name']!r}, " if row.hello["name"] else ""
        yield (
            f"  pod {row.identity or 'without identity'}: {named}{row.hello['hardware']}, "
            f"firmware {row.hello['firmware']}"
        )
    elif row.identity:
        yield f"  pod {row.identity}: speaks the text format"
    yield f"  {row.byte_count} bytes in {row.chunk_count} chunks over {row.duration_s:.1f} s"


def _clock_of(
    detail: RunDetail, outcome: Outcome, clocks: Mapping[int, SampleClock]
) -> SampleClock | None:
    of_wheel = [row.stream for row in detail.streams if row.wheel == outcome.wheel]
    if not of_wheel and len(detail.streams) == 1:
        of_wheel = [detail.streams[0].stream]
    return clocks.get(of_wheel[0]) if of_wheel else None


def _starts(outcome: Outcome, clock: SampleClock, zone: tzinfo | None) -> str:
    moments = [datetime.fromisoformat(clock.stamp(rest.start_s)) for rest in outcome.rests]
    return ", ".join(f"{moment.astimezone(zone):%H:%M:%S}" for moment in moments)


def _wrapped(line: str) -> list[str]:
    return textwrap.wrap(line, SHOW_WIDTH, subsequent_indent="    ", break_long_words=False)


def _figures_in_one_line(outcome: Outcome, plus_minus: str) -> str:
    if outcome.refused is not None:
        return f"refused: {outcome.refused.code}"
    return ", ".join(
        f"{SHORT_NAMES[result.quantity]} "
        f"{with_uncertainty(result.value, result.expanded_uncertainty, plus_minus)} {result.unit}"
        for result in outcome.results.values()
    )


def budget_lines(outcome: Outcome) -> Iterator[str]:
    """Yield the whole uncertainty budget of each result, largest term first."""
    for result in outcome.results.values():
        yield f"Budget of {SHORT_NAMES[result.quantity]}, standard uncertainties:"
        combined = result.standard_uncertainty
        for term in result.budget:
            if term.standard_uncertainty == 0.0:
                continue
            share = (term.standard_uncertainty / combined) ** 2 if combined > 0.0 else 0.0
            most = 5 if result.unit == "deg/mm" else 3
            places = min(decimals_for(term.standard_uncertainty), most)
            yield (
                f"  {number(term.standard_uncertainty, places):>8} {result.unit} {share:>4.0%}"
                f"  {term.term}"
            )
