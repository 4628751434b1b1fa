"""What a live measurement shows and sounds, and through what: the flows know no screen."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import Protocol

from knuckle.model.guidance import Guidance, LinkState, Shown
from knuckle.model.wheel import Wheel
from knuckle.run.events import (
    CommandFailed,
    Health,
    Knocked,
    LinkDown,
    LinkUp,
    PodReport,
    PodRestarted,
    PodSeen,
    RateFitted,
    RunEvent,
)
from knuckle.run.fault_book import FaultBook
from knuckle.run.fault_words import FaultWords, restart_words
from knuckle.wire.messages import Cue, Fault, Hello, ResetCause, Status


@dataclass(frozen=True, slots=True)
class LiveView:
    """A moment of a measurement.

    Attributes
    ----------
    measure : str
        "camber" or "sweep".
    wheel : Wheel
        The one that is measured now.
    guidance : Guidance
    camber_deg, steer_deg : float or None
        As they are now, for the eye only; None where not known.
    link : LinkState
    passed_s : float
        Pod time since the first sample.
    figure : Shown or None
        What stands large where it is neither camber nor steer.
    also : tuple of Shown
        Smaller figures, of a second wheel.
    other_links : tuple of LinkState
        Of further pods.
    """

    measure: str
    wheel: Wheel
    guidance: Guidance
    camber_deg: float | None
    steer_deg: float | None
    link: LinkState
    passed_s: float
    figure: Shown | None = None
    also: tuple[Shown, ...] = ()
    other_links: tuple[LinkState, ...] = ()


class View(Protocol):
    """Where a measurement shows and sounds what goes on."""

    def show(self, live: LiveView) -> None:
        """Show a moment; called as often as there is something new."""
        ...

    def say(self, line: str) -> None:
        """Print a line that stays."""
        ...

    def sound(self, cue: Cue) -> None:
        """Have a cue heard; returns at once."""
        ...


class LinkWatch:
    """Gathers the link's state from the run's events."""

    def __init__(self) -> None:
        self._name = "pod"
        self._connected = True
        self._health: Health | None = None
        self._lost = 0
        self._faults = FaultBook()

    @property
    def health(self) -> Health | None:
        """What was last told of rate, noise and temperature; None before that."""
        return self._health

    @property
    def state(self) -> LinkState:
        """The link's state now."""
        health = self._health
        if health is None:
            return LinkState(self._name, self._connected, faults=self._troubles)
        counts = health.counts
        damaged = counts.bad_crc + counts.bad_cobs + counts.too_long + counts.malformed
        damaged += counts.bad_lines
        return LinkState(
            self._name, self._connected, health.rate_hz, self._lost, damaged, self._troubles
        )

    @property
    def faults(self) -> tuple[FaultWords, ...]:
        """The faults of the pod that stand now."""
        return self._faults.standing

    @property
    def _troubles(self) -> tuple[str, ...]:
        return tuple(words.short for words in self._faults.standing)

    def take(self, event: RunEvent) -> list[str]:
        """Take an event; return lines for the operator."""
        match event:
            case PodSeen(hello=hello, settings_problem=problem, again=again):
                self._name = (hello.name or hello.hardware) if hello is not None else "text pod"
                self._connected = True
                self._faults.met(hello)
                return [] if again else _first_words(hello, problem)
            case Health():
                self._health = event
                self._lost += event.lost
            case RateFitted():
                return [_fitted(event)]
            case LinkDown(reason=reason):
                self._connected = False
                return [reason.what]
            case LinkUp(gap_s=gap_s):
                self._connected = True
                return [f"The pod is back after {gap_s:.1f} s; the run goes on, the gap is marked."]
            case PodRestarted(cause=cause):
                self._faults.restarted()
                return [f"The pod has restarted: {restart_words(cause)}."]
            case Knocked():
                return ["A knock: left out of the mean."]
            case CommandFailed(command=command, reason=reason):
                return [f"The pod did not take the command {_spoken(command)}: {reason}"]
            case PodReport(message=Fault() | Status() as report):
                return self._faults.take(report)
        return []


def _fitted(fit: RateFitted) -> str:
    carries = f"The link carries {fit.bytes_per_s / 1000.0:.1f} kB/s"
    if fit.applied:
        return (
            f"{carries}: averaging {fit.averaging}, {fit.rate_hz:.0f} samples/s; what came before "
            "is left out."
        )
    return f"{carries} and loses samples: next time say --rate {fit.rate_hz:.0f}."


def _spoken(member: IntEnum) -> str:
    return member.name.lower().replace("_", " ")


def _first_words(hello: Hello | None, problem: str) -> list[str]:
    """Return what is to be said of a pod when it is first met."""
    lines = [problem] if problem else []
    if hello is not None and hello.reset_cause in (ResetCause.WATCHDOG, ResetCause.BROWN_OUT):
        lines.append(f"The pod had restarted before: {restart_words(hello.reset_cause)}.")
    return lines
