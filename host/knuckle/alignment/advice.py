"""What to turn: from a reading and its target to an amount, a direction and what it will do."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from knuckle.alignment.adjusters import TURNED, Kind, Sensitivity
from knuckle.alignment.compare import Standing, against_target
from knuckle.alignment.pads import stack_of
from knuckle.alignment.sensitivity import AMOUNT_U
from knuckle.alignment.shared import term_of, with_budget
from knuckle.estimate.priors import Given
from knuckle.model.car import Target
from knuckle.model.result import Quantity, Result
from knuckle.model.wheel import Wheel


class Worth(StrEnum):
    """Whether to touch an adjuster."""

    LEAVE = "leave it"
    """The figure is inside its band."""
    WITHIN_UNCERTAINTY = "within uncertainty"
    """It is no further from its target than the reading can tell: not worth touching."""
    TOO_COARSE = "too coarse"
    """No step of the adjuster comes nearer than it is."""
    ADJUST = "adjust"
    TRY = "try"
    """Which way, or how much, is not known: try a little, and read again."""
    BEYOND = "beyond its reach"
    """It would take more than such an adjuster has."""
    NO_ADJUSTER = "no adjuster"


REACH: Final = {"turn": 12.0, "mm": 30.0}
"""More than this no adjuster is likely to have; common practice, no source."""


@dataclass(frozen=True, slots=True)
class SideEffect:
    """What else an adjustment changes; `change_deg` is None where that is not known."""

    quantity: Quantity
    change_deg: Given | None


@dataclass(frozen=True, slots=True)
class Advice:
    """What to do at one adjuster.

    Attributes
    ----------
    wheel : Wheel
    kind : Kind
    quantity : Quantity
    worth : Worth
    reading : Result
    target : Target
    wanted_deg : float
        Target less reading.
    amount : Given or None
        To turn or add, signed as in `Sensitivity`, its uncertainty that of reading and
        sensitivity. Of `TRY` the size alone (above zero). None where there is none.
    unit : str
        "turn" or "mm".
    sizes_mm : tuple of float
        Of shims, of which the amount is made; empty where it was not asked for.
    predicted : Result or None
        The figure after it; None where it cannot be told.
    side_effects : tuple of SideEffect
    words : str
        What to do, in a sentence or three.
    sensitivity : Sensitivity or None
    """

    wheel: Wheel
    kind: Kind
    quantity: Quantity
    worth: Worth
    reading: Result
    target: Target
    wanted_deg: float
    amount: Given | None
    unit: str
    sizes_mm: tuple[float, ...]
    predicted: Result | None
    side_effects: tuple[SideEffect, ...]
    words: str
    sensitivity: Sensitivity | None


ALSO: Final[Mapping[Kind, tuple[Quantity, ...]]] = {
    Kind.TOE_LINK: (),
    Kind.CAMBER_SHIM: (Quantity.SAI, Quantity.TOE),
    Kind.CASTER: (Quantity.CAMBER, Quantity.TOE),
}
"""What each adjuster may move beside its own figure."""


def advise(
    wheel: Wheel,
    kind: Kind,
    reading: Result,
    target: Target,
    sensitivity: Sensitivity | None,
    *,
    step: float = 0.0,
    sizes_mm: Sequence[float] = (),
    effects: Mapping[Quantity, Given] | None = None,
    exists: bool = True,
) -> Advice:
    """Return what to do about one figure.

    Parameters
    ----------
    wheel : Wheel
    kind : Kind
    reading : Result
        Of the figure that the adjuster is there for, corrected for pads or strings; deg.
    target : Target
        Of the same figure, against the same line.
    sensitivity : Sensitivity or None
        By geometry, by measurement or joined; None where nothing is known.
    step : float
        Smallest step of the adjuster that is used; 0 for any amount.
    sizes_mm : sequence of float
        Shims at hand, of which the amount is made up.
    effects : dict of Quantity to Given, or None
        What one unit does to other figures on this car: by its measures
        (`effects.effects_by_geometry`) or as it has shown (`sensitivity.side_effects`).
    exists : bool
        Whether the car has this adjuster at this wheel.

    Raises
    ------
    ValueError
        If the reading is not of the figure that the adjuster is there for.

    Notes
    -----
    Inside its band a figure is left alone. So is one that lies within its expanded uncertainty of
    the target. Otherwise amount = sin(target - reading) / per unit; its variance is that of a
    quotient; what is predicted carries the reading's budget and, as `adjustment`, that of
    sensitivity and amount.
    """
    quantity = TURNED[kind]
    if reading.quantity is not quantity:
        raise ValueError(f"a {kind} is there for {quantity}, not for {reading.quantity}")
    wanted = target.value - reading.value
    unit = sensitivity.unit if sensitivity is not None else _unit_of(kind)

    def advice(
        worth: Worth,
        words: str,
        amount: Given | None = None,
        stack: tuple[float, ...] = (),
        predicted: Result | None = None,
        also: tuple[SideEffect, ...] = (),
    ) -> Advice:
        return Advice(
            wheel,
            kind,
            quantity,
            worth,
            reading,
            target,
            wanted,
            amount,
            unit,
            stack,
            predicted,
            also,
            words,
            sensitivity,
        )

    if against_target(reading, target) is Standing.INSIDE:
        return advice(Worth.LEAVE, "Inside the target's band: leave it.")
    if abs(wanted) <= reading.expanded_uncertainty:
        return advice(
            Worth.WITHIN_UNCERTAINTY,
            f"It is {abs(wanted):.2f} deg from its target, and the reading is good to "
            f"{reading.expanded_uncertainty:.2f} deg: not worth touching. Measure it more closely "
            "first, if it matters.",
        )
    if not exists:
        return advice(
            Worth.NO_ADJUSTER,
            f"This car has no {kind} here, or it is not in the car file: {abs(wanted):.2f} deg "
            "remain.",
        )
    if sensitivity is None or not sensitivity.sign_known or sensitivity.per_unit.value == 0.0:
        amount, words = _trial(kind, wanted, reading, sensitivity, unit)
        return advice(Worth.TRY, words, amount, also=_also(kind, None, effects))
    exact = sensitivity.amount_for(wanted)
    made, stack = _rounded(exact, step, sizes_mm)
    change = sensitivity.change_deg(made)
    # By symmetry half a step from nothing is as near as half a step beyond.
    if made == 0.0 or abs(wanted - change) >= abs(wanted):
        return advice(
            Worth.TOO_COARSE,
            f"{abs(wanted):.2f} deg are {abs(exact):.2f} {unit}, and no step of the {kind} comes "
            "nearer: leave it.",
        )
    if abs(made) > REACH[unit]:
        return advice(
            Worth.BEYOND,
            f"It would take {abs(made):.0f} {unit}{'s' if unit == 'turn' else ''}, more than a "
            f"{kind} is likely to have. Look for a bent part, or a measure in the car file or an "
            "amount that was entered wrongly.",
        )
    u_per_unit = abs(sensitivity.per_unit.standard_uncertainty / sensitivity.per_unit.value)
    size = abs(math.degrees(math.tan(math.radians(change))))
    u_made = AMOUNT_U[unit] / abs(made) if not stack else 0.0
    predicted = with_budget(
        quantity,
        reading.value + change,
        [*reading.budget, term_of("adjustment", size * math.hypot(u_per_unit, u_made))],
        reading.condition,
        reading.unit,
    )
    u_amount = abs(exact) * math.hypot(
        u_per_unit, reading.standard_uncertainty / abs(wanted) if wanted else 0.0
    )
    return advice(
        Worth.ADJUST,
        _words(kind, made, unit, stack, sensitivity),
        Given(made, u_amount),
        stack,
        predicted,
        _also(kind, made, effects),
    )


def _unit_of(kind: Kind) -> str:
    return "mm" if kind is Kind.CAMBER_SHIM else "turn"


def _rounded(
    exact: float, step: float, sizes_mm: Sequence[float]
) -> tuple[float, tuple[float, ...]]:
    if sizes_mm:
        stack = stack_of(abs(exact), sizes_mm)
        return math.copysign(sum(stack), exact), stack
    if step > 0.0:
        return step * round(exact / step), ()
    return exact, ()


def _trial(
    kind: Kind,
    wanted: float,
    reading: Result,
    sensitivity: Sensitivity | None,
    unit: str,
) -> tuple[Given, str]:
    """Return what to try where sign or size are unknown, and how to tell."""
    toward = "grow" if wanted > 0.0 else "fall"
    figure = TURNED[kind].value
    if sensitivity is None or sensitivity.per_unit.value == 0.0:
        amount = Given(1.0, AMOUNT_U[unit])
        size = f"one {unit}"
    else:
        per_unit = abs(sensitivity.per_unit.value)
        # Half of the way, so that the wrong way does little harm, but enough to be seen, and more
        # than an amount is uncertain by.
        seen = 2.0 * reading.expanded_uncertainty
        change = min(max(abs(wanted) / 2.0, seen), abs(wanted))
        exact = abs(math.sin(math.radians(change)) / math.radians(per_unit))
        amount = Given(max(exact, 3.0 * AMOUNT_U[unit]), AMOUNT_U[unit])
        size = f"{amount.value:.2f} {unit}{'s' if unit == 'turn' else ''}"
    way = {
        Kind.TOE_LINK: "make the link longer",
        Kind.CAMBER_SHIM: "add shims",
        Kind.CASTER: "move the joint rearward",
    }[kind]
    return amount, (
        f"Which way is not known. To try: {way} by {size}, settle the car and read {figure} "
        f"again. It has to {toward}: if it does, go on the same way; if not, go back and the "
        "other way. From then on this car's own sensitivity is known."
    )


def _words(
    kind: Kind,
    amount: float,
    unit: str,
    stack: Sequence[float],
    sensitivity: Sensitivity,
) -> str:
    size = abs(amount)
    if kind is Kind.TOE_LINK:
        return f"Make the link {'longer' if amount > 0.0 else 'shorter'} by {size:.2f} turns."
    if kind is Kind.CAMBER_SHIM:
        made_of = f" ({' + '.join(f'{x:g}' for x in stack)} mm)" if stack else ""
        return f"{'Add' if amount > 0.0 else 'Take out'} {size:.2f} mm of shims{made_of}."
    where = "rearward" if amount > 0.0 else "forward"
    joint = "The joint"
    if sensitivity.by == "geometry":
        joint = "The upper joint" if sensitivity.per_unit.value > 0.0 else "The lower joint"
    return f"{joint} goes {where}: {size:.2f} {unit}{'s' if unit == 'turn' else ''}."


def _also(
    kind: Kind,
    amount: float | None,
    effects: Mapping[Quantity, Given] | None,
) -> tuple[SideEffect, ...]:
    found = []
    known = effects or {}
    for quantity in dict.fromkeys((*ALSO[kind], *known)):
        if quantity is TURNED[kind]:
            continue
        each = known.get(quantity)
        if each is not None and amount is not None:
            moved = Given(each.value * amount, abs(each.standard_uncertainty * amount))
            found.append(SideEffect(quantity, moved))
        else:
            found.append(SideEffect(quantity, None))
    return tuple(found)
