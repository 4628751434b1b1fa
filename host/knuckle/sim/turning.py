"""A pod that is carried and turned in pieces: in the hand, with the wheel, or at rest."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.spatial.transform import Rotation

from knuckle.geometry.rotation import turned
from knuckle.model.block import FloatArray
from knuckle.sim.case import Case, Stream
from knuckle.sim.motion import STANDARD_GRAVITY, Motion
from knuckle.sim.moves import Tremor, minimum_jerk
from knuckle.sim.truth import ScriptedRest
from knuckle.wire.messages import Cue

_HAND_PUSH_G: Final = 0.02


@dataclass(frozen=True, slots=True)
class Piece:
    """A turn about a fixed axis in pod axes, from one attitude to the next.

    `start_up` (3,) is "up" in pod axes at the start; `radius_m` (3,) from a point of the axis to
    the accelerometer; `held` whether a hand carries the pod.
    """

    start_s: float
    end_s: float
    start_up: FloatArray
    turn_rad: FloatArray
    radius_m: FloatArray
    held: bool

    @property
    def end_up(self) -> FloatArray:
        """ "Up" in pod axes at the end, shape (3,)."""
        return np.asarray(Rotation.from_rotvec(-self.turn_rad).apply(self.start_up))


class Turner:
    """Pieces planned one hold ahead, so that cues can change it. Times are script times.

    Parameters
    ----------
    case : Case
    up : ndarray, shape (3,)
        "Up" in pod axes at the start.
    """

    def __init__(self, case: Case, up: FloatArray) -> None:
        self._case = case
        self._script = case.scenario.script
        self._spinning = case.scenario.spinning
        rng = case.generator(Stream.PERSON, 0)
        self._lean = Tremor.draw(rng, 1.0, 0.3, 1.2)
        self._pushes = [Tremor.draw(rng, _HAND_PUSH_G, 0.8, 8.0) for _ in range(3)]
        self._pieces: list[Piece] = []
        self._up = up
        self._leave_s = 1.0 + float(rng.uniform(*self._script.hold_s))
        self._hold_s = 0.0
        self._holds = 1
        self._released = False
        self._heard_cues = False
        self._over = False

    @property
    def end_s(self) -> float:
        """When the script ends; infinite until that is known."""
        return self._leave_s if self._over else math.inf

    @property
    def knocks_s(self) -> tuple[float, ...]:
        """None happen."""
        return ()

    def rests(self) -> list[ScriptedRest]:
        """Return none: no angle of a wheel is measured."""
        return []

    def forget(self, before_s: float) -> None:
        """Do nothing: it is short."""

    def plan_until(self, t_s: float) -> None:
        """Decide everything that starts up to a time."""
        while not self._over and self._leave_s <= t_s:
            before = len(self._pieces)
            self._go_on(self._leave_s, self._case.generator(Stream.PERSON, self._holds))
            if len(self._pieces) == before:
                self._over = True
                return
            last = self._pieces[-1]
            self._up = last.end_up
            self._holds += 1
            self._released = False
            self._hold_s = last.end_s
            rng = self._case.generator(Stream.PERSON, 5000 + self._holds)
            hold_s = float(rng.uniform(*self._script.hold_s))
            if self._heard_cues:
                hold_s = self._script.patience_s
            self._leave_s = last.end_s + hold_s

    def cue(self, t_s: float, cue: Cue) -> None:
        """Hear a cue at a time not before the last one evaluated."""
        if not self._script.heeds_cues or self._over:
            return
        rng = self._case.generator(Stream.PERSON, 1000000 + self._holds)
        leave_s = t_s + float(rng.uniform(*self._script.reaction_s))
        if cue is Cue.FINISHED:
            self._over = True
            self._leave_s = max(leave_s, self._hold_s)
        elif cue in {Cue.TAKEN, Cue.MOVE_ON}:
            self._heard_cues = True
            if cue is Cue.MOVE_ON:
                self._moves_on()
            if not self._released and t_s >= self._hold_s:
                self._released = True
                self._leave_s = leave_s
        elif cue is Cue.HOLD_STILL:
            self._heard_cues = True
            if not self._released:
                self._leave_s = max(self._leave_s, t_s + self._script.patience_s)

    def motion(self, t_s: FloatArray) -> Motion:
        """Return the pod's motion at increasing times, shape (n,)."""
        n = t_s.shape[0]
        up, rate, push = np.empty((n, 3)), np.zeros((n, 3)), np.zeros((n, 3))
        up[:] = self._pieces[0].start_up if self._pieces else self._up
        for piece in self._pieces:
            first, end = np.searchsorted(t_s, [piece.start_s, piece.end_s])
            up[end:] = piece.end_up
            size = float(np.linalg.norm(piece.turn_rad))
            if first == end or size == 0.0:
                continue
            axis, length_s = piece.turn_rad / size, piece.end_s - piece.start_s
            shape, slope, bend = minimum_jerk((t_s[first:end] - piece.start_s) / length_s)
            up[first:end] = turned(piece.start_up, axis, -size * shape)
            rate[first:end] = (size / length_s * slope)[:, None] * axis
            inward = np.cross(axis, np.cross(axis, piece.radius_m))
            along = np.cross(axis, piece.radius_m)
            push[first:end] = (
                (size / length_s * slope)[:, None] ** 2 * inward
                + (size / length_s**2 * bend)[:, None] * along
            ) / STANDARD_GRAVITY
            if piece.held:
                edge = np.minimum(1.0, 4.0 * np.minimum(shape, 1.0 - shape))[:, None]
                swings = [swing.at(t_s[first:end]).value for swing in self._pushes]
                push[first:end] += edge * np.stack(swings, axis=-1)
        return self._leaning(Motion(up, rate, push), t_s)

    def _leaning(self, motion: Motion, t_s: FloatArray) -> Motion:
        """Add how the car leans meanwhile."""
        return motion

    # ---- what a person does

    def _go_on(self, start_s: float, rng: np.random.Generator) -> None:
        """Plan what follows a hold; adding nothing ends the script."""
        raise NotImplementedError

    def _moves_on(self) -> None:
        """Take note that what was being done is enough."""

    def _add(
        self,
        start_s: float,
        length_s: float,
        turn_rad: FloatArray,
        *,
        radius_m: FloatArray | None = None,
        held: bool = False,
    ) -> None:
        up = self._pieces[-1].end_up if self._pieces else self._up
        radius = np.zeros(3) if radius_m is None else radius_m
        self._pieces.append(Piece(start_s, start_s + length_s, up, turn_rad, radius, held))
