"""Guides a person who carries one pod from wheel to wheel; nobody presses a key.

A reading counts when the pod hangs on a wheel and has been still for a moment. The next
wheel's turn comes when the pod has been handled: taken off, tilted or turned by hand.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from knuckle.analysis.readings import STEEPEST_CAMBER_DEG
from knuckle.geometry.rotation import unit
from knuckle.model.block import Block
from knuckle.model.guidance import Ask, Guidance, PlaceMark
from knuckle.model.rest import Rest
from knuckle.model.wheel import Wheel
from knuckle.run.events import (
    LinkDown,
    LinkUp,
    RestEnded,
    RestReady,
    RestWithdrawn,
    RunEvent,
    Samples,
    StillnessChanged,
)
from knuckle.run.handling import Handling
from knuckle.run.live_angles import LiveAngles
from knuckle.run.parts import Part
from knuckle.wire.messages import Cue

STILL_S: Final = 1.0
"""A rest counts once it is that old: a hand that only pauses is not that still for so long."""
LAST_REST_S: Final = 2.0
"""The recording ends with the last rest: it goes on until that is old enough for a reading."""
TAKEN_OFF_DPS: Final = 2.0
"""Turning that fast the pod is on its way already, though its rest has not been ended yet."""


class CamberGuide:
    """Turns run events into what the person with the pod should do.

    Parameters
    ----------
    order : sequence of Wheel
        The wheels, in the order in which the pod is set on them.
    """

    def __init__(self, order: Sequence[Wheel]) -> None:
        self._order = tuple(order)
        self._angles = LiveAngles()
        self._handling = Handling()
        self._parts: list[Part] = []
        self._wheel_open = False
        self._rest: Rest | None = None
        self._counted = False
        self._pausing = False
        self._state = "moving"
        self._trouble = ""
        self._link_down = False
        self._first_s: float | None = None
        self._now_s = 0.0
        self._finished = False
        self._remarks: list[str] = []

    @property
    def parts(self) -> tuple[Part, ...]:
        """Each wheel's stretch of the recording, as far as they have been taken."""
        return tuple(self._parts)

    @property
    def wheel(self) -> Wheel:
        """The wheel that the pod is on, or goes to."""
        done = len(self._parts)
        still_there = self._wheel_open and done and not self._handling.handled
        here = done - 1 if still_there else done
        return self._order[min(here, len(self._order) - 1)]

    @property
    def finished(self) -> bool:
        """Whether every wheel has been taken."""
        return self._finished

    @property
    def steer_deg(self) -> float | None:
        """None: it has no meaning here."""
        return None

    @property
    def camber_deg(self) -> float | None:
        """Camber as it is now, for the eye only; None while the pod is in the hand."""
        camber_deg = self._angles.camber_deg
        on_wheel = camber_deg is not None and abs(camber_deg) < STEEPEST_CAMBER_DEG
        return camber_deg if on_wheel and self._state != "moving" else None

    @property
    def figure(self) -> None:
        """None: the angles stand large."""
        return None

    @property
    def passed_s(self) -> float:
        """Pod time since the first sample."""
        return 0.0 if self._first_s is None else self._now_s - self._first_s

    def confirm(self, rests: Sequence[Rest]) -> list[Cue]:
        """Do nothing: each wheel's part is judged by itself."""
        return []

    def remarks(self) -> list[str]:
        """Return lines for the operator that have come up since the last call."""
        told, self._remarks = self._remarks, []
        return told

    @property
    def guidance(self) -> Guidance:
        """What the person should do now."""
        words, ask = self._words()
        taken = [part.wheel for part in self._parts]
        places = tuple(PlaceMark(w.value, taken.count(w), 1) for w in self._order)
        return Guidance(words, ask, None, places if len(places) > 1 else ())

    def _words(self) -> tuple[str, Ask]:
        if self._finished:
            return "Finished", Ask.DONE
        if self._link_down:
            return "Link lost: the program waits for the pod", Ask.TROUBLE
        if self._trouble:
            return self._trouble, Ask.TROUBLE
        if self._wheel_open and self._counted:
            return self._taken_words, Ask.TAKEN
        if self._wheel_open and not self._handling.handled:
            return f"Take the pod to the {self._next.spoken} wheel", Ask.MOVE
        if self._rest is not None or self._pausing:
            return f"Keep still: {self._next.spoken}", Ask.HOLD
        asked = Ask.MOVE if self._first_s is not None else Ask.WAIT
        return f"Set the pod on the {self._next.spoken} wheel", asked

    @property
    def _next(self) -> Wheel:
        return self._order[min(len(self._parts), len(self._order) - 1)]

    @property
    def _all_taken(self) -> bool:
        return len(self._parts) == len(self._order)

    @property
    def _taken_words(self) -> str:
        return "Taken" if self._all_taken else f"Taken; now to the {self._next.spoken} wheel"

    # ---- what happens

    def take(self, event: RunEvent) -> list[Cue]:
        """Take an event; return the cues to give now, in order."""
        match event:
            case Samples(block=block) if len(block):
                return self._sampled(block)
            case StillnessChanged(state=state):
                self._state = state
                if state == "moving":
                    self._trouble, self._pausing = "", False
            case RestReady(rest=rest):
                return self._rested(rest)
            case RestEnded(rest=rest, t_s=t_s):
                self._angles.rested(rest)
                self._end_rest(t_s)
                return self._finish() if self._all_taken else []
            case RestWithdrawn(t_s=t_s):
                return self._withdrawn(t_s)
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
        if self._rest is None:
            self._handling.follow(self._angles, self._now_s)
        rest = self._rest
        if rest is None:
            return []
        age_s = self._now_s - rest.start_s
        if self._counted:
            return self._finish() if self._all_taken and age_s >= LAST_REST_S else []
        if age_s < STILL_S:
            return []
        rate_dps = self._angles.rate_dps
        if rate_dps is not None and rate_dps > TAKEN_OFF_DPS:
            return []
        return self._count(rest)

    def _rested(self, rest: Rest) -> list[Cue]:
        self._angles.rested(rest)
        up = unit(rest.accel_g)
        if abs(up[1]) > np.sin(np.radians(STEEPEST_CAMBER_DEG)):
            self._trouble = "The pod lies: set it on the wheel, +Y outboard"
            return [Cue.TROUBLE]
        self._trouble = ""
        self._rest, self._counted = rest, False
        if self._wheel_open and not self._handling.handled:
            # Only a nudge: still the wheel that has been taken.
            self._counted = True
            return []
        return [Cue.HOLD_STILL]

    def _count(self, rest: Rest) -> list[Cue]:
        """Take the rest as the reading of the wheel whose turn it is."""
        if self._wheel_open:
            self._close_part(rest.start_s)
        self._parts.append(Part(self._next, rest.start_s))
        self._wheel_open = True
        self._counted = True
        self._handling.rested(rest, self._angles)
        return [Cue.TAKEN]

    def _finish(self) -> list[Cue]:
        if self._finished:
            return []
        self._finished = True
        return [Cue.FINISHED]

    def _end_rest(self, t_s: float) -> None:
        if self._rest is not None and self._counted and self._wheel_open:
            self._handling.rested(self._rest, self._angles)
            self._parts[-1] = replace(self._parts[-1], to_s=t_s)
        self._rest = None
        self._counted = False

    def _withdrawn(self, t_s: float) -> list[Cue]:
        if self._rest is None:
            return []
        only = self._wheel_open and self._counted and self._parts[-1].from_s == self._rest.start_s
        self._rest, self._counted = None, False
        if not only:
            return []
        self._parts.pop()
        self._wheel_open = bool(self._parts)
        self._handling.handled = True
        self._remarks.append(
            f"The {self._next.spoken} wheel was not at rest after all: go back, and keep still "
            "there."
        )
        return [Cue.TROUBLE, Cue.GO_BACK]

    def _close_part(self, at_s: float) -> None:
        """Let the last part end where the next begins, unless it ended before."""
        last = self._parts[-1]
        if last.to_s > at_s:
            self._parts[-1] = replace(last, to_s=at_s)
