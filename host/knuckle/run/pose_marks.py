"""Which poses of a recording were taken, and what for: kept with a run."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, Final

import numpy as np

from knuckle.calibrate.pose import Pose
from knuckle.errors import StoreError

POSES: Final = "poses"
"""The name of the fact."""


class Part(StrEnum):
    """What a pose is for."""

    POSES = "poses"
    FACE = "face"
    TURN = "turn"
    OVER = "over"


TAKEN_AFTER_S: Final = {Part.POSES: 1.0, Part.FACE: 2.0, Part.TURN: 2.0, Part.OVER: np.inf}


@dataclass(frozen=True, slots=True)
class PoseMark:
    """A pose that was taken: what for, and the first sample's time and stretch."""

    part: Part
    start_s: float
    stretch: int


@dataclass
class Taken:
    """The poses taken so far, those of an earlier run that is carried on among them."""

    poses: list[Pose] = field(default_factory=list)
    face: list[Pose] = field(default_factory=list)
    turn: list[Pose] = field(default_factory=list)

    def of(self, part: Part) -> list[Pose]:
        """Return those of one part."""
        return {Part.POSES: self.poses, Part.FACE: self.face}.get(part, self.turn)

    @classmethod
    def from_recording(cls, poses: Sequence[Pose], marks: Sequence[PoseMark] | None) -> Taken:
        """Return the poses found in a recording by what they were taken for.

        Parameters
        ----------
        poses : sequence of Pose
        marks : sequence of PoseMark or None
            None takes all as poses in the hand.
        """
        if marks is None:
            return cls(poses=list(poses))
        found = {(pose.start_s, pose.stretch): pose for pose in poses}
        taken = cls()
        for mark in marks:
            pose = found.get((mark.start_s, mark.stretch))
            if pose is not None:
                taken.of(mark.part).append(pose)
        return taken


def to_fact(marks: Sequence[PoseMark]) -> list[dict[str, Any]]:
    """Return marks as a run's facts keep them."""
    return [
        {"for": mark.part.value, "start_s": mark.start_s, "stretch": mark.stretch} for mark in marks
    ]


def from_facts(facts: Mapping[str, Any]) -> list[PoseMark] | None:
    """Return the marks of a run; None if it has none.

    Raises
    ------
    StoreError
        If they cannot be read.
    """
    if POSES not in facts:
        return None
    try:
        return [
            PoseMark(Part(fact["for"]), float(fact["start_s"]), int(fact["stretch"]))
            for fact in facts[POSES]
        ]
    except (KeyError, TypeError, ValueError) as error:
        raise StoreError(
            f"The poses kept with the run cannot be read: {error!r}.",
            "The store is damaged or was changed by another program.",
            "`knuckle export RUN --as csv --raw` writes the readings.",
        ) from error
