"""Guides a person who leaves a pod alone for some minutes."""

from __future__ import annotations

from typing import Final

import numpy as np

from knuckle.model.block import Block, FloatArray
from knuckle.model.guidance import Ask, Guidance, Shown
from knuckle.run.events import (
    Knocked,
    LinearSamples,
    LinkDown,
    LinkUp,
    RunEvent,
    Samples,
    StillnessChanged,
)
from knuckle.run.guide import PlainGuide
from knuckle.wire.messages import Cue

SETTLES_S: Final = 3.0
"""So soon after the first sample nothing is known of rest yet."""
TOLD: Final = 5
"""Moves that are remarked on; more would fill the screen."""


class NoiseGuide(PlainGuide):
    """Counts still time until there is as much as was asked for.

    A pod without accelerometer counts as still: its linear channels are judged afterwards.

    Parameters
    ----------
    wanted_s : float
        Still time, in s.
    """

    def __init__(self, wanted_s: float) -> None:
        super().__init__()
        self._wanted_s = wanted_s
        self._still_s = 0.0
        self._state = "settling"
        self._has_motion = False
        self._moves = 0

    @property
    def still_s(self) -> float:
        """Still time so far, in s."""
        return self._still_s

    @property
    def figure(self) -> Shown | None:
        """The time that is still to go."""
        if self._first_s is None:
            return None
        left_s = max(0.0, self._wanted_s - self._still_s)
        if left_s >= 100.0:
            return Shown("still to go", f"{left_s / 60.0:.1f}", "min")
        return Shown("still to go", f"{left_s:.0f}", "s")

    @property
    def guidance(self) -> Guidance:
        """What the person should do now."""
        if self._finished:
            return Guidance("Finished", Ask.DONE)
        if self._link_down:
            return Guidance("Link lost: the program waits for the pod", Ask.TROUBLE)
        if self._first_s is None:
            return Guidance("Waiting for the pod's samples", Ask.WAIT)
        if self._has_motion and self._state == "moving" and self.passed_s > SETTLES_S:
            return Guidance("It moves: lay it down, leave it alone", Ask.MOVE)
        return Guidance("Leave it alone; do not walk about", Ask.HOLD)

    def take(self, event: RunEvent) -> list[Cue]:
        """Take an event; return the cues to give now, in order."""
        match event:
            case Samples(block=block) if len(block):
                self._has_motion = True
                return self._sampled(block.t_s, _away(block))
            case LinearSamples(linear=linear) if len(linear) and not self._has_motion:
                return self._sampled(linear.t_s, 0)
            case StillnessChanged(state=state):
                return self._changed(state)
            case Knocked():
                self._still_s = max(0.0, self._still_s - 1.0)
            case LinkDown():
                self._link_down = True
                return [Cue.LINK_LOST]
            case LinkUp():
                self._link_down = False
                return [Cue.LINK_BACK]
        return []

    def _sampled(self, t_s: FloatArray, away: int) -> list[Cue]:
        if self._first_s is None:
            self._first_s = self._now_s = float(t_s[0])
        step_s = float(t_s[-1]) - self._now_s
        self._now_s = float(t_s[-1])
        still = not self._has_motion or self._state == "still"
        # After a restart the pod's time begins anew; a long gap is no still time.
        if still and 0.0 < step_s < 1.0 and not away:
            self._still_s += step_s
        if self._still_s >= self._wanted_s and not self._finished:
            self._finished = True
            return [Cue.FINISHED]
        return []

    def _changed(self, state: str) -> list[Cue]:
        before, self._state = self._state, state
        if state == "moving" and before == "still":
            self._moves += 1
            if self._moves <= TOLD:
                self._remarks.append("The pod moved: what is still before and after is used.")
            return [Cue.TROUBLE]
        return []


def _away(block: Block) -> int:
    return int(np.count_nonzero(np.diff(block.stretch)))
