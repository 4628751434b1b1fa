"""From a solved estimate to results: expanded uncertainty and budget by source."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from functools import lru_cache

import numpy as np

from knuckle.estimate.distributions import student_quantile
from knuckle.estimate.solver import Solution
from knuckle.model.block import FloatArray
from knuckle.model.budget import (
    GROUPS,
    NEARLY_CERTAIN,
    effective_degrees_of_freedom,
    group_of,
)
from knuckle.model.result import SWEPT, BudgetTerm, Quantity, Result

COVERAGE = 0.95

TERMS: dict[str, str] = {
    "noise": "noise of the readings at rest",
    "gyro": "steer angle: noise of the gyro between rests",
    "zero": "zero: bias of the accelerometer",
    "calibration": "calibration: scale and cross-axis of the accelerometer",
    "chip_turn": "calibration: turn of the chip in its case",
    "nonlinearity": "nonlinearity of the accelerometer",
    "temperature": "temperature: drift since the calibration",
    "gyro_calibration": "steer angle: gyro scale and cross-axis",
    "gyro_turn": "steer angle: turn of the gyro's own chip",
    "mount": "mount: spin axis against the pod",
    "roll": "roll of the wheel while steering",
    "straight_ahead": "toe and straight ahead",
    "plates": "steer angle: turn-plate readings",
    "linear": "readings of the linear sensor, and its play",
    "linear_calibration": "scale and straightness of the linear sensor",
    "linear_geometry": "lever, distance and angles of the linear sensor",
    "pads": "slope of the pads",
    "body_roll": "roll of the body",
    "lever": "steer angle: lever arm of a moving wheel",
    "scatter": "disagreement between rests",
    "touch": "touching down: repeats",
    "rim_length": "length between the touches",
    "height": "touches of unequal height, with camber",
    "string": "string against the car",
    "runout": "runout of the rim",
    "reseat": "seating the pod on the rim again",
    "squareness": "zero: squareness of base to mounting face",
    "reversal": "zero: readings of the reversal",
    "turned": "turned end for end by not quite half a turn",
    "seating": "laying the pod down: repeats",
    "tape": "lengths measured by tape",
    "typed": "reading of the instrument that was typed in",
    "fit": "curve through the readings",
    "adjustment": "answer of the adjuster, and the amount turned",
}
"""What each source is called in a budget; the keys are the sources of the JSON output."""


def coverage_factor(terms: Sequence[BudgetTerm]) -> float:
    """Return the factor for 95 % coverage from the effective degrees of freedom.

    Student's, GUM (JCGM 100:2008) G.3.2 and G.6.4; where every term is a stated tolerance it is
    the normal distribution's 1.96.
    """
    return _factor(effective_degrees_of_freedom(terms))


@lru_cache(maxsize=4096)
def _factor(freedom: float) -> float:
    # Histories ask for thousands, nearly all of stated tolerances.
    upper = (1.0 + COVERAGE) / 2.0
    return student_quantile(upper, math.inf if freedom > NEARLY_CERTAIN else freedom)


def _with_absent(terms: list[BudgetTerm]) -> list[BudgetTerm]:
    """Return terms and, with nothing in them, the named groups that have no part in a result."""
    present = {group_of(term.source) for term in terms}
    absent = [sources[0] for name, sources in GROUPS.items() if name not in present]
    return terms + [BudgetTerm(TERMS[source], source, 0.0) for source in absent]


def result_of(
    quantity: Quantity,
    value_deg: float,
    gradient: FloatArray,
    solution: Solution,
    noise_dof: float,
    condition: str,
    inflation: float = 1.0,
    known_dof: Mapping[str, float] | None = None,
) -> Result:
    """Return a result with its budget.

    Parameters
    ----------
    gradient : ndarray, shape (p,)
        Derivative of the value (deg) by the unknowns.
    noise_dof : float
        Degrees of freedom behind the readings' noise.
    inflation : float
        Factor (at least 1) on every term, where the fit scatters more than its rows say.
    known_dof : mapping of str to float, optional
        Degrees of freedom behind what was known beforehand, by source
        (`Priors.degrees_of_freedom`).
    """
    freedom = {**(known_dof or {}), "noise": noise_dof}
    terms = [
        BudgetTerm(
            TERMS[source],
            source,
            inflation * float(np.sqrt(np.sum(share**2))),
            freedom.get(source, math.inf),
        )
        for source, share in solution.shares(gradient).items()
    ]
    terms = [term for term in terms if term.standard_uncertainty > 0.0]
    terms.sort(key=lambda term: -term.standard_uncertainty)
    if quantity in SWEPT:
        terms = _with_absent(terms)
    factor = coverage_factor(terms)
    combined = math.sqrt(sum(term.standard_uncertainty**2 for term in terms))
    return Result(quantity, value_deg, factor * combined, factor, "deg", tuple(terms), condition)
