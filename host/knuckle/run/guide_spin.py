"""Guides a person who turns a wheel by hand; nobody presses a key.

A slow turn and a turn with stops look the same to the guide: it shows how far the wheel has
turned, and ends with a rest once it has gone full round, or has stopped at places enough and
long.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from knuckle.analysis.readings import STEEPEST_CAMBER_DEG
from knuckle.analysis.request import SeatSpan
from knuckle.analysis.spin_data import LARGEST_GAP_DEG, LEAST_PLACES, largest_gap_deg, places
from knuckle.geometry.rotation import unit
from knuckle.model.guidance import Ask, Guidance, PlaceMark, Shown
from knuckle.model.rest import Rest
from knuckle.run.guide_still import StillGuide
from knuckle.wire.messages import Cue

STILL_S: Final = 1.9
"""Stops are found by the accelerometer alone, which takes a little longer."""
LAST_REST_S: Final = 2.6
FULL_DEG: Final = 345.0
"""Turned so far the wheel is round, as near as a hand brings it back."""
ENOUGH_STILL_S: Final = 12.0
"""Whoever stops so long after three places has had enough."""
NO_REST_S: Final = 20.0
OFF_DEG: Final = 8.0
"""The wheel's own lean does not change by so much; a pod that is taken off does at once."""


class SpinGuide(StillGuide):
    """Turns run events into what the person at the wheel should do.

    Parameters
    ----------
    seats : int
        How often the pod is seated on the rim, each time followed by a turn.
    rolled : bool
        Whether the car is rolled, in place of the wheel being turned in the air.
    """

    def __init__(self, seats: int = 1, rolled: bool = False) -> None:
        super().__init__()
        self._wanted = seats
        self._verb = "Roll the car" if rolled else "Turn the wheel"
        self._done: list[SeatSpan] = []
        self._from_s: float | None = None
        self._low = self._high = self._turned = 0.0
        self._last_pitch: float | None = None
        self._stops: list[float] = []
        self._lean_deg = 0.0
        self._must_reseat = False
        self._taken_off = False
        self._warned = False

    @property
    def seats(self) -> tuple[SeatSpan, ...]:
        """Where the pod sat untouched so far; a turn that is under way has no end yet."""
        done = tuple(self._done)
        return done if self._from_s is None else (*done, SeatSpan(self._from_s))

    @property
    def figure(self) -> Shown:
        """How far the wheel has turned."""
        return Shown("turned", f"{self._high - self._low:.0f}", "deg")

    @property
    def guidance(self) -> Guidance:
        """What the person should do now."""
        words, ask = self._words()
        done = len(self._done)
        marks = tuple(
            PlaceMark(f"seat {n + 1}", 1 if n < done else 0, 1) for n in range(self._wanted)
        )
        return Guidance(words, ask, None, marks if self._wanted > 1 else ())

    def _words(self) -> tuple[str, Ask]:
        usual = self._usual_words()
        if usual is not None:
            return usual
        if self._must_reseat and not self._taken_off:
            return "Hold the wheel; seat the pod anew, turned on the rim", Ask.MOVE
        if self._rest is not None and self._counted:
            return f"Taken; {self._verb.lower()} on", Ask.TAKEN
        if self._rest is not None:
            return "Keep still", Ask.HOLD
        if self._from_s is None:
            asked = Ask.WAIT if self._first_s is None else Ask.MOVE
            return "Set the pod on the wheel, and let go", asked
        return f"{self._verb} slowly, full round", Ask.MOVE

    def _moved(self) -> None:
        waits = self._from_s is None and not self._done and not self._warned
        if waits and self.passed_s > NO_REST_S:
            self._warned = True
            self._remarks.append(
                "Nothing has been at rest yet: does the car rock, or the wheel still swing?"
            )
        up = self._angles.up
        if up is None:
            return
        lean = math.degrees(math.asin(float(np.clip(up[1], -1.0, 1.0))))
        if self._must_reseat:
            self._taken_off |= abs(lean - self._lean_deg) > OFF_DEG
            return
        pitch = math.degrees(math.atan2(up[0], up[2]))
        if self._last_pitch is not None and abs(lean) < STEEPEST_CAMBER_DEG:
            self._turned += (pitch - self._last_pitch + 180.0) % 360.0 - 180.0
        self._last_pitch = pitch
        if self._from_s is not None:
            self._low, self._high = min(self._low, self._turned), max(self._high, self._turned)

    def _rested(self, rest: Rest) -> list[Cue]:
        lean = abs(math.degrees(math.asin(float(unit(rest.accel_g)[1]))))
        if lean > STEEPEST_CAMBER_DEG:
            self._trouble = "The pod lies: set it on the wheel, +Y outboard"
            return [Cue.TROUBLE]
        self._trouble = ""
        return [] if self._must_reseat and not self._taken_off else [Cue.HOLD_STILL]

    def _stands(self, rest: Rest, age_s: float) -> list[Cue]:
        if self._trouble or age_s < STILL_S or (self._must_reseat and not self._taken_off):
            return []
        cues = []
        if not self._counted:
            self._counted = True
            cues = self._count(rest)
        return cues + self._close(age_s)

    def _count(self, rest: Rest) -> list[Cue]:
        if self._from_s is None:
            self._must_reseat = self._taken_off = False
            self._from_s = rest.start_s
            self._turned = self._low = self._high = 0.0
            self._last_pitch = None
            self._stops = []
        self._stops.append(self._turned % 360.0)
        return [] if self._round else [Cue.TAKEN]

    @property
    def _round(self) -> bool:
        return self._high - self._low >= FULL_DEG

    def _close(self, age_s: float) -> list[Cue]:
        """End this seat's turn if it is enough."""
        stops = np.array(self._stops)
        several = len(places(stops)) >= LEAST_PLACES and largest_gap_deg(stops) <= LARGEST_GAP_DEG
        if not (self._round and age_s >= LAST_REST_S) and not (several and age_s >= ENOUGH_STILL_S):
            return []
        assert self._from_s is not None
        up = self._angles.up
        self._lean_deg = 0.0 if up is None else math.degrees(math.asin(float(up[1])))
        self._done.append(SeatSpan(self._from_s, self._now_s))
        self._from_s = None
        if len(self._done) == self._wanted:
            return self._finish()
        self._must_reseat, self._taken_off = True, False
        return [Cue.MOVE_ON]
