"""Which stretch of a recording belongs to which wheel, where one pod went round the car.

A walk round the car is one run with one stream of bytes; each wheel's part of it is noted in
the run's facts, in pod time, and goes with an exported capture. Each part is measured as if
the recording held nothing else, so that the gyro's bias on one wheel does not judge another.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from knuckle.errors import UsageError
from knuckle.model.block import Block
from knuckle.model.wheel import Wheel

PARTS: Final = "parts"
"""The fact's name."""


@dataclass(frozen=True, slots=True)
class Part:
    """A wheel's stretch of a recording.

    Attributes
    ----------
    from_s, to_s : float
        Pod time, `to_s` excluded; infinite for "to the end".
    """

    wheel: Wheel
    from_s: float
    to_s: float = float("inf")

    def cut(self, block: Block) -> Block:
        """Return the samples of this part."""
        first, end = np.searchsorted(block.t_s, [self.from_s, self.to_s])
        return block.part(int(first), int(end))


def to_fact(parts: Sequence[Part]) -> list[dict[str, Any]]:
    """Return parts as a run's facts hold them."""
    return [
        {
            "wheel": part.wheel.value,
            "from_s": part.from_s,
            "to_s": None if np.isinf(part.to_s) else part.to_s,
        }
        for part in parts
    ]


def from_facts(facts: Mapping[str, Any]) -> list[Part]:
    """Return the parts that a run's facts name; none where they are missing or damaged."""
    try:
        return [
            Part(
                Wheel(row["wheel"]),
                float(row["from_s"]),
                float("inf") if row["to_s"] is None else float(row["to_s"]),
            )
            for row in facts.get(PARTS, ())
        ]
    except (KeyError, TypeError, ValueError):
        return []


def part_of(parts: Sequence[Part], wheel: Wheel) -> Part | None:
    """Return a wheel's part; None where the recording is not divided.

    Raises
    ------
    UsageError
        If it is divided among several wheels, and this is none of them.
    """
    for part in parts:
        if part.wheel is wheel:
            return part
    if len(parts) > 1:
        names = ", ".join(part.wheel.value for part in parts)
        raise UsageError(
            f"The recording holds no reading of {wheel.value}.",
            f"It goes round the wheels {names}.",
            "Name one of them with --wheel.",
        )
    return parts[0] if parts else None
