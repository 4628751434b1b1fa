"""What an uncertainty budget says as a whole: groups of terms, types, degrees of freedom."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

from knuckle.model.result import BudgetTerm

GROUPS: Final[dict[str, tuple[str, ...]]] = {
    "calibration": ("calibration", "chip_turn"),
    "zero": ("zero", "reversal", "squareness"),
    "mount": ("mount", "reseat"),
    "temperature": ("temperature",),
    "nonlinearity": ("nonlinearity",),
    "noise": ("noise", "scatter"),
    "steer angle": (
        "gyro",
        "gyro_calibration",
        "gyro_turn",
        "plates",
        "linear",
        "linear_calibration",
        "linear_geometry",
        "lever",
    ),
}
"""The terms that every camber, caster and inclination carries, by the sources that make them up."""

ONE_FIT: Final = frozenset({"calibration", "zero", "chip_turn", "nonlinearity"})
"""Sources whose terms come out of one fit: one scatter stands behind them all."""

NEARLY_CERTAIN: Final = 1e6
"""With more effective degrees of freedom Student's distribution is the normal one."""


def group_of(source: str) -> str | None:
    """Return the named group of a source; None for those that stand by themselves."""
    return next((name for name, sources in GROUPS.items() if source in sources), None)


def evaluation_type(term: BudgetTerm) -> str:
    """Return "A" where observed scatter stands behind a term, else "B".

    GUM (JCGM 100:2008) 4.2 and 4.3. A stated tolerance has no degrees of freedom of its own
    (G.4.2, G.4.3: infinitely many).
    """
    return "A" if math.isfinite(term.degrees_of_freedom) else "B"


def effective_degrees_of_freedom(terms: Sequence[BudgetTerm]) -> float:
    """Return the effective degrees of freedom of a budget, at least 1; infinite if none is finite.

    GUM (JCGM 100:2008) equation G.2b. It asks for variances that are estimated independently;
    the terms of one calibration are not, so they count as one there.
    """
    variance = sum(term.standard_uncertainty**2 for term in terms)
    finite = [term for term in terms if math.isfinite(term.degrees_of_freedom)]
    apart = [
        (term.standard_uncertainty**2, term.degrees_of_freedom)
        for term in finite
        if term.source not in ONE_FIT
    ]
    fitted = [term for term in finite if term.source in ONE_FIT]
    if fitted:
        together = sum(term.standard_uncertainty**2 for term in fitted)
        apart.append((together, min(term.degrees_of_freedom for term in fitted)))
    weight = sum(share**2 / freedom for share, freedom in apart)
    if not weight > 0.0:
        return math.inf
    return max(variance**2 / weight, 1.0)
