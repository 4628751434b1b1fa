"""Guides a driver through a steering sweep: where to turn, when to keep still, when it is done.

The positions are recognised from where the wheel stands, in any order; repeats are welcome.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from knuckle.analysis.first_guess import guess
from knuckle.analysis.readings import STEEPEST_CAMBER_DEG
from knuckle.errors import MeasurementRefused
from knuckle.geometry.rotation import unit
from knuckle.model.block import Block, FloatArray
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
from knuckle.run.guide import Ask, Guidance, PlaceMark
from knuckle.run.live_angles import LiveAngles
from knuckle.run.sweep_plan import AIM_DEG, Need, SweepPlan, plan
from knuckle.wire.messages import Cue

TAKEN_AFTER_S: Final = 1.0
"""A rest is taken once it is that old: a driver who goes on at the cue leaves enough of it."""
TAKEN_SHOWN_S: Final = 0.6
"""After so long "taken" gives way to what comes next."""
SLOW_DPS: Final = 8.0
"""A move that never was faster can be measured without stops."""
SAME_UP_DEG: Final = 0.8
"""Rests whose "up" differs by less stand at the same place, for a pod that has no other clue."""
_NEAR_DEG: Final = 2.0
_BEGUN_DEG: Final = 5.0
_STOPPED_DPS: Final = 1.0


@dataclass(slots=True)
class _Stand:
    """A rest: where "up" was, shape (3,), and what the gyro said since the record began or was
    last broken.
    """

    up: FloatArray
    turned_deg: float | None
    record: int
    ended_s: float | None = None
    """Pod time of the rest's last sample, once it is over."""


class SweepGuide:
    """Turns run events into what the driver should do.

    Parameters
    ----------
    wheel : Wheel
    plates_deg : (float, float), optional
        The turn plates' angles at left and right lock that the driver steers to.
    """

    def __init__(self, wheel: Wheel, plates_deg: tuple[float, float] | None = None) -> None:
        self._wheel = wheel
        self._aim_deg = plates_deg if plates_deg is not None else (AIM_DEG, AIM_DEG)
        self._plates = plates_deg is not None
        self._angles = LiveAngles()
        self._record = 0
        self._offsets_deg: dict[int, float] = {0: 0.0}
        self._gyro: bool | None = None
        self._stands: list[_Stand] = []
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
        self._plan = plan([])
        self._remarks: list[str] = []

    # ---- what is shown

    @property
    def finished(self) -> bool:
        """Whether straight ahead, both locks and the return have been taken."""
        return self._finished

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
        if self._held and not self._ready:
            return "Keep still", Ask.HOLD, goal_deg
        if self._steer_lost:
            return "Steer angle lost: come back to straight ahead", Ask.MOVE, None
        return self._move_words(need, goal_deg), Ask.MOVE, goal_deg

    def _move_words(self, need: Need, goal_deg: float | None) -> str:
        if need is Need.STRAIGHT:
            return "Come back to straight ahead"
        if need in (Need.EITHER, Need.NOTHING):
            return f"Turn to the left or to the right, {max(self._aim_deg):.0f} deg"
        side = "left" if need is Need.LEFT else "right"
        inout = "out" if (need is Need.LEFT) == self._wheel.is_left else "in"
        aim_deg = self._aim_deg[0 if need is Need.LEFT else 1]
        steer_deg = self.steer_deg
        if self._gyro is False:
            which = "one side" if self._plan.left + self._plan.right == 0 else "the other side"
            return f"Turn to {which}, {'to' if self._plates else 'about'} {aim_deg:.0f} deg"
        begun = steer_deg is not None and (need is Need.LEFT) == (steer_deg > 0.0)
        begun = begun and abs(steer_deg or 0.0) > _BEGUN_DEG
        verb = "Turn further" if begun else "Turn"
        return f"{verb} {side} ({inout}), to {aim_deg:.0f} deg"

    def _goal_deg(self, need: Need) -> float | None:
        if not self._gyro:
            return None
        return {
            Need.LEFT: self._aim_deg[0],
            Need.RIGHT: -self._aim_deg[1],
            Need.STRAIGHT: 0.0,
        }.get(need)

    # ---- what happens

    def take(self, event: RunEvent) -> list[Cue]:
        """Take an event; return the cues to give now, in order."""
        match event:
            case Samples(block=block) if len(block):
                return self._sampled(block)
            case StillnessChanged(state=state):
                self._state = state
                if state == "moving":
                    self._held = False
                    self._trouble = ""
            case RestReady(rest=rest):
                return self._rested(rest)
            case RestEnded(rest=rest):
                self._angles.rested(rest)
                if self._ready and self._stands:
                    self._stands[-1].up = unit(rest.accel_g)
                    self._stands[-1].ended_s = rest.end_s
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
            self._gyro = block.gyro_dps is not None
            if not self._gyro:
                self._remarks.append(
                    "This pod has no gyro: there is no live steer angle. "
                    + (
                        "Steer to the plates' marks."
                        if self._plates
                        else "Turn plates, given with --plates, make the result far better."
                    )
                )
        if int(block.stretch[-1]) != self._stretch:
            self._stretch = int(block.stretch[-1])
            self._break()
        self._now_s = float(block.t_s[-1])
        self._angles.push(block)
        self._follow_leg()
        cues: list[Cue] = []
        if self._rest is not None and self._now_s - self._rest.start_s >= TAKEN_AFTER_S:
            return self._taken(self._rest)
        if self._next_s is not None and self._now_s >= self._next_s:
            self._next_s = None
            cues += self._next_cues()
        elif not self._ready and not self._held and self._has_arrived():
            self._held = True
            cues.append(Cue.HOLD_STILL)
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
        if steer_deg is None or rate_dps is None or self._steer_lost:
            return
        if self._ready:
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
            beyond = goal_deg != 0.0 and steer_deg / goal_deg >= 1.0
            slow = rate_dps < 5.0 * _STOPPED_DPS
            return beyond or (slow and abs(steer_deg - goal_deg) < _NEAR_DEG)
        return self._state == "settling"

    def _rested(self, rest: Rest) -> list[Cue]:
        up = unit(rest.accel_g)
        if abs(up[1]) > np.sin(np.radians(STEEPEST_CAMBER_DEG)):
            self._trouble = "The pod lies: set it on the wheel, +Y outboard"
            return [Cue.TROUBLE]
        self._trouble = ""
        self._angles.rested(rest)
        self._rest = rest
        self._held = True
        return []

    def _taken(self, rest: Rest) -> list[Cue]:
        """Take the rest that goes on as a reading."""
        up = unit(rest.accel_g)
        self._rest = None
        self._held = False
        self._ready = True
        stand = _Stand(up, self._angles.steer_deg, self._record)
        self._find_again(stand)
        self._stands.append(stand)
        if self._leg_dps <= SLOW_DPS:
            self._passed += self._leg
        self._leg, self._leg_before_dps, self._leg_dps = [], self._leg_dps, 0.0
        self._think()
        self._next_s = self._now_s + TAKEN_SHOWN_S
        return [Cue.TAKEN]

    def _withdrawn(self) -> list[Cue]:
        if not self._ready:
            self._left()
            return []
        self._stands.pop()
        self._left()
        self._leg_dps = self._leg_before_dps  # the leg goes on, as fast as it was
        self._think()
        self._remarks.append("The wheel drifted: that was no rest. Keep still once more.")
        return [Cue.TROUBLE]

    def confirm(self, rests: Sequence[Rest]) -> list[Cue]:
        """Drop places whose rest is judged a drift by now; return cues."""
        ends = {rest.end_s for rest in rests}
        kept = [s for s in self._stands if s.ended_s is None or s.ended_s in ends]
        if len(kept) == len(self._stands):
            return []
        self._stands = kept
        self._think()
        self._remarks.append("The wheel had drifted at one position: it is needed once more.")
        return [Cue.TROUBLE]

    def _left(self) -> None:
        self._ready = False
        self._held = False
        self._rest = None
        self._next_s = None

    # ---- where the wheel stands

    @property
    def _raw_steer_deg(self) -> float | None:
        turned_deg = self._angles.steer_deg
        offset_deg = self._offsets_deg.get(self._record)
        return None if turned_deg is None or offset_deg is None else turned_deg + offset_deg

    @property
    def _steer_lost(self) -> bool:
        return bool(self._gyro) and self._record not in self._offsets_deg

    def _steer_of(self, stand: _Stand) -> float | None:
        offset_deg = self._offsets_deg.get(stand.record)
        return (
            None
            if stand.turned_deg is None or offset_deg is None
            else stand.turned_deg + offset_deg
        )

    def _break(self) -> None:
        """The record is broken: nothing is known of the turn across it."""
        if self._stands:
            self._record += 1
            self._leg, self._leg_dps = [], 0.0
        self._left()

    def _find_again(self, stand: _Stand) -> None:
        """Join a record to the one before a break, at a place with the same "up"."""
        if not self._steer_lost or stand.turned_deg is None:
            return
        nearest_deg, there_deg = SAME_UP_DEG, None
        for other in self._stands:
            apart_deg = _degrees_between(other.up, stand.up)
            if apart_deg < nearest_deg and (known_deg := self._steer_of(other)) is not None:
                nearest_deg, there_deg = apart_deg, known_deg
        if there_deg is not None:
            self._offsets_deg[stand.record] = there_deg - stand.turned_deg
            self._remarks.append("The steer angle is known again.")

    def _think(self) -> None:
        if self._gyro is False:
            self._plan = self._plan_by_cone()
            return
        steers = [self._steer_of(stand) for stand in self._stands]
        known = [steer_deg for steer_deg in steers if steer_deg is not None]
        now_deg = self._raw_steer_deg
        passed = self._passed + (self._leg if self._leg_dps <= SLOW_DPS else [])
        self._plan = plan(known, passed, 0.0 if now_deg is None else now_deg)
        if self._plan.need is Need.NOTHING and steers and steers[-1] is None:
            self._plan = replace(self._plan, need=Need.STRAIGHT)

    def _plan_by_cone(self) -> SweepPlan:
        """Without gyro: tell the rests apart by "up", and their order by its cone."""
        ups = np.array([stand.up for stand in self._stands]).reshape(-1, 3)
        places: list[int] = []
        for i, up in enumerate(ups):
            if all(_degrees_between(up, ups[j]) > SAME_UP_DEG for j in places):
                places.append(i)
        if len(places) >= 3:
            try:
                steer_deg = np.degrees(guess(ups, []).theta_rad)
            except MeasurementRefused:
                pass
            else:
                return plan(steer_deg.tolist())
        straight = sum(_degrees_between(up, ups[0]) <= SAME_UP_DEG for up in ups) if len(ups) else 0
        need = {0: Need.FIRST_REST, 1: Need.LEFT, 2: Need.RIGHT}.get(len(places), Need.STRAIGHT)
        return SweepPlan(0.0, need, int(straight), int(len(places) > 1), int(len(places) > 2))


def _degrees_between(one: FloatArray, other: FloatArray) -> float:
    return float(np.degrees(np.arccos(np.clip(one @ other, -1.0, 1.0))))
