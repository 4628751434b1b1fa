"""What an adjuster did on this very car: its measured sensitivity, joined with its measures."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from knuckle.alignment.adjusters import Sensitivity
from knuckle.estimate.distributions import normal_quantile
from knuckle.estimate.priors import Given
from knuckle.model.result import Quantity, Result

TURNED_U: Final = 0.05
"""Standard uncertainty of an amount that was turned, in turns; common practice, no source (a
flat of a hexagon is a sixth of a turn, and is judged to a third of itself)."""
SHIM_U_MM: Final = 0.02
AMOUNT_U: Final = {"turn": TURNED_U, "mm": SHIM_U_MM}
BEND_SHARE: Final = 0.03
"""Relative uncertainty of using a measured sensitivity at another amount: joints swing on arcs."""
CONTRADICTION: Final = 3.0
"""Standard uncertainties from which measures and measurement are not of one thing."""
_SURE: Final = normal_quantile(0.975)


@dataclass(frozen=True, slots=True)
class Made:
    """An adjustment that was made and re-read.

    Attributes
    ----------
    amount : Given
        In the adjuster's unit, signed as in `Sensitivity`.
    change : Result
        After less before of one figure, with what both readings share cancelled
        (`compare.compare`).
    """

    amount: Given
    change: Result


def measured(made: Made, unit: str, bend_share: float = BEND_SHARE) -> Sensitivity | None:
    """Return the sensitivity by one adjustment; None where the amount is not shown to be one.

    Parameters
    ----------
    made : Made
    unit : str
        "turn" or "mm".
    bend_share : float

    Notes
    -----
    per unit = sin(change) / amount, the u of a quotient; see `Sensitivity.change_deg`. The sign
    counts as known once zero lies outside the 95 % interval.
    """
    amount, u_amount = made.amount.value, made.amount.standard_uncertainty
    if abs(amount) <= _SURE * u_amount or amount == 0.0:
        return None
    change = math.radians(made.change.value)
    per_unit = math.degrees(math.sin(change) / amount)
    u = math.hypot(
        made.change.standard_uncertainty * math.cos(change) / abs(amount),
        abs(per_unit) * u_amount / abs(amount),
        abs(per_unit) * bend_share,
    )
    return Sensitivity(Given(per_unit, u), unit, abs(per_unit) > _SURE * u, "measured")


@dataclass(frozen=True, slots=True)
class Joined:
    """A sensitivity out of all that is known.

    Attributes
    ----------
    sensitivity : Sensitivity or None
        None where nothing is known.
    by_car, by_measures : Given or None
        What it was joined of.
    measures_sign : bool
        Whether the measures tell the direction.
    contradiction : bool
        Whether the car answered otherwise than its measures say; the measurement stands alone
        then. Its side, arm or thread was entered wrongly, a thread is left-handed where a
        right-handed one was thought of, or something else moved.
    """

    sensitivity: Sensitivity | None
    contradiction: bool = False
    by_car: Given | None = None
    by_measures: Given | None = None
    measures_sign: bool = True


def joined(geometry: Sensitivity | None, history: Sequence[Made], unit: str = "") -> Joined:
    """Return the sensitivity by measures and by the adjustments made, weighted by 1/u^2.

    Parameters
    ----------
    geometry : Sensitivity or None
    history : sequence of Made
        In order of time, of one adjuster and figure.
    unit : str
        Of the amounts, where there is no geometry.

    Notes
    -----
    Where only the size is known by geometry, a measurement that shows a sign lends its own.
    Measurements that show no sign say how small the sensitivity is, and count if geometry's
    sign is known.
    """
    unit = geometry.unit if geometry is not None else unit
    found = [each for made in history if (each := measured(made, unit)) is not None]
    signed = [each for each in found if each.sign_known]
    if geometry is None:
        mean = _mean(found)
        return Joined(None if mean is None else _as(mean, unit, "measured"), by_car=mean)
    by_car = _mean(found)

    def made(sensitivity: Sensitivity, contradiction: bool = False) -> Joined:
        return Joined(sensitivity, contradiction, by_car, geometry.per_unit, geometry.sign_known)

    if by_car is None:
        return made(geometry)
    stated = geometry.per_unit
    if not geometry.sign_known:
        if not signed:
            return made(geometry)
        stated = Given(math.copysign(stated.value, by_car.value), stated.standard_uncertainty)
    apart = abs(by_car.value - stated.value)
    if apart > CONTRADICTION * math.hypot(by_car.standard_uncertainty, stated.standard_uncertainty):
        return made(_as(by_car, unit, "measured"), contradiction=True)
    both = _weighted([stated, by_car])
    return made(Sensitivity(both, unit, True, "geometry and measured"))


def _as(mean: Given, unit: str, by: str) -> Sensitivity:
    known = abs(mean.value) > _SURE * mean.standard_uncertainty
    return Sensitivity(mean, unit, known, by)


def _mean(found: Sequence[Sensitivity]) -> Given | None:
    return _weighted([each.per_unit for each in found]) if found else None


def _weighted(values: Sequence[Given]) -> Given:
    """Weighted mean, 1/u^2, widened by the Birge ratio where the values scatter more."""
    weights = [1.0 / max(each.standard_uncertainty, 1e-12) ** 2 for each in values]
    whole = sum(weights)
    mean = sum(w * each.value for w, each in zip(weights, values, strict=True)) / whole
    scatter = sum(w * (each.value - mean) ** 2 for w, each in zip(weights, values, strict=True))
    birge = max(scatter / (len(values) - 1), 1.0) if len(values) > 1 else 1.0
    return Given(mean, math.sqrt(birge / whole))


def side_effects(history: Sequence[tuple[Given, dict[Quantity, Result]]]) -> dict[Quantity, Given]:
    """Return what one unit of an adjuster does to other figures, as this car has shown it.

    Parameters
    ----------
    history : sequence of (Given, dict of Quantity to Result)
        Amounts made, and the changes of each figure that was read before and after.

    Returns
    -------
    dict of Quantity to Given
        Degrees for one unit.
    """
    rows: dict[Quantity, list[Given]] = {}
    for amount, changes in history:
        for quantity, change in changes.items():
            each = measured(Made(amount, change), "")
            if each is not None:
                rows.setdefault(quantity, []).append(each.per_unit)
    return {quantity: _weighted(values) for quantity, values in rows.items()}
