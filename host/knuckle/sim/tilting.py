"""The person who holds a pod against a protractor: tilts a plate, seats the pod, reads off."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.spatial.transform import Rotation

from knuckle.geometry.rotation import turned, unit
from knuckle.model.block import FloatArray
from knuckle.sim.case import Case, Stream
from knuckle.sim.motion import Motion, Shake, shaken
from knuckle.sim.moves import minimum_jerk
from knuckle.sim.truth import ScriptedRest
from knuckle.wire.messages import Cue

_UP: Final = np.array([0.0, 0.0, 1.0])
_LINGERS_S: Final = 5.0
_TILT_S: Final = 2.0
_CARRY_S: Final = 1.6
_LIFT_DEG: Final = 50.0
_DROP_G: Final = 6.0
SETS_ANEW, SETS_UNDER, SEATS_ANEW, SEATS_TURNED = range(4)


@dataclass(frozen=True, slots=True)
class Leg:
    """A turn of the pod about a fixed axis in its own axes, from one attitude to the next."""

    start_s: float
    end_s: float
    from_vehicle: FloatArray
    turn_rad: FloatArray


@dataclass(slots=True)
class Stop:
    """The pod on the plate.

    `angle_deg` is the plate's; the pod reads it, or minus it where it is `turned`.
    """

    number: int
    angle_deg: float
    turned: bool
    on_s: float
    leave_s: float
    from_vehicle: FloatArray
    released: bool = False


class Tilter:
    """A validation, planned one step ahead so that cues can change it.

    Times are seconds since the script's start, when the pod is on the table.
    """

    def __init__(self, case: Case) -> None:
        self._case = case
        self._tilting = case.scenario.tilting
        self._script = case.scenario.script
        rng = case.generator(Stream.TILT, 0)
        self._zero_deg, scale = rng.standard_normal(2) * [
            self._tilting.zero_sigma_deg,
            self._tilting.scale_sigma,
        ]
        self._zero_deg += self._tilting.zero_deg
        self._scale = 1.0 + scale
        self._legs: list[Leg] = []
        self._stops: list[Stop] = []
        self._shakes: list[Shake] = []
        self._attitude: FloatArray = np.eye(3)
        self._heard_cues = False
        self._over = False
        self._read_off: dict[int, float] = {}
        self._next(1.0)

    @property
    def end_s(self) -> float:
        """When the script ends; infinite until that is known."""
        last = len(self._stops) == len(self._tilting.angles_deg)
        return self._stops[-1].leave_s + _LINGERS_S if last or self._over else math.inf

    @property
    def knocks_s(self) -> tuple[float, ...]:
        """When the pod was dropped."""
        return tuple(shake.at_s for shake in self._shakes)

    def plan_until(self, t_s: float) -> None:
        """Decide everything that starts up to a time."""
        while not self._over and len(self._stops) < len(self._tilting.angles_deg):
            if self._stops[-1].leave_s > t_s:
                return
            self._next(self._stops[-1].leave_s)

    def forget(self, before_s: float) -> None:
        """Do nothing: a validation is short."""

    def cue(self, t_s: float, cue: Cue) -> None:
        """Hear a cue of the pod at a time not before the last one evaluated."""
        if not self._script.heeds_cues:
            return
        stop = self._stops[-1]
        rng = self._case.generator(Stream.TILT, 1000000 + stop.number)
        leave_s = t_s + float(rng.uniform(*self._script.reaction_s))
        held = t_s >= stop.on_s
        if cue is Cue.FINISHED:
            self._over = True
            stop.leave_s = max(leave_s, stop.on_s)
        elif cue is Cue.HOLD_STILL:
            self._heard_cues = True
            if held and not stop.released:
                stop.leave_s = max(stop.leave_s, t_s + self._script.patience_s)
        elif cue in {Cue.TAKEN, Cue.MOVE_ON}:
            self._heard_cues = True
            if held and not stop.released:
                stop.released = True
                stop.leave_s = leave_s

    def typed(self) -> tuple[str, ...]:
        """Return what is typed when asked for the protractor's reading now, try by try."""
        stop = self._stops[-1]
        if stop.number not in self._read_off:
            self._read_off[stop.number] = self._shown_deg(stop)
        text = self._written(self._read_off[stop.number])
        if len(self._read_off) in self._tilting.typo_at:
            return (f"1o{text}", text)
        return (text,)

    def _written(self, shown_deg: float) -> str:
        if not self._tilting.bar_mm:
            return f"{shown_deg:.3f}".rstrip("0").rstrip(".")
        stack_mm = f"{self._tilting.bar_mm * math.sin(math.radians(abs(shown_deg))):.3f}"
        return stack_mm if shown_deg >= 0.0 else f"0/{stack_mm}"

    def motion(self, t_s: FloatArray) -> Motion:
        """Return the pod's motion at increasing times, shape (n,)."""
        n = t_s.shape[0]
        up, rate = np.empty((n, 3)), np.zeros((n, 3))
        up[:] = self._legs[0].from_vehicle @ _UP
        for leg in self._legs:
            first, end = np.searchsorted(t_s, [leg.start_s, leg.end_s])
            size = float(np.linalg.norm(leg.turn_rad))
            axis = leg.turn_rad / size if size else _UP
            start = leg.from_vehicle @ _UP
            if end > first:
                length_s = leg.end_s - leg.start_s
                shape, slope, _ = minimum_jerk((t_s[first:end] - leg.start_s) / length_s)
                up[first:end] = turned(start, axis, -size * shape)
                rate[first:end] = (size / length_s * slope)[:, None] * axis
            up[end:] = turned(start[None], axis, np.array([-size]))[0]
        return shaken(Motion(up, rate, np.zeros((n, 3))), t_s, self._shakes)

    def rests(self) -> list[ScriptedRest]:
        """Return none: the pod is on no wheel."""
        return []

    def stood(self) -> tuple[tuple[float, float, float], ...]:
        """Return (from, until, angle as the pod stood in deg) of each stop so far."""
        return tuple(
            (stop.on_s, stop.leave_s, -stop.angle_deg if stop.turned else stop.angle_deg)
            for stop in self._stops
        )

    # ---- what is planned

    def _shown_deg(self, stop: Stop) -> float:
        rng = self._case.generator(Stream.TILT, 2000000 + stop.number)
        shown = stop.angle_deg * self._scale + self._zero_deg
        shown += self._tilting.reading_sigma_deg * float(rng.standard_normal())
        step = self._tilting.resolution_deg
        return float(round(shown / step) * step) if step else float(shown)

    def _next(self, start_s: float) -> None:
        number = len(self._stops)
        rng = self._case.generator(Stream.TILT, 1 + number)
        given = self._tilting.actions
        action = given[number] if number < len(given) else SETS_ANEW
        before = self._stops[-1] if self._stops else None
        angle_deg = self._tilting.angles_deg[number]
        angle_deg += self._tilting.slack_deg * float(rng.standard_normal())
        if before is not None and action in {SEATS_ANEW, SEATS_TURNED}:
            angle_deg = before.angle_deg
        turned_now = action == SEATS_TURNED
        if action == SETS_UNDER and before is not None:
            turned_now = before.turned
        seat = np.radians(self._tilting.seat_sigma_deg) * rng.standard_normal(3)
        lean = Rotation.from_rotvec([math.radians(angle_deg), 0.0, 0.0])
        heading = Rotation.from_rotvec([0.0, 0.0, -math.pi if turned_now else 0.0])
        goal = (Rotation.from_rotvec(seat) * heading * lean).as_matrix()
        if action == SETS_UNDER and before is not None:
            step = Rotation.from_rotvec([math.radians(angle_deg - before.angle_deg), 0.0, 0.0])
            goal = before.from_vehicle @ step.as_matrix()
            on_s = self._turn(start_s, _TILT_S, goal)
        else:
            on_s = self._carry(start_s, goal, number, rng)
        hold_s = float(rng.uniform(*self._tilting.hold_s))
        if self._heard_cues:
            hold_s = self._script.patience_s
        self._stops.append(Stop(number, angle_deg, turned_now, on_s, on_s + hold_s, goal))

    def _carry(
        self, start_s: float, goal: FloatArray, number: int, rng: np.random.Generator
    ) -> float:
        """Take the pod off, lean it over in the hand, put it on; return when it stands."""
        tilt = unit(np.array([*rng.standard_normal(2), 0.0])) * math.radians(_LIFT_DEG)
        half = Rotation.from_matrix(goal @ self._attitude.T).as_rotvec() / 2.0
        lifted = (Rotation.from_rotvec(tilt) * Rotation.from_rotvec(half)).as_matrix()
        middle_s = self._turn(start_s, _CARRY_S, lifted @ self._attitude)
        on_s = self._turn(middle_s, _CARRY_S, goal)
        if number + 1 in self._tilting.drop_at:
            push = unit(rng.standard_normal(3)) * _DROP_G
            self._shakes.append(Shake(middle_s, push, np.zeros(3), 2 * np.pi * 12.0, 0.03))
        return on_s

    def _turn(self, start_s: float, length_s: float, goal: FloatArray) -> float:
        turn = -Rotation.from_matrix(goal @ self._attitude.T).as_rotvec()
        self._legs.append(Leg(start_s, start_s + length_s, self._attitude, turn))
        self._attitude = goal
        return start_s + length_s
