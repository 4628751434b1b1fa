"""The world around a pod that is not real: car, person and time, whatever makes its bytes."""

from __future__ import annotations

import math
from typing import Final

from knuckle.errors import UsageError
from knuckle.sim.rig import Rig
from knuckle.sim.scenario import Scenario
from knuckle.sim.truth import Truth
from knuckle.wire.messages import Cue

_AFTER_END_S: Final = 1.0
TOGETHER_S: Final = 0.5
"""The same cue from two pods within so long is heard as one."""


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
        self._begun = False
        self._crew = Crew([self])

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
        """Let the person begin; return whether this pod had not been told to stream yet."""
        if self._begun:
            return False
        self._begun = True
        for pod in self._crew.pods:
            if pod._script_zero_s is None:
                pod._script_zero_s = at_s
        return True

    def _since_begin(self, at_s: float) -> float:
        """Return when a moment of the script comes, in this pod's time; it has begun."""
        assert self._script_zero_s is not None
        return self._script_zero_s + at_s

    def _set_now(self, at_s: float) -> None:
        """Let time go on; an earlier moment than now changes nothing."""
        self.now_s = max(self.now_s, at_s)
        if self._script_zero_s is not None:
            self._rig.person.plan_until(self.script_s)

    def _hear(self, cue: Cue) -> None:
        """Let the person notice a cue now."""
        self.cues.append((self.now_s, cue))
        if self._script_zero_s is not None:
            self._crew.hear(self, cue)


class Crew:
    """Pods on wheels of one car, and the one person who hears them all.

    Each pod plans the same person's moves by the same draws; they stay the same person because
    every cue reaches all of them at one moment.

    Parameters
    ----------
    pods : list of PodOnCar
        Made by one scenario and seed, on different wheels; not yet told to stream.
    """

    def __init__(self, pods: list[PodOnCar]) -> None:
        self.pods = pods
        self._last: tuple[PodOnCar, Cue, float] | None = None

    def hear(self, pod: PodOnCar, cue: Cue) -> None:
        """Let the person hear a cue, once though several pods play it together."""
        # None of the pods may have gone further: what has been sent stands.
        at_s = max(each.script_s for each in self.pods)
        if self._last is not None:
            other, before, then_s = self._last
            if other is not pod and before is cue and at_s - then_s < TOGETHER_S:
                self._last = None
                return
        self._last = (pod, cue, at_s) if len(self.pods) > 1 else None
        for each in self.pods:
            each._rig.person.cue(at_s, cue)


def on_one_car(pods: list[PodOnCar]) -> None:
    """Let pods be on one car, with one person; before any of them is told to stream.

    Raises
    ------
    UsageError
        If they are not of one scenario and seed, or two are on one wheel.
    """
    first = pods[0]
    wheels = {pod.scenario.wheel for pod in pods}
    cars = {pod.scenario.car for pod in pods}
    if len(cars) > 1 or len({(pod.scenario.name, pod.seed) for pod in pods}) > 1:
        raise UsageError(
            "These simulated pods are not on one car.",
            f"One is of {first.scenario.line(first.seed)}, another of "
            f"{pods[-1].scenario.line(pods[-1].seed)}, or their cars' angles differ.",
            "Give both the same scenario, seed and car.",
        )
    if len(wheels) < len(pods):
        raise UsageError("Two simulated pods are on one wheel.", "", "Give each its own.")
    crew = Crew(list(pods))
    for pod in pods:
        pod._crew = crew
