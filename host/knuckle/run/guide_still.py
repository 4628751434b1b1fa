"""What guides share that wait for the pod to be still, again and again, in places of their own."""

from __future__ import annotations

from typing import Final

from knuckle.model.block import Block
from knuckle.model.guidance import Ask
from knuckle.model.rest import Rest
from knuckle.run.events import (
    LinkDown,
    LinkUp,
    RestEnded,
    RestReady,
    RestWithdrawn,
    RunEvent,
    Samples,
)
from knuckle.run.guide import PlainGuide
from knuckle.run.live_angles import LiveAngles
from knuckle.wire.messages import Cue

LAST_REST_S: Final = 2.0
"""The recording ends with the last rest: it goes on until that is old enough for a reading."""


class StillGuide(PlainGuide):
    """Follows samples, rests and link; what a rest means is the guide's own."""

    def __init__(self) -> None:
        super().__init__()
        self._angles = LiveAngles()
        self._rest: Rest | None = None
        self._counted = False
        self._trouble = ""

    def take(self, event: RunEvent) -> list[Cue]:
        """Take an event; return the cues to give now, in order."""
        match event:
            case Samples(block=block) if len(block):
                return self._sampled(block)
            case RestReady(rest=rest):
                self._angles.rested(rest)
                self._rest, self._counted = rest, False
                return self._rested(rest)
            case RestEnded(rest=rest):
                self._angles.rested(rest)
                self._left(rest)
                self._rest, self._trouble = None, ""
            case RestWithdrawn():
                self._rest = None
                self._withdrawn()
            case LinkDown():
                self._link_down = True
                return [Cue.LINK_LOST]
            case LinkUp():
                self._link_down = False
                return [Cue.LINK_BACK]
        return []

    def _sampled(self, block: Block) -> list[Cue]:
        if self._first_s is None:
            self._first_s = float(block.t_s[0])
        self._now_s = float(block.t_s[-1])
        self._angles.push(block)
        self._moved()
        rest = self._rest
        if rest is None or self._finished:
            return []
        return self._stands(rest, self._now_s - rest.start_s)

    def _finish(self) -> list[Cue]:
        self._finished = True
        return [Cue.FINISHED]

    def _usual_words(self) -> tuple[str, Ask] | None:
        """Return what every guide says first; None if it has its own to say."""
        if self._finished:
            return "Finished", Ask.DONE
        if self._link_down:
            return "Link lost: the program waits for the pod", Ask.TROUBLE
        if self._trouble:
            return self._trouble, Ask.TROUBLE
        return None

    # ---- what a guide adds

    def _moved(self) -> None:
        """Take note of the attitude as it is now."""

    def _rested(self, rest: Rest) -> list[Cue]:
        """Take note that a rest has begun."""
        return [Cue.HOLD_STILL]

    def _stands(self, rest: Rest, age_s: float) -> list[Cue]:
        """Take note that a rest goes on, each time that samples come."""
        raise NotImplementedError

    def _left(self, rest: Rest) -> None:
        """Take note that a rest is over."""

    def _withdrawn(self) -> None:
        """Take note that what seemed a rest was none."""
