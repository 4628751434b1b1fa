"""A value with its expanded uncertainty, its budget and its verdict."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Final


class Quantity(StrEnum):
    """What a result is of; the names are those of the JSON output."""

    CAMBER = "camber"
    CASTER = "caster"
    SAI = "steering_axis_inclination"
    TOE = "toe"
    TOTAL_TOE = "total_toe"
    THRUST = "thrust"
    FRONT_HEADING = "front_heading"
    CROSS_CAMBER = "cross_camber"
    CROSS_CASTER = "cross_caster"
    CROSS_SAI = "cross_inclination"
    INCLUDED = "included_angle"
    CROSS_INCLUDED = "cross_included_angle"
    TURN_OUT_LEFT = "turn_out_left"
    TURN_OUT_RIGHT = "turn_out_right"
    WHEELBASE_DIFFERENCE = "wheelbase_difference"
    SETBACK = "setback"
    CAMBER_GAIN = "camber_gain"
    BUMP_STEER = "bump_steer"
    MOUNT_TILT = "mount_tilt"
    MOUNT_YAW = "mount_yaw"
    SEAT_TILT = "mount_alone_tilt"
    SEAT_YAW = "mount_alone_yaw"
    RUNOUT = "runout"
    CAMBER_ZERO = "camber_zero"
    ZERO_X = "zero_x"
    ZERO_Y = "zero_y"
    ZERO_Z = "zero_z"
    SLOPE_X = "slope_x"
    SLOPE_Y = "slope_y"
    SLOPE_Z = "slope_z"


SWEPT: Final = (Quantity.CAMBER, Quantity.CASTER, Quantity.SAI)
"""What a sweep yields."""


class Position(StrEnum):
    """Where the wheel stood at a rest, seen from that wheel."""

    STRAIGHT = "straight"
    IN = "in"
    OUT = "out"


@dataclass(frozen=True, slots=True)
class BudgetTerm:
    """One line of an uncertainty budget.

    Attributes
    ----------
    term : str
        What it is, in words.
    source : str
        What it comes from (docs/results.md lists them): readings that share a source share
        its error.
    standard_uncertainty : float
        In the unit of the result.
    degrees_of_freedom : float
        `math.inf` where the term is a stated tolerance.
    """

    term: str
    source: str
    standard_uncertainty: float
    degrees_of_freedom: float = float("inf")


@dataclass(frozen=True, slots=True)
class Result:
    """A measured quantity. A bare number is never a result.

    Attributes
    ----------
    value : float
        In `unit`, signs as in docs/measurement.md.
    expanded_uncertainty : float
        Half-width of the interval that covers the truth in 95 % of cases.
    coverage_factor : float
        Expanded over combined standard uncertainty.
    budget : tuple of BudgetTerm
        Largest first; the squares add up to the combined standard uncertainty's.
    condition : str
        Under which the value holds ("relative to gravity", "as swept, on its springs").
    """

    quantity: Quantity
    value: float
    expanded_uncertainty: float
    coverage_factor: float
    unit: str
    budget: tuple[BudgetTerm, ...]
    condition: str = ""

    @property
    def standard_uncertainty(self) -> float:
        """Combined standard uncertainty, in `unit`."""
        return self.expanded_uncertainty / self.coverage_factor

    @property
    def dominant(self) -> BudgetTerm:
        """The largest line of the budget."""
        return max(self.budget, key=lambda term: term.standard_uncertainty)


@dataclass(frozen=True, slots=True)
class PlacedRest:
    """A rest as a result of a measurement: where the wheel stood and its camber there.

    `position` and `steer_deg` are None where they are not known.
    """

    position: Position | None
    start_s: float
    end_s: float
    camber_deg: float
    camber_expanded_uncertainty_deg: float
    steer_deg: float | None


class Place(StrEnum):
    """Where a length was measured to a wheel's rim."""

    FRONT = "front"
    REAR = "rear"


@dataclass(frozen=True, slots=True)
class PlacedTouch:
    """A length taken at a rim as part of a measurement of toe.

    `start_s` and `end_s` (pod time) are None for a length that was typed in.
    """

    place: Place
    start_s: float | None
    end_s: float | None
    reading_mm: float
    length_mm: float
    length_expanded_uncertainty_mm: float


@dataclass(frozen=True, slots=True)
class Notice:
    """A warning or the reason of a refusal; codes are listed in docs/results.md."""

    code: str
    text: str


@dataclass(frozen=True, slots=True)
class Outcome:
    """All that a measurement yields.

    Attributes
    ----------
    measure : str
        "camber", "sweep", "toe", "linear", "spin" or "reversal".
    wheel : str
        LF, RF, LR or RR; empty where no wheel was measured.
    results : dict of Quantity to Result
        Empty when refused.
    rests : tuple of PlacedRest
        Kept even when refused, as far as they were found.
    warnings : tuple of Notice
        What the user should know of these results.
    refused : Notice or None
        Why there is no result.
    details : dict of str to float or str
        Further figures: closure, hysteresis, goodness of fit, the two-reading rule.
    touches : tuple of PlacedTouch
        Lengths to the rim, in the order in which they were taken; of toe only.
    """

    measure: str
    wheel: str
    results: dict[Quantity, Result]
    rests: tuple[PlacedRest, ...] = ()
    warnings: tuple[Notice, ...] = ()
    refused: Notice | None = None
    details: dict[str, float | str] = field(default_factory=dict)
    touches: tuple[PlacedTouch, ...] = ()
