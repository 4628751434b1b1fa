"""Figures that were read off another instrument and typed in, as outcomes with a budget."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from knuckle.alignment.shared import term_of, with_budget
from knuckle.errors import UsageError
from knuckle.estimate.priors import Given
from knuckle.model.result import SWEPT, Outcome, Quantity, Result
from knuckle.model.wheel import Wheel

TYPED_U_DEG: Final = 0.25
"""Of an angle read off a bubble gauge or a plate: half of its half degree; no source."""
PADS_U_DEG: Final = 0.1
"""Slope of pads that nobody has measured, as for readings of a pod (docs/measurement.md)."""
LARGEST_DEG: Final = 30.0
NAMES: Final = {
    "camber": Quantity.CAMBER,
    "caster": Quantity.CASTER,
    "sai": Quantity.SAI,
}
HOW: Final = "typed 1"
"""Names the way of computing in the store."""


def typed_outcome(wheel: Wheel, figures: Mapping[Quantity, Given]) -> Outcome:
    """Return an outcome of figures that were typed in.

    Parameters
    ----------
    wheel : Wheel
    figures : dict of Quantity to Given
        Camber, caster or inclination; deg, one standard uncertainty each.

    Raises
    ------
    UsageError
        If one lies beyond 30 deg, or its uncertainty is not above zero.
    """
    results: dict[Quantity, Result] = {}
    for quantity, given in figures.items():
        if quantity not in SWEPT or not abs(given.value) <= LARGEST_DEG:
            raise UsageError(
                f"{given.value:g} deg is no {quantity.value.replace('_', ' ')}.",
                "The decimal point or the unit slipped.",
                "Write degrees, such as -1.5, or minutes: 45'.",
            )
        if not 0.0 < given.standard_uncertainty <= LARGEST_DEG:
            raise UsageError(
                "The uncertainty of what is typed in must be above zero.",
                "",
                "Write VALUE/U, for example -1.5/0.25.",
            )
        results[quantity] = with_budget(
            quantity,
            given.value,
            [term_of("typed", given.standard_uncertainty), term_of("pads", PADS_U_DEG)],
            "relative to gravity",
        )
    return Outcome("typed", wheel.value, results)
