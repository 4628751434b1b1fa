"""What a car answered to what was turned on it: from one reading to the next, job by job."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from knuckle.alignment.adjusters import TURNED, Kind, by_geometry
from knuckle.alignment.sensitivity import AMOUNT_U, Joined, Made, joined
from knuckle.alignment.shared import Part, combined
from knuckle.estimate.priors import Given
from knuckle.job.book import JobView
from knuckle.job.readings import Reading
from knuckle.job.state import Entered, moves
from knuckle.model.car import CamberShim, CasterAdjuster, Corner, ToeLink
from knuckle.model.result import Quantity, Result
from knuckle.model.wheel import Wheel

Adjuster = ToeLink | CamberShim | CasterAdjuster
UNIT: Final = {Kind.TOE_LINK: "turn", Kind.CAMBER_SHIM: "mm", Kind.CASTER: "turn"}
History = dict[tuple[Wheel, Kind], list["Answered"]]


@dataclass(frozen=True)
class Answered:
    """What a car answered to an adjustment, from one reading to the next.

    Attributes
    ----------
    amount : Given
        Summed over what was turned between them.
    changes : dict of Quantity to Result
        After less before, of each figure that was read both times at that wheel.
    """

    amount: Given
    changes: Mapping[Quantity, Result]


def adjuster_at(corner: Corner, kind: Kind) -> Adjuster | None:
    """Return a wheel's adjuster, or None."""
    if kind is Kind.TOE_LINK:
        return corner.toe_link
    return corner.camber_shim if kind is Kind.CAMBER_SHIM else corner.caster


def answered(view: JobView) -> dict[tuple[Wheel, Kind], list[Answered]]:
    """Return what the car answered to each adjustment of a job that was read before and after.

    Where several adjusters that move a figure were turned at one wheel between two readings of it,
    the change cannot be told apart, and is left out; toe that a shim or caster has moved, say.
    """
    found: dict[tuple[Wheel, Kind], list[Answered]] = defaultdict(list)
    for wheel in Wheel:
        turned = [t for t in view.state.turned if t.record.get("wheel") == wheel.value]
        readings = [r for r in view.readings if r.wheel is wheel]
        for kind in Kind:
            found[wheel, kind] += _answers(kind, turned, readings)
    return found


def _answers(
    kind: Kind, turned: Sequence[Entered], readings: Sequence[Reading]
) -> Iterator[Answered]:
    """Yield them: for each group of turnings of one round, what every figure did from then on."""
    for number in sorted({t.round for t in turned}):
        group = [t for t in turned if t.round == number and t.record.get("adjuster") == kind.value]
        if not group:
            continue
        first, last = group[0].sequence, group[-1].sequence
        changes = {}
        for quantity in {r.raw.quantity for r in readings}:
            own = [r for r in readings if r.raw.quantity is quantity]
            before = [r for r in own if r.sequence < first]
            after = [r for r in own if r.sequence > last]
            between = {t.sequence for t in turned if t not in group and moves(t, quantity)}
            if not before or not after:
                continue
            earlier = before[-1]
            # The newest before anything else was turned there.
            clean = [
                r
                for r in after
                if not any(earlier.sequence < other < r.sequence for other in between)
            ]
            if clean:
                changes[quantity] = _difference(earlier, clean[-1])
        if changes:
            amount = sum(float(t.record["amount"]) for t in group)
            u = AMOUNT_U[UNIT[kind]] * len(group) ** 0.5
            yield Answered(Given(amount, u), changes)


def _difference(earlier: Reading, later: Reading) -> Result:
    return combined(
        later.result.quantity,
        [Part(later.result, 1.0, later.origin), Part(earlier.result, -1.0, earlier.origin)],
        "difference",
    )


def sensitivity_of(adjuster: Adjuster | None, kind: Kind, history: Sequence[Answered]) -> Joined:
    """Return an adjuster's sensitivity by its measures and by what the car has answered."""
    quantity = TURNED[kind]
    made = [
        Made(each.amount, each.changes[quantity]) for each in history if quantity in each.changes
    ]
    geometry = None if adjuster is None else by_geometry(adjuster)
    return joined(geometry, made, UNIT[kind])


def history_of(views: Iterable[JobView]) -> History:
    """Return what a car answered in several jobs, in their order."""
    history: History = defaultdict(list)
    for view in views:
        for place, answers in answered(view).items():
            history[place] += answers
    return history


def answers_of(view: JobView) -> Iterator[tuple[Wheel, Kind, Joined]]:
    """Yield what the car answered in this job to each adjuster, beside what its measures say."""
    for (wheel, kind), history in answered(view).items():
        known = sensitivity_of(adjuster_at(view.car.corners[wheel], kind), kind, history)
        if known.by_car is not None:
            yield wheel, kind, known


def answers_in_words(view: JobView) -> tuple[tuple[Wheel, Kind, str], ...]:
    """Return the same in words."""
    return tuple((wheel, kind, _in_words(known, kind)) for wheel, kind, known in answers_of(view))


def answers_json(view: JobView) -> list[dict[str, Any]]:
    """Return the same as JSON-like objects: docs/results.md, "A job"."""
    return [
        {
            "wheel": wheel.value,
            "adjuster": kind.value,
            "unit": UNIT[kind],
            "answered_deg": _pair(known.by_car),
            "by_measures_deg": _pair(known.by_measures),
            "contradiction": known.contradiction,
        }
        for wheel, kind, known in answers_of(view)
    ]


def _pair(given: Given | None) -> list[float] | None:
    return None if given is None else [given.value, given.standard_uncertainty]


def _in_words(known: Joined, kind: Kind) -> str:
    assert known.by_car is not None
    unit = "a turn" if UNIT[kind] == "turn" else "for each mm"
    car = _rounded(known.by_car)
    if known.by_measures is None:
        return f"the car answered {car} deg {unit}; the car file has no measures of it"
    measures = _rounded(known.by_measures)
    if not known.measures_sign:
        measures = f"{measures.lstrip('+-')} without a direction"
    text = f"the car answered {car} deg {unit}; its measures say {measures}"
    if known.contradiction:
        return f"{text}: these contradict each other, and what the car answered counts"
    return text


def _rounded(given: Given) -> str:
    return f"{given.value:+.3f} ± {1.96 * given.standard_uncertainty:.3f}"
