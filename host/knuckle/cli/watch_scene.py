"""What ``knuckle watch`` shows, gathered from the run's events."""

from __future__ import annotations

import math

from knuckle.errors import KnuckleError
from knuckle.model.wheel import Wheel
from knuckle.run.events import (
    ButtonPressed,
    CommandFailed,
    Ended,
    Health,
    Knocked,
    LinkDown,
    LinkUp,
    PodReport,
    PodRestarted,
    PodSeen,
    RestEnded,
    RestReady,
    RunEvent,
    Samples,
    StillnessChanged,
)
from knuckle.run.live_angles import LiveAngles
from knuckle.terminal.scene import LinkHealth, Mood, Scene
from knuckle.wire.messages import Fault

CLEARLY_TURNING_DPS = 1.0
"""Steady turning looks calm to the detector of rests; to a person it is movement."""

_STATES = {
    "moving": ("Moving", Mood.MOVE),
    "settling": ("Settling", Mood.HOLD),
    "still": ("Still", Mood.TAKEN),
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
        self._state, self._mood = "Waiting for the pod", Mood.WAIT
        self._name = "pod"
        self._connected = True
        self._health: Health | None = None
        self._lost = 0
        self._first_s: float | None = None
        self._newest_s = 0.0

    @property
    def passed_s(self) -> float:
        """Pod time since the first sample."""
        return 0.0 if self._first_s is None else self._newest_s - self._first_s

    def take(self, event: RunEvent) -> list[str]:
        """Take an event; return lines that shall stay on the screen."""
        match event:
            case PodSeen():
                return self._met(event)
            case Samples(block=block) if len(block):
                if self._first_s is None:
                    self._first_s = float(block.t_s[0])
                self._newest_s = float(block.t_s[-1])
                self._angles.push(block)
            case RestReady(rest=rest) | RestEnded(rest=rest):
                self._angles.rested(rest)
            case StillnessChanged(state=state):
                self._state, self._mood = _STATES[state]
            case Health():
                self._health = event
                self._lost += event.lost
            case LinkDown(reason=reason):
                self._connected = False
                self._state, self._mood = "Link lost", Mood.TROUBLE
                return [_told(reason)]
            case LinkUp(gap_s=gap_s):
                self._connected = True
                return [f"The pod is back after {gap_s:.1f} s."]
            case PodRestarted(cause=cause):
                return [f"The pod has restarted ({cause.name.lower().replace('_', ' ')})."]
            case Knocked():
                return ["A knock: left out of the mean."]
            case ButtonPressed():
                self._angles.straight_here()
                return ["Button: the steer angle is zero here."]
            case CommandFailed(reason=reason):
                return [_told(reason)]
            case PodReport(message=Fault() as fault):
                kind = "has come" if fault.present else "is gone"
                return [f"The pod reports: fault {fault.code} of channel {fault.channel} {kind}."]
            case Ended(error=error):
                self._state, self._mood = "Ended", Mood.DONE
                if error is not None:
                    raise error
        return []

    def scene(self) -> Scene:
        """Return what there is to show now."""
        camber_deg, rate_dps = self._angles.camber_deg, self._angles.rate_dps
        state, mood = self._state, self._mood
        if mood is Mood.HOLD and rate_dps is not None and rate_dps > CLEARLY_TURNING_DPS:
            state, mood = _STATES["moving"]
        return Scene(
            title=f"Watch, {self._wheel.spoken}",
            state=state,
            mood=mood,
            value="" if camber_deg is None else f"{camber_deg:.2f}",
            unit="deg",
            caption="camber, live",
            steer_deg=self._angles.steer_deg,
            wheel=self._wheel,
            links=(
                LinkHealth(
                    self._name,
                    self._connected,
                    None if self._health is None else self._health.rate_hz,
                    self._lost,
                    0 if self._health is None else _damaged(self._health),
                ),
            ),
            figures=self._figures(),
            footer="For looking, not a result; nothing is stored. Ctrl-C ends.",
            beat=int(self.passed_s),
        )

    def _met(self, seen: PodSeen) -> list[str]:
        hello = seen.hello
        self._name = (hello.name or hello.hardware) if hello is not None else "text pod"
        self._connected = True
        lines = [f"Pod {self._name}" + (" again." if seen.again else ".")]
        if seen.settings_problem and not seen.again:
            lines.append(seen.settings_problem)
        return lines

    def _figures(self) -> tuple[tuple[str, str], ...]:
        found: list[tuple[str, str]] = []
        if (pitch_deg := self._angles.pitch_deg) is not None:
            found.append(("pod turned", f"{pitch_deg:.1f} deg"))
        if (rate_dps := self._angles.rate_dps) is not None:
            found.append(("rate", f"{rate_dps:.2f} deg/s"))
        health = self._health
        if health is not None:
            if health.accel_noise_g is not None:
                # A small sideways reading in g is an angle against gravity in rad.
                found.append(("noise", f"{math.degrees(health.accel_noise_g):.3f} deg"))
            if health.gyro_noise_dps is not None:
                found.append(("gyro noise", f"{health.gyro_noise_dps:.3f} deg/s"))
            if health.temp_c is not None:
                found.append(("temperature", f"{health.temp_c:.1f} C"))
            found.append(("bytes lost", str(health.counts.discarded_bytes)))
        return tuple(found)


def _damaged(health: Health) -> int:
    counts = health.counts
    return counts.bad_crc + counts.bad_cobs + counts.too_long + counts.malformed + counts.bad_lines


def _told(error: KnuckleError) -> str:
    return str(error)
