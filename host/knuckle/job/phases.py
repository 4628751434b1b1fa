"""The phases of a job, what is prepared in the first, and the kinds of entries."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Final


class Phase(StrEnum):
    """Parts of a job, in the order in which they are gone through."""

    PREPARATION = "preparation"
    PADS = "pads"
    STRINGS = "strings"
    READINGS = "readings"
    ADJUST = "adjust"
    REREAD = "re-read"
    CLOSE = "close"


class Mark(StrEnum):
    """How a phase stands."""

    TO_DO = "to do"
    BEGUN = "begun"
    DONE = "done"
    SKIPPED = "skipped"


class Kind(StrEnum):
    """What an entry tells."""

    ANSWER = "answer"
    """Of the checklist: `item`, `done`, `text`, and what was read under `values`."""
    HEIGHTS = "heights"
    """Of the pads: `mm` by wheel, `u_mm`, `downwards`."""
    SPANS = "spans"
    """Of a straightedge on the pads: `deg` by span, each value and u; `straightness_mm`."""
    OFFSETS = "offsets"
    """Of the strings: `mm` by wheel, `u_mm`, `tracks_mm` or `widths_mm`."""
    RUN = "run"
    """A reading: the run, `by_hand`, `rim_deg` by how far the wheel was rolled from the first."""
    WHEELBASES = "wheelbases"
    """By tape, hub to hub, wheels straight: `left_mm` and `right_mm`, each with u."""
    ADVICE = "advice"
    """What was advised: see `job.advising`."""
    TURNED = "turned"
    """What was turned or shimmed: `wheel`, `adjuster`, `amount`, `unit`."""
    FINISHED = "finished"
    """The phase is done, on somebody's word."""
    SKIPPED = "skipped"
    NOTE = "note"
    CAR = "car"
    """The car file was read anew: `car`, `car_file`, `car_digest`, as the job's own facts."""
    CLOSED = "closed"


@dataclass(frozen=True, slots=True)
class Item:
    """One line of the checklist.

    Attributes
    ----------
    name : str
    words : str
        What to do.
    per_wheel : str
        Dimension of a value at each wheel ("pressure", "length"), or empty.
    value : str
        Dimension of one value ("mass", "text"), or empty.
    """

    name: str
    words: str
    per_wheel: str = ""
    value: str = ""


CHECKLIST: Final = (
    Item("pressures", "Tyre pressures, cold, at all four wheels", per_wheel="pressure"),
    Item("ballast", "Ballast: the driver's weight, in the seat or in its place", value="mass"),
    Item("fuel", "Fuel: how much is in the tank", value="text"),
    Item("ride_heights", "Ride heights at all four wheels", per_wheel="length"),
    Item("settled", "Suspension settled: car rolled a metre or bounced at each corner"),
    Item("steering", "Steering wheel centred and held, or locked", value="text"),
    Item(
        "plates",
        "Slip plates free under the wheels that turn (`-`: there are none)",
        value="text",
    ),
)
"""What is prepared; common practice, no source. Each may be answered or skipped."""
