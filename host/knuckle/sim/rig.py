"""One pod on one car: the single path from script to raw counts that all simulation takes."""

from __future__ import annotations

import math
from typing import Protocol

import numpy as np

from knuckle.errors import UsageError
from knuckle.model.block import BoolArray, FloatArray, IntArray
from knuckle.sim.case import realise
from knuckle.sim.driver import PARKED_MM, Driver
from knuckle.sim.gauging import Gauger
from knuckle.sim.handling import Handler
from knuckle.sim.kinematics import caster_as_swept_deg
from knuckle.sim.linear import LinearChannels
from knuckle.sim.lying import Lying
from knuckle.sim.motion import Motion
from knuckle.sim.posing import Poser
from knuckle.sim.scenario import Scenario
from knuckle.sim.sensor import Chip, Signals
from knuckle.sim.spec import Purpose
from knuckle.sim.spinning import Reverser, Spinner
from knuckle.sim.tilting import Tilter
from knuckle.sim.truth import ScriptedRest, Truth
from knuckle.wire import budget
from knuckle.wire.messages import Cue


class Person(Protocol):
    """What moves the pod; times are seconds since the script's start."""

    @property
    def end_s(self) -> float:
        """When the script ends; infinite until that is known."""
        ...

    @property
    def knocks_s(self) -> tuple[float, ...]:
        """Times of the knocks so far."""
        ...

    def plan_until(self, t_s: float) -> None:
        """Decide everything that starts up to a time."""
        ...

    def forget(self, before_s: float) -> None:
        """Let go of movements that are over; earlier times will not be asked for again."""
        ...

    def cue(self, t_s: float, cue: Cue) -> None:
        """Hear a cue."""
        ...

    def motion(self, t_s: FloatArray) -> Motion:
        """Return the pod's motion at increasing times."""
        ...

    def rests(self) -> list[ScriptedRest]:
        """Return the scripted rests so far."""
        ...


class Rig:
    """A scenario set up with a seed.

    Parameters
    ----------
    scenario : Scenario
    seed : int or None
        None takes the scenario's own.

    Attributes
    ----------
    channels : tuple of Channel
        The hello's table.
    period_ticks, averaging : int
        With which the pod starts; the averaging is at least what its line asks for.

    Raises
    ------
    UsageError
        If the script cannot be done on that wheel, or the line is too slow.
    """

    def __init__(self, scenario: Scenario, seed: int | None = None) -> None:
        self.scenario = scenario
        self.seed = scenario.seed if seed is None else seed
        self.case = realise(scenario, self.seed)
        self.chip = Chip(self.case)
        self.linear = LinearChannels(self.case)
        self.channels = (*self.chip.channels, *self.linear.channels)
        pod = scenario.pod
        self.period_ticks = round(pod.tick_hz / pod.raw_rate_hz)
        try:
            least = budget.least_averaging(pod.baud, self.channels, self.period_ticks, pod.tick_hz)
        except ValueError as error:
            raise UsageError(
                f"Scenario {scenario.name}: {error}.", "pod.baud is too low.", "Raise it."
            ) from error
        self.averaging = max(pod.averaging, least)
        self.person: Person
        if scenario.purpose in {Purpose.CAMBER, Purpose.CAMBER_ALL}:
            self.person = Handler(self.case)
        elif scenario.purpose in {Purpose.LENGTHS, Purpose.TOE}:
            self.person = Gauger(self.case)
        elif scenario.purpose is Purpose.CALIBRATE:
            self.person = Poser(self.case)
        elif scenario.purpose is Purpose.VALIDATE:
            self.person = Tilter(self.case)
        elif scenario.purpose is Purpose.SPIN:
            self.person = Spinner(self.case)
        elif scenario.purpose is Purpose.REVERSAL:
            self.person = Reverser(self.case)
        elif scenario.purpose is Purpose.STILL:
            self.person = Lying()
        elif scenario.wheel.is_front or scenario.purpose is Purpose.WATCH:
            self.person = Driver(self.case)
        else:
            raise UsageError(
                f"The simulated car cannot sweep its {scenario.wheel.spoken} wheel.",
                "Its rear wheels do not steer.",
                "Choose LF or RF.",
            )

    def raw(self, t_s: FloatArray, period_s: float) -> IntArray:
        """Return raw counts at increasing script times, shape (n, axes of all channels).

        Calls follow each other in time; how the times are divided into calls changes nothing.
        """
        read = self.chip.read(t_s, self._motion(t_s), period_s)
        if not self.linear.channels:
            return read
        return np.concatenate([read, self.linear.read(t_s, self._lengths_mm(t_s))], axis=1)

    def signals(self, t_s: FloatArray, period_s: float) -> Signals:
        """Return what a chip that is read every `period_s` feels at increasing script times."""
        return self.chip.signals(t_s, self._motion(t_s), period_s)

    def sent_mm(self, t_s: FloatArray) -> FloatArray:
        """Return what the linear sensor would send without noise and steps, shape (n,)."""
        return self.linear.sent_mm(self._lengths_mm(t_s))

    def _motion(self, t_s: FloatArray) -> Motion:
        if t_s.size:
            self.person.plan_until(float(t_s[-1]))
        return self.person.motion(t_s)

    def away(self, t_s: FloatArray) -> BoolArray:
        """Return when the linear sensor does not answer, shape (n,)."""
        return self.linear.away(t_s)

    def _lengths_mm(self, t_s: FloatArray) -> FloatArray:
        if isinstance(self.person, Driver | Gauger):
            return self.person.lengths_mm(t_s)
        return np.full(t_s.shape, PARKED_MM)

    def typed(self) -> tuple[str, ...]:
        """Return what the person types when asked for a reading now, try by try."""
        return self.person.typed() if isinstance(self.person, Tilter) else ()

    def truth(self) -> Truth:
        """Return what really happened so far."""
        case = self.case
        linked = self.person.linkage if isinstance(self.person, Driver) else None
        lock_deg = max(abs(goal) for goal in self.scenario.script.positions_deg)
        return Truth(
            wheel=self.scenario.truth(),
            caster_as_swept_deg=caster_as_swept_deg(
                self.scenario.car, self.scenario.wheel, lock_deg
            ),
            rests=tuple(self.person.rests()),
            knocks_s=self.person.knocks_s,
            tilt_deg=math.degrees(case.seat.tilt_rad),
            yaw_deg=math.degrees(case.seat.yaw_rad),
            left_higher_deg=case.left_higher_deg,
            front_higher_deg=case.front_higher_deg,
            lengths=self.person.gauged() if isinstance(self.person, Gauger) else (),
            linear_gain=self.linear.gain,
            linear_offset_mm=self.linear.offset_mm,
            linkage=linked.truth if linked is not None else None,
            poses=self.person.posed() if isinstance(self.person, Poser) else (),
            stood=self.person.stood() if isinstance(self.person, Tilter) else (),
        )
