"""What to turn next on a car: advice for each figure, by its measures and by what it has shown."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from knuckle.alignment.adjusters import TURNED, Kind
from knuckle.alignment.advice import Advice, Worth, advise
from knuckle.alignment.axle import THRUST_LINE
from knuckle.alignment.effects import effects_by_geometry
from knuckle.alignment.sensitivity import side_effects
from knuckle.alignment.shared import term_of, with_budget
from knuckle.alignment.work_order import in_order
from knuckle.estimate.priors import Given
from knuckle.job.answered import Answered, adjuster_at, history_of, sensitivity_of
from knuckle.job.book import JobView, view_of
from knuckle.job.figures import Row
from knuckle.model.car import CamberShim, Car, Target
from knuckle.model.result import Quantity, Result
from knuckle.model.wheel import Wheel
from knuckle.store.database import Store

EARLIER_JOBS: Final = 5
"""On the same car: so many count for what it answers to an adjustment."""


@dataclass(frozen=True)
class Advised:
    """An advice with what stands behind it.

    Attributes
    ----------
    advice : Advice
    contradiction : bool
        Whether the car has answered otherwise than its measures say.
    counted_in_deg : float
        What the other adjustments that are advised will do to this figure; it is in
        `advice.reading` already.
    """

    advice: Advice
    contradiction: bool
    counted_in_deg: float = 0.0


def target_at(car: Car, wheel: Wheel, kind: Kind) -> Target | None:
    """Return what an adjuster's figure should be.

    Where a wheel has no target of toe but its axle has one of total toe, each wheel has half.
    """
    quantity = TURNED[kind]
    own = car.corners[wheel].targets.get(quantity.value)
    if own is not None or kind is not Kind.TOE_LINK:
        return own
    axle = "front" if wheel.is_front else "rear"
    total = car.axle_targets.get((axle, Quantity.TOTAL_TOE.value))
    if total is None:
        return None
    return Target(total.value / 2.0, total.low / 2.0, total.high / 2.0)


def advices(view: JobView, earlier: Iterable[JobView] = ()) -> tuple[Advised, ...]:
    """Return what to do about every figure that has a target, in the order of work.

    Parameters
    ----------
    view : JobView
    earlier : iterable of JobView
        Earlier jobs on the same car: what it answered then counts as well.
    """
    history = history_of((*earlier, view))
    rows = {(row.place, row.quantity): row for row in view.figures}
    found: dict[tuple[Wheel, Kind], Advised] = {}
    # In the order of work: what is done first is counted in where it moves what comes later.
    for wheel in sorted(Wheel, key=lambda each: each.is_front):
        for kind in (Kind.CASTER, Kind.CAMBER_SHIM, Kind.TOE_LINK):
            expected = _expected(found, wheel, kind, rows)
            made = _at(view.car, wheel, kind, rows, history[wheel, kind], expected)
            if made is not None:
                found[wheel, kind] = made
    by_advice = {id(made.advice): made for made in found.values()}
    return tuple(by_advice[id(each)] for each in in_order(made.advice for made in found.values()))


def _expected(
    found: Mapping[tuple[Wheel, Kind], Advised],
    wheel: Wheel,
    kind: Kind,
    rows: Mapping[tuple[str, Quantity], Row],
) -> Given:
    """Return what the adjustments advised so far will do to a figure.

    Shims and caster at the same wheel by their side effects, as far as these are known; at the
    front the thrust line, about which toe is told, by what is advised at the rear: toe_LF + T
    and toe_RF - T, T = (toe_RR - toe_LR) / 2.
    """
    quantity = TURNED[kind]
    changes = [
        effect.change_deg
        for (place, _), made in found.items()
        if place is wheel and made.advice.worth is Worth.ADJUST
        for effect in made.advice.side_effects
        if effect.quantity is quantity and effect.change_deg is not None
    ]
    row = rows.get((wheel.value, quantity))
    if kind is Kind.TOE_LINK and row is not None and row.now.result.condition == THRUST_LINE:
        for rear, weight in ((Wheel.RR, 0.5 * wheel.side), (Wheel.LR, -0.5 * wheel.side)):
            made_there = found.get((rear, Kind.TOE_LINK))
            predicted = None if made_there is None else made_there.advice.predicted
            if made_there is None or predicted is None:
                continue
            u = sum(t.standard_uncertainty for t in predicted.budget if t.source == "adjustment")
            change = predicted.value - made_there.advice.reading.value
            changes.append(Given(weight * change, abs(weight) * u))
    return Given(
        sum(change.value for change in changes),
        math.hypot(*(change.standard_uncertainty for change in changes)),
    )


def advices_of(store: Store, view: JobView) -> tuple[Advised, ...]:
    """Return what to do on a car, with what it has answered in its earlier jobs."""
    before = [row for row in store.jobs.jobs(view.row.car_id) if row.job_id < view.row.job_id]
    return advices(view, [view_of(store, row.job_id) for row in reversed(before[:EARLIER_JOBS])])


def _at(
    car: Car,
    wheel: Wheel,
    kind: Kind,
    rows: Mapping[tuple[str, Quantity], Row],
    history: Sequence[Answered],
    expected: Given,
) -> Advised | None:
    row = rows.get((wheel.value, TURNED[kind]))
    target = target_at(car, wheel, kind)
    if row is None or target is None or row.stale:
        return None
    adjuster = adjuster_at(car.corners[wheel], kind)
    known = sensitivity_of(adjuster, kind, history)
    sizes = adjuster.sizes_mm if isinstance(adjuster, CamberShim) else ()
    shown = side_effects([(each.amount, dict(each.changes)) for each in history])
    effects = {**effects_by_geometry(adjuster, car.corners[wheel].toe_link), **shown}
    advice = advise(
        wheel,
        kind,
        _with(row.now.result, expected),
        target,
        known.sensitivity,
        sizes_mm=sizes,
        effects={q: e for q, e in effects.items() if q is not TURNED[kind]},
        exists=adjuster is not None,
    )
    return Advised(advice, known.contradiction, expected.value)


def _with(reading: Result, expected: Given) -> Result:
    """Return a reading with a change that is to be expected of other adjustments."""
    if expected.value == 0.0:
        return reading
    return with_budget(
        reading.quantity,
        reading.value + expected.value,
        [*reading.budget, term_of("adjustment", expected.standard_uncertainty)],
        reading.condition,
        reading.unit,
    )


def advice_record(advised: Advised) -> dict[str, Any]:
    """Return an advice as a job keeps it."""
    advice = advised.advice
    return {
        "wheel": advice.wheel.value,
        "adjuster": advice.kind.value,
        "quantity": advice.quantity.value,
        "worth": advice.worth.value,
        "counted_in_deg": advised.counted_in_deg,
        "reading_deg": [advice.reading.value, advice.reading.expanded_uncertainty],
        "target_deg": [advice.target.value, advice.target.low, advice.target.high],
        "amount": None
        if advice.amount is None
        else [advice.amount.value, advice.amount.standard_uncertainty],
        "unit": advice.unit,
        "sizes_mm": list(advice.sizes_mm),
        "predicted_deg": None
        if advice.predicted is None
        else [advice.predicted.value, advice.predicted.expanded_uncertainty],
        "side_effects_deg": {
            effect.quantity.value: None
            if effect.change_deg is None
            else [effect.change_deg.value, effect.change_deg.standard_uncertainty]
            for effect in advice.side_effects
        },
        "sensitivity": None
        if advice.sensitivity is None
        else {
            "per_unit_deg": advice.sensitivity.per_unit.value,
            "u_deg": advice.sensitivity.per_unit.standard_uncertainty,
            "sign_known": advice.sensitivity.sign_known,
            "by": advice.sensitivity.by,
        },
        "contradiction": advised.contradiction,
        "words": advice.words,
    }
