"""Whether a recording bears out that the pod still sits on its wheel as it was measured."""

from __future__ import annotations

from typing import Final

import numpy as np

from knuckle.model.block import Block
from knuckle.model.result import Notice

HANDLED_G: Final = 0.5
"""A wheel's lean keeps +Y within 30 deg of level; a pod in the hand does not."""
HANDLED_S: Final = 0.4


def handled(block: Block) -> bool:
    """Return whether the pod was taken off: +Y far from level for longer than a knock lasts."""
    size = max(1, round(HANDLED_S * block.rate_hz))
    count = len(block) // size
    if not count:
        return False
    means = block.accel_g[: count * size].reshape(count, size, 3).mean(axis=1)
    return bool(np.any(np.abs(means[:, 1]) > HANDLED_G))


def broken(block: Block) -> bool:
    """Return whether the record has a restart or a long gap: nobody watched the pod then."""
    return len(block) > 0 and bool(block.stretch[-1] != block.stretch[0])


def not_trusted(block: Block, *, stated: bool) -> Notice | None:
    """Return why a measured mounting cannot be used for a recording; None if it can.

    Parameters
    ----------
    block : Block
    stated : bool
        Whether the user said by an option that the mounting is the same throughout.
    """
    if handled(block):
        return Notice(
            "MOUNT_HANDLED",
            "The pod was in the hand during the recording, so the wheel-turn run no longer tells "
            "how it sits: the mount's usual tolerance is in the budget. Turn the wheel again with "
            "`knuckle spin`.",
        )
    if broken(block) and not stated:
        return Notice(
            "MOUNT_UNWATCHED",
            "The record has a restart or a long gap, in which nobody watched the pod: the mount's "
            "usual tolerance is in the budget. If it was not touched, say --same-mount.",
        )
    return None


def measured(run: int, said: str) -> Notice:
    """Return the note that the mounting of a wheel-turn run was used, and on whose word."""
    words = {
        "option": "--same-mount says that it has not been touched since",
        "asked": "asked, you said that it has not been touched since",
    }
    return Notice(
        "MOUNT_MEASURED",
        f"The spin axis is that of the wheel-turn run {run}: {words.get(said, said)}.",
    )
