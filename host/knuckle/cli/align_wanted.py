"""`knuckle align`: what is still to be read in a round."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from knuckle.model.wheel import Wheel
from knuckle.store.rows import RunState

if TYPE_CHECKING:
    from knuckle.job.book import JobView
    from knuckle.model.result import Quantity


def wanted_in(view: JobView) -> list[str]:
    """Return what is still to be read in this round, as it is typed.

    Before anything was turned, what the targets ask for; then what was turned has moved.
    """
    from knuckle.model.result import Quantity

    state = view.state
    number = state.round + state.turned_since
    have = {
        (reading.wheel, reading.raw.quantity)
        for reading in view.readings
        if reading.round == number
        and not state.turned_at(reading.wheel.value, reading.sequence, reading.raw.quantity)
    }
    tried = {
        (outcome.outcome.measure, outcome.outcome.wheel)
        for entered in state.readings
        if entered.round == number and not state.turned_since
        for outcome in _results(view, entered.entry.run_id)
    }
    need = _by_targets(view) if number == 0 else _by_turning(view)
    camber = [w for w in Wheel if (w, Quantity.CAMBER) in need and (w, Quantity.CAMBER) not in have]
    sweeps = [
        w
        for w in Wheel
        if w.is_front
        and any((w, q) in need and (w, q) not in have for q in (Quantity.CASTER, Quantity.SAI))
    ]
    toes = [w for w in Wheel if (w, Quantity.TOE) in need and (w, Quantity.TOE) not in have]
    lines = ["camber all"] if len(camber) == len(Wheel) else [f"camber {w}" for w in camber]
    # Toe while nobody has steered yet; a sweep then knows how far from straight its wheel stands.
    lines += [f"toe {wheel}" for wheel in toes]
    lines += [f"sweep {wheel}" for wheel in sweeps]
    # What was tried and refused is not pressed for again.
    return [line for line in lines if tuple(line.split()) not in tried]


def _results(view: JobView, run: int | None) -> Sequence[Any]:
    """Return what a run gave; nothing for one that somebody stopped, who may want it again."""
    found = view.runs.get(-1 if run is None else run)
    return () if found is None or found.state == RunState.INTERRUPTED else found.results


def _by_targets(view: JobView) -> set[tuple[Wheel, Quantity]]:
    from knuckle.model.result import Quantity

    car = view.car
    need = {
        (wheel, Quantity(name)) for wheel, corner in car.corners.items() for name in corner.targets
    }
    of_axle = {
        Quantity.TOTAL_TOE: Quantity.TOE,
        Quantity.THRUST: Quantity.TOE,
        Quantity.CROSS_CAMBER: Quantity.CAMBER,
        Quantity.CROSS_CASTER: Quantity.CASTER,
        Quantity.CROSS_SAI: Quantity.SAI,
    }
    for axle, name in car.axle_targets:
        need |= {
            (wheel, of_axle[Quantity(name)])
            for wheel in Wheel
            if wheel.is_front == (axle == "front")
        }
    if any(quantity is Quantity.TOE for _, quantity in need):
        need |= {(wheel, Quantity.TOE) for wheel in Wheel}  # front toe is about the thrust line
    return need or {(wheel, Quantity.CAMBER) for wheel in Wheel}


def _by_turning(view: JobView) -> set[tuple[Wheel, Quantity]]:
    """Return what has been read before at the wheels where something was turned since."""
    from knuckle.job.state import moves

    state = view.state
    last = state.round if state.turned_since else state.round - 1
    need: set[tuple[Wheel, Quantity]] = set()
    for turned in state.turned:
        if turned.round != last:
            continue
        wheel = Wheel(str(turned.record["wheel"]))
        read = {r.raw.quantity for r in view.readings if r.wheel is wheel}
        need |= {(wheel, quantity) for quantity in read if moves(turned, quantity)}
    return need
