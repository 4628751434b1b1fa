"""The table of a budget: what it holds, and that it fits 80 columns."""

from __future__ import annotations

import math

import pytest

from knuckle.analysis.summary import TERMS, coverage_factor
from knuckle.model.budget import effective_degrees_of_freedom
from knuckle.model.result import BudgetTerm, Outcome, Quantity, Result
from knuckle.report.budget_text import budget_tables, with_budget
from report.made_sweep import made_outcome


def table(*terms: BudgetTerm) -> list[str]:
    combined = math.sqrt(sum(term.standard_uncertainty**2 for term in terms))
    k = coverage_factor(terms)
    result = Result(Quantity.CAMBER, -1.5, k * combined, k, "deg", terms)
    return list(budget_tables(Outcome("camber", "LF", {Quantity.CAMBER: result})))


def test_a_table_by_hand() -> None:
    """0.3 and 0.4 with 4 degrees of freedom: 0.5, and 0.5^4/(0.4^4/4) = 9.766."""
    lines = table(
        BudgetTerm("zero: bias of the accelerometer", "zero", 0.4, 4.0),
        BudgetTerm("mount: spin axis against the pod", "mount", 0.3),
        BudgetTerm("steer angle: turn-plate readings", "plates", 0.0),
    )
    rows = [line.split() for line in lines]
    assert rows[2] == ["term", "u,", "deg", "share", "type", "dof"]
    assert rows[3][-5:] == ["0.4000", "64.0", "%", "A", "4.0"]
    assert rows[4][-5:] == ["0.3000", "36.0", "%", "B", "inf"]
    assert rows[5] == ["combined", "0.5000", "100.0", "%", "9.8"]
    # Student, two-sided 95 %: 2.262 for 9 and 2.228 for 10 degrees of freedom (GUM table G.2).
    assert "k = 2.2" in lines[6] and "U = 1.1" in lines[6]
    assert "no part in it: steer angle" in lines[7]


@pytest.mark.parametrize("freedom", [1.0, 99.96, 123456.0, math.inf])
@pytest.mark.parametrize("u", [1e-6, 0.2, 180.0])
def test_every_term_fits_80_columns(freedom: float, u: float) -> None:
    lines = table(*(BudgetTerm(name, source, u, freedom) for source, name in TERMS.items()))
    assert max(map(len, lines)) <= 80
    words = " ".join(" ".join(lines).split())
    for name in TERMS.values():
        assert name.split()[-1] in words


def test_nothing_known_is_shown_all_the_same() -> None:
    assert max(map(len, table(BudgetTerm("zero: bias", "zero", 0.0)))) <= 80


def test_it_is_printed_where_it_is_wanted() -> None:
    outcome = made_outcome()
    assert list(with_budget(iter(["x"]), outcome, False)) == ["x"]
    lines = list(with_budget(iter(["x"]), outcome, True))
    for result in outcome.results.values():
        freedom = effective_degrees_of_freedom(result.budget)
        assert any(line.split()[:1] == ["combined"] and f"{freedom:.0f}" in line for line in lines)
