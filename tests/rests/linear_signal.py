"""Made readings of a linear channel: levels held, moves between them, noise, steps."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from knuckle.model.linear import LinearBlock


def signal(
    levels_mm: Sequence[float],
    *,
    rate_hz: float = 100.0,
    hold_s: float = 2.5,
    move_s: float = 0.8,
    noise_mm: float = 0.0,
    step_mm: float = 0.0,
    drift_mm_s: float = 0.0,
    seed: int = 0,
) -> LinearBlock:
    """Return a channel that stands at each level in turn and moves smoothly between them."""
    pieces = []
    hold, move = round(hold_s * rate_hz), round(move_s * rate_hz)
    for i, level in enumerate(levels_mm):
        pieces.append(level + drift_mm_s * np.arange(hold) / rate_hz)
        if i + 1 < len(levels_mm):
            part = np.arange(1, move + 1) / (move + 1)
            pieces.append(level + (levels_mm[i + 1] - level) * (3.0 - 2.0 * part) * part**2)
    values = np.concatenate(pieces)
    values = values + noise_mm * np.random.default_rng(seed).standard_normal(len(values))
    if step_mm:
        values = np.round(values / step_mm) * step_mm
    return block_of(values, rate_hz)


def block_of(values_mm: np.ndarray, rate_hz: float = 100.0) -> LinearBlock:
    """Return readings without gaps as a block of one channel (or of several, if 2-D)."""
    table = values_mm if values_mm.ndim == 2 else values_mm[:, None]
    n = len(table)
    return LinearBlock(
        t_s=(np.arange(n) + 0.5) / rate_hz,
        linear_mm=table.astype(float),
        lost_before=np.zeros(n, dtype=np.int64),
        stretch=np.zeros(n, dtype=np.int64),
        rate_hz=rate_hz,
    )


def cut(block: LinearBlock, keep: np.ndarray) -> LinearBlock:
    """Return a block with only some of its samples, by flags or places."""
    return LinearBlock(
        block.t_s[keep],
        block.linear_mm[keep],
        block.lost_before[keep],
        block.stretch[keep],
        block.rate_hz,
    )
