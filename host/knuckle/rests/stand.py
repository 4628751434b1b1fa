"""Rests between which nothing but the level changed: one stand of the wheel, or one drift."""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from knuckle.rests.reading import Reading

_SAME_STAND_S: Final = 0.5
_NO_MOVE_S: Final = 1.5
_NO_MOVE_G: Final = 8e-3
"""So soon after, a wheel that was steered would stand further away."""
_SLIDE_G_S: Final = 0.13e-3


def same_stand(before: Reading, after: Reading) -> bool:
    """Tell whether hardly anything lies between two rests: the wheel was not turned."""
    one, two = before.rest, after.rest
    gap_s = two.start_s - one.end_s
    if one.stretch != two.stretch or gap_s >= _NO_MOVE_S:
        return False
    apart_g = float(np.sqrt(np.sum((one.accel_g - two.accel_g) ** 2)))
    return gap_s < _SAME_STAND_S or apart_g < _NO_MOVE_G


def stands(joined: list[bool]) -> list[tuple[int, int]]:
    """Return first and end place of each row of rests of one stand, in order.

    Parameters
    ----------
    joined : list of bool
        For each rest but the last, whether it is of the same stand as the one after it.
    """
    rows = []
    first = 0
    for i, same in enumerate([*joined, False], start=1):
        if not same:
            rows.append((first, i))
            first = i
    return rows


def slides(row: list[Reading]) -> bool:
    """Tell whether the rests of a row are pieces of a steady drift, not of a mount that slipped.

    Gravity's mean moves from piece to piece in both cases. In a drift it moves at that same
    rate inside each piece too, after a slip not at all; whichever is nearer to what was read.
    """
    if len(row) < 2:
        return False
    weight = np.array([1.0 / r.slope_sigma_g_s**2 for r in row])
    inside = np.sum([w * r.slope_vector_g_s for w, r in zip(weight, row, strict=True)], axis=0)
    inside = inside / weight.sum()
    sigma = 1.0 / math.sqrt(float(weight.sum()))
    middle = np.array([(r.rest.start_s + r.rest.end_s) / 2.0 for r in row])
    middle -= middle.mean()
    means = np.array([r.rest.accel_g for r in row])
    between = np.sum(middle[:, None] * means, axis=0) / np.sum(middle**2)
    rate = float(np.sqrt(np.sum(between**2)))
    if rate < max(_SLIDE_G_S, 4.0 * sigma):
        return False
    # Along the change alone: what noise does across it says nothing.
    return float(np.sum(inside * between)) / rate > rate / 2.0
