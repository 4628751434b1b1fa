"""Outcomes made by hand for the tests of the store and the report."""

from __future__ import annotations

import math

from knuckle.model.result import (
    BudgetTerm,
    Notice,
    Outcome,
    PlacedRest,
    Position,
    Quantity,
    Result,
)


def result(quantity: Quantity, value: float, expanded_uncertainty: float) -> Result:
    standard = expanded_uncertainty / 2.0
    return Result(
        quantity=quantity,
        value=value,
        expanded_uncertainty=expanded_uncertainty,
        coverage_factor=2.0,
        unit="deg",
        budget=(
            BudgetTerm("yaw of the mount", "mount", 0.8 * standard),
            BudgetTerm("noise of the rests", "noise", 0.6 * standard, 17.3),
        ),
        condition="as swept, on its springs",
    )


def sweep_outcome(caster_deg: float = 5.1234567890123, wheel: str = "LF") -> Outcome:
    return Outcome(
        measure="sweep",
        wheel=wheel,
        results={
            Quantity.CAMBER: result(Quantity.CAMBER, -1.02, 0.08),
            Quantity.CASTER: result(Quantity.CASTER, caster_deg, 0.31),
            Quantity.SAI: result(Quantity.SAI, 12.04, 0.42),
        },
        rests=(
            PlacedRest(Position.STRAIGHT, 1.0, 4.5, -1.02, 0.08, 0.0),
            PlacedRest(Position.OUT, 8.0, 11.0, 1.3647, 0.09, 19.39),
            PlacedRest(Position.IN, 15.0, 18.0, -1.9628, 0.09, None),
            PlacedRest(None, 20.0, 23.0, -1.5, 0.09, None),
        ),
        warnings=(Notice("gyro_uncalibrated", "The gyro's scale is from its data sheet."),),
        details={"closure_deg": 0.02, "two_reading_caster_deg": math.nan, "steer_source": "gyro"},
    )


def refused_outcome() -> Outcome:
    return Outcome(
        measure="sweep",
        wheel="RF",
        results={},
        rests=(PlacedRest(Position.STRAIGHT, 1.0, 4.5, -1.02, 0.08, 0.0),),
        refused=Notice("sweep_too_small", "The wheel turned by 6 deg only."),
    )
