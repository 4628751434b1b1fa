"""Sums and differences of results, in which what they have in common cancels or adds up.

Two results that go through the same pod, mounting, pads or strings share those errors. The
variance of y = sum of w_i x_i is, source by source, the sum of w_i w_j r_ij u_i u_j (GUM, JCGM
100:2008, 5.2.2, equation 16) with the correlations of `correlation`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from knuckle.analysis.summary import TERMS, coverage_factor
from knuckle.model.result import BudgetTerm, Quantity, Result
from knuckle.model.wheel import Wheel


@dataclass(frozen=True, slots=True)
class Origin:
    """By what a result was measured; two results share what has the same name in both.

    An empty name is not known to be shared with anything, and nothing cancels by it.

    Attributes
    ----------
    wheel : Wheel or None
        None for a figure of an axle or the car.
    pod : str
        The pod with the calibration in use: its identity and the calibration's date, say.
    mounting : str
        One seating of the pod on the wheel, untouched between the results that share it.
    pads : str
        One levelling of the pads, with the car on it.
    strings : str
        One setting of the strings.
    rim : str
        One measurement of the length between the touches.
    straight_ahead : str
        One setting of the steering to straight ahead, at which the wheel's toe was the same.
    body_roll : str
        One measurement of the body's roll at the locks.
    reversal : str
        The reversal that found the pod's zero; empty for what comes with `pod`.
    string_correlation : float
        Of the errors of the left and the right string, -1 to 1.
    """

    wheel: Wheel | None = None
    pod: str = ""
    mounting: str = ""
    pads: str = ""
    strings: str = ""
    rim: str = ""
    straight_ahead: str = ""
    body_roll: str = ""
    reversal: str = ""
    string_correlation: float = 0.0


_NAMED_BY: Final[Mapping[str, Callable[[Origin], str]]] = {
    "zero": lambda origin: origin.pod,
    "reversal": lambda origin: origin.reversal or origin.pod,
    "squareness": lambda origin: origin.pod,
    "calibration": lambda origin: origin.pod,
    "chip_turn": lambda origin: origin.pod,
    "gyro_calibration": lambda origin: origin.pod,
    "gyro_turn": lambda origin: origin.pod,
    "mount": lambda origin: origin.mounting,
    "reseat": lambda origin: origin.mounting,
    "pads": lambda origin: origin.pads,
    "string": lambda origin: origin.strings,
    "rim_length": lambda origin: origin.rim,
    "straight_ahead": lambda origin: origin.straight_ahead,
    "body_roll": lambda origin: origin.body_roll,
}
"""What must be the same for a source to be shared. Those that are not here never are: noise,
scatter, touches; temperature, since the two may lie on either side of the calibration's; the
nonlinearity, whose sign turns with the reading; the linear sensor, which is off by another
amount at another length."""

POD_AGAIN: Final = 0.995
"""Correlation of the pod's share in one figure of one wheel, measured twice. Found in simulated
sweeps (tests/alignment/test_shared.py): 0.99 and more for changes of 1.5 deg and 3 deg of pitch."""
MOUNT_AGAIN: Final = 0.99
_ACROSS_THE_CAR: Final[Mapping[Quantity, Mapping[str, float]]] = {
    Quantity.CAMBER: {"zero": 0.97, "calibration": 0.9, "chip_turn": 0.999},
    Quantity.CASTER: {"zero": 0.5, "calibration": -0.8, "chip_turn": -0.995},
    Quantity.SAI: {"zero": 0.5, "calibration": 0.5, "chip_turn": -0.995},
}
"""Correlations of left and right by one pod that changes sides. It stands there turned by half
a turn about the vertical, so what comes of its X axis changes sign. Found as `POD_AGAIN`."""
_GYRO_ACROSS: Final = 0.97
_ZERO: Final = frozenset({"zero", "reversal", "squareness"})
"""Of the pod's zero: as calibrated, or as a reversal found it."""
_LEANS: Final = {Quantity.CAMBER, Quantity.SAI}


@dataclass(frozen=True, slots=True)
class Part:
    """One result in a sum, with its weight (-1 to subtract it)."""

    result: Result
    weight: float
    origin: Origin = Origin()


def correlation(source: str, a: Part, b: Part) -> float:
    """Return the correlation of the errors that a source leaves in two results, -1 to 1.

    Parameters
    ----------
    source : str
        Of a budget term.
    a, b : Part
        Their weights do not count.

    Notes
    -----
    Signs, derived in docs/alignment-theory.md: left pads higher takes from left camber and adds to
    right camber, and the other way round for inclination; front pads higher adds to caster on
    both sides. A string is its side's; its error is the same at front and rear wheel. A wrong rim
    length scales toe, so it changes sign with it. One misjudged straight ahead is toe-in on one
    side and toe-out on the other.
    """
    named = _NAMED_BY.get(source)
    if named is None or not named(a.origin) or named(a.origin) != named(b.origin):
        return 0.0
    one, other = a.origin.wheel, b.origin.wheel
    first, second = a.result.quantity, b.result.quantity
    if one is None or other is None:
        # A figure of an axle is like itself alone.
        same = one is None and other is None and first is second
        return _again(source, a, b) if same else 0.0
    if source == "pads":
        return _by_pads(first, one) * _by_pads(second, other) * _same_slope(a, b)
    if source == "string":
        same = one.is_left == other.is_left
        return 1.0 if same else a.origin.string_correlation
    if source == "rim_length":
        return _with_the_value(a, b)
    if first is not second:
        lean = source in _ZERO and {first, second} == _LEANS and one.is_front == other.is_front
        return (-0.9 if one is other else -0.8) if lean else 0.0
    if one is other:
        return _again(source, a, b)
    if one.is_front != other.is_front:
        return 0.0
    if source == "straight_ahead":
        return -1.0
    if source == "body_roll":
        return 1.0
    if source in ("mount", "reseat"):
        return 0.0
    if source.startswith("gyro"):
        return _GYRO_ACROSS
    return _ACROSS_THE_CAR.get(first, {}).get("zero" if source in _ZERO else source, 0.0)


def _again(source: str, a: Part, b: Part) -> float:
    """Correlation within one figure of one wheel: the pod has turned by what that changed.

    An error fixed in the pod's axes turns with it, and scale errors grow with the reading:
    counted as twice the turn.
    """
    if source in ("straight_ahead", "body_roll", "pads", "string"):
        return 1.0
    if source == "rim_length":
        return _with_the_value(a, b)
    most = {"mount": MOUNT_AGAIN, "reseat": MOUNT_AGAIN, "chip_turn": 0.999}.get(source, POD_AGAIN)
    return most * math.cos(2.0 * math.radians(a.result.value - b.result.value))


def _with_the_value(a: Part, b: Part) -> float:
    return math.copysign(1.0, a.result.value) * math.copysign(1.0, b.result.value)


def _by_pads(quantity: Quantity, wheel: Wheel) -> float:
    """Which way a slope that was missed moves a figure."""
    if quantity is Quantity.CASTER:
        return 1.0
    if quantity is Quantity.CAMBER:
        return -float(wheel.side)
    return float(wheel.side) if quantity is Quantity.SAI else 0.0


def _same_slope(a: Part, b: Part) -> float:
    """Whether both hang on the same slope: along, or across under the same axle."""
    along = [part.result.quantity is Quantity.CASTER for part in (a, b)]
    if along[0] != along[1] or a.origin.wheel is None or b.origin.wheel is None:
        return 0.0
    return 1.0 if along[0] or a.origin.wheel.is_front == b.origin.wheel.is_front else 0.0


def combined(
    quantity: Quantity,
    parts: Sequence[Part],
    condition: str = "",
    *,
    unit: str | None = None,
    scale: float = 1.0,
    more: Sequence[BudgetTerm] = (),
) -> Result:
    """Return the weighted sum of results with its budget.

    Parameters
    ----------
    quantity : Quantity
        Of the sum.
    parts : sequence of Part
        At least one, all in the same unit.
    condition : str
        Under which the sum holds.
    unit : str or None
        Of the sum; None for that of the parts.
    scale : float
        By which value and budget are multiplied.
    more : sequence of BudgetTerm
        Further independent terms, in the unit of the sum.

    Raises
    ------
    ValueError
        If there is no part, or their units differ.
    """
    units = {part.result.unit for part in parts}
    if len(units) != 1:
        raise ValueError(f"a sum needs parts in one unit, not {sorted(units)}")
    terms: dict[str, list[tuple[Part, BudgetTerm]]] = {}
    for part in parts:
        for term in part.result.budget:
            terms.setdefault(term.source, []).append((part, term))
    budget = [_joined(source, rows, abs(scale)) for source, rows in terms.items()]
    value = scale * sum(part.weight * part.result.value for part in parts)
    return with_budget(quantity, value, [*budget, *more], condition, unit or units.pop())


def _joined(source: str, rows: list[tuple[Part, BudgetTerm]], scale: float) -> BudgetTerm:
    variance = 0.0
    shared = False
    moving = [part.weight * term.standard_uncertainty for part, term in rows]
    for i, (a, _) in enumerate(rows):
        variance += moving[i] ** 2
        for j in range(i):
            r = correlation(source, a, rows[j][0])
            if r != 0.0:
                shared = True
                variance += 2.0 * r * moving[i] * moving[j]
    u = scale * math.sqrt(max(variance, 0.0))
    moved = [
        (abs(part.weight) * term.standard_uncertainty * scale, term.degrees_of_freedom)
        for part, term in rows
    ]
    return BudgetTerm(rows[0][1].term, source, u, _freedom(moved, shared))


def _freedom(moved: Sequence[tuple[float, float]], shared: bool) -> float:
    """Degrees of freedom of a joined term: GUM G.2b, or the fewest where one cause is behind."""
    finite = [(u, freedom) for u, freedom in moved if math.isfinite(freedom) and u > 0.0]
    if not finite:
        return math.inf
    if shared:
        return min(freedom for _, freedom in finite)
    whole = sum(u**2 for u, _ in moved) ** 2
    return max(whole / sum(u**4 / freedom for u, freedom in finite), 1.0)


def with_budget(
    quantity: Quantity,
    value: float,
    terms: Sequence[BudgetTerm],
    condition: str = "",
    unit: str = "deg",
) -> Result:
    """Return a result with these terms, largest first; terms of one source are joined."""
    by_source: dict[str, list[BudgetTerm]] = {}
    for term in terms:
        by_source.setdefault(term.source, []).append(term)
    budget = []
    for source, rows in by_source.items():
        u = math.sqrt(sum(row.standard_uncertainty**2 for row in rows))
        freedom = _freedom([(r.standard_uncertainty, r.degrees_of_freedom) for r in rows], False)
        budget.append(BudgetTerm(rows[0].term, source, u, freedom))
    budget.sort(key=lambda term: -term.standard_uncertainty)
    whole = math.sqrt(sum(term.standard_uncertainty**2 for term in budget))
    factor = coverage_factor(budget)
    return Result(quantity, value, factor * whole, factor, unit, tuple(budget), condition)


def term_of(source: str, standard_uncertainty: float, freedom: float = math.inf) -> BudgetTerm:
    """Return a budget term under the name that budgets give its source."""
    return BudgetTerm(TERMS[source], source, standard_uncertainty, freedom)


def without(result: Result, *sources: str) -> list[BudgetTerm]:
    """Return a result's budget without some sources."""
    return [term for term in result.budget if term.source not in sources]
