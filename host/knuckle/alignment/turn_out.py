"""Toe-out on turns: by how much more the inner wheel steers than the outer one."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final, NamedTuple

import numpy as np

from knuckle.alignment.shared import term_of, with_budget
from knuckle.errors import MeasurementRefused
from knuckle.model.block import FloatArray
from knuckle.model.result import Outcome, Quantity, Result

AT_DEG: Final = 20.0
"""Of the inner wheel; common practice."""
FARTHEST_DEG: Final = 6.0
"""Nothing is said of the inner wheel's 20 deg by readings farther from it than this."""
HEADING_U_DEG: Final = 0.1
SPREAD_DEG: Final = 4.0
LEAST_TOGETHER_S: Final = 0.5


class BothHeadings(NamedTuple):
    """Changes of heading of both front wheels from straight ahead, left positive, deg."""

    left_deg: float
    right_deg: float


def headings_together(
    left: Outcome, right: Outcome, right_behind_s: float = 0.0
) -> list[BothHeadings]:
    """Return the headings of rests in which both wheels stood at the same time.

    Parameters
    ----------
    left, right : Outcome
        Of two pods' sweeps.
    right_behind_s : float
        Added to the right pod's times to bring them to the left pod's.
    """
    found = []
    for one in left.rests:
        for other in right.rests:
            start = max(one.start_s, other.start_s + right_behind_s)
            end = min(one.end_s, other.end_s + right_behind_s)
            together = end - start >= LEAST_TOGETHER_S
            if together and one.steer_deg is not None and other.steer_deg is not None:
                found.append(BothHeadings(one.steer_deg, other.steer_deg))
    return found


def toe_out_on_turns(
    headings: Sequence[BothHeadings],
    *,
    at_deg: float = AT_DEG,
    heading_u_deg: float = HEADING_U_DEG,
    scale_u: float = 0.0,
    same_gyro: bool = False,
) -> dict[Quantity, Result]:
    """Return toe-out on turns, inner less outer wheel, to the left and to the right.

    Parameters
    ----------
    headings : sequence of BothHeadings
        At any number of rests; those near straight ahead are not used.
    at_deg : float
        Of the inner wheel.
    heading_u_deg : float
        Standard uncertainty of each heading by itself.
    scale_u : float
        Relative standard uncertainty of each wheel's scale (of a gyro).
    same_gyro : bool
        Whether one and the same gyro read both wheels: its scale is then common.

    Returns
    -------
    dict of Quantity to Result
        TURN_OUT_LEFT of a turn to the left (the left wheel is the inner one), TURN_OUT_RIGHT;
        one of them where only that side was steered far enough.

    Raises
    ------
    MeasurementRefused
        TURN_OUT_MISSING: on neither side does a rest lie near enough.

    Notes
    -----
    At each rest K = cot(outer) - cot(inner), which for wheels that roll about one centre is track
    over wheelbase at every angle (Ackermann's condition; any textbook of vehicle dynamics). K is
    taken to `at_deg`, as a straight line where rests are spread by 4 deg or more, and outer =
    acot(K + cot(at)). What of the law is unknown between reading and `at_deg`: the toe-out grows
    there by a power of the angle from 1 to 3, where K says 2, as a rectangle.
    """
    found = {}
    for quantity, inner_is_left in (
        (Quantity.TURN_OUT_LEFT, True),
        (Quantity.TURN_OUT_RIGHT, False),
    ):
        pairs = np.array(
            [
                (left, right) if inner_is_left else (-right, -left)
                for left, right in headings
                if (left > 0.0 and right > 0.0) == inner_is_left and left * right > 0.0
            ]
        ).reshape(-1, 2)
        # Near straight ahead K is noise over a small angle squared.
        pairs = pairs[pairs[:, 0] >= at_deg / 4.0]
        if pairs.size and np.min(np.abs(pairs[:, 0] - at_deg)) <= FARTHEST_DEG:
            found[quantity] = _one_way(quantity, pairs, at_deg, heading_u_deg, scale_u, same_gyro)
    if not found:
        raise MeasurementRefused(
            "TURN_OUT_MISSING",
            f"No rest of both wheels lies within {FARTHEST_DEG:g} deg of {at_deg:g} deg.",
            "The sweep was too small, or the two wheels did not rest at the same time.",
            f"Steer until the inner wheel stands at about {at_deg:g} deg, on each side.",
        )
    return found


def _one_way(
    quantity: Quantity,
    pairs_deg: FloatArray,
    at_deg: float,
    heading_u_deg: float,
    scale_u: float,
    same_gyro: bool,
) -> Result:
    def turn_out(pairs: FloatArray) -> float:
        inner, outer = np.radians(pairs).T
        k = 1.0 / np.tan(outer) - 1.0 / np.tan(inner)
        # The uncertainty of K goes with 1 / sin^2 of the angle.
        weight = np.sin(inner) ** 2
        at = math.radians(at_deg)
        spread = np.ptp(pairs_deg[:, 0]) >= SPREAD_DEG
        fit = np.polynomial.polynomial.polyfit(inner - at, k, 1 if spread else 0, w=weight)
        return at_deg - math.degrees(math.atan2(1.0, fit[0] + 1.0 / math.tan(at)))

    value = turn_out(pairs_deg)
    step = 1e-5
    slopes = np.zeros_like(pairs_deg)
    for place in np.ndindex(pairs_deg.shape):
        moved = np.zeros_like(pairs_deg)
        moved[place] = step
        slopes[place] = (turn_out(pairs_deg + moved) - turn_out(pairs_deg - moved)) / (2.0 * step)
    own = heading_u_deg * float(np.linalg.norm(slopes))
    by_scale = np.sum(slopes * pairs_deg, axis=0)
    scale = abs(float(by_scale.sum())) if same_gyro else float(np.linalg.norm(by_scale))
    nearest = float(np.min(np.abs(pairs_deg[:, 0] - at_deg)))
    law = abs(value) * nearest / at_deg / math.sqrt(3.0)
    terms = [term_of("gyro", own), term_of("gyro_calibration", scale_u * scale)]
    if law > 0.0:
        terms.append(term_of("fit", law))
    return with_budget(quantity, value, terms, f"inner wheel at {at_deg:g} deg")
