"""An uncertainty budget as a table of at most 80 columns."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator

from knuckle.model.budget import effective_degrees_of_freedom, evaluation_type
from knuckle.model.result import BudgetTerm, Outcome, Result
from knuckle.report.figures import SHORT_NAMES

WIDTH = 80
_TERM = 47
_ROW = "  {:<47}{:>9}{:>8}  {:^4}{:>8}"


def budget_tables(outcome: Outcome) -> Iterator[str]:
    """Yield the whole budget of each result: terms, combined and expanded uncertainty."""
    for result in outcome.results.values():
        yield ""
        yield from budget_table(result)


def with_budget(lines: Iterator[str], outcome: Outcome, wanted: bool) -> Iterator[str]:
    """Yield an outcome's lines, and its budgets behind them where they are wanted."""
    yield from lines
    if wanted:
        yield from budget_tables(outcome)


def budget_table(result: Result) -> Iterator[str]:
    """Yield the budget of one result, largest term first."""
    yield f"Budget of {SHORT_NAMES[result.quantity]} ({result.value:+.3f} {result.unit}), one sigma"
    yield _ROW.format("term", f"u, {result.unit}", "share", "type", "dof")
    combined = result.standard_uncertainty
    for term in result.budget:
        if term.standard_uncertainty != 0.0:
            yield from _term_lines(term, combined)
    freedom = effective_degrees_of_freedom(result.budget)
    yield _ROW.format("combined", f"{combined:.4f}", "100.0 %", "", _freedom(freedom))
    yield (
        f"  expanded, 95 %: k = {result.coverage_factor:.3f}, "
        f"U = {result.expanded_uncertainty:.4f} {result.unit}"
    )
    absent = [term.term for term in result.budget if term.standard_uncertainty == 0.0]
    if absent:
        yield from textwrap.wrap(
            f"no part in it: {'; '.join(absent)}",
            WIDTH,
            initial_indent="  ",
            subsequent_indent="    ",
        )


def _term_lines(term: BudgetTerm, combined: float) -> Iterator[str]:
    name, *more = textwrap.wrap(term.term, _TERM - 1)
    share = 100.0 * term.standard_uncertainty**2 / max(combined**2, 1e-300)
    yield _ROW.format(
        name,
        f"{term.standard_uncertainty:.4f}",
        f"{share:.1f} %",
        evaluation_type(term),
        _freedom(term.degrees_of_freedom),
    )
    for line in more:
        yield f"    {line}"


def _freedom(freedom: float) -> str:
    if not math.isfinite(freedom) or freedom > 99999.0:
        return "inf" if math.isinf(freedom) else ">99999"
    return f"{freedom:.1f}" if freedom < 100.0 else f"{freedom:.0f}"
