"""A pod that lies on the bench: nobody touches it."""

from __future__ import annotations

import math

import numpy as np

from knuckle.model.block import FloatArray
from knuckle.sim.motion import Motion
from knuckle.sim.truth import ScriptedRest
from knuckle.wire.messages import Cue


class Lying:
    """The absence of a person; the pod's +Z points up, for as long as anybody looks."""

    end_s = math.inf
    knocks_s: tuple[float, ...] = ()

    def plan_until(self, t_s: float) -> None:
        """Plan nothing."""

    def forget(self, before_s: float) -> None:
        """Nothing is remembered."""

    def cue(self, t_s: float, cue: Cue) -> None:
        """Nobody hears it."""

    def motion(self, t_s: FloatArray) -> Motion:
        """Return no motion at all."""
        nothing = np.zeros((t_s.size, 3))
        up = np.tile([0.0, 0.0, 1.0], (t_s.size, 1))
        return Motion(up, nothing, nothing.copy())

    def rests(self) -> list[ScriptedRest]:
        """Return none: none was scripted."""
        return []
