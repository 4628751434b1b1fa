"""What is told of a wheel-turn run and of a reversal beside their values."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from typing import Final

from knuckle.model.result import Outcome, Quantity

WIDTH: Final = 79


def mount_lines(outcome: Outcome) -> Iterator[str]:
    """Yield how the figures were come by, and what to do next."""
    yield ""
    yield from _spin_lines(outcome) if outcome.measure == "spin" else _reversal_lines(outcome)


def _spin_lines(outcome: Outcome) -> Iterator[str]:
    found = outcome.details
    way = "a slow turn" if found["way"] == "slow turn" else found["way"]
    yield from _wrapped(
        f"By {way}, {float(found['readings']):.0f} readings; largest part of the turn "
        f"left open {float(found['largest_gap_deg']):.0f} deg."
    )
    if "closure_deg" in found:
        yield f"Rests at one place of the turn agree within {float(found['closure_deg']):.3f} deg."
    if Quantity.RUNOUT in outcome.results:
        at_deg = float(found["runout_at_deg"])
        yield from _wrapped(
            f"The runout points {at_deg:+.0f} deg from the pod's +Z towards +X, as first seated."
        )
    else:
        yield "Mount and runout are told apart only where the pod is seated anew: --seats 2."
    yield from _wrapped(
        "Now lower the car if it is lifted, and settle the suspension: roll it, or press each "
        "corner down, before camber or a sweep. Leave the pod as it sits; --same-mount then "
        "says so."
    )


def _reversal_lines(outcome: Outcome) -> Iterator[str]:
    found = outcome.details
    placings, turned = float(found["placings"]), float(found["turned"])
    yield from _wrapped(
        f"By {placings:.0f} readings on the face {found['face']}, {turned:.0f} of them turned end "
        f"for end; one placing scatters by {float(found['seating_scatter_deg']):.3f} deg."
    )
    if placings <= 2.0:
        yield "Two readings do not check each other; --readings 4 does."
    if Quantity.CAMBER_ZERO in outcome.results:
        yield from _wrapped(
            "The camber zero is what the pod would show on an upright wheel. Camber and sweeps "
            "with this pod and this calibration take it off from now on, and say so; --no-zero "
            "leaves it out. It holds up to the squareness of this face to the mounting face."
        )


def _wrapped(text: str) -> Iterator[str]:
    yield from textwrap.wrap(text, WIDTH, break_on_hyphens=False)
