"""The rim's runout taken out of toe or camber by positions of the rolled wheel.

The rim's plane wobbles about the wheel's own: its toe and camber swing by R cos(phi - phi0) as
the wheel is rolled by phi. Two positions half a turn apart have opposite swings, so their mean
is the wheel's.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from knuckle.alignment.shared import term_of, with_budget
from knuckle.errors import MeasurementRefused
from knuckle.estimate.priors import Given
from knuckle.model.block import FloatArray
from knuckle.model.result import BudgetTerm, Result

ROLL_U_DEG: Final = 5.0
"""By how much a wheel that is rolled half a turn by eye is off; common practice, no source."""
_OWN: Final = frozenset({"noise", "touch", "scatter"})
"""What differs from one position to the next; all else they share, and a mean does not better."""


@dataclass(frozen=True, slots=True)
class Rolled:
    """A figure without the rim's runout.

    Attributes
    ----------
    result : Result
    swing_deg : Given
        Of two positions: half their difference, the part of the runout that they saw, signed
        as at the first. Of three or more: the whole amplitude.
    swing_mm : Given or None
        The same as the full swing of the rim's edge sideways, which a dial gauge there would
        show from lowest to highest; None without a rim length.
    whole : bool
        Whether the amplitude is the whole one.
    """

    result: Result
    swing_deg: Given
    swing_mm: Given | None
    whole: bool


def half_turn(
    first: Result, second: Result, *, rim_mm: float | None = None, roll_u_deg: float = ROLL_U_DEG
) -> Rolled:
    """Return the mean of two rim positions, the wheel rolled half a turn between them.

    Parameters
    ----------
    first, second : Result
        Toe or camber of one wheel, by the same means.
    rim_mm : float or None
        Between the touches.
    roll_u_deg : float
        Standard uncertainty of the half turn.

    Raises
    ------
    ValueError
        If the two are not of one quantity.

    Notes
    -----
    Derived in docs/alignment-theory.md. With swings R cos(p) and R cos(p + pi + e) the mean is
    off by R e sin(p) / 2, and cos(p) and sin(p) are alike at an unknown p: the term `runout`
    becomes its u, or what was seen if that is more, times u(roll) / 2.
    """
    mean = _averaged([first, second], np.array([0.5, 0.5]))
    stated = max(_u_of(first, ("runout",)), _u_of(second, ("runout",)))
    seen = (first.value - second.value) / 2.0
    left = max(stated, abs(seen)) * math.radians(roll_u_deg) / 2.0
    swing = Given(seen, math.hypot(_u_of(first, _OWN), _u_of(second, _OWN)) / 2.0)
    result = with_budget(
        mean.quantity,
        mean.value,
        [*mean.budget, term_of("runout", left)],
        mean.condition,
        mean.unit,
    )
    return Rolled(result, swing, _edge(swing, rim_mm), False)


def rolled(
    positions: Sequence[tuple[float, Result]],
    *,
    rim_mm: float | None = None,
    roll_u_deg: float = ROLL_U_DEG,
) -> Rolled:
    """Return the figure without runout, and the whole runout, from three or more rim positions.

    Parameters
    ----------
    positions : sequence of (float, Result)
        By how far the wheel was rolled from the first, deg, and what was measured there.
    rim_mm, roll_u_deg
        As of `half_turn`.

    Raises
    ------
    MeasurementRefused
        RIM_POSITIONS: fewer than three, or too close to each other to tell.
    ValueError
        If they are not of one quantity.

    Notes
    -----
    Least squares of value = mean + a cos(phi) + b sin(phi); the amplitude is hypot(a, b). A
    place missed by e moves the reading there by R e times a sine, R e / sqrt(2) root mean square.
    """
    phi = np.radians([at for at, _ in positions])
    design = np.stack([np.ones_like(phi), np.cos(phi), np.sin(phi)], axis=1)
    if len(positions) < 3 or np.linalg.cond(design) > 10.0:
        raise MeasurementRefused(
            "RIM_POSITIONS",
            "These rim positions do not tell the runout.",
            "There are fewer than three, or they are too close to each other.",
            "Roll the wheel by quarter turns, or by half a turn and take the mean of two.",
        )
    solve = np.linalg.pinv(design)
    results = [result for _, result in positions]
    mean = _averaged(results, solve[0])
    _, cosine, sine = (float(x) for x in solve @ np.array([r.value for r in results]))
    amplitude = math.hypot(cosine, sine)
    along = np.array([0.0, cosine, sine]) / max(amplitude, 1e-12) @ solve
    missed = amplitude * math.radians(roll_u_deg) / math.sqrt(2.0)
    own = np.array([_u_of(result, _OWN) for result in results])
    u_swing = math.hypot(float(np.linalg.norm(along * own)), missed * float(np.linalg.norm(along)))
    left = missed * float(np.linalg.norm(solve[0]))
    result = with_budget(
        mean.quantity,
        mean.value,
        [*mean.budget, term_of("runout", left)],
        mean.condition,
        mean.unit,
    )
    swing = Given(amplitude, u_swing)
    return Rolled(result, swing, _edge(swing, rim_mm), True)


def _averaged(results: Sequence[Result], weight: FloatArray) -> Result:
    """Return the weighted sum (weights add up to one) without the runout."""
    if len({result.quantity for result in results}) != 1:
        raise ValueError("rim positions must be of one quantity")
    rows: dict[str, list[tuple[float, BudgetTerm]]] = {}
    for share, result in zip(weight, results, strict=True):
        for term in result.budget:
            rows.setdefault(term.source, []).append((float(share), term))
    terms = []
    for source, row in rows.items():
        moved = [share * term.standard_uncertainty for share, term in row]
        own = source in _OWN
        u = math.sqrt(sum(x**2 for x in moved)) if own else abs(sum(moved))
        # Touches of several positions pool their repeats.
        each = [term.degrees_of_freedom for _, term in row]
        freedom = sum(each) if own else min(each)
        if source != "runout":
            terms.append(BudgetTerm(row[0][1].term, source, u, freedom))
    first = results[0]
    value = float(weight @ np.array([result.value for result in results]))
    return with_budget(first.quantity, value, terms, first.condition, first.unit)


def _u_of(result: Result, sources: Sequence[str] | frozenset[str]) -> float:
    return math.sqrt(
        sum(term.standard_uncertainty**2 for term in result.budget if term.source in sources)
    )


def _edge(swing: Given, rim_mm: float | None) -> Given | None:
    """A rim whose plane swings by R either way: its edge, rim/2 out, by rim sin(R) in all."""
    if rim_mm is None:
        return None
    angle = math.radians(swing.value)
    u_mm = rim_mm * math.cos(angle) * math.radians(swing.standard_uncertainty)
    return Given(rim_mm * math.sin(angle), u_mm)
