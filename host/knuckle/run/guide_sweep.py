"""Guides a driver through a steering sweep: where to turn, when to keep still, when it is done.

The positions are recognised from where the wheel stands, in any order; repeats are welcome.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final

import numpy as np

from knuckle.analysis.readings import STEEPEST_CAMBER_DEG
from knuckle.estimate.linear_steer import LinearSteer
from knuckle.geometry.rotation import unit
from knuckle.model.block import Block
from knuckle.model.guidance import Ask, Guidance, PlaceMark
from knuckle.model.rest import Rest
from knuckle.model.wheel import Wheel
from knuckle.run.events import (
    LinkDown,
    LinkUp,
    PodRestarted,
    RestEnded,
    RestReady,
    RestWithdrawn,
    RunEvent,
    Samples,
    StillnessChanged,
)
from knuckle.run.live_angles import LiveAngles
from knuckle.run.live_linear import LinearAngles
from knuckle.run.stands import Stands, TakenBack
from knuckle.run.sweep_plan import Need, plan
from knuckle.run.sweep_words import SweepWords
from knuckle.wire.messages import Cue

TAKEN_AFTER_S: Final = 0.7
"""A rest is taken once it is that old: a driver who goes on at the cue leaves enough of it."""
LAST_REST_S: Final = 2.0
"""The return to straight ahead is what shows a slip: nothing is finished before it is that old."""
TAKEN_SHOWN_S: Final = 0.6
"""After so long "taken" gives way to what comes next."""
SLOW_DPS: Final = 8.0
"""A move that never was faster can be measured without stops."""
_NEAR_DEG: Final = 2.0
_STOPPED_DPS: Final = 1.0
_SLOW: Final = 5.0
"""A wheel turns slowly below so many times the rate of one that has stopped."""


class SweepGuide:
    """Turns run events into what the driver should do.

    Parameters
    ----------
    wheel : Wheel
    plates_deg : (float, float), optional
        The turn plates' angles at left and right lock that the driver steers to.
    linear : callable, optional
        The linear sensor laid to the wheel, if there is one: followed where there is no gyro.
    both : bool
        Whether the other front wheel is swept as well: the words then are of the steering.
    """

    def __init__(
        self,
        wheel: Wheel,
        plates_deg: tuple[float, float] | None = None,
        linear: Callable[[], LinearSteer | None] = lambda: None,
        *,
        both: bool = False,
    ) -> None:
        self._say = SweepWords(None if both else wheel, plates_deg)
        self._angles = LiveAngles()
        self._linear = linear
        self._follows: bool | None = None
        self._stands = Stands()
        self._passed: list[float] = []
        self._leg: list[float] = []
        self._leg_dps = 0.0
        self._leg_before_dps = 0.0
        self._rest: Rest | None = None
        self._state = "moving"
        self._ready = False
        self._held = False
        self._first_s: float | None = None
        self._now_s = 0.0
        self._stretch = 0
        self._next_s: float | None = None
        self._finished = False
        self._trouble = ""
        self._link_down = False
        self._taken_back: TakenBack | None = None
        self._plan = plan([])
        self._remarks: list[str] = []

    # ---- what is shown

    @property
    def finished(self) -> bool:
        """Whether straight ahead, both locks and the return have been taken."""
        return self._finished

    @property
    def taken(self) -> bool:
        """Whether the rest that goes on has been taken."""
        return self._ready

    @property
    def steer_deg(self) -> float | None:
        """Change of heading from straight ahead, left positive; None where not known."""
        steer_deg = self._raw_steer_deg
        return None if steer_deg is None else steer_deg - self._plan.datum_deg

    @property
    def camber_deg(self) -> float | None:
        """Camber as it is now, for the eye only."""
        return self._angles.camber_deg

    @property
    def figure(self) -> None:
        """None: the angles stand large."""
        return None

    @property
    def passed_s(self) -> float:
        """Pod time since the first sample."""
        return 0.0 if self._first_s is None else self._now_s - self._first_s

    def remarks(self) -> list[str]:
        """Return lines for the driver that have come up since the last call."""
        told, self._remarks = self._remarks, []
        return told

    @property
    def guidance(self) -> Guidance:
        """What the driver should do now."""
        words, ask, goal_deg = self._words()
        wanted = (("straight", self._plan.straight, 2), ("left", self._plan.left, 1))
        places = (*wanted, ("right", self._plan.right, 1))
        return Guidance(words, ask, goal_deg, tuple(PlaceMark(*row) for row in places))

    def _words(self) -> tuple[str, Ask, float | None]:
        need = self._plan.need
        if self._finished:
            return "Finished", Ask.DONE, None
        if self._link_down:
            return "Link lost: keep still, the program waits", Ask.TROUBLE, None
        if self._trouble:
            return self._trouble, Ask.TROUBLE, None
        if self._ready and self._next_s is not None:
            return "Taken", Ask.TAKEN, None
        if need is Need.FIRST_REST:
            waiting = Ask.WAIT if self._first_s is None else Ask.HOLD
            return "Wheels straight ahead; keep still", waiting, 0.0
        goal_deg = self._goal_deg(need)
        if not self._ready and (self._held or self._is_beyond(goal_deg)):
            return "Keep still", Ask.HOLD, goal_deg
        if self._follows and self._stands.lost:
            return "Steer angle lost: come back to straight ahead", Ask.MOVE, None
        if self._taken_back is not None:
            return self._say.go_back(goal_deg), Ask.MOVE, goal_deg
        return self._move_words(need), Ask.MOVE, goal_deg

    def _move_words(self, need: Need) -> str:
        if self._follows is False:
            locks = self._plan.left + self._plan.right
            return self._say.move_without_gyro(need, locks_taken=locks)
        return self._say.move(need, self.steer_deg)

    def _goal_deg(self, need: Need) -> float | None:
        if not self._follows:
            return None
        if self._taken_back is not None:
            place_deg = self._taken_back.steer_deg
            return None if place_deg is None else place_deg - self._plan.datum_deg
        return self._say.goal_deg(need)

    # ---- what happens

    def take(self, event: RunEvent) -> list[Cue]:
        """Take an event; return the cues to give now, in order."""
        match event:
            case Samples(block=block) if len(block):
                return self._sampled(block)
            case StillnessChanged(state=state):
                self._state = state
                if state == "moving":
                    self._held = self._held and self._is_near_goal()
                    self._trouble = ""
            case RestReady(rest=rest):
                return self._rested(rest)
            case RestEnded(rest=rest):
                self._angles.rested(rest)
                if self._ready:
                    self._stands.ended(rest)
                self._left()
            case RestWithdrawn():
                return self._withdrawn()
            case LinkDown():
                self._link_down = True
                return [Cue.LINK_LOST]
            case LinkUp():
                self._link_down = False
                return [Cue.LINK_BACK]
            case PodRestarted():
                self._break()
        return []

    def _sampled(self, block: Block) -> list[Cue]:
        if self._first_s is None:
            self._first_s = float(block.t_s[0])
            self._stretch = int(block.stretch[0])
            self._follows = block.gyro_dps is not None
            steer = self._linear()
            if not self._follows and steer is not None and block.linear_mm is not None:
                self._angles, self._follows = LinearAngles(steer), True
            if not self._follows:
                self._remarks.append(self._say.no_gyro())
        if int(block.stretch[-1]) != self._stretch:
            self._stretch = int(block.stretch[-1])
            self._break()
        self._now_s = float(block.t_s[-1])
        self._angles.push(block)
        self._follow_leg()
        cues: list[Cue] = []
        taken = self._taken_if_old_enough()
        if taken:
            return taken
        if self._next_s is not None and self._now_s >= self._next_s:
            self._next_s = None
            cues += self._next_cues()
        elif not self._ready and not self._held and self._has_arrived():
            self._held = True
            cues.append(Cue.HOLD_STILL)
        elif self._held and self._rest is None and self._state == "moving":
            self._held = self._is_near_goal()
        return cues

    def _next_cues(self) -> list[Cue]:
        if self._plan.need is Need.NOTHING:
            self._finished = True
            return [Cue.FINISHED]
        if self._ready:
            return [Cue.GO_BACK if self._plan.need is Need.STRAIGHT else Cue.MOVE_ON]
        return []

    def _follow_leg(self) -> None:
        """Note how far a move goes without a stop, as long as it is slow."""
        steer_deg, rate_dps = self._raw_steer_deg, self._angles.rate_dps
        if self._ready or steer_deg is None or rate_dps is None:
            return
        self._leg_dps = max(self._leg_dps, rate_dps)
        if self._stands:
            self._leg = [min([*self._leg, steer_deg]), max([*self._leg, steer_deg])]
        self._think()

    def _has_arrived(self) -> bool:
        """Whether the wheel is where it is wanted, or has stopped of itself."""
        rate_dps, steer_deg = self._angles.rate_dps, self.steer_deg
        if rate_dps is not None and rate_dps > _STOPPED_DPS:
            goal_deg = self._goal_deg(self._plan.need)
            if goal_deg is None or steer_deg is None or not self._stands:
                return False
            return self._is_beyond(goal_deg) or self._is_near_goal()
        return self._state == "settling"

    def _is_near_goal(self) -> bool:
        """Whether a last small correction goes on where the wheel is wanted."""
        rate_dps, steer_deg = self._angles.rate_dps, self.steer_deg
        goal_deg = self._goal_deg(self._plan.need)
        if rate_dps is None or steer_deg is None or goal_deg is None:
            return False
        return rate_dps < _SLOW * _STOPPED_DPS and abs(steer_deg - goal_deg) < _NEAR_DEG

    def _is_beyond(self, goal_deg: float | None) -> bool:
        steer_deg = self.steer_deg
        return bool(goal_deg) and steer_deg is not None and steer_deg / (goal_deg or 1.0) >= 1.0

    def _rested(self, rest: Rest) -> list[Cue]:
        up = unit(rest.accel_g)
        if abs(up[1]) > np.sin(np.radians(STEEPEST_CAMBER_DEG)):
            self._trouble = "The pod lies: set it on the wheel, +Y outboard"
            return [Cue.TROUBLE]
        self._trouble = ""
        self._angles.rested(rest)
        self._give_up_lengths()
        self._rest = rest
        self._held = True
        return self._taken_if_old_enough()

    def _give_up_lengths(self) -> None:
        """Go on by "up" alone, where the linear sensor turns out not to follow the wheel."""
        if self._follows and isinstance(self._angles, LinearAngles) and self._angles.dead:
            self._follows = False
            self._remarks.append(self._say.linear_dead())

    def _taken_if_old_enough(self) -> list[Cue]:
        rest = self._rest
        if rest is None or self._now_s - rest.start_s < TAKEN_AFTER_S:
            return []
        return self._taken(rest)

    def _taken(self, rest: Rest) -> list[Cue]:
        """Take the rest that goes on as a reading."""
        self._rest = None
        self._held = False
        self._ready = True
        self._taken_back = None
        if self._stands.add(rest, self._angles.steer_deg) and self._follows:
            self._remarks.append("The steer angle is known again.")
        if self._leg_dps <= SLOW_DPS:
            self._passed += self._leg
        self._leg, self._leg_before_dps, self._leg_dps = [], self._leg_dps, 0.0
        self._think()
        self._next_s = self._now_s + TAKEN_SHOWN_S
        if self._plan.need is Need.NOTHING:
            self._next_s = max(self._next_s, rest.start_s + LAST_REST_S)
        return [Cue.TAKEN]

    def _withdrawn(self) -> list[Cue]:
        if not self._ready:
            self._left()
            return []
        self._taken_back = self._stands.withdraw()
        self._left()
        self._leg_dps = self._leg_before_dps  # the leg goes on, as fast as it was
        self._think()
        self._remarks.append("The wheel drifted: that was no rest. Go back, and keep still there.")
        return [Cue.TROUBLE, Cue.GO_BACK]

    def confirm(self, rests: Sequence[Rest]) -> list[Cue]:
        """Drop places whose rest is judged a drift by now; return cues."""
        dropped = self._stands.keep(rests)
        if dropped is None:
            return []
        self._taken_back = dropped
        self._think()
        self._remarks.append("The wheel had drifted at one position: it is needed once more.")
        return [Cue.TROUBLE, Cue.GO_BACK] if dropped.latest else [Cue.TROUBLE]

    def _left(self) -> None:
        self._ready = False
        self._held = False
        self._rest = None
        self._next_s = None

    # ---- where the wheel stands

    @property
    def _raw_steer_deg(self) -> float | None:
        return self._stands.steer_deg(self._angles.steer_deg)

    def _break(self) -> None:
        """The record is broken: nothing is known of the turn across it."""
        self._stands.break_off()
        self._leg, self._leg_dps = [], 0.0
        self._left()

    def _think(self) -> None:
        if self._follows is False:
            self._plan = self._stands.plan_by_cone()
            return
        passed = self._passed + (self._leg if self._leg_dps <= SLOW_DPS else [])
        self._plan = self._stands.plan(passed, self._raw_steer_deg)
