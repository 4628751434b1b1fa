"""Two results side by side, and a result beside its target: what the uncertainty lets one say."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from knuckle.alignment.shared import Origin, Part, combined
from knuckle.model.car import Target
from knuckle.model.result import Quantity, Result


class Difference(StrEnum):
    """What two readings say of each other."""

    DIFFERS = "differs"
    """Zero lies outside the interval of the difference."""
    SAME = "does not differ"
    """The whole interval is smaller than what matters."""
    CANNOT_TELL = "cannot tell"


class Standing(StrEnum):
    """Where a figure stands against its target."""

    INSIDE = "inside"
    """The whole interval is within the band."""
    OUTSIDE = "outside"
    """The whole interval is beyond an end of the band."""
    CANNOT_TELL = "cannot tell"


MATTERS_DEG: Final[Mapping[Quantity, float]] = {
    Quantity.CAMBER: 0.25,
    Quantity.CASTER: 0.5,
    Quantity.SAI: 0.5,
    Quantity.TOE: 0.05,
    Quantity.TOTAL_TOE: 0.1,
    Quantity.THRUST: 0.05,
    Quantity.FRONT_HEADING: 0.05,
    Quantity.INCLUDED: 0.5,
    Quantity.CROSS_CAMBER: 0.25,
    Quantity.CROSS_CASTER: 0.5,
    Quantity.CROSS_SAI: 0.5,
    Quantity.CROSS_INCLUDED: 0.5,
}
"""Smallest change of a figure that is worth talking of; common practice, no source."""


@dataclass(frozen=True, slots=True)
class Compared:
    """A comparison.

    Attributes
    ----------
    difference : Result
        Later less earlier (or left less right), with what both share cancelled.
    verdict : Difference
    matters : float or None
        The smallest difference that counts, in the unit of the result.
    cancelled : tuple of str
        Sources that went out, wholly or mostly: at least half of what they would have been.
    """

    difference: Result
    verdict: Difference
    matters: float | None
    cancelled: tuple[str, ...]


def compare(
    earlier: Result,
    later: Result,
    earlier_origin: Origin,
    later_origin: Origin,
    *,
    matters: float | None = None,
    quantity: Quantity | None = None,
) -> Compared:
    """Return later less earlier.

    Parameters
    ----------
    earlier, later : Result
        Of one quantity and unit.
    earlier_origin, later_origin : Origin
        What has the same name in both cancels, as far as `shared.correlation` says.
    matters : float or None
        Smallest difference that counts; None for `MATTERS_DEG`.
    quantity : Quantity or None
        Of the difference; None for that of the two.

    Raises
    ------
    ValueError
        If quantity or unit differ.

    Notes
    -----
    "Differs" where |difference| > U; "does not differ" where |difference| + U <= matters; else it
    cannot be told. U is the expanded uncertainty of the difference.
    """
    if earlier.quantity is not later.quantity:
        raise ValueError(f"{earlier.quantity} and {later.quantity} cannot be compared")
    kind = earlier.quantity if quantity is None else quantity
    parts = [Part(later, 1.0, later_origin), Part(earlier, -1.0, earlier_origin)]
    difference = combined(kind, parts, "difference")
    least = MATTERS_DEG.get(earlier.quantity) if matters is None else matters
    return Compared(
        difference, verdict_of(difference, least), least, _cancelled(earlier, later, difference)
    )


def verdict_of(difference: Result, matters: float | None) -> Difference:
    """Return what a difference says, given the smallest one that counts (None: any)."""
    size, u = abs(difference.value), difference.expanded_uncertainty
    if size > u:
        return Difference.DIFFERS
    if matters is not None and size + u <= matters:
        return Difference.SAME
    return Difference.CANNOT_TELL


def _cancelled(earlier: Result, later: Result, difference: Result) -> tuple[str, ...]:
    apart: dict[str, float] = {}
    for result in (earlier, later):
        for term in result.budget:
            apart[term.source] = apart.get(term.source, 0.0) + term.standard_uncertainty**2
    left = {term.source: term.standard_uncertainty**2 for term in difference.budget}
    return tuple(
        source
        for source, variance in sorted(apart.items(), key=lambda item: -item[1])
        if variance > 0.0 and left.get(source, 0.0) <= variance / 4.0
    )


def against_target(result: Result, target: Target) -> Standing:
    """Return where a result stands against its band.

    Inside (or outside) only where its whole interval is: guard bands of the expanded
    uncertainty on both sides (JCGM 106:2012, 8.3.2 and 8.3.3).
    """
    low = result.value - result.expanded_uncertainty
    high = result.value + result.expanded_uncertainty
    if low >= target.low and high <= target.high:
        return Standing.INSIDE
    if high < target.low or low > target.high:
        return Standing.OUTSIDE
    return Standing.CANNOT_TELL


def too_coarse(result: Result, target: Target) -> bool:
    """Return whether the interval is wider than the band: no reading can be told to be inside."""
    return 2.0 * result.expanded_uncertainty > target.high - target.low
