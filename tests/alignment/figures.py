"""Small makers of results for the tests of this folder, and the worked document."""

from __future__ import annotations

import math
from pathlib import Path

from knuckle.model.result import BudgetTerm, Quantity, Result

THEORY = Path(__file__).resolve().parents[2] / "docs" / "alignment-theory.md"


def made(quantity: Quantity, value: float, condition: str = "", **sources: float) -> Result:
    """Return a result whose budget holds these sources (one sigma), all stated tolerances."""
    terms = tuple(BudgetTerm(name, name, u) for name, u in sources.items())
    u = math.sqrt(sum(x**2 for x in sources.values()))
    return Result(quantity, value, 1.959964 * u, 1.959964, "deg", terms, condition)


def u_of(result: Result, source: str) -> float:
    """Return the standard uncertainty that a source leaves; 0 without it."""
    return sum(t.standard_uncertainty for t in result.budget if t.source == source)


def worked(number: int) -> str:
    """Return a numbered section of docs/alignment-theory.md."""
    text = THEORY.read_text(encoding="utf-8")
    start = text.index(f"\n## {number}. ")
    end = text.find("\n## ", start + 1)
    return text[start : end if end > 0 else None]
