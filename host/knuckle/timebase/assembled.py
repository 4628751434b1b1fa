"""What messages make: samples with an accelerometer, and those with a linear channel."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from knuckle.model.block import Block, concatenate
from knuckle.model.linear import LinearBlock, concatenate_linear


@dataclass(slots=True)
class Assembled:
    """Samples on one time base.

    Attributes
    ----------
    block : Block or None
        Those that hold the accelerometer; None if none does.
    linear : LinearBlock or None
        Those that hold any linear channel, with accelerometer or without.
    """

    block: Block | None
    linear: LinearBlock | None


def joined(parts: Sequence[Assembled]) -> Assembled:
    """Join what was assembled, in order."""
    blocks = [part.block for part in parts if part.block is not None]
    linear = [part.linear for part in parts if part.linear is not None]
    return Assembled(
        concatenate(blocks) if blocks else None,
        concatenate_linear(linear) if linear else None,
    )
