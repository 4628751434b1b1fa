"""What a run of validation keeps beside its bytes: the plan, what was typed, what was taken."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Final

from knuckle.agreement.comparison import ReferenceReading
from knuckle.agreement.design import Design, Step
from knuckle.agreement.record import reference_from_json, reference_to_json
from knuckle.agreement.reference import Reference, SineBar
from knuckle.errors import StoreError

VALIDATION: Final = "validate"
"""The kind of the run, and the name of the fact that keeps what was found."""
PLAN: Final = "validation_plan"
TYPED: Final = "validation_typed"
TAKEN: Final = "validation_taken"
CONTINUES: Final = "continues"


@dataclass(frozen=True)
class Plan:
    """What is to be done.

    Attributes
    ----------
    reference : Reference
    steps : tuple of Step
    tolerance_deg : float
    bar : SineBar or None
        Where stack heights are typed instead of an angle.
    """

    reference: Reference
    steps: tuple[Step, ...]
    tolerance_deg: float
    bar: SineBar | None = None

    def to_json(self) -> dict[str, Any]:
        """Return it as a run's facts keep it."""
        return {
            "reference": reference_to_json(self.reference),
            "steps": [{**asdict(step), "part": step.part.value} for step in self.steps],
            "tolerance_deg": self.tolerance_deg,
            "bar": None if self.bar is None else asdict(self.bar),
        }


@dataclass(frozen=True, slots=True)
class Taken:
    """A pod reading: the step it belongs to, and when the pod stood still for it (pod time)."""

    step: int
    from_s: float
    to_s: float


def plan_from(facts: Mapping[str, Any]) -> Plan:
    """Return the plan that a run's facts keep.

    Raises
    ------
    StoreError
        If it cannot be read.
    """
    try:
        kept = facts[PLAN]
        steps = tuple(Step(**{**step, "part": Design(step["part"])}) for step in kept["steps"])
        bar = None if kept["bar"] is None else SineBar(**kept["bar"])
        reference = reference_from_json(kept["reference"])
        return Plan(reference, steps, float(kept["tolerance_deg"]), bar)
    except (KeyError, TypeError, ValueError) as error:
        raise StoreError(
            f"What the run keeps of its validation cannot be read: {error!r}.",
            "The store is damaged or was changed by another program.",
            "Make the validation again.",
        ) from error


def typed_from(facts: Mapping[str, Any]) -> tuple[ReferenceReading, ...]:
    """Return the reference's readings that a run's facts keep."""
    return tuple(ReferenceReading(**item) for item in facts.get(TYPED, ()))


def taken_from(facts: Mapping[str, Any]) -> tuple[Taken, ...]:
    """Return when the pod's readings of a run were taken."""
    return tuple(Taken(**item) for item in facts.get(TAKEN, ()))


def as_facts(typed: Sequence[ReferenceReading], taken: Sequence[Taken]) -> dict[str, Any]:
    """Return typed and taken readings as a run's facts keep them."""
    return {TYPED: [asdict(item) for item in typed], TAKEN: [asdict(item) for item in taken]}
