"""The person who calibrates a pod: through still poses, its face to a wall, a full turn.

The truth stands here alone; cues only decide how long a pose is held and when a part is over.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np
from scipy.spatial.transform import Rotation

from knuckle.geometry.rotation import turned, unit
from knuckle.model.block import FloatArray
from knuckle.sim.case import Case, Stream
from knuckle.sim.motion import Motion, Shake, shaken, swung
from knuckle.sim.moves import Tremor, minimum_jerk
from knuckle.sim.truth import PosedRest, PoseKind, ScriptedRest
from knuckle.wire.messages import Cue

_DRIFT_OVER_S: Final = 1.5
_DRIFTS_FOR_S: Final = 3.0
_RAMP_S: Final = 0.15
_LINGERS_S: Final = 30.0
"""The pod stays within reach after the last part: its memory may be written."""
_LAID_DOWN_S: Final = 60.0
_HEADING_DEG: Final = 30.0
_STEADIED: Final = 0.1
"""Share of the tremor left where the pod lies against a surface."""
_DROP_DECAY_S: Final = 0.03
_UP: Final = np.array([0.0, 0.0, 1.0])
_OUTBOARD: Final = np.array([0.0, 1.0, 0.0])


class _Part(StrEnum):
    POSES = "poses"
    FACE = "face"
    TURN = "turn"
    OVER = "over"


@dataclass(slots=True)
class _Stop:
    """A pose, from when it is reached until it is left.

    `from_vehicle` (3, 3) takes vehicle axes to pod axes at `on_s`; it is reached from the last
    pose's end by a turn `reach_rad` about a fixed axis in pod axes. Vectors are in pod axes.
    """

    number: int
    part: _Part
    kind: PoseKind
    start_s: float
    on_s: float
    leave_s: float
    from_vehicle: FloatArray
    start_from_vehicle: FloatArray
    reach_rad: FloatArray
    drift_rad_s: FloatArray
    push_g: FloatArray
    tremor_g: float
    released: bool = False


def directions() -> FloatArray:
    """Return faces, corners and edges of a cube as unit vectors, shape (26, 3)."""
    faces = [sign * axis for axis in np.eye(3) for sign in (1.0, -1.0)]
    corners = [np.array([x, y, z]) for x in (1.0, -1.0) for y in (1.0, -1.0) for z in (1.0, -1.0)]
    edges = [
        np.array(edge, dtype=float)
        for edge in np.ndindex(3, 3, 3)
        if sorted(abs(part - 1) for part in edge) == [0, 1, 1]
    ]
    return np.array([*faces, *(unit(c) for c in corners), *(unit(e - 1.0) for e in edges)])


class Poser:
    """A calibration, planned one pose ahead so that cues can change it.

    Times are seconds since the script's start, when the pod is in the hand.
    """

    def __init__(self, case: Case) -> None:
        self._case = case
        self._posing = case.scenario.posing
        self._script = case.scenario.script
        rng = case.generator(Stream.POSE, 0)
        low_hz, high_hz = self._posing.tremor_hz
        self._tremors = [Tremor.draw(rng, 3.0**-0.5, low_hz, high_hz) for _ in range(3)]
        self._swings = [
            Tremor.draw(rng, math.radians(self._posing.swing_deg), low_hz, high_hz)
            for _ in range(3)
        ]
        self._order = self._drawn_order(rng)
        lean, slope_x, slope_y = np.radians(rng.standard_normal(3)) * [
            self._posing.lean_deg,
            self._posing.slope_deg,
            self._posing.slope_deg,
        ]
        self._wall_up = np.array([0.0, math.sin(lean), math.cos(lean)])
        self._table_up = unit(np.array([slope_x, slope_y, 1.0]))
        self._first_attitude: FloatArray = Rotation.random(rng=rng).as_matrix()
        self._shakes: list[Shake] = []
        self._stops: list[_Stop] = []
        self._part = _Part.POSES
        self._heard_cues = False
        self._next(1.0)

    @property
    def end_s(self) -> float:
        """When the script ends; infinite until that is known."""
        over = self._part is _Part.OVER
        return self._stops[-1].leave_s + _LINGERS_S if over else math.inf

    @property
    def knocks_s(self) -> tuple[float, ...]:
        """When the pod was dropped."""
        return tuple(shake.at_s for shake in self._shakes)

    def plan_until(self, t_s: float) -> None:
        """Decide everything that starts up to a time."""
        while self._part is not _Part.OVER and self._stops[-1].leave_s <= t_s:
            self._next(self._stops[-1].leave_s)

    def forget(self, before_s: float) -> None:
        """Do nothing: a calibration is short."""

    def cue(self, t_s: float, cue: Cue) -> None:
        """Hear a cue of the pod at a time not before the last one evaluated."""
        if not self._script.heeds_cues or self._part is _Part.OVER:
            return
        stop = self._stops[-1]
        rng = self._case.generator(Stream.POSE, 1000000 + stop.number)
        leave_s = t_s + float(rng.uniform(*self._script.reaction_s))
        held = t_s >= stop.on_s and stop.kind is not PoseKind.LAID_DOWN
        if cue is Cue.FINISHED:
            stop.leave_s = max(leave_s, stop.on_s)
            self._part = _Part.OVER
        elif cue is Cue.HOLD_STILL:
            self._heard_cues = True
            if held and not stop.released:
                stop.leave_s = max(stop.leave_s, t_s + self._script.patience_s)
        elif cue in {Cue.TAKEN, Cue.MOVE_ON}:
            self._heard_cues = True
            if held and not stop.released:
                stop.released = True
                stop.leave_s = leave_s
            if stop.kind is PoseKind.LAID_DOWN and cue is Cue.MOVE_ON:
                stop.released, stop.leave_s = True, leave_s
            if cue is Cue.MOVE_ON and stop.part is self._part:
                self._part = self._after(self._part)

    def motion(self, t_s: FloatArray) -> Motion:
        """Return the pod's motion at increasing times, shape (n,)."""
        n = t_s.shape[0]
        up, rate, push = np.empty((n, 3)), np.zeros((n, 3)), np.zeros((n, 3))
        up[:] = self._first_attitude @ _UP
        tremor = np.zeros(n)
        for stop in self._stops:
            self._add(stop, t_s, up, rate, push, tremor)
        swings = [swing.at(t_s) for swing in self._swings]
        share = np.minimum(tremor / 0.005, 1.0)[:, None]
        value = np.stack([s.value for s in swings], axis=-1) * share
        speed = np.stack([s.rate for s in swings], axis=-1) * share
        up, rate = swung(up, rate, value, speed)
        push = (
            push + np.stack([tr.at(t_s).value for tr in self._tremors], axis=-1) * tremor[:, None]
        )
        return shaken(Motion(up, rate, push), t_s, self._shakes)

    def rests(self) -> list[ScriptedRest]:
        """Return none: the pod is on no wheel."""
        return []

    def posed(self) -> tuple[PosedRest, ...]:
        """Return the poses so far, each from when it is reached until it is left."""
        return tuple(
            PosedRest(s.kind, s.on_s, s.leave_s, tuple(float(x) for x in s.from_vehicle @ _UP))
            for s in self._stops
        )

    # ---- what is planned

    def _drawn_order(self, rng: np.random.Generator) -> list[int]:
        if self._posing.order:
            return list(self._posing.order)
        parts = (range(6), range(6, 14), range(14, 26))
        return [int(i) for part in parts for i in rng.permutation(np.array(part))]

    def _after(self, part: _Part) -> _Part:
        if part is _Part.POSES and self._posing.face:
            return _Part.FACE
        if part in {_Part.POSES, _Part.FACE} and self._posing.turn:
            return _Part.TURN
        return _Part.OVER

    def _done(self, part: _Part) -> int:
        return sum(stop.part is part for stop in self._stops)

    def _next(self, start_s: float) -> None:
        """Plan the next pose, of the part that is on."""
        done = self._done(self._part)
        if self._part is _Part.POSES:
            tires = done >= self._posing.most_poses
            without_cues = not self._heard_cues and done >= self._posing.poses
            if self._posing.tires and done == self._posing.poses:
                self._stop(_Part.POSES, PoseKind.LAID_DOWN, start_s, self._laid_down())
                return
            if tires or without_cues:
                self._part = self._after(self._part)
        elif self._part is _Part.FACE and done >= 4 and not self._heard_cues:
            self._part = self._after(self._part)
        elif self._part is _Part.TURN and done >= 2:
            self._part = _Part.OVER
        if self._part is _Part.OVER:
            return
        self._pose(self._part, self._done(self._part), start_s)

    def _pose(self, part: _Part, index: int, start_s: float) -> None:
        rng = self._case.generator(Stream.POSE, 1 + len(self._stops))
        if part is _Part.FACE:
            flush = Rotation.from_rotvec(
                np.radians(self._posing.flush_deg) * rng.standard_normal(3)
            )
            scatter = np.radians(self._posing.quarter_deg) * rng.standard_normal()
            quarter = Rotation.from_rotvec(_OUTBOARD * (index * np.pi / 2 + scatter))
            goal_up = (flush * quarter).apply(self._wall_up)
            self._stop(part, PoseKind.FACE, start_s, self._towards(goal_up, 0.0))
        elif part is _Part.TURN and index == 0:
            self._stop(part, PoseKind.TURN, start_s, self._towards(self._table_up, 0.0))
        elif part is _Part.TURN:
            full = 2 * np.pi + np.radians(self._posing.align_deg) * float(rng.standard_normal())
            self._stop(part, PoseKind.TURN, start_s, full * _UP)
        else:
            direction = directions()[self._order[index % len(self._order)]]
            lean = np.radians(self._posing.scatter_deg) * rng.standard_normal(3)
            goal_up = Rotation.from_rotvec(lean).apply(direction)
            heading = np.radians(_HEADING_DEG) * float(rng.standard_normal())
            self._stop(part, PoseKind.POSE, start_s, self._towards(goal_up, heading))

    def _laid_down(self) -> FloatArray:
        return self._towards(self._table_up, 0.3)

    @property
    def _attitude(self) -> FloatArray:
        """Vehicle axes to pod axes at the last pose's end, shape (3, 3)."""
        if not self._stops:
            return self._first_attitude
        last = self._stops[-1]
        drifted = last.drift_rad_s * min(max(last.leave_s - last.on_s, 0.0), _DRIFTS_FOR_S)
        return np.asarray(Rotation.from_rotvec(-drifted).as_matrix() @ last.from_vehicle)

    def _towards(self, goal_up: FloatArray, heading_rad: float) -> FloatArray:
        """Return the turn of the body, in its own axes, that brings `goal_up` up."""
        start = self._attitude
        shortest, _ = Rotation.align_vectors(goal_up[None], (start @ _UP)[None])
        spun = Rotation.from_rotvec(goal_up * heading_rad) * shortest
        return np.asarray(-spun.as_rotvec())

    def _stop(self, part: _Part, kind: PoseKind, start_s: float, reach_rad: FloatArray) -> None:
        posing, number = self._posing, len(self._stops)
        rng = self._case.generator(Stream.POSE, 500000 + number)
        move_s = float(rng.uniform(*posing.move_s))
        size = float(np.linalg.norm(reach_rad))
        move_s *= 0.6 + 0.4 * size / np.pi
        if kind is PoseKind.TURN and part is _Part.TURN and self._done(part) == 1:
            move_s = posing.turn_s
        start = self._attitude
        goal = Rotation.from_rotvec(-reach_rad).as_matrix() @ start
        held = kind is PoseKind.POSE
        axis = unit(rng.standard_normal(3))
        drift = axis * np.radians(posing.drift_deg) * rng.uniform() / _DRIFT_OVER_S
        push = posing.sway_mg * 1e-3 * rng.standard_normal(3)
        tremor_g = 1e-3 * float(rng.uniform(*posing.tremor_mg))
        pose_number = self._done(_Part.POSES) + 1
        if held and pose_number in posing.unsteady_at:
            push = push + posing.unsteady_mg * 1e-3 * (goal @ _UP)
        on_s = start_s + move_s
        hold_s = float(rng.uniform(*posing.hold_s))
        if self._heard_cues:
            hold_s = self._script.patience_s
        if kind is PoseKind.LAID_DOWN:
            hold_s = _LAID_DOWN_S
        if held and pose_number in posing.drop_at:
            self._drop(start_s + 0.5 * move_s, rng)
        self._stops.append(
            _Stop(
                number,
                part,
                kind,
                start_s,
                on_s,
                on_s + hold_s,
                goal,
                start,
                reach_rad,
                drift if held else np.zeros(3),
                push if held else np.zeros(3),
                tremor_g if held else tremor_g * (0.0 if part is _Part.TURN else _STEADIED),
            )
        )
        if kind is PoseKind.LAID_DOWN:
            self._stops[-1].tremor_g = 0.0

    def _drop(self, at_s: float, rng: np.random.Generator) -> None:
        push = unit(rng.standard_normal(3)) * self._posing.drop_g
        self._shakes.append(Shake(at_s, push, np.zeros(3), 2 * np.pi * 12.0, _DROP_DECAY_S))

    # ---- how it moves

    def _add(
        self,
        stop: _Stop,
        t_s: FloatArray,
        up: FloatArray,
        rate: FloatArray,
        push: FloatArray,
        tremor: FloatArray,
    ) -> None:
        first, on, end = np.searchsorted(t_s, [stop.start_s, stop.on_s, stop.leave_s])
        size = float(np.linalg.norm(stop.reach_rad))
        axis = stop.reach_rad / size if size else _UP
        if on > first:
            length_s = stop.on_s - stop.start_s
            shape, slope, _ = minimum_jerk((t_s[first:on] - stop.start_s) / length_s)
            up[first:on] = turned(stop.start_from_vehicle @ _UP, axis, -size * shape)
            rate[first:on] = (size / length_s * slope)[:, None] * axis
            tremor[first:on] = stop.tremor_g
        up[on:] = stop.from_vehicle @ _UP
        if end <= on:
            return
        age = t_s[on:end] - stop.on_s
        drift_dps = float(np.linalg.norm(stop.drift_rad_s))
        if drift_dps:
            about = stop.drift_rad_s / drift_dps
            angle = drift_dps * np.minimum(age, _DRIFTS_FOR_S)
            up[on:end] = turned(stop.from_vehicle @ _UP, about, -angle)
            rate[on:end] = np.where(age < _DRIFTS_FOR_S, drift_dps, 0.0)[:, None] * about
        edge = np.clip(np.minimum(age, stop.leave_s - t_s[on:end]) / _RAMP_S, 0.0, 1.0)
        push[on:end] = edge[:, None] * stop.push_g
        tremor[on:end] = stop.tremor_g
