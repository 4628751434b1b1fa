"""Where an accelerometer's range ends: as a log says, or as its readings betray."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Final

import numpy as np

from knuckle.model.block import BoolArray, FloatArray

RANGE_FACT: Final = "accelerometer_range_g"
_SAME_FACT: Final = frozenset(
    {RANGE_FACT, "accelerometer_range", "accel_range_g", "accel_range", "acc_range_g", "acc_range"}
)
_VALUE: Final = re.compile(r"(?:±|\+/?-)?\s*(\d+\.?\d*|\.\d+)\s*g?\Z", re.IGNORECASE)
_LEAST_FLAT: Final = 20
_STEEPNESS: Final = 4


def is_range_fact(key: str) -> bool:
    """Return whether a ``# key=value`` line states the accelerometer's range."""
    return key.strip().lower().replace("-", "_").replace(" ", "_") in _SAME_FACT


def range_g(value: str) -> float | None:
    """Read a range such as ``2``, ``2 g`` or ``+-2``; None if it is no positive number."""
    found = _VALUE.match(value.strip())
    number = float(found[1]) if found else 0.0
    return number if number > 0.0 else None


def stated_range_g(facts: Mapping[str, str]) -> float | None:
    """Return the range that a log states, or None."""
    for key, value in facts.items():
        if is_range_fact(key):
            return range_g(value)
    return None


def flat_top(accel_g: FloatArray) -> BoolArray:
    """Return which samples stand on a flat top: an axis cut off at one extreme value.

    A clipped axis repeats its extreme value to the last digit, far more often than the next
    value below; a noisy one that is not clipped reaches its extreme least often. An axis that
    never changes while another is noisy is stuck, and all its samples count. Logs without
    noise (constructed ones, or of coarse digits) are never judged.

    Parameters
    ----------
    accel_g : ndarray, shape (n, 3)

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    flat = np.zeros(accel_g.shape[0], dtype=np.bool_)
    noisy = [_is_noisy(axis, np.ones_like(flat)) for axis in accel_g.T]
    for axis in accel_g.T:
        if np.ptp(axis) == 0.0:
            flat |= any(noisy)
            continue
        for size in (axis, -axis):
            top = float(np.max(size))
            at_top = size == top
            count = int(np.count_nonzero(at_top))
            if top <= 0.0 or count < _LEAST_FLAT or not _is_noisy(axis, ~at_top):
                continue
            below = float(np.max(size[~at_top]))
            usual = max(int(np.count_nonzero(size == below)), _LEAST_FLAT // _STEEPNESS)
            if count >= _STEEPNESS * usual:
                flat |= at_top
    return flat


def _is_noisy(axis: FloatArray, wanted: BoolArray) -> bool:
    """Return whether most readings differ from the one before."""
    pairs = wanted[1:] & wanted[:-1]
    count = int(np.count_nonzero(pairs))
    same = int(np.count_nonzero((axis[1:] == axis[:-1]) & pairs))
    return count >= _LEAST_FLAT and same < count // 2
