"""The world around a pod that is not real: car, person and time, whatever makes its bytes."""

from __future__ import annotations

import math
from typing import Final

from knuckle.sim.rig import Rig
from knuckle.sim.scenario import Scenario
from knuckle.sim.truth import Truth
from knuckle.wire.messages import Cue

_AFTER_END_S: Final = 1.0


class PodOnCar:
    """A pod on a simulated car, with a person who begins when it is first told to stream.

    Parameters
    ----------
    scenario : Scenario
    seed : int or None
        None takes the scenario's own.

    Attributes
    ----------
    now_s : float
        Seconds since the pod got power.
    cues : list of (float, Cue)
        Cues that the person was given, with their time.

    Raises
    ------
    UsageError
        If the script cannot be done on that wheel.
    """

    def __init__(self, scenario: Scenario, seed: int | None = None) -> None:
        self.scenario = scenario
        self.seed = scenario.seed if seed is None else seed
        self._rig = Rig(scenario, self.seed)
        self.now_s = 0.0
        self.cues: list[tuple[float, Cue]] = []
        self._script_zero_s: float | None = None

    @property
    def script_s(self) -> float:
        """Seconds since the script's start; minus infinity before."""
        return -math.inf if self._script_zero_s is None else self.now_s - self._script_zero_s

    @property
    def connected(self) -> bool:
        """Whether the link stands; false while the fault `disconnect` lasts."""
        fault = self.scenario.faults.disconnect
        return not (fault.on and fault.at_s <= self.script_s < fault.at_s + fault.length_s)

    @property
    def finished(self) -> bool:
        """Whether the script is over, and a second more."""
        return self.script_s >= self._rig.person.end_s + _AFTER_END_S

    def truth(self) -> Truth:
        """Return what really happened so far; times are seconds since the script's start."""
        return self._rig.truth()

    def typed(self) -> tuple[str, ...]:
        """Return what the person types when asked for a reading now, try by try."""
        return self._rig.typed()

    def _begin_script(self, at_s: float) -> bool:
        """Let the person begin; return whether they had not begun yet."""
        if self._script_zero_s is not None:
            return False
        self._script_zero_s = at_s
        return True

    def _set_now(self, at_s: float) -> None:
        """Let time go on; an earlier moment than now changes nothing."""
        self.now_s = max(self.now_s, at_s)
        if self._script_zero_s is not None:
            self._rig.person.plan_until(self.script_s)

    def _hear(self, cue: Cue) -> None:
        """Let the person notice a cue now."""
        self.cues.append((self.now_s, cue))
        if self._script_zero_s is not None:
            self._rig.person.cue(self.script_s, cue)
