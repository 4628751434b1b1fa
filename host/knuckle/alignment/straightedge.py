"""The pads by the pod laid on a straightedge across and along them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np

from knuckle.alignment.pads import Pads, pads_of
from knuckle.errors import UsageError
from knuckle.estimate.distributions import chi_squared_tail
from knuckle.estimate.priors import Given
from knuckle.model.block import FloatArray
from knuckle.model.wheel import Wheel

CHANCE: Final = 0.01
"""Readings that fit worse than chance lets them in one case of a hundred do not belong together."""


class Span(StrEnum):
    """From which pad to which the straightedge was laid; the first is the one counted up."""

    FRONT = "front"
    """Left front over right front."""
    REAR = "rear"
    """Left rear over right rear."""
    LEFT = "left"
    """Left front over left rear."""
    RIGHT = "right"
    """Right front over right rear."""


_ENDS: Final[Mapping[Span, tuple[Wheel, Wheel]]] = {
    Span.FRONT: (Wheel.LF, Wheel.RF),
    Span.REAR: (Wheel.LR, Wheel.RR),
    Span.LEFT: (Wheel.LF, Wheel.LR),
    Span.RIGHT: (Wheel.RF, Wheel.RR),
}


def slope_by_reversal(first: Given, turned: Given) -> tuple[Given, Given]:
    """Return slope and zero from two readings, the second with the pod end for end.

    Parameters
    ----------
    first, turned : Given
        Readings of the pod, deg, with what is their own (noise, laying down), each positive where
        the end that was first on the span's first pad reads higher.

    Returns
    -------
    tuple of Given
        Slope of the span and the pod's zero: half the difference and half the sum. Common
        practice (the level's reversal); the zero, which nobody needs to know, drops out.
    """
    u = math.hypot(first.standard_uncertainty, turned.standard_uncertainty) / 2.0
    return Given((first.value - turned.value) / 2.0, u), Given(
        (first.value + turned.value) / 2.0, u
    )


@dataclass(frozen=True, slots=True)
class Laid:
    """Pads by the straightedge.

    Attributes
    ----------
    pads : Pads
    misclosure_mm : float or None
        Going round all four pads; None where fewer than four spans were read.
    consistent : bool
        False where the readings contradict each other by more than their uncertainties allow.
    """

    pads: Pads
    misclosure_mm: float | None
    consistent: bool


def pads_by_straightedge(
    slopes_deg: Mapping[Span, Given],
    *,
    wheelbase_mm: float,
    track_front_mm: float,
    track_rear_mm: float,
    straightness_mm: float = 0.3,
) -> Laid:
    """Return how the pads lie from the slopes of three or four spans.

    Parameters
    ----------
    slopes_deg : dict of Span to Given
        Of the straightedge from pad to pad; left higher, or front higher. The zero of the pod
        must be out of them (`slope_by_reversal`) or in their uncertainty.
    wheelbase_mm, track_front_mm, track_rear_mm : float
        Level distances from pad to pad.
    straightness_mm : float
        Standard uncertainty of one end of the straightedge over the other by its own shape and
        feet (0.3: common practice, no source).

    Raises
    ------
    UsageError
        If fewer than three spans were read.

    Notes
    -----
    Each span says h_first - h_second = length x tan(slope). Three of them give the heights but
    for a common one; the fourth closes the ring. Weighted least squares; the common height is
    fixed by their mean.
    """
    if len(slopes_deg) < 3:
        raise UsageError(
            "The straightedge was read on fewer than three spans.",
            "Heights of four pads need three differences at least.",
            "Lay it across the front pads, across the rear pads and along one side.",
        )
    length = {Span.FRONT: track_front_mm, Span.REAR: track_rear_mm}
    places = {wheel: at for at, wheel in enumerate(Wheel)}
    rows, heights, weights = [], [], []
    for span, slope in slopes_deg.items():
        over = length.get(span, wheelbase_mm)
        row = np.zeros(4)
        first, second = _ENDS[span]
        row[places[first]], row[places[second]] = 1.0, -1.0
        tangent = math.tan(math.radians(slope.value))
        u = over * math.radians(slope.standard_uncertainty) * (1.0 + tangent**2)
        rows.append(row)
        heights.append(over * tangent)
        weights.append(1.0 / math.hypot(u, straightness_mm, 1e-9))
    a, h, w = np.array(rows), np.array(heights), np.array(weights)
    # The row that fixes the mean height has no residual: it only settles what no span can tell.
    a_all = np.vstack([a * w[:, None], np.full(4, w.max())])
    found = np.linalg.lstsq(a_all, np.append(h * w, 0.0), rcond=None)[0]
    chi_squared = float(np.sum((w * (h - a @ found)) ** 2))
    consistent = len(rows) < 4 or chi_squared_tail(chi_squared, 1) > CHANCE
    pads = pads_of(
        {wheel: float(found[places[wheel]]) for wheel in Wheel},
        0.0,
        wheelbase_mm=wheelbase_mm,
        track_front_mm=track_front_mm,
        track_rear_mm=track_rear_mm,
    )
    if not consistent:
        w = w / math.sqrt(chi_squared)
    covariance = np.linalg.pinv((a * w[:, None]).T @ (a * w[:, None]))
    return Laid(
        _with_covariance(pads, covariance, (track_front_mm, track_rear_mm, wheelbase_mm)),
        _misclosure(slopes_deg, length, wheelbase_mm),
        consistent,
    )


def _misclosure(
    slopes_deg: Mapping[Span, Given], length: Mapping[Span, float], wheelbase_mm: float
) -> float | None:
    if len(slopes_deg) < len(Span):
        return None
    rise = {
        span: length.get(span, wheelbase_mm) * math.tan(math.radians(slope.value))
        for span, slope in slopes_deg.items()
    }
    return rise[Span.FRONT] + rise[Span.RIGHT] - rise[Span.REAR] - rise[Span.LEFT]


_ROWS: Final = np.array([[1.0, -1.0, 0.0, 0.0], [0.0, 0.0, 1.0, -1.0], [0.5, 0.5, -0.5, -0.5]])
"""Rise across the front, across the rear and along, by the heights in the order of `Wheel`."""


def _with_covariance(
    pads: Pads, covariance: FloatArray, over_mm: tuple[float, float, float]
) -> Pads:
    """Return the pads with the slopes' uncertainties by the heights' covariance."""
    slopes = (pads.front_across_deg, pads.rear_across_deg, pads.along_deg)
    rise_u = np.sqrt(np.einsum("ij,jk,ik->i", _ROWS, covariance, _ROWS))
    given = [
        Given(
            slope.value,
            math.degrees(float(u) / over * math.cos(math.radians(slope.value)) ** 2),
        )
        for slope, u, over in zip(slopes, rise_u, over_mm, strict=True)
    ]
    return Pads(pads.height_mm, math.sqrt(float(np.mean(np.diag(covariance)))), *given)
