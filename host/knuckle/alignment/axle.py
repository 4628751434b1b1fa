"""An axle from its wheels: total toe, thrust angle, front toe about the thrust line.

The heading of a wheel is counted to the left (ISO 8855): -toe on the left side, +toe on the right.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

from knuckle.alignment.shared import Origin, Part, combined
from knuckle.model.car import Target
from knuckle.model.result import Quantity, Result
from knuckle.model.wheel import Wheel

THRUST_LINE: Final = "against the thrust line"


@dataclass(frozen=True, slots=True)
class WheelToe:
    """The toe of one wheel and by what it was measured; `origin.wheel` must be set."""

    result: Result
    origin: Origin

    @property
    def wheel(self) -> Wheel:
        """The wheel it is of."""
        if self.origin.wheel is None:
            raise ValueError("the origin of a wheel's toe must name the wheel")
        return self.origin.wheel


@dataclass(frozen=True, slots=True)
class AxleToe:
    """An axle.

    Attributes
    ----------
    total : Result
        Toe of both wheels together; it does not depend on where the steering stood.
    heading : Result
        Mean heading of both wheels to the left of the car's line: of a rear axle the thrust
        angle, of a front axle where the steering stood.
    """

    total: Result
    heading: Result


def axle_toe(left: WheelToe, right: WheelToe) -> AxleToe:
    """Return total toe and mean heading of an axle.

    total = toe_left + toe_right; heading = (toe_right - toe_left) / 2 to the left. What turns
    both strings together has no part in the total, what makes them converge none in the heading.

    Raises
    ------
    ValueError
        If these are not the left and the right wheel of one axle.
    """
    if not left.wheel.is_left or right.wheel.is_left or left.wheel.is_front != right.wheel.is_front:
        raise ValueError(f"{left.wheel} and {right.wheel} are no axle, left wheel first")
    condition = left.result.condition
    return AxleToe(
        combined(
            Quantity.TOTAL_TOE,
            [Part(left.result, 1.0, left.origin), Part(right.result, 1.0, right.origin)],
            condition,
        ),
        combined(
            Quantity.THRUST if not left.wheel.is_front else Quantity.FRONT_HEADING,
            [Part(left.result, -0.5, left.origin), Part(right.result, 0.5, right.origin)],
            condition,
        ),
    )


@dataclass(frozen=True, slots=True)
class Centred:
    """The front axle seen from the thrust line, along which the car drives.

    Attributes
    ----------
    front, rear : AxleToe
    left, right : Result
        Toe of each front wheel against the thrust line, as the steering stood.
    each : Result
        What each front wheel has with the steering wheel where the car drives straight: half
        of the total toe.
    off_centre : Result
        By how much the front wheels' mean heading lies to the left of the thrust line with
        the steering as it stood when it was measured. If the steering wheel was centred then,
        driving straight it stands turned to the right by this times the steering ratio.
    """

    front: AxleToe
    rear: AxleToe
    left: Result
    right: Result
    each: Result
    off_centre: Result


def about_thrust_line(lf: WheelToe, rf: WheelToe, lr: WheelToe, rr: WheelToe) -> Centred:
    """Return the front axle about the thrust line of the rear one.

    With the thrust angle T = (toe_RR - toe_LR) / 2 to the left, the front wheels' toe against
    that line is toe_LF + T and toe_RF - T. An angle that both strings share is no longer in it.

    Raises
    ------
    ValueError
        If these are not the four wheels in this order.
    """
    front, rear = axle_toe(lf, rf), axle_toe(lr, rr)
    if not lf.wheel.is_front or lr.wheel.is_front:
        raise ValueError("the front wheels come first, then the rear ones")

    def front_wheel(own: WheelToe, sign: float) -> Result:
        return combined(
            Quantity.TOE,
            [
                Part(own.result, 1.0, own.origin),
                Part(rr.result, sign / 2.0, rr.origin),
                Part(lr.result, -sign / 2.0, lr.origin),
            ],
            THRUST_LINE,
        )

    off = combined(
        Quantity.FRONT_HEADING,
        [
            Part(rf.result, 0.5, rf.origin),
            Part(lf.result, -0.5, lf.origin),
            Part(rr.result, -0.5, rr.origin),
            Part(lr.result, 0.5, lr.origin),
        ],
        THRUST_LINE,
    )
    total = front.total
    each = combined(
        Quantity.TOE, [Part(total, 0.5)], "steering wheel where the car drives straight"
    )
    return Centred(front, rear, front_wheel(lf, 1.0), front_wheel(rf, -1.0), each, off)


def front_targets(total: Target, thrust_deg: float = 0.0) -> dict[Wheel, Target]:
    """Return the target of each front wheel against the car's line, from that of the total toe.

    Equal halves about the thrust line: toe_LF = total/2 - T, toe_RF = total/2 + T. Against the
    thrust line itself (`Centred.left`, `.right`) leave `thrust_deg` at 0.
    """
    half = Target(total.value / 2.0, total.low / 2.0, total.high / 2.0)
    return {
        wheel: replace(
            half,
            value=half.value - wheel.side * thrust_deg,
            low=half.low - wheel.side * thrust_deg,
            high=half.high - wheel.side * thrust_deg,
        )
        for wheel in (Wheel.LF, Wheel.RF)
    }


def thrust_offset_mm(thrust_deg: float, wheelbase_mm: float) -> float:
    """Return how far to the left of the centre line the thrust line passes the front axle, mm."""
    return wheelbase_mm * math.tan(math.radians(thrust_deg))
