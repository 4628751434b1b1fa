"""Runout and mount told apart, where the pod was seated at several clock positions of the rim.

The runout turns with the rim, the pod's own mount error with the pod. Seated at clock position
phi the spin axis lies off the pod's +Y by m + R(-phi) r: m of the pod, r of the rim (to the first
order; the rest is below 0.001 deg for 3 deg and 1 deg).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import combinations
from typing import Final

import numpy as np

from knuckle.analysis.summary import TERMS, coverage_factor
from knuckle.model.block import FloatArray
from knuckle.model.result import BudgetTerm, Notice, Quantity, Result

LEAST_APART_DEG: Final = 45.0
USUAL_RESEAT_DEG: Final = 0.05
"""How alike a pod sits on the rim again, each way, one sigma, before repeats have shown it."""
USUAL_RESEAT_DOF: Final = 3.0


def clocks_deg(ends_g: Sequence[tuple[FloatArray, FloatArray]]) -> FloatArray:
    """Return the clock position of each seat on the rim, against the first, deg, shape (n,).

    The wheel stands still while the pod is seated anew: what changes is the pod's pitch.

    Parameters
    ----------
    ends_g : sequence of two ndarrays, shape (3,)
        Readings at the beginning and at the end of each seat.
    """
    pitch = np.degrees([[np.arctan2(g[0], g[2]) for g in pair] for pair in ends_g])
    steps = -(pitch[1:, 0] - pitch[:-1, 1])
    clocks = np.concatenate([[0.0], np.cumsum(steps)])
    return np.asarray((clocks + 180.0) % 360.0 - 180.0)


def _far_apart(clock_deg: FloatArray) -> bool:
    return any(
        abs((a - b + 180.0) % 360.0 - 180.0) >= LEAST_APART_DEG
        for a, b in combinations(clock_deg, 2)
    )


def runout_of(
    yaw_tilt_deg: FloatArray,
    clock_deg: FloatArray,
    noise_deg: FloatArray,
    common: Sequence[Sequence[BudgetTerm]],
) -> tuple[dict[Quantity, Result], dict[str, float | str], list[Notice]]:
    """Tell runout and mount apart.

    Parameters
    ----------
    yaw_tilt_deg : ndarray, shape (n, 2)
        Of the spin axis in pod axes, each seat.
    clock_deg : ndarray, shape (n,)
    noise_deg : ndarray, shape (n,)
        Standard uncertainty of each by its run alone.
    common : sequence of two sequences of BudgetTerm
        What all seats' yaw and tilt share: the sensor's errors. It goes into the mount alone.

    Returns
    -------
    dict of Quantity to Result
        Empty where the seats are too close to each other.
    dict
        Details.
    list of Notice
    """
    if not _far_apart(clock_deg):
        return (
            {},
            {},
            [
                Notice(
                    "SEATS_TOO_CLOSE",
                    "The pod was seated anew within 45 deg of where it had been: runout and "
                    "mount cannot be told apart. Together they are measured all the same.",
                )
            ],
        )
    phi = np.radians(clock_deg)
    cosine, sine = np.cos(phi), np.sin(phi)
    turned = np.moveaxis(np.array([[cosine, -sine], [sine, cosine]]), 2, 0)
    design = np.concatenate([np.broadcast_to(np.eye(2), turned.shape), turned], axis=2)
    design = design.reshape(-1, 4)
    read = yaw_tilt_deg.ravel()
    normal = np.linalg.inv(design.T @ design)
    found = normal @ design.T @ read
    left = read - design @ found
    freedom = read.size - 4 + USUAL_RESEAT_DOF
    reseat = math.sqrt((USUAL_RESEAT_DOF * USUAL_RESEAT_DEG**2 + left @ left) / freedom)
    noise = float(np.sqrt(np.mean(noise_deg**2)))

    def result(
        quantity: Quantity,
        value: float,
        gradient: FloatArray,
        more: Sequence[BudgetTerm],
        condition: str,
    ) -> Result:
        spread = math.sqrt(float(gradient @ normal @ gradient))
        terms = [
            BudgetTerm(TERMS["reseat"], "reseat", reseat * spread, freedom),
            BudgetTerm(TERMS["noise"], "noise", noise * spread, freedom),
            *more,
        ]
        terms.sort(key=lambda term: -term.standard_uncertainty)
        factor = coverage_factor(terms)
        combined = math.sqrt(sum(term.standard_uncertainty**2 for term in terms))
        return Result(quantity, value, factor * combined, factor, "deg", tuple(terms), condition)

    size = float(np.hypot(*found[2:]))
    direction = np.concatenate([np.zeros(2), found[2:] / max(size, 1e-12)])
    alone = "of the pod alone, without runout"
    results = {
        Quantity.SEAT_TILT: result(
            Quantity.SEAT_TILT, float(found[1]), np.eye(4)[1], common[1], alone
        ),
        Quantity.SEAT_YAW: result(
            Quantity.SEAT_YAW, float(found[0]), np.eye(4)[0], common[0], alone
        ),
        Quantity.RUNOUT: result(Quantity.RUNOUT, size, direction, (), "of the rim's face"),
    }
    details: dict[str, float | str] = {
        "runout_at_deg": float(np.degrees(np.arctan2(found[2], found[3]))),
        "reseat_scatter_deg": reseat,
    }
    for number, clock in enumerate(clock_deg, start=1):
        details[f"seat_{number}_clock_deg"] = float(clock)
    return results, details, []
