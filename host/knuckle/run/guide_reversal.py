"""Guides a person who lays a pod on a flat surface and turns it end for end; no key to press."""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from knuckle.analysis.request import SeatSpan
from knuckle.analysis.reversal import FLAT_DEG, SAME_END_DEG
from knuckle.geometry.rotation import unit
from knuckle.model.guidance import Ask, Guidance, PlaceMark, Shown
from knuckle.model.rest import Rest
from knuckle.run.guide_still import LAST_REST_S, StillGuide
from knuckle.wire.messages import Cue

NAMES: Final = ("one way", "turned")


class ReversalGuide(StillGuide):
    """Turns run events into what the person with the pod should do.

    Parameters
    ----------
    readings : int
        At least two; every other one turned end for end.
    """

    def __init__(self, readings: int = 2) -> None:
        super().__init__()
        self._wanted = readings
        self._taken: list[SeatSpan] = []
        self._heading_deg: float | None = None
        self._same = False

    @property
    def seats(self) -> tuple[SeatSpan, ...]:
        """The placings so far."""
        return tuple(self._taken)

    @property
    def figure(self) -> Shown | None:
        """How far the pod has been turned since the last reading; None without gyro."""
        heading = self._angles.steer_deg
        if heading is None or self._heading_deg is None:
            return None
        return Shown("turned", f"{abs(heading - self._heading_deg):.0f}", "deg")

    @property
    def guidance(self) -> Guidance:
        """What the person should do now."""
        words, ask = self._words()
        taken = len(self._taken)
        marks = tuple(
            PlaceMark(NAMES[end], (taken + 1 - end) // 2, (self._wanted + 1 - end) // 2)
            for end in (0, 1)
        )
        return Guidance(words, ask, None, marks)

    def _words(self) -> tuple[str, Ask]:
        usual = self._usual_words()
        if usual is not None:
            return usual
        if self._rest is not None and not self._counted:
            return "Hands off: keep still", Ask.HOLD
        if not self._taken:
            asked = Ask.WAIT if self._first_s is None else Ask.MOVE
            return "Lay the pod on its base on a flat surface", asked
        if self._same:
            return "The same way round: turn it by half a turn", Ask.MOVE
        taken = self._rest is not None
        return "Turn it end for end, on the same spot", Ask.TAKEN if taken else Ask.MOVE

    def _rested(self, rest: Rest) -> list[Cue]:
        up = np.abs(unit(rest.accel_g))
        if float(up.max()) < math.cos(math.radians(FLAT_DEG)):
            self._trouble = "The pod leans: lay it flat"
            return [Cue.TROUBLE]
        self._trouble = ""
        heading = self._angles.steer_deg
        if self._taken and heading is not None and self._heading_deg is not None:
            about = abs((heading - self._heading_deg + 180.0) % 360.0 - 180.0)
            self._same = about < 180.0 - SAME_END_DEG
            if self._same:
                self._counted = True
                return []
        return [Cue.HOLD_STILL]

    def _stands(self, rest: Rest, age_s: float) -> list[Cue]:
        if self._trouble or self._counted or age_s < LAST_REST_S:
            return []
        self._counted, self._same = True, False
        self._taken.append(SeatSpan(rest.start_s - 0.05, self._now_s))
        self._heading_deg = self._angles.steer_deg
        return self._finish() if len(self._taken) >= self._wanted else [Cue.TAKEN]

    def _withdrawn(self) -> None:
        if self._counted and self._taken and not self._finished and not self._same:
            self._taken.pop()
            self._remarks.append("That was no rest after all: lay it down once more.")
