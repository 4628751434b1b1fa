"""What ``knuckle validate`` is asked to do, and what it says before it begins."""

from __future__ import annotations

import math
import textwrap
from typing import TYPE_CHECKING, Final

from knuckle.errors import UsageError
from knuckle.quantities import angle_deg

if TYPE_CHECKING:
    from knuckle.agreement.planning import Planned
    from knuckle.agreement.reference import Reference
    from knuckle.cli.validate_reference import Stated
    from knuckle.run.validation_facts import Plan

STEEPEST_DEG: Final = 45.0


class Wanted:
    """What is asked for: design, range, tolerance.

    Raises
    ------
    UsageError
        If an angle cannot be read or set, there is no such design, or it cannot be laid over the
        range.
    """

    def __init__(
        self,
        design: str,
        low: str | None,
        high: str | None,
        angles: int | None,
        seatings: int | None,
        keep_seated: bool,
        tolerance_deg: float | None,
    ) -> None:
        self.design = design.strip().lower()
        self.low_deg = -5.0 if low is None else angle_deg(low)
        self.high_deg = 5.0 if high is None else angle_deg(high)
        self.angles, self.seatings, self.keep_seated = angles, seatings, keep_seated
        self.tolerance_deg = 0.2 if tolerance_deg is None else tolerance_deg
        self.states_tolerance = tolerance_deg is not None
        self._checked()

    def _checked(self) -> None:
        from knuckle.agreement.design import Design, steps_of

        names = [design.value for design in Design]
        if self.design not in names:
            raise UsageError(
                f"There is no design {self.design!r}.", "", f"Say one of {', '.join(names)}."
            )
        for name, value in (("--from", self.low_deg), ("--to", self.high_deg)):
            if abs(value) > STEEPEST_DEG:
                raise UsageError(
                    f"{name} {value:g}: angles up to {STEEPEST_DEG:g} deg can be set here."
                )
        try:
            steps_of(
                *(Design(self.design), self.low_deg, self.high_deg),
                angles=self.angles,
                seatings=self.seatings,
            )
        except ValueError as error:
            raise UsageError(f"This cannot be done: {error}.") from error

    def plan(self, found: Stated) -> tuple[Plan, list[str]]:
        """Return the plan, and lines that say how far it reaches."""
        from knuckle.agreement.design import Design
        from knuckle.agreement.planning import planned
        from knuckle.run.validation_facts import Plan

        reference = found.reference(max(abs(self.low_deg), abs(self.high_deg)))
        made = planned(
            *(Design(self.design), self.low_deg, self.high_deg),
            *(reference, self.tolerance_deg),
            angles=self.angles,
            seatings=self.seatings,
            keep_seated=self.keep_seated,
            shared_u_deg=_stack_u_deg(found),
        )
        plan = Plan(reference, made.steps, self.tolerance_deg, found.bar())
        return plan, self._reaches(made, reference, _stack_u_deg(found))

    def _reaches(
        self, made: Planned, reference: Reference, shared_u_deg: float | None
    ) -> list[str]:
        """Say how surely a good pod passes, and what would do better."""
        from knuckle.agreement.planning import better_design
        from knuckle.agreement.verdict import can_pass

        if made.enough and not made.longer:
            return []
        better = better_design(
            self.low_deg, self.high_deg, reference, self.tolerance_deg, shared_u_deg
        )
        if made.enough:
            lines = ["So many, because the reference leaves a good pod undecided otherwise."]
            if better.enough and len(better.steps) < len(made.steps):
                lines.append(_instead("Shorter", better))
            return lines
        reach_deg = max(abs(step.target_deg) for step in made.steps)
        turns = any(step.turned for step in made.steps)
        if not turns and not can_pass(reference, self.tolerance_deg, reach_deg):
            lines = [
                "This reference is too coarse for that tolerance: as it stands no pod could pass."
            ]
        else:
            lines = [
                "This may not decide: a good pod (error a quarter of the tolerance, readings",
                f"that scatter by a tenth of it) passes in {_share(made)} of such runs, not 90 %.",
            ]
        if better.enough:
            return [*lines, _instead("Better", better)]
        if better.chance > made.chance + 0.05:
            lines.append(f"{_instead('Better', better)[:-1]}, {_share(better)}.")
        lines.append("No design here does it with this reference: take a finer one, a narrower")
        lines.append(
            "range (--from, --to), or state its scale (--scale-error) if you know it better."
        )
        return lines


def _share(made: Planned) -> str:
    return f"about {max(100.0 * made.chance, 1.0):.0f} %"


def _instead(word: str, better: Planned) -> str:
    return f"{word}: --design {better.design.value}, {len(better.steps)} readings of the pod."


def _stack_u_deg(found: Stated) -> float | None:
    """Return what a stack of a sine bar leaves, one sigma, near level."""
    if found.bar_mm is None:
        return None
    return math.degrees(found.height_u_mm / found.bar_mm)


def opening(plan: Plan, about: str, reaches: list[str]) -> list[str]:
    """Return what is said before the first reading, each line within 80 columns."""
    marks = len({step.setting for step in plan.steps})
    return [
        "Stand the pod on a plate, or hold it to one, so that both it and the reference",
        "tilt about its X axis. Angles count as the pod's camber: positive where the top",
        "leans towards +Y. Type nothing but what the reference shows; `again` leaves a",
        "reading out.",
        *textwrap.wrap(f"Reference: {about}.", 80),
        f"Tolerance: +-{plan.tolerance_deg:g} deg. Readings of the pod: {len(plan.steps)}, of the "
        f"reference: {marks}.",
        *reaches,
    ]
