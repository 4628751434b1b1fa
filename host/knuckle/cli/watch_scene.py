"""What ``knuckle watch`` shows, gathered from the run's events."""

from __future__ import annotations

import math

from knuckle.model.guidance import Ask
from knuckle.model.wheel import Wheel
from knuckle.run.events import (
    ButtonPressed,
    Ended,
    LinearSamples,
    LinkDown,
    PodSeen,
    RateFitted,
    RestEnded,
    RestReady,
    RunEvent,
    Samples,
    StillnessChanged,
)
from knuckle.run.fault_words import part_of
from knuckle.run.live_angles import LiveAngles
from knuckle.run.view import LinkWatch
from knuckle.terminal.scene import Scene
from knuckle.wire.messages import ChannelKind, Hello

CLEARLY_TURNING_DPS = 1.0
"""Steady turning looks calm to the detector of rests; to a person it is movement."""

_STATES = {
    "moving": ("Moving", Ask.MOVE),
    "settling": ("Settling", Ask.HOLD),
    "still": ("Still", Ask.TAKEN),
}


class WatchScene:
    """The state of one watched pod.

    Parameters
    ----------
    wheel : Wheel
        On which the pod sits.
    """

    def __init__(self, wheel: Wheel) -> None:
        self._wheel = wheel
        self._angles = LiveAngles()
        self._state, self._ask = "Waiting for the pod", Ask.WAIT
        self._link = LinkWatch()
        self._first_s: float | None = None
        self._newest_s = 0.0
        self._lengths: list[str] = []
        self._averaging: int | None = None
        self._linear_mm: list[float] = []

    @property
    def passed_s(self) -> float:
        """Pod time since the first sample."""
        return 0.0 if self._first_s is None else self._newest_s - self._first_s

    def take(self, event: RunEvent) -> list[str]:
        """Take an event; return lines that shall stay on the screen."""
        lines = self._link.take(event)
        match event:
            case PodSeen(again=again, hello=hello):
                self._lengths = _linear_rows(hello)
                self._averaging = None if hello is None else hello.averaging
                lines.insert(0, f"Pod {self._link.state.name}" + (" again." if again else "."))
            case Samples(block=block) if len(block):
                self._passed(float(block.t_s[0]), float(block.t_s[-1]))
                self._angles.push(block)
            case LinearSamples(linear=linear) if len(linear):
                self._passed(float(linear.t_s[0]), float(linear.t_s[-1]))
                self._linear_mm = [float(length_mm) for length_mm in linear.linear_mm[-1]]
            case RestReady(rest=rest) | RestEnded(rest=rest):
                self._angles.rested(rest)
            case StillnessChanged(state=state):
                self._state, self._ask = _STATES[state]
            case RateFitted(averaging=averaging, applied=True):
                self._averaging = averaging
            case LinkDown():
                self._state, self._ask = "Link lost", Ask.TROUBLE
            case ButtonPressed():
                self._angles.straight_here()
                lines.append("Button: the steer angle is zero here.")
            case Ended(error=error):
                self._state, self._ask = "Ended", Ask.DONE
                if error is not None:
                    raise error
        return lines

    def _passed(self, from_s: float, to_s: float) -> None:
        if self._first_s is None:
            self._first_s = from_s
        self._newest_s = max(self._newest_s, to_s)

    def scene(self) -> Scene:
        """Return what there is to show now."""
        camber_deg, rate_dps = self._angles.camber_deg, self._angles.rate_dps
        state, ask = self._state, self._ask
        if ask is Ask.HOLD and rate_dps is not None and rate_dps > CLEARLY_TURNING_DPS:
            state, ask = _STATES["moving"]
        return Scene(
            title=f"Watch, {self._wheel.spoken}",
            state=state,
            ask=ask,
            value="" if camber_deg is None else f"{camber_deg:.2f}",
            unit="deg",
            caption="camber, live",
            steer_deg=self._angles.steer_deg,
            wheel=self._wheel,
            links=(self._link.state,),
            figures=self._figures(),
            footer="For looking, not a result; nothing is stored. Ctrl-C ends.",
            beat=int(self.passed_s),
        )

    def _carried(self, bytes_per_s: float) -> str:
        """Return what the link carries now, and how many raw readings make one sample."""
        averaging = "" if self._averaging is None else f", averaging {self._averaging}"
        return f"{bytes_per_s / 1000.0:.1f} kB/s{averaging}"

    def _figures(self) -> tuple[tuple[str, str], ...]:
        found: list[tuple[str, str]] = []
        if (pitch_deg := self._angles.pitch_deg) is not None:
            found.append(("pod turned", f"{pitch_deg:.1f} deg"))
        if (reading_g := self._angles.reading_g) is not None:
            # + 0.0 turns a rounded -0.0 into 0.0
            axes = " ".join(f"{round(float(axis_g), 2) + 0.0:+.2f}" for axis_g in reading_g)
            found.append(("x y z", f"{axes} g"))
        if (rate_dps := self._angles.rate_dps) is not None:
            found.append(("rate", f"{rate_dps:.2f} deg/s"))
        for number, length_mm in enumerate(self._linear_mm):
            named = number < len(self._lengths)
            label = self._lengths[number] if named else f"linear {number + 1}"
            reading = "no reading" if math.isnan(length_mm) else f"{length_mm:.2f} mm"
            found.append((label, reading))
        health = self._link.health
        if health is not None:
            if health.accel_noise_g is not None:
                # A small sideways reading in g is an angle against gravity in rad.
                found.append(("noise", f"{math.degrees(health.accel_noise_g):.3f} deg"))
            if health.gyro_noise_dps is not None:
                found.append(("gyro noise", f"{health.gyro_noise_dps:.3f} deg/s"))
            if health.temp_c is not None:
                found.append(("temperature", f"{health.temp_c:.1f} C"))
            if health.bytes_per_s:
                found.append(("link", self._carried(health.bytes_per_s)))
            found.append(("bytes lost", str(health.counts.discarded_bytes)))
        return tuple(found)


def _linear_rows(hello: Hello | None) -> list[str]:
    """Return the names of a pod's linear channels, in the order of its table."""
    if hello is None:
        return []
    return [part_of(row) for row in hello.channels if row.kind == ChannelKind.LINEAR]
