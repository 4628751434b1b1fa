"""Where samples stop belonging together: a restart of the pod, or a long gap."""

from __future__ import annotations

import numpy as np

from knuckle.model.block import LONGEST_BRIDGED_GAP_S, FloatArray, IntArray

_ROUNDING_S = 1e-9


def follows(last_s: float, next_s: float, period_s: float) -> bool:
    """Tell whether a sample follows another without a long gap."""
    return not next_s - last_s - period_s > LONGEST_BRIDGED_GAP_S + _ROUNDING_S


def unbroken(t_s: FloatArray, stretch: IntArray, period_s: float) -> list[int]:
    """Return the bounds of the parts without restart or long gap: 0, ..., n.

    Parameters
    ----------
    t_s, stretch : ndarray, shape (n,)
        Of at least one sample.
    period_s : float
        Nominal time from sample to sample.
    """
    breaks = (stretch[1:] != stretch[:-1]) | (
        np.diff(t_s) - period_s > LONGEST_BRIDGED_GAP_S + _ROUNDING_S
    )
    return [0, *(np.flatnonzero(breaks) + 1).tolist(), len(t_s)]
