"""In which order to adjust, and what to mind after each adjustment."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from knuckle.alignment.adjusters import Kind
from knuckle.alignment.advice import Advice, Worth

_RANK: Final = {
    (False, Kind.CAMBER_SHIM): 0,
    (False, Kind.TOE_LINK): 1,
    (True, Kind.CASTER): 2,
    (True, Kind.CAMBER_SHIM): 3,
    (True, Kind.TOE_LINK): 4,
}

WHY: Final = (
    "Rear before front: the rear wheels make the thrust line, about which front toe is shared.",
    "Caster before camber, camber before toe: each moves those after it, and little before it.",
    "Front toe last, with the steering wheel centred and held.",
)
"""Reasons of the order; common practice, no source."""


def in_order(advices: Iterable[Advice]) -> list[Advice]:
    """Return advices in the order of work, left before right; those to be left alone are last."""
    touched = (Worth.ADJUST, Worth.TRY)
    return sorted(
        advices,
        key=lambda advice: (
            advice.worth not in touched,
            _RANK.get((advice.wheel.is_front, advice.kind), len(_RANK)),
            not advice.wheel.is_left,
        ),
    )


def reminders(kind: Kind, *, slip_plates: bool = False, was_lifted: bool = True) -> tuple[str, ...]:
    """Return what to mind after an adjustment; common practice, no source.

    Parameters
    ----------
    kind : Kind
    slip_plates : bool
        Whether the wheels stand on plates that slide.
    was_lifted : bool
        Whether the car was off its wheels for it.
    """
    settle = (
        "Push the car down at both ends a few times until it comes to rest at its height."
        if slip_plates
        else "Roll the car a length forward and back, then push it down at both ends, until "
        "the tyres carry no side load and it comes to rest at its height."
    )
    found = [settle] if was_lifted or not slip_plates else []
    if kind is Kind.TOE_LINK:
        found += [
            "Tighten the lock nuts with the joints in the middle of their play, then read again: "
            "tightening turns the link.",
            "Keep as much thread engaged at both ends as the car's maker asks for.",
        ]
    else:
        found += [
            "Tighten the bolts to the car maker's torque with the wheels on the ground, then read "
            "again.",
            "Read toe again: it has moved.",
        ]
    return tuple(found)
