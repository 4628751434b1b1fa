"""What each rest of a sweep leaves over against the fit, for the plot.

The cambers of an outcome's rests are the estimator's: they lie on its fit. What the pod read
there differs from them by errors that all rests share (mount, bias, scale, turn of the chip)
and by what is each rest's own. The shared part is, to first order, linear in the direction of
"up": an offset, a share of its fore-aft and of its sideways part. It is taken out by least
squares; what stays is what repeats and in-between positions disagree by.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from knuckle.model.block import FloatArray
from knuckle.model.rest import Rest
from knuckle.model.result import PlacedRest

SHARED_TERMS: Final = 3
COVERAGE_FACTOR: Final = 1.96
"""95 % of a normal distribution."""


@dataclass(frozen=True, slots=True)
class Residuals:
    """What rests leave over.

    Attributes
    ----------
    values_deg : ndarray, shape (n,)
        Reading minus fit, in deg of camber.
    bars_deg : ndarray, shape (n,)
        Half-width of the 95 % interval from the noise of each rest alone.
    """

    values_deg: FloatArray
    bars_deg: FloatArray


def residuals_of(placed: Sequence[PlacedRest], rests: Sequence[Rest]) -> Residuals | None:
    """Return what rests leave over against the fit.

    Parameters
    ----------
    placed : sequence of PlacedRest
        Of the outcome.
    rests : sequence of Rest
        As found in the recording.

    Returns
    -------
    Residuals or None
        None if a rest is not found again, or if there are too few to leave anything over.
    """
    read = [_found(item, rests) for item in placed]
    found = [rest for rest in read if rest is not None]
    if len(found) < len(placed) or len(found) <= SHARED_TERMS:
        return None
    up = np.array([rest.accel_g for rest in found])
    up /= np.linalg.norm(up, axis=1, keepdims=True)
    fitted_deg = np.array([item.camber_deg for item in placed])
    difference_deg = np.degrees(-np.arcsin(up[:, 1])) - fitted_deg
    sideways = -np.sin(np.radians(fitted_deg))  # of the fit: a slip must not explain itself
    shared = np.column_stack([np.ones(len(found)), up[:, 0], sideways])
    parts, *_ = np.linalg.lstsq(shared, difference_deg, rcond=1e-6)
    noise_g = np.sqrt([max(float(rest.accel_cov_g2[1, 1]), 0.0) for rest in found])
    return Residuals(difference_deg - shared @ parts, COVERAGE_FACTOR * np.degrees(noise_g))


def _found(placed: PlacedRest, rests: Sequence[Rest]) -> Rest | None:
    middle_s = 0.5 * (placed.start_s + placed.end_s)
    for rest in rests:
        if rest.start_s <= middle_s <= rest.end_s:
            return rest
    return None
